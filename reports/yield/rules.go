package yield

import (
	"math"
	"slices"
)

// RuleSet is a named set of rules for points of a control chart.
//
// Both take "beyond" strictly: a point exactly on a line is not beyond it. The
// point at which a rule fires is the last of its pattern and must itself be
// beyond the line.
type RuleSet string

// The rule sets.
const (
	// WesternElectric is rules 1 to 4 of the Western Electric handbook (1956),
	// as in e-Handbook 6.3.2. A false alarm comes every 91.75 points on
	// average where nothing has changed (Champ & Woodall 1987, quoted there,
	// from memory), every 370.4 with rule 1 alone. Its rule 4 asks for 8 points
	// on one side; Nelson's rule 2 for 9, some handbooks for 7.
	WesternElectric RuleSet = "western-electric"
	// Nelson is the eight rules of Nelson 1984 (Journal of Quality Technology
	// 16, 237-239, from memory).
	Nelson RuleSet = "nelson"
)

// RuleCode names what fired.
type RuleCode string

// The rules of the sets, then what a point beyond the limits means in panels
// that know that rule alone.
const (
	RuleBeyond       RuleCode = "beyond_limits"
	RuleTwoOfThree   RuleCode = "two_of_three"  // beyond 2 sigma on one side
	RuleFourOfFive   RuleCode = "four_of_five"  // beyond 1 sigma on one side
	RuleEightRun     RuleCode = "eight_run"     // in a row on one side of the centre
	RuleNineRun      RuleCode = "nine_run"      // the same
	RuleSixTrend     RuleCode = "six_trend"     // in a row rising, or falling
	RuleFourteenTurn RuleCode = "fourteen_turn" // in a row up and down in turn
	RuleFifteenNear  RuleCode = "fifteen_near"  // in a row within 1 sigma
	RuleEightFar     RuleCode = "eight_far"     // in a row beyond 1 sigma, on both sides

	RuleStep        RuleCode = "step"         // a moving range: one of the two is out of the ordinary
	RuleSpreadWide  RuleCode = "spread_wide"  // within a subgroup
	RuleSpreadClose RuleCode = "spread_close" // within a subgroup: is it one?
	RuleEWMA        RuleCode = "ewma"
	RuleSum         RuleCode = "sum"
)

// HitSide is where a rule fired, where that means something.
type HitSide string

// The sides.
const (
	SideAbove   HitSide = "above"
	SideBelow   HitSide = "below"
	SideRising  HitSide = "rising"
	SideFalling HitSide = "falling"
)

// Rule is one of a set.
type Rule struct {
	Number int      `json:"number"`
	Code   RuleCode `json:"code"`

	pattern pattern
	count   int     // so many points
	of      int     // of so many
	lines   float64 // beyond, or within, so many sigma
}

type pattern int

const (
	beyondOneSide pattern = iota // count of the last of points beyond lines, on one side
	steady                       // of points, each above (or each below) the one before
	alternating                  // of points up and down in turn
	inside                       // of points within lines
	outside                      // of points outside lines, on both sides
)

// Rules are those of the set, by number; none of an unknown set.
func (s RuleSet) Rules() []Rule {
	single := Rule{Code: RuleBeyond, count: 1, of: 1, lines: 3}
	two := Rule{Code: RuleTwoOfThree, count: 2, of: 3, lines: 2}
	four := Rule{Code: RuleFourOfFive, count: 4, of: 5, lines: 1}
	var rules []Rule
	switch s {
	case WesternElectric:
		rules = []Rule{single, two, four, {Code: RuleEightRun, count: 8, of: 8}}
	case Nelson:
		rules = []Rule{
			single, {Code: RuleNineRun, count: 9, of: 9}, {Code: RuleSixTrend, pattern: steady, of: 6},
			{Code: RuleFourteenTurn, pattern: alternating, of: 14}, two, four,
			{Code: RuleFifteenNear, pattern: inside, of: 15, lines: 1}, {Code: RuleEightFar, pattern: outside, of: 8,
				lines: 1},
		}
	}
	for i := range rules {
		rules[i].Number = i + 1
	}
	return rules
}

// falseSignals is how many points per point break a rule of the set in the long
// run where nothing has changed: more than 1 in the mean distance of alarms,
// since a run that has fired goes on firing. Found by simulation of 2 million
// normal values; a test repeats it on fewer. With few, of the rules for charts
// of counts only.
func (s RuleSet) falseSignals(few bool) float64 {
	switch {
	case s == Nelson && few:
		return 0.0139
	case s == Nelson:
		return 0.0231
	case few:
		return 0.0105
	}
	return 0.0166
}

// forCounts are the rules of the set that suit counts, which are not quite
// symmetrical: a point beyond the limits, runs on one side, and Nelson's rules
// of order.
func (s RuleSet) forCounts() []int {
	if s == Nelson {
		return []int{1, 2, 3, 4}
	}
	return []int{1, 4}
}

// RuleHit is a rule that fired at one point, or at several in a row.
type RuleHit struct {
	Panel int      `json:"panel"` // of the chart, from 0
	Rule  int      `json:"rule"`  // its number in the set
	Code  RuleCode `json:"code"`  // what it means in this panel
	Side  HitSide  `json:"side,omitempty"`
	// From is the first point of the pattern, First the point at which the
	// rule fired first, To the last point at which it did, without a pause:
	// indices of the panel's points, from 0.
	From  int `json:"from"`
	First int `json:"first"`
	To    int `json:"to"`
	// Size is, of a sum, by about how much the middle lies off since From, in
	// the unit of the chart.
	Size float64 `json:"size,omitempty"`
}

// Apply finds what fires on points given as distances from the centre in sigma
// of each. A point that is NaN interrupts every pattern. With only, no other
// rules than those are applied. Hits are in the order of rules, then of points.
func (s RuleSet) Apply(z []float64, only ...int) []RuleHit {
	var hits []RuleHit
	rules := s.Rules()
	for _, r := range rules {
		if len(only) > 0 && !slices.Contains(only, r.Number) {
			continue
		}
		last := -2 // the newest point at which r fired
		for i := range z {
			from, side, ok := r.at(z, i)
			if !ok {
				continue
			}
			if n := len(hits); last == i-1 && hits[n-1].Rule == r.Number && hits[n-1].Side == side {
				hits[n-1].To = i
			} else {
				hits = append(hits, RuleHit{Rule: r.Number, Code: r.Code, Side: side, From: from, First: i, To: i})
			}
			last = i
		}
	}
	return hits
}

// at says whether the rule fires at point i, and where its pattern began.
func (r Rule) at(z []float64, i int) (from int, side HitSide, ok bool) {
	from = i - r.of + 1
	switch r.pattern {
	case beyondOneSide:
		return r.beyond(z, i)
	case steady:
		if from < 0 {
			return 0, "", false
		}
		up, down := true, true
		for j := from + 1; j <= i; j++ {
			up, down = up && z[j] > z[j-1], down && z[j] < z[j-1]
		}
		switch {
		case up:
			return from, SideRising, true
		case down:
			return from, SideFalling, true
		}
		return 0, "", false
	case alternating:
		if from < 0 {
			return 0, "", false
		}
		for j := from + 2; j <= i; j++ {
			if !((z[j]-z[j-1])*(z[j-1]-z[j-2]) < 0) {
				return 0, "", false
			}
		}
		return from, "", true
	}
	if from < 0 {
		return 0, "", false
	}
	above, below := false, false
	for _, v := range z[from : i+1] {
		if r.pattern == inside && !(math.Abs(v) <= r.lines) || r.pattern == outside && !(math.Abs(v) > r.lines) {
			return 0, "", false
		}
		above, below = above || v > 0, below || v < 0
	}
	return from, "", r.pattern == inside || above && below
}

// beyond is the pattern "count of the last of points beyond a line on one
// side". A chart begins with no pattern: there must be as many points as of.
func (r Rule) beyond(z []float64, i int) (from int, side HitSide, ok bool) {
	sign, side := 1.0, SideAbove
	if z[i] < 0 {
		sign, side = -1, SideBelow
	}
	if i+1 < r.of || !(sign*z[i] > r.lines) {
		return 0, "", false
	}
	n := 0
	for j := i; j > i-r.of; j-- {
		if sign*z[j] > r.lines {
			n, from = n+1, j
		}
		if n == r.count {
			return from, side, true
		}
	}
	return 0, "", false
}

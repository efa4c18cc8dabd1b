package yield

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"
)

// ChartKind names a control chart.
type ChartKind string

// The control charts. The first five are of values ([NewChart]), the others of
// counts ([NewCountChart]).
const (
	ChartIndividuals ChartKind = "individuals"  // I-MR: single values and their moving range
	ChartMeansRanges ChartKind = "means-ranges" // X-bar and R
	ChartMeansSDs    ChartKind = "means-sds"    // X-bar and s
	ChartEWMA        ChartKind = "ewma"
	ChartCUSUM       ChartKind = "cusum"
	ChartP           ChartKind = "p"
	ChartNP          ChartKind = "np"
	ChartC           ChartKind = "c"
	ChartU           ChartKind = "u"
	ChartPPrime      ChartKind = "p-prime"
	ChartUPrime      ChartKind = "u-prime"
)

// ChartInfo says what a kind of chart is for.
type ChartInfo struct {
	Kind   ChartKind `json:"kind"`
	Name   string    `json:"name"`
	For    string    `json:"for"`
	Counts bool      `json:"counts,omitempty"` // of counts, not of values
}

// ChartKinds lists the control charts.
func ChartKinds() []ChartInfo {
	return []ChartInfo{
		{ChartIndividuals, "single values and their moving range (I-MR)", "one value at a time; shows large steps and single odd units", false},
		{ChartMeansRanges, "means and ranges (X-bar/R)", "subgroups of 2 to about 10 values", false},
		{ChartMeansSDs, "means and standard deviations (X-bar/s)", "subgroups of more than about 10 values, or of changing size", false},
		{ChartEWMA, "weighted mean of the newest values (EWMA)", "small steps and slow drift", false},
		{ChartCUSUM, "summed differences from the target (CUSUM)", "small lasting steps, and when they began", false},
		{ChartP, "share failed (p)", "units that fail, of groups of changing size", true},
		{ChartNP, "number failed (np)", "units that fail, of groups of one size", true},
		{ChartC, "defects per group (c)", "defects, where every group offers as many chances of one", true},
		{ChartU, "defects per unit (u)", "defects, of groups of changing size", true},
		{ChartPPrime, "share failed, limits by what groups really vary (Laney p')", "large groups, where the p chart's limits are too narrow", true},
		{ChartUPrime, "defects per unit, limits by what groups really vary (Laney u')", "large groups, where the u chart's limits are too narrow", true},
	}
}

// ControlChart is a control chart, whatever its kind: a drawing or a terminal
// shows its panels one below the other and need not know more.
type ControlChart struct {
	Kind    ChartKind `json:"kind"`
	Title   string    `json:"title"` // of the kind: "single values and their moving range (I-MR)"
	Name    string    `json:"name,omitempty"`
	Unit    string    `json:"unit,omitempty"`
	Panels  []Panel   `json:"panels"`
	RuleSet RuleSet   `json:"rule_set"`
	Rules   []RuleHit `json:"rules,omitempty"`
	// Limits says what the limits are from: "from these 25 points" (phase I),
	// "given: ..." (phase II).
	Limits   string   `json:"limits"`
	Baseline Baseline `json:"baseline"` // to judge later points by the same limits

	// Signals is how many points, over all panels, broke a rule; Chance how
	// many would in the long run if nothing but chance were at work.
	Signals  int      `json:"signals"`
	Chance   float64  `json:"chance"`
	State    string   `json:"state"`   // one of the State constants
	Verdict  string   `json:"verdict"` // one sentence
	Means    string   `json:"means"`   // what that means, and what to do
	Cautions []string `json:"cautions,omitempty"`
}

// States of a process, by its control chart.
const (
	StateInControl = "in control" // no rule fired
	StateByChance  = "by chance"  // rules fired no more often than they would by chance
	StateSignals   = "signals"    // rules fired
)

// Panel is one diagram of a chart.
type Panel struct {
	Title  string         `json:"title"`
	Unit   string         `json:"unit,omitempty"`  // of its values
	Share  bool           `json:"share,omitempty"` // values are shares of 1, for people in %
	Centre float64        `json:"centre"`
	Sigma  float64        `json:"sigma,omitempty"` // of a point, where all have the same; 0 where not
	Zones  bool           `json:"zones,omitempty"` // lines at 1 and 2 thirds of the limits mean something
	Points []ControlPoint `json:"points"`
}

// ControlPoint is one point. All its numbers are finite.
type ControlPoint struct {
	X       string    `json:"x"` // label of its subgroup
	Time    time.Time `json:"time,omitzero"`
	N       int       `json:"n"` // values, or units, behind it
	Value   float64   `json:"value"`
	Lower   float64   `json:"lower"` // control limits: no limits of the product
	Upper   float64   `json:"upper"`
	Centre  float64   `json:"centre"`
	Rules   []int     `json:"rules,omitempty"`   // numbers of the rules that fired here
	Members []int     `json:"members,omitempty"` // indices in the series, as in its subgroup
}

// Baseline is what limits are made of. Points are judged by the baseline of an
// earlier chart in phase II: when it has been agreed how the process is.
type Baseline struct {
	Centre float64 `json:"centre"` // mean of single values; share; defects per unit (per group for c)
	// Sigma is the short-term standard deviation of single values; for p' and
	// u' the spread of standardised points (1 is what chance gives), for other
	// charts of counts 0, since the centre says it.
	Sigma  float64 `json:"sigma,omitempty"`
	Points int     `json:"points,omitempty"` // it was made from; 0 not known
	About  string  `json:"about,omitempty"`  // for people: "lot 24A"
}

// ChartOptions are what a chart may be told. The zero value is usual.
type ChartOptions struct {
	Name, Unit string  // of the reading
	Rules      RuleSet // WesternElectric if empty
	// Baseline gives the limits (phase II); nil takes them from the points
	// (phase I), from the First ones only if that is not 0.
	Baseline *Baseline
	First    int
	// Target is the middle of EWMA and CUSUM where it is not the baseline's.
	Target *float64
	// PrintedConstants rounds the constants to three decimals as printed
	// tables do, to compare with figures worked out with those.
	PrintedConstants bool
	// Format writes a value in the reading's unit for people; nil gives four
	// digits and the unit.
	Format func(float64) string

	EWMA  EWMAOptions
	CUSUM CUSUMOptions
}

func (o ChartOptions) format(v float64) string {
	if o.Format != nil {
		return o.Format(v)
	}
	return strings.TrimSpace(strconv.FormatFloat(v, 'g', 4, 64) + " " + o.Unit)
}

// NewChart makes a control chart of values: individuals, means-ranges,
// means-sds, ewma or cusum.
//
// Empty subgroups are left out, with a caution. It is an error where no chart
// is possible: a value that is not finite, fewer than 2 points, subgroups that
// do not suit the kind, or no spread at all to set limits from (all values the
// same, no baseline).
//
// The rules of the set are applied to single values and means. Ranges, standard
// deviations and moving ranges are skewed, and moving ranges and EWMA hang
// together: to those rule 1 alone.
func NewChart(kind ChartKind, groups []Subgroup, o ChartOptions) (ControlChart, error) {
	b, err := begin(kind, o)
	if err != nil {
		return ControlChart{}, err
	}
	if err := b.take(groups); err != nil {
		return ControlChart{}, b.fail(err)
	}
	switch kind {
	case ChartIndividuals:
		err = b.individuals()
	case ChartMeansRanges:
		err = b.means(rangeSpread{printed: o.PrintedConstants, constants: map[int]Constants{}})
	case ChartMeansSDs:
		err = b.means(sdSpread{printed: o.PrintedConstants})
	case ChartEWMA:
		err = b.ewma()
	case ChartCUSUM:
		err = b.cusum()
	default:
		err = fmt.Errorf("there is no such chart of values")
	}
	if err != nil {
		return ControlChart{}, b.fail(err)
	}
	return b.finish(), nil
}

// chartBuilder is a chart on its way.
type chartBuilder struct {
	ControlChart
	o      ChartOptions
	groups []Subgroup // with values
	base   []Subgroup // those that limits are from
	counts bool
}

func begin(kind ChartKind, o ChartOptions) (*chartBuilder, error) {
	if o.Rules == "" {
		o.Rules = WesternElectric
	}
	b := &chartBuilder{o: o, ControlChart: ControlChart{Kind: kind, Name: o.Name, Unit: o.Unit, RuleSet: o.Rules}}
	if o.Rules.Rules() == nil {
		return nil, b.fail(fmt.Errorf("there is no rule set %q", o.Rules))
	}
	if o.First < 0 || o.First == 1 || o.First > 0 && o.Baseline != nil {
		return nil, b.fail(fmt.Errorf("limits come from 2 first points at least, or from a baseline"))
	}
	if p := o.Baseline; p != nil && (!isFinite(p.Centre) || !isFinite(p.Sigma) || p.Sigma < 0) {
		return nil, b.fail(fmt.Errorf("the baseline's centre and sigma must be numbers, and sigma not below 0"))
	}
	if o.Target != nil && !isFinite(*o.Target) {
		return nil, b.fail(fmt.Errorf("the target is not a number"))
	}
	for _, k := range ChartKinds() {
		if k.Kind == kind {
			b.Title, b.counts = k.Name, k.Counts
		}
	}
	return b, nil
}

// fail says which chart cannot be.
func (b *chartBuilder) fail(err error) error {
	what := string(b.Kind) + " chart"
	if b.Name != "" {
		what += " of " + b.Name
	}
	return fmt.Errorf("%s: %w", what, err)
}

func isFinite(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }

func (b *chartBuilder) take(groups []Subgroup) error {
	empty, wrong, n := 0, 0, 0
	b.groups = make([]Subgroup, 0, len(groups))
	for _, g := range groups {
		n += len(g.Values)
		for _, v := range g.Values {
			if !isFinite(v) {
				wrong++
			}
		}
		if len(g.Values) == 0 {
			empty++
			continue
		}
		b.groups = append(b.groups, g)
	}
	if wrong > 0 {
		return fmt.Errorf("%d of %d values are not finite numbers", wrong, n)
	}
	if empty > 0 {
		b.caution("%d subgroups without a value are left out", empty)
	}
	if len(b.groups) < 2 && (b.o.Baseline == nil || len(b.groups) == 0) {
		return fmt.Errorf("%s: 2 at least are needed", countOf(len(b.groups), "point"))
	}
	b.base = b.groups
	if f := b.o.First; f > 0 {
		if f > len(b.groups) {
			return fmt.Errorf("limits from the first %d points: there are %d", f, len(b.groups))
		}
		b.base = b.groups[:f]
	}
	return nil
}

func (b *chartBuilder) caution(format string, args ...any) {
	b.Cautions = append(b.Cautions, fmt.Sprintf(format, args...))
}

// countOf is "1 point", "2 points".
func countOf(n int, thing string) string {
	if n == 1 {
		return "1 " + thing
	}
	return strconv.Itoa(n) + " " + thing + "s"
}

// usualBase is how many points limits should come from; common practice.
const usualBase = 20

// limitsFrom notes what the limits are from.
func (b *chartBuilder) limitsFrom(base Baseline, points int) {
	if given := b.o.Baseline; given != nil {
		b.Baseline = *given
		b.Limits = "given"
		switch {
		case given.About != "":
			b.Limits += ": " + given.About
		case given.Points > 0:
			b.Limits += ": from " + countOf(given.Points, "earlier point")
		}
		return
	}
	base.Points = points
	b.Baseline = base
	if b.o.First > 0 {
		b.Limits = fmt.Sprintf("from the first %d points", points)
	} else {
		b.Limits = fmt.Sprintf("from these %d points", points)
	}
	if points < usualBase {
		b.caution("limits from %d points are rough: %d or more are usual", points, usualBase)
	}
}

// panel adds a diagram and applies rules to it: those numbered in only, all if
// there are none, with sigma of each point.
func (b *chartBuilder) panel(p Panel, sigma []float64, only ...int) {
	z := make([]float64, len(p.Points))
	same := true
	for i, q := range p.Points {
		z[i] = math.NaN()
		if sigma[i] > 0 {
			z[i] = (q.Value - q.Centre) / sigma[i]
			if math.Abs(math.Abs(z[i])-3) < 1e-9 { // on the limit is not beyond it, whatever rounding says
				z[i] = math.Copysign(3, z[i])
			}
		}
		same = same && sigma[i] == sigma[0]
	}
	if same && len(sigma) > 0 {
		p.Sigma = sigma[0]
	}
	p.Zones = len(only) == 0
	hits := b.o.Rules.Apply(z, only...)
	b.addPanel(p, hits)
	b.Chance += float64(len(p.Points)) * b.o.Rules.falseSignals(len(only) > 0)
}

// beyondLimits adds a diagram of which rule 1 alone is asked, by its limits.
// chance is how many points lie beyond them by chance; text, if there is one,
// says what a hit means.
func (b *chartBuilder) beyondLimits(p Panel, chance float64, text func(RuleHit) string) {
	b.Chance += chance
	rule1 := b.o.Rules.Rules()[0]
	var hits []RuleHit
	for i, q := range p.Points {
		side := ""
		switch {
		case q.Value > q.Upper:
			side = "above"
		case q.Value < q.Lower:
			side = "below"
		default:
			continue
		}
		if n := len(hits); n > 0 && hits[n-1].To == i-1 && hits[n-1].Side == side {
			hits[n-1].To = i
			continue
		}
		hits = append(hits, RuleHit{Rule: rule1.Number, Side: side, From: i, First: i, To: i})
	}
	for i, h := range hits {
		hits[i].Text = rule1.sentence(h.Side)
		if text != nil {
			hits[i].Text = text(h)
		}
	}
	b.addPanel(p, hits)
}

func (b *chartBuilder) addPanel(p Panel, hits []RuleHit) {
	for _, h := range hits {
		h.Panel = len(b.Panels)
		for i := h.First; i <= h.To; i++ {
			p.Points[i].Rules = append(p.Points[i].Rules, h.Rule)
		}
		b.ControlChart.Rules = append(b.ControlChart.Rules, h)
	}
	for i := range p.Points {
		slices.Sort(p.Points[i].Rules)
	}
	b.Panels = append(b.Panels, p)
}

// count is how many subgroups broke a rule in any panel. Panels end together,
// whatever they begin with.
func (b *chartBuilder) count() int {
	broke := map[int]bool{}
	for _, p := range b.Panels {
		for i, q := range p.Points {
			if len(q.Rules) > 0 {
				broke[len(p.Points)-i] = true
			}
		}
	}
	return len(broke)
}

// finish puts the chart in words.
func (b *chartBuilder) finish() ControlChart {
	points := len(b.groups)
	b.Signals = b.count()
	many := float64(b.Signals) > chanceLimit(b.Chance)
	switch {
	case b.Signals == 0:
		b.State = StateInControl
		b.Verdict = fmt.Sprintf("In control: none of %s breaks a rule.", countOf(points, "point"))
		b.Means = "What differs from point to point is chance. The limits of this chart say how the process is, not what the product may be."
	case b.Chance >= 1 && !many:
		b.State = StateByChance
		b.Verdict = fmt.Sprintf("No more signals than by chance: %s of %d %s a rule, about %.0f would if nothing had changed.",
			countOf(b.Signals, "point"), points, breaks(b.Signals), b.Chance)
		b.Means = "On so many points some break a rule by chance. Look at those that lie far out; adjust nothing because of the others."
	default:
		b.State = StateSignals
		first := b.earliest()
		p := b.Panels[first.Panel]
		b.Verdict = fmt.Sprintf("Not in control: %s of %d %s a rule, first at %s (%s).",
			countOf(b.Signals, "point"), points, breaks(b.Signals), p.Points[first.First].X, p.Title)
		b.Means = upperFirst(first.Text) + ". Find out what was different from there on, before anything is adjusted."
		if b.o.Baseline == nil {
			b.Means += " Limits that such points helped to make are too wide or off: once the cause is known and gone, make them again without."
		}
	}
	return b.ControlChart
}

func breaks(n int) string {
	if n == 1 {
		return "breaks"
	}
	return "break"
}

func upperFirst(s string) string {
	if s == "" {
		return s
	}
	return strings.ToUpper(s[:1]) + s[1:]
}

// earliest is the hit that fired first, counting the panels' points from the
// end, since a panel may begin later than another.
func (b *chartBuilder) earliest() RuleHit {
	return slices.MinFunc(b.ControlChart.Rules, func(x, y RuleHit) int {
		return (x.First - len(b.Panels[x.Panel].Points)) - (y.First - len(b.Panels[y.Panel].Points))
	})
}

// chanceLimit is how many signals chance alone exceeds about once in a hundred
// series where it gives mean of them: signals come in clusters, so that their
// number varies two to three times as much as a Poisson count.
func chanceLimit(mean float64) float64 { return mean + 3*math.Sqrt(3*mean) }

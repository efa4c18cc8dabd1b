package yield

import (
	"cmp"
	"math"
	"slices"
)

// ParetoChart is what goes wrong, the most frequent first.
type ParetoChart struct {
	Units  int64 `json:"units"`  // tested
	Failed int64 `json:"failed"` // of them, at their first judged run
	// CutShort of Failed broke a limit in a run that was then cut short.
	CutShort int64 `json:"cut_short"`
	// Findings is the sum of all bars. A unit with two things wrong is in two
	// bars, so it may be more than Failed.
	Findings int64   `json:"findings"`
	Bars     []Bar   `json:"bars"`
	Others   *Others `json:"others,omitempty"` // beyond the bars shown
	// VitalFew is how many of the bars make up Cut of all findings; bars that
	// tie with the last of them belong to it. Where it exceeds the bars shown,
	// all of these and some of Others belong to it.
	VitalFew int     `json:"vital_few"`
	Cut      float64 `json:"cut"`
	// Unnamed is how many of the failed units are in no bar, at the least: such
	// as those for which no cause was found.
	Unnamed int64 `json:"unnamed,omitempty"`
}

// Bar is one thing that goes wrong. Units are counted once each, by their first
// judged run.
type Bar struct {
	Name  string `json:"name"`
	Where string `json:"where,omitempty"` // of several like parts a cause is in
	Part  string `json:"part,omitempty"`
	Rule  string `json:"rule,omitempty"`
	Units int64  `json:"units"`
	Runs  int64  `json:"runs"` // judged runs with it, retests included

	OfTested Share `json:"of_tested"` // units with it, of all tested
	// units with it, of those that failed; add up to more than 1 where units have several
	OfFailed Share `json:"of_failed"`
	// Cumulative is the share of all findings in this bar and those before it.
	Cumulative float64 `json:"cumulative"`
	Vital      bool    `json:"vital"` // one of the vital few
}

// Others stands for the bars left out. Their units are not added up to a share
// of units: one may be in several.
type Others struct {
	Kinds      int     `json:"kinds"`
	Findings   int64   `json:"findings"`
	OfFindings float64 `json:"of_findings"`
}

// ParetoOptions for [Pareto].
type ParetoOptions struct {
	Confidence float64 // of each interval by itself; [DefaultConfidence] if not given
	Most       int     // bars shown; all if not given
	// Cut is the share of findings that the vital few make up: 0.8 if not
	// given, as is common practice.
	Cut float64
}

// Pareto orders failures by the units that have them, ties by name. c is the
// counts of the same selection.
//
// Special inputs: nothing failed gives no bars; things with no unit (found in
// retests only) come last, in no share; no unit tested leaves shares not known.
func Pareto(c Counts, failures []FailureCount, o ParetoOptions) ParetoChart {
	if !(o.Cut > 0 && o.Cut <= 1) {
		o.Cut = 0.8
	}
	p := ParetoChart{Units: c.Units, Failed: c.FirstFailed(), CutShort: c.FirstCutShort, Cut: o.Cut}
	sorted := slices.Clone(failures)
	slices.SortStableFunc(sorted, func(a, b FailureCount) int {
		return cmp.Or(cmp.Compare(b.Units, a.Units), cmp.Compare(a.Where, b.Where), cmp.Compare(a.Name, b.Name),
			cmp.Compare(a.Rule, b.Rule), cmp.Compare(a.Part, b.Part))
	})
	for _, f := range sorted {
		p.Findings += f.Units
	}
	p.Unnamed = max(0, p.Failed-p.Findings)
	sum := int64(0)
	for i, f := range sorted {
		// Bars that tie cannot be told apart: all of them, or none.
		tied := i > 0 && f.Units == sorted[i-1].Units && p.VitalFew == i
		if f.Units > 0 && (tied || float64(sum) < o.Cut*float64(p.Findings)*(1-1e-12)) {
			p.VitalFew = i + 1
		}
		sum += f.Units
		b := Bar{
			Name: f.Name, Where: f.Where, Part: f.Part, Rule: f.Rule, Units: f.Units, Runs: f.Runs,
			Vital:    p.VitalFew == i+1,
			OfTested: NewShare(f.Units, p.Units, o.Confidence), OfFailed: NewShare(f.Units, p.Failed, o.Confidence),
		}
		if p.Findings > 0 {
			b.Cumulative = float64(sum) / float64(p.Findings)
		}
		p.Bars = append(p.Bars, b)
	}
	if o.Most > 0 {
		return p.Shown(o.Most)
	}
	return p
}

// Shown is the chart without the bars after so many.
func (p ParetoChart) Shown(most int) ParetoChart {
	if len(p.Bars) <= most {
		return p
	}
	o := Others{Kinds: len(p.Bars) - most}
	for _, b := range p.Bars[most:] {
		o.Findings += b.Units
	}
	if p.Findings > 0 {
		o.OfFindings = float64(o.Findings) / float64(p.Findings)
	}
	p.Bars, p.Others = p.Bars[:most], &o
	return p
}

// WouldBe is the first-pass yield if what the bar stands for were cured and
// nothing else: at best, as its units may have other things wrong too.
func (p ParetoChart) WouldBe(b Bar) float64 {
	if p.Units <= 0 {
		return math.NaN()
	}
	return float64(p.Units-p.Failed+min(b.Units, p.Failed)) / float64(p.Units)
}

// NoFaultFound is the finding that nothing was wrong with the unit, as in a
// repair.
const NoFaultFound = "no-fault-found"

// RepairRow is what a repair says about the hint that came with the failure.
type RepairRow struct {
	Suggested string // the rule that was ranked first, "" if there was none
	Found     string // what was found: a rule, [NoFaultFound], or a finding without a rule
	Rule      bool   // Found is a rule
}

// HintStudy says how good the hints for causes were, by what repairs found.
type HintStudy struct {
	Repairs      int64 `json:"repairs"`
	NoFaultFound int64 `json:"no_fault_found"`
	NoHint       int64 `json:"no_hint"` // repairs of failures without a hint
	// Right is how many hints were right, of those that were given. One after
	// which nothing was found counts as wrong: it sent a technician looking.
	Right Share `json:"right"`
	// Rules is the same for each rule, those suggested most first.
	Rules []HintRule `json:"rules"`
	// NoRule is what was found that no rule speaks of, most first; without
	// NoFaultFound. A line that grows wants a rule of its own.
	NoRule []FindingCount `json:"no_rule"`
	// Confused are hints that were wrong, by what was found in place of them,
	// most first.
	Confused []Confusion `json:"confused"`
}

// HintRule is how good the hints of one rule were.
type HintRule struct {
	Rule  string `json:"rule"`
	Right Share  `json:"right"` // of the repairs for which it was suggested
	Found int64  `json:"found"` // repairs that found it, whatever had been suggested
	// Missed are those of them for which something else, or nothing, had been
	// suggested.
	Missed int64 `json:"missed"`
}

// FindingCount is how often something was found.
type FindingCount struct {
	Found string `json:"found"`
	Count int64  `json:"count"`
}

// Confusion is how often one thing was suggested and another found.
type Confusion struct {
	Suggested string `json:"suggested"`
	Found     string `json:"found"`
	Count     int64  `json:"count"`
}

// StudyHints compares what was suggested with what was found. No rows give
// shares that are not known. Rows with an empty Found are left out. Equals are
// in the order of the alphabet.
func StudyHints(rows []RepairRow, confidence float64) HintStudy {
	var s HintStudy
	type tally struct{ suggested, right, found, missed int64 }
	rules := map[string]*tally{}
	of := func(rule string) *tally {
		if rules[rule] == nil {
			rules[rule] = &tally{}
		}
		return rules[rule]
	}
	free := map[string]int64{}
	confused := map[[2]string]int64{}
	right := int64(0)
	for _, r := range rows {
		if r.Found == "" {
			continue
		}
		s.Repairs++
		switch {
		case r.Found == NoFaultFound:
			s.NoFaultFound++
		case r.Rule:
			of(r.Found).found++
			if r.Found != r.Suggested {
				of(r.Found).missed++
			}
		default:
			free[r.Found]++
		}
		switch {
		case r.Suggested == "":
			s.NoHint++
		case r.Suggested == r.Found:
			of(r.Suggested).suggested++
			of(r.Suggested).right++
			right++
		default:
			of(r.Suggested).suggested++
			confused[[2]string{r.Suggested, r.Found}]++
		}
	}
	s.Right = NewShare(right, s.Repairs-s.NoHint, confidence)
	for name, t := range rules {
		s.Rules = append(s.Rules, HintRule{Rule: name, Right: NewShare(t.right, t.suggested, confidence),
			Found: t.found, Missed: t.missed})
	}
	slices.SortFunc(s.Rules, func(a, b HintRule) int {
		return cmp.Or(cmp.Compare(b.Right.Of, a.Right.Of), cmp.Compare(b.Found, a.Found), cmp.Compare(a.Rule, b.Rule))
	})
	for name, n := range free {
		s.NoRule = append(s.NoRule, FindingCount{name, n})
	}
	slices.SortFunc(s.NoRule, func(a, b FindingCount) int {
		return cmp.Or(cmp.Compare(b.Count, a.Count), cmp.Compare(a.Found, b.Found))
	})
	for pair, n := range confused {
		s.Confused = append(s.Confused, Confusion{pair[0], pair[1], n})
	}
	slices.SortFunc(s.Confused, func(a, b Confusion) int {
		return cmp.Or(cmp.Compare(b.Count, a.Count), cmp.Compare(a.Suggested, b.Suggested),
			cmp.Compare(a.Found, b.Found))
	})
	return s
}

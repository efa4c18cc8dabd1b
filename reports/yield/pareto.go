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
		switch {
		case o.Most <= 0 || i < o.Most:
			p.Bars = append(p.Bars, b)
		case p.Others == nil:
			p.Others = &Others{}
			fallthrough
		default:
			p.Others.Kinds++
			p.Others.Findings += f.Units
		}
	}
	if p.Others != nil && p.Findings > 0 {
		p.Others.OfFindings = float64(p.Others.Findings) / float64(p.Findings)
	}
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

package wording

import (
	"math"
	"strings"

	"fullthrow/reports/statistics"
	"fullthrow/reports/yield"
)

// YieldDifference sets the first-pass yields of a comparison side by side.
func YieldDifference(t *Translator, c yield.Comparison) string {
	y := c.Yield
	if y == nil || !y.A.Known() || !y.B.Known() {
		return t.T("figures.yield.unknown")
	}
	both := t.T("figures.yield.both", "a", c.A, "b", c.B, "share_a", t.Share(y.A.Value), "part_a", y.A.Count, "all_a",
		y.A.Of,
		"share_b", t.Share(y.B.Value), "part_b", y.B.Count, "all_b", y.B.Of)
	d := y.Difference
	low, high := d.Low, d.High
	points := func(x float64) string { return t.Digits(100*x, 2) }
	id := "figures.yield.more"
	switch {
	case y.Test == nil:
		return sentences(t, both, t.T("figures.yield.same"))
	case y.Test.P > 1-c.Confidence:
		return sentences(t, both, t.T("figures.yield.chance", "low", points(low), "high", points(high)))
	case d.Value < 0:
		id, low, high = "figures.yield.less", -high, -low
	}
	return sentences(t, both, t.T(id, "b", c.B, "size", points(math.Abs(d.Value)), "low", points(low), "high",
		points(high)))
}

// Comparison is what two groups have apart, as a whole.
func Comparison(t *Translator, c yield.Comparison) string {
	n := len(c.Readings)
	tested := n - c.Untested
	switch {
	case n == 0:
		return t.T("figures.compare.nothing", "a", c.A, "b", c.B)
	case tested == 0:
		return t.T("figures.compare.untested", "count", n)
	case c.Differ == 0:
		return t.T("figures.compare.alike", "count", tested, "a", c.A, "b", c.B)
	}
	return t.T("figures.compare.differ", "count", c.Differ, "of", tested, "a", c.A, "b", c.B)
}

// ComparisonRest is of which readings nothing can be said, and which are in one
// group only: a sentence each.
func ComparisonRest(t *Translator, c yield.Comparison) []string {
	var out []string
	if c.Untested > 0 && c.Untested < len(c.Readings) {
		out = append(out, t.T("figures.compare.silent", "count", c.Untested))
	}
	if len(c.OnlyA) > 0 {
		out = append(out, t.T("figures.compare.only", "name", c.A, "list", strings.Join(c.OnlyA, ", ")))
	}
	if len(c.OnlyB) > 0 {
		out = append(out, t.T("figures.compare.only", "name", c.B, "list", strings.Join(c.OnlyB, ", ")))
	}
	return out
}

// Difference is what one reading of a comparison has apart, its name before it.
func Difference(t *Translator, c yield.Comparison, d yield.Difference) string {
	return t.T("figures.reading", "name", d.Name, "text", difference(t, c, d))
}

func difference(t *Translator, c yield.Comparison, d yield.Difference) string {
	of := func(v float64) string { return t.Quantity(v, d.Unit) }
	if d.Level.Test == nil {
		switch {
		case len(d.Cautions) > 0:
			return Remark(t, d.Cautions[0])
		case d.A.N == 1 && d.B.N == 1:
			return t.T("figures.compare.singles", "a", c.A, "b", c.B, "value_a", of(d.A.Mean), "value_b", of(d.B.Mean))
		case d.Level.Why != nil:
			return Remark(t, *d.Level.Why)
		}
		return t.T("figures.compare.no_test")
	}
	var parts []string
	if d.Level.Difference.Method == yield.MethodPopulation {
		parts = append(parts, population(t, c, d))
	} else if d.Has(yield.DiffersLevel) {
		parts = append(parts, level(t, c, d))
	}
	if d.Has(yield.DiffersSpread) {
		parts = append(parts, spread(t, c, d))
	}
	if f := d.Failing; d.Has(yield.DiffersFailing) {
		parts = append(parts, t.T("figures.compare.fails", "a", c.A, "b", c.B, "share_a", t.Share(f.A.Value), "part_a",
			f.A.Count, "all_a", f.A.Of,
			"share_b", t.Share(f.B.Value), "part_b", f.B.Count, "all_b", f.B.Of))
	}
	if len(parts) > 0 {
		return sentences(t, parts...)
	}
	text := t.T("figures.compare.chance")
	if e := d.Level.Difference; statistics.Finite(e.Low) && statistics.Finite(e.High) {
		text = t.T("figures.compare.chance_between", "a", c.A, "b", c.B, "low", of(e.Low), "high", of(e.High))
	}
	if d.LeastP() <= 1-c.Confidence {
		text = sentences(t, text, t.T("figures.compare.alone", "count", c.Questions))
	}
	return text
}

// population is on two single units.
func population(t *Translator, c yield.Comparison, d yield.Difference) string {
	e := d.Level.Difference
	if e.Value == 0 {
		return t.T("figures.compare.equal", "a", c.A, "b", c.B, "value", t.Quantity(d.A.Mean, d.Unit))
	}
	id := "figures.compare.unit_more"
	if e.Value < 0 {
		id = "figures.compare.unit_less"
	}
	text := t.T(id, "a", c.A, "b", c.B, "size", t.Quantity(math.Abs(e.Value), d.Unit), "times",
		t.Digits(math.Abs(d.Level.Spreads.Value), 2),
		"units", d.Level.Population, "share", t.Share(d.Level.Test.P))
	return sentences(t, text, limitEffect(t, d))
}

func level(t *Translator, c yield.Comparison, d yield.Difference) string {
	e := d.Level.Difference
	if e.Value == 0 && d.Level.Higher != nil {
		// Many equal values: the middle stays and the rest moves.
		share, more, less := *d.Level.Higher, c.B, c.A
		if share < 0.5 {
			share, more, less = 1-share, c.A, c.B
		}
		return t.T("figures.compare.tends", "more", more, "less", less, "share", t.Share(share))
	}
	id := "figures.compare.higher"
	if e.Value < 0 {
		id = "figures.compare.lower"
	}
	size := func(v float64) string { return t.Quantity(math.Abs(v), d.Unit) }
	return sentences(t, t.T(id, "a", c.A, "b", c.B, "size", brackets(t, size(e.Value), sizes(t, e, d.Unit))),
		limitEffect(t, d))
}

// limitEffect is what a difference does against the limits.
func limitEffect(t *Translator, d yield.Difference) string {
	l := d.Limit
	if l == nil || l.Toward == "" {
		return ""
	}
	share := math.Abs(l.Share.Value)
	id := "less_room"
	switch {
	case math.IsNaN(share) && l.Of == "room":
		id = "beyond"
	case math.IsNaN(share):
		return ""
	case l.Of == "width" && l.Inward:
		id = "inward"
	case l.Of == "width":
		id = "to_" + l.Toward
	case l.Inward:
		id = "more_room"
	}
	return t.T("figures.compare."+id, "share", t.Share(share))
}

func spread(t *Translator, c yield.Comparison, d yield.Difference) string {
	s := *d.Spread
	if math.IsNaN(s.Ratio.Value) || s.Ratio.Value == 0 {
		return t.T("figures.compare.scatter", "a", c.A, "b", c.B, "spread_a", t.Quantity(s.A, d.Unit), "spread_b",
			t.Quantity(s.B, d.Unit))
	}
	more, less, ratio, low, high := c.B, c.A, s.Ratio.Value, s.Ratio.Low, s.Ratio.High
	if ratio < 1 {
		more, less, ratio, low, high = c.A, c.B, 1/ratio, 1/high, 1/low
	}
	two := func(v float64) string { return t.Digits(v, 2) }
	return t.T("figures.compare.scatters", "more", more, "less", less, "times", brackets(t, two(ratio),
		Range(t, low, high, two)))
}

// Groups is one reading in several groups, in sentences.
func Groups(t *Translator, g yield.GroupComparison) string {
	first := ""
	if len(g.Groups) > 0 {
		first = g.Groups[0].Key
	}
	args := []any{"name", g.Name, "first", first}
	if g.Variance != nil {
		s := g.Variance.BetweenShare
		args = append(args, "share", t.Share(s.Value), "low", t.Share(s.Low), "high", t.Share(s.High))
	}
	out := []string{t.T("figures.groups."+string(g.State), args...)}
	if g.State == yield.GroupsDiffer {
		o := g.Groups[0]
		id := "figures.groups.above"
		if o.Offset.Value < 0 {
			id = "figures.groups.below"
		}
		size := func(v float64) string { return t.Quantity(math.Abs(v), g.Unit) }
		out = append(out, t.T(id, "first", first, "size", brackets(t, size(o.Offset.Value),
			sizes(t, o.Offset, g.Unit))))
		if v := math.Abs(o.Share.Value); statistics.Finite(v) {
			out = append(out, t.T("figures.groups.of_limits", "share", t.Share(v)))
		}
	}
	return sentences(t, out...)
}

// GroupsCautions is what must be known beside it.
func GroupsCautions(t *Translator, g yield.GroupComparison) []string {
	out := Remarks(t, g.Cautions)
	if g.UseRanks != nil {
		out = append(out, t.T("figures.groups.ranks", "name", g.RanksFor, "why", Remark(t, *g.UseRanks)))
	}
	return out
}

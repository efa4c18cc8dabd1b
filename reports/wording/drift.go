package wording

import (
	"math"

	"fullthrow/reports/statistics"
	"fullthrow/reports/yield"
)

// Drift is what a golden unit's reading does, in sentences.
func Drift(t *Translator, d yield.Drift) string {
	size := func(v float64) string { return t.Quantity(math.Abs(v), d.Unit) }
	sized := func(e yield.Estimate) string { return brackets(t, size(e.Value), sizes(t, e, d.Unit)) }
	var out []string
	add := func(id string, args ...any) { out = append(out, t.T("figures.drift."+id, args...)) }
	up := func(e yield.Estimate) bool { return e.Value > 0 }
	switch d.Kind {
	case yield.DriftFew:
		switch {
		case d.N == 0:
			return t.T("figures.drift.none")
		case d.N >= yield.FewestDrift:
			return t.T("figures.drift.at_once", "count", d.N)
		}
		add("too_few", "count", d.N)
		if statistics.Finite(d.Shift.Value) {
			add("now", "now", t.Quantity(d.Now, d.Unit), "reference", t.Quantity(d.Reference, d.Unit))
		}
		return sentences(t, out...)
	case yield.DriftStep:
		add(map[bool]string{true: "jump_up", false: "jump_down"}[up(d.Step.Size)], "size", sized(d.Step.Size), "day",
			t.Day(d.Step.Time))
	case yield.DriftSlope:
		month := yield.Estimate{Value: 30 * d.Slope.Value, Low: 30 * d.Slope.Low, High: 30 * d.Slope.High}
		add(map[bool]string{true: "up", false: "down"}[up(month)], "size", sized(month))
		if r := d.Reach; r != nil && r.Days.Value == 0 {
			add("at_" + r.Limit)
		} else if r != nil {
			add("to_"+r.Limit, "time", horizon(t, r.Days))
		}
	default:
		add("steady", "count", d.N, "days", math.Round(d.Days))
		if most := 30 * max(math.Abs(d.Slope.Low), math.Abs(d.Slope.High)); most > 0 {
			add("would_show", "most", t.Quantity(most, d.Unit))
		}
		if !d.Shifted() {
			return sentences(t, out...)
		}
		add("shifted", "count", d.NowRuns, "size", sized(d.Shift))
	}
	if s := d.ShiftShare.Value; statistics.Finite(s) {
		add("share", "share", t.Share(math.Abs(s)))
	}
	switch {
	case d.Matters:
		add("matters")
	case !statistics.Finite(d.ShiftShare.Value):
		add("no_limits")
	default:
		add("matters_not")
	}
	return sentences(t, out...)
}

// sizes is an interval of a size, as seen in the direction of the value; ""
// where it has no width.
func sizes(t *Translator, e yield.Estimate, unit string) string {
	low, high := e.Low, e.High
	if e.Value < 0 {
		low, high = -high, -low
	}
	if !(low < high) {
		return ""
	}
	return t.T("figures.range", "low", t.Quantity(low, unit), "high", t.Quantity(high, unit))
}

// horizon writes days in the unit that suits them.
func horizon(t *Translator, e yield.Estimate) string {
	per, name := 365.25, "year"
	switch {
	case e.Value < 14:
		per, name = 1, "day"
	case e.Value < 120:
		per, name = 7, "week"
	case e.Value < 730:
		per, name = 30.44, "month"
	}
	text := t.T("figures.time."+name, "count", int(max(1, math.Round(e.Value/per))))
	if e.Value < 0.5 {
		text = t.T("figures.time.soon")
	}
	if math.IsNaN(e.Low) {
		return text
	}
	low, high := math.Floor(e.Low/per), math.Ceil(e.High/per)
	if high > 1000 {
		return t.T("figures.time.not_before", "time", text, "low", low)
	}
	return t.T("figures.time.between", "time", text, "low", low, "high", high)
}

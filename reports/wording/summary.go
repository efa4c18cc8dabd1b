package wording

import (
	"math"

	"fullthrow/reports/statistics"
	"fullthrow/reports/yield"
)

// Target is how a share stands to what is wanted.
func Target(t *Translator, x yield.Target) string {
	return t.T("figures.target."+string(x.State), "target", t.Share(x.Share), "end", t.Share(x.End))
}

// Cycle is how long runs took, in sentences.
func Cycle(t *Translator, c yield.CycleTime) string {
	if c.N == 0 {
		return t.T("figures.cycle.none")
	}
	out := []string{t.T("figures.cycle.times", "median", t.Seconds(c.Median.Value), "p", t.Seconds(c.P95.Value),
		"longest", t.Seconds(c.Max))}
	if c.Intended > 0 {
		out = append(out, t.T("figures.cycle.over", "intended", t.Seconds(c.Intended), "share",
			Share(t, c.Over, OfRuns)))
	}
	if c.Takt > 0 {
		rate := func(v float64) string {
			if !statistics.Finite(v) {
				return t.Number(math.NaN())
			}
			return t.Fixed(v, 1)
		}
		out = append(out, t.T("figures.cycle.rate", "takt", t.Seconds(c.Takt), "needed", rate(c.Needed), "possible",
			rate(c.Possible.Value)))
	}
	return sentences(t, out...)
}

// CutShort says of how many units the first run broke a limit and was then cut
// short; nothing where there is none.
func CutShort(t *Translator, units int64) string {
	if units == 0 {
		return ""
	}
	return t.T("figures.cut_short", "count", units)
}

// Lost is what faults of the bench and aborted runs cost, in sentences.
func Lost(t *Translator, l yield.LostTime) string {
	switch {
	case l.BenchTime == 0:
		return t.T("figures.lost.nothing")
	case l.ErrorRuns.Count == 0 && l.AbortedRuns.Count == 0:
		return t.T("figures.lost.none")
	}
	text := t.T("figures.lost.time", "time", t.Span(l.Total), "share", t.Share(float64(l.Share)), "errors",
		t.Span(l.Errors),
		"error_runs", l.ErrorRuns.Count, "runs", l.ErrorRuns.Of, "aborted", t.Span(l.Aborted), "aborted_runs",
		l.AbortedRuns.Count)
	if l.Units.Known() && l.Units.Value >= 1 {
		text = sentences(t, text, t.T("figures.lost.units", "count", int(math.Round(l.Units.Value))))
	}
	return text
}

// Trend is which groups differ, in one or more sentences.
func Trend(t *Translator, r yield.TrendResult) string {
	against := string(r.Against)
	switch {
	case !r.Whole.Known():
		return t.T("figures.trend.none")
	case r.Compared == 0:
		return t.T("figures.trend.single")
	case r.Differ == 0:
		return t.T("figures.trend.alike_" + against)
	}
	var out []string
	for _, p := range r.Points {
		id := "higher_"
		switch {
		case p.Differs == 0:
			continue
		case p.Differs < 0:
			id = "lower_"
		}
		out = append(out, t.T("figures.trend."+id+against, "name", p.Key, "share", t.Share(p.FirstPass.Value), "other",
			t.Share(p.Other.Value)))
	}
	return sentences(t, out...)
}

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

// ChartKind is what a kind of control chart is called.
func ChartKind(t *Translator, kind yield.ChartKind) string {
	return t.T("figures.chart." + string(kind))
}

// Panel is what a panel of a control chart shows.
func Panel(t *Translator, of yield.PanelOf) string { return t.T("figures.panel." + string(of)) }

// ChartOf is what a chart is of: a reading by its name, or what fails.
func ChartOf(t *Translator, c yield.ControlChart) string {
	switch c.Kind {
	case yield.ChartP, yield.ChartNP, yield.ChartPPrime:
		return t.T("figures.what.failed")
	case yield.ChartC, yield.ChartU, yield.ChartUPrime:
		return t.T("figures.what.defects")
	}
	return c.Name
}

// Chart is what a control chart says, in a sentence.
func Chart(t *Translator, c yield.ControlChart) string {
	points := 0
	for _, p := range c.Panels {
		points = max(points, len(p.Points))
	}
	return t.T("figures.state."+string(c.State), "what", ChartOf(t, c), "count", c.Signals, "points", points, "chance",
		t.Digits(c.Chance, 2))
}

// ChartMeans is what that means, and what to do. where names the point at which
// a rule fired first.
func ChartMeans(t *Translator, c yield.ControlChart, where string) []string {
	id := "figures.state." + string(c.State) + "_means"
	if c.First == nil || c.State != yield.StateSignals {
		return []string{t.T(id)}
	}
	out := []string{t.T(id, "where", where, "panel", Panel(t, c.Panels[c.First.Panel].Of))}
	if c.Limits.From != yield.LimitsGiven {
		out = append(out, t.T("figures.state.signals_limits"))
	}
	return out
}

// ChartLimits is where control limits are from: "limits from these 25 points".
func ChartLimits(t *Translator, l yield.Limits) string {
	switch {
	case l.From != yield.LimitsGiven:
		return t.T("figures.limits."+string(l.From), "count", l.Points)
	case l.About != "":
		return t.T("figures.limits.given_about", "about", l.About)
	case l.Points > 0:
		return t.T("figures.limits.given_points", "count", l.Points)
	}
	return t.T("figures.limits.given")
}

// Rule is what fired, and what has probably happened.
func Rule(t *Translator, code yield.RuleCode) (name, means string) {
	return t.T("figures.rule." + string(code)), t.T("figures.rule." + string(code) + "_means")
}

// Side is where a rule fired; "" where that means nothing.
func Side(t *Translator, side yield.HitSide) string {
	if side == "" {
		return ""
	}
	return t.T("figures.side." + string(side))
}

// Hit is a rule that fired on a chart of values of a unit, in a sentence or two.
func Hit(t *Translator, h yield.RuleHit, unit string) string {
	name, means := Rule(t, h.Code)
	side := Side(t, h.Side)
	if h.Code == yield.RuleStep { // has no sign
		side = ""
	}
	if h.Size > 0 {
		side += ", " + t.T("figures.rule_size", "size", t.Quantity(h.Size, unit))
	}
	return t.T("figures.hit", "name", brackets(t, name, side), "means", means)
}

// NoChart is why there is no chart.
func NoChart(t *Translator, why yield.Remark) string {
	return t.T("figures.no_chart", "why", Remark(t, why))
}

// index is an index with its interval: "Cpk 1.50 (1.35 to 1.65)".
func index(t *Translator, s *yield.CapabilityStudy) string {
	e := s.Decisive()
	if e == nil {
		return ""
	}
	name := "Ppk"
	if s.Index == "cpk" && s.State != yield.CapabilityByPercent {
		name = "Cpk"
	}
	fixed := func(v float64) string { return t.Fixed(v, 2) }
	return brackets(t, name+nbsp+fixed(e.Value), Range(t, e.Low, e.High, fixed))
}

// CapabilityVerdict is what a study says, in a sentence.
func CapabilityVerdict(t *Translator, s *yield.CapabilityStudy) string {
	id := "figures.capability." + string(s.State)
	switch {
	case s.State == yield.CapabilityNone && s.Problem != nil:
		return t.T(id, "why", Remark(t, *s.Problem))
	case s.State == yield.CapabilityByPercent && (s.Percentile == nil || s.Percentile.Ppk == nil):
		return t.T("figures.capability.percentile_none")
	case s.State == yield.CapabilityByPercent && s.Percentile.AtMost:
		return t.T("figures.capability.percentile_most", "index", "Ppk"+nbsp+t.Fixed(s.Percentile.Ppk.Value, 2))
	}
	return t.T(id, "index", index(t, s), "usual", t.Fixed(yield.IndexGood, 2))
}

// CapabilityMeans is what that means, and what to do: a sentence each.
func CapabilityMeans(t *Translator, s *yield.CapabilityStudy) []string {
	if s.Problem != nil {
		return nil
	}
	var out []string
	switch s.State {
	case yield.CapabilityMoot:
		out = append(out, t.T("figures.capability.look_when"))
	case yield.CapabilityByPercent:
	default:
		e := s.Expected
		out = append(out, t.T("figures.capability.expected", "share", t.PerMillion(e.Value), "low", t.PerMillion(e.Low),
			"high", t.PerMillion(e.High)))
		if by, ok := s.Recentre(); ok {
			out = append(out, t.T("figures.capability.off_centre", "by", t.Quantity(by, s.Unit), "value",
				t.Fixed(s.Cp.Value, 2)))
		}
	}
	if o := s.Observed; o != nil {
		out = append(out, t.T("figures.capability.observed", "part", o.Count, "all", s.N, "share", t.Share(o.Value),
			"low", t.Share(o.Low), "high", t.Share(o.High)))
	}
	return out
}

// CapabilityBasis is what the verdict rests on, where there is something: the
// shape of the values, and whether they hold still.
func CapabilityBasis(t *Translator, s *yield.CapabilityStudy) []string {
	var out []string
	if s.Normality.N > 0 {
		out = append(out, Shape(t, s.Normality))
	}
	if s.Stability.Points > 0 {
		out = append(out, Stability(t, s.Stability))
	}
	return out
}

// fewForShape is below how many values only a gross departure shows.
const fewForShape = 50

// Shape is what the shape of values is, in a sentence.
func Shape(t *Translator, n yield.Normality) string {
	look := ""
	if n.Look != "" {
		look = t.T("figures.look."+string(n.Look), "times", t.Fixed(n.Reach, 2))
	}
	switch {
	case n.Coarse:
		return t.T("figures.shape.coarse", "count", n.Distinct)
	case n.Shape == yield.ShapeNormal && n.N < fewForShape:
		return t.T("figures.shape.normal_few", "count", n.N)
	}
	return t.T("figures.shape."+string(n.Shape), "look", look)
}

// Stability is what a process does over time, in a sentence.
func Stability(t *Translator, s yield.Stability) string {
	id := "figures.stability." + string(s.State)
	if s.Reason != "" {
		id += "_" + string(s.Reason)
	}
	times := ""
	if s.Ratio != nil {
		times = t.Fixed(*s.Ratio, 2)
	}
	count := any(s.Signals)
	if s.Reason == yield.ReasonFew {
		count = s.Points
	}
	return t.T(id, "count", count, "points", s.Points, "chance", t.Digits(s.Chance, 2), "times", times)
}

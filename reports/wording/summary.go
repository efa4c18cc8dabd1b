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

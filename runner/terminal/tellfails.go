package terminal

import (
	"context"
	"fmt"
	"slices"

	"fullthrow/reports"
	"fullthrow/reports/draw"
	"fullthrow/reports/review"
	"fullthrow/reports/store"
	"fullthrow/reports/wording"
	"fullthrow/reports/yield"
)

func (q *Answer) TellFails(ctx context.Context, x *review.Fails, most int) error {
	q.Title("What goes wrong", x.About)
	p := mostBars(x.Pareto, most)
	switch {
	case p.Units == 0:
		return q.Nothing(ctx, x.About)
	case p.Failed == 0:
		q.Out.Tell(0, fmt.Sprintf("All of %s passed at the first run; what could still go wrong is unseen in at "+
			"most %s of units (with %s confidence).",
			wording.Count(int(p.Units), "unit"), Percent(*x.UnseenAtMost), WholePercent(q.Asked.Confidence)))
		q.NotCounted(x.About)
		return nil
	}
	q.Out.Say("")
	q.Out.Tell(0, q.Out.Strong(fmt.Sprintf("%d of %s failed at the first run", p.Failed, wording.Count(int(p.Units),
		"unit")))+
		fmt.Sprintf(": first-pass yield %s.", wording.Share(q.Words, x.FirstPass, wording.OfUnits)))
	if p.CutShort > 0 {
		q.Out.Tell(0, wording.CutShort(q.Words, p.CutShort))
	}
	q.Out.Say("")
	q.tellBars(p, x.By)
	if o := p.Others; o != nil {
		q.Out.Tell(2, fmt.Sprintf("and %s with %s, %s of all; --most shows more", wording.Count(o.Kinds, "other kind"),
			wording.Count(int(o.Findings), "finding"), Percent(o.OfFindings)))
	}
	if p.Unnamed > 0 {
		of := map[store.FailureKind]string{store.ByCause: "no cause was found; see --by reading",
			store.ByCheck: "no check failed by itself", store.ByReading: "no reading failed by itself"}[x.By]
		q.Out.Tell(2, fmt.Sprintf("For %d of the failed units %s.", p.Unnamed, of))
	}
	q.Out.Say("")
	if n := p.VitalFew; n > 0 && n < len(p.Bars) && n <= (len(p.Bars)+1)/2 {
		q.Out.Tell(0, fmt.Sprintf("The first %d make up %s of all findings: begin there.", n,
			Percent(p.Bars[n-1].Cumulative)))
	} else if len(p.Bars) > 2 {
		q.Out.Tell(0, "No few of them stand out: failures are spread over many kinds.")
	}
	if w := x.WithoutFirst; w != nil {
		q.Out.Tell(0, fmt.Sprintf("Without the first the first-pass yield would be %s instead of %s, at best.",
			Percent(*w), Percent(x.FirstPass.Value)))
	}
	if len(p.Bars) > 1 && overlapping(p.Bars[0].OfTested, p.Bars[1].OfTested) {
		q.Out.Tell(0, "Their order is not certain: the intervals of the first two overlap.")
	}
	if h := x.Hints; h != nil && h.Right.Known() {
		q.Out.Tell(0, fmt.Sprintf("Repairs found the cause that the report had named first in %d of %d: %s.",
			h.Right.Count, h.Right.Of, wording.Share(q.Words, h.Right, wording.OfRepairs)))
	}
	q.NotCounted(x.About)
	if !q.Brief {
		Glossary(q.Out, q.Words, "pareto", "of_tested", "cumulative", "interval")
	}
	return nil
}

// mostBars is a chart without the bars after so many.
func mostBars(p yield.ParetoChart, most int) yield.ParetoChart {
	if len(p.Bars) <= most {
		return p
	}
	o := yield.Others{Kinds: len(p.Bars) - most}
	for _, b := range p.Bars[most:] {
		o.Findings += b.Units
	}
	if p.Findings > 0 {
		o.OfFindings = float64(o.Findings) / float64(p.Findings)
	}
	p.Bars, p.Others = p.Bars[:most], &o
	return p
}

func overlapping(a, b yield.Share) bool { return a.Low <= b.High && b.Low <= a.High }

// tellBars shows the rows, each with a bar beside the largest. Names that are
// sentences stand above their bar.
func (q *Answer) tellBars(p yield.ParetoChart, by store.FailureKind) {
	cells := 12
	if q.Out.Room() > 100 {
		cells = 24
	}
	const figures = 45 // columns of the figures
	p.Bars = slices.Clone(p.Bars)
	for i := range p.Bars {
		p.Bars[i].Name = q.Words.Cause(nil, reports.Cause{Where: p.Bars[i].Where, Cause: p.Bars[i].Name})
	}
	above := slices.ContainsFunc(p.Bars,
		func(b yield.Bar) bool { return wording.Columns(b.Name) > q.Out.Room()-cells-figures })
	if above {
		cells = min(q.Out.Room()-figures, 50)
	}
	g := Grid{Right: "rlrlrl", Head: []string{"units", "", "of tested", "between", "sum", string(by)}}
	if above {
		g.Head = g.Head[:5]
	}
	for i, b := range p.Bars {
		if b.Units == 0 {
			continue
		}
		if i == p.VitalFew && i > 0 && p.VitalFew < len(p.Bars) && !above {
			g.Add("", "", "", "", "", "")
		}
		row := []string{fmt.Sprint(b.Units), draw.TextBar(float64(b.Units)/float64(p.Bars[0].Units), cells),
			Percent(b.OfTested.Value), FromTo(b.OfTested), WholePercent(b.Cumulative)}
		if above {
			g.Title(b.Name)
			g.Add(row...)
			continue
		}
		g.Add(append(row, b.Name)...)
	}
	g.Show(q.Out)
	if retests := onlyInRetests(p.Bars); retests > 0 {
		q.Out.Tell(2, fmt.Sprintf("%s more in retests only.", wording.Count(retests, "kind")))
	}
}

func onlyInRetests(bars []yield.Bar) (n int) {
	for _, b := range bars {
		if b.Units == 0 {
			n++
		}
	}
	return n
}

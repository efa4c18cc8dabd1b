package main

import (
	"context"
	"fmt"
	"slices"

	"github.com/spf13/cobra"

	"fullthrow/reports/draw"
	"fullthrow/reports/review"
	"fullthrow/reports/store"
	"fullthrow/reports/wording"
	"fullthrow/reports/yield"
	"fullthrow/runner/input"
	"fullthrow/runner/terminal"
)

func (a *app) failsCommand() *cobra.Command {
	q, most := a.question(review.AskFails), 12
	c := &cobra.Command{
		Use:   "fails",
		Short: "What goes wrong most: where work pays first",
		Long: `What goes wrong most: where work pays first.

Counts units by what their first run found: the likeliest cause, the checks or
the readings that failed. A unit with two things wrong stands in two rows.`,
		Example: `  fullthrow fails --period 7d
  fullthrow fails --by reading --lot 24A --period all`,
		Args: takes(),
	}
	c.RunE = q.run(func(ctx context.Context) error {
		if most < 1 {
			return input.Usage("fails: --most %d shows nothing", most)
		}
		return answered(ctx, q, q.review.Fails, func(x *review.Fails) error { return q.tellFails(ctx, x, most) })
	})
	c.Flags().IntVar(&most, "most", most, "show `N` rows at most")
	q.flags(c)
	return c
}

func (q *question) tellFails(ctx context.Context, x *review.Fails, most int) error {
	q.title("What goes wrong", x.About)
	p := mostBars(x.Pareto, most)
	switch {
	case p.Units == 0:
		return q.nothing(ctx, x.About)
	case p.Failed == 0:
		q.out.Tell(0, fmt.Sprintf("All of %s passed at the first run; what could still go wrong is unseen in at most %s of units (with %s confidence).",
			wording.Count(int(p.Units), "unit"), terminal.Percent(*x.UnseenAtMost), terminal.WholePercent(q.asked.Confidence)))
		q.notCounted(x.About)
		return nil
	}
	q.out.Say("")
	q.out.Tell(0, q.out.Strong(fmt.Sprintf("%d of %s failed at the first run", p.Failed, wording.Count(int(p.Units), "unit")))+
		fmt.Sprintf(": first-pass yield %s.", wording.Share(q.words, x.FirstPass, wording.OfUnits)))
	q.out.Say("")
	q.tellBars(p, x.By)
	if o := p.Others; o != nil {
		q.out.Tell(2, fmt.Sprintf("and %s with %s, %s of all; --most shows more", wording.Count(o.Kinds, "other kind"), wording.Count(int(o.Findings), "finding"), terminal.Percent(o.OfFindings)))
	}
	if p.Unnamed > 0 {
		of := map[store.FailureKind]string{store.ByCause: "no cause was found; see --by reading", store.ByCheck: "no check failed by itself", store.ByReading: "no reading failed by itself"}[x.By]
		q.out.Tell(2, fmt.Sprintf("For %d of the failed units %s.", p.Unnamed, of))
	}
	q.out.Say("")
	if n := p.VitalFew; n > 0 && n < len(p.Bars) && n <= (len(p.Bars)+1)/2 {
		q.out.Tell(0, fmt.Sprintf("The first %d make up %s of all findings: begin there.", n, terminal.Percent(p.Bars[n-1].Cumulative)))
	} else if len(p.Bars) > 2 {
		q.out.Tell(0, "No few of them stand out: failures are spread over many kinds.")
	}
	if w := x.WithoutFirst; w != nil {
		q.out.Tell(0, fmt.Sprintf("Without the first the first-pass yield would be %s instead of %s, at best.", terminal.Percent(*w), terminal.Percent(x.FirstPass.Value)))
	}
	if len(p.Bars) > 1 && overlapping(p.Bars[0].OfTested, p.Bars[1].OfTested) {
		q.out.Tell(0, "Their order is not certain: the intervals of the first two overlap.")
	}
	if h := x.Hints; h != nil && h.Right.Known() {
		q.out.Tell(0, fmt.Sprintf("Repairs found the cause that the report had named first in %d of %d: %s.", h.Right.Count, h.Right.Of, wording.Share(q.words, h.Right, wording.OfRepairs)))
	}
	q.notCounted(x.About)
	if !q.brief {
		terminal.Glossary(q.out, q.words, "pareto", "of_tested", "cumulative", "interval")
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
func (q *question) tellBars(p yield.ParetoChart, by store.FailureKind) {
	cells := 12
	if q.out.Room() > 100 {
		cells = 24
	}
	const figures = 45 // columns of the figures
	above := slices.ContainsFunc(p.Bars, func(b yield.Bar) bool { return wording.Columns(b.Name) > q.out.Room()-cells-figures })
	if above {
		cells = min(q.out.Room()-figures, 50)
	}
	g := terminal.Grid{Right: "rlrlrl", Head: []string{"units", "", "of tested", "between", "sum", string(by)}}
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
		row := []string{fmt.Sprint(b.Units), draw.TextBar(float64(b.Units)/float64(p.Bars[0].Units), cells), terminal.Percent(b.OfTested.Value), terminal.FromTo(b.OfTested), terminal.WholePercent(b.Cumulative)}
		if above {
			g.Title(b.Name)
			g.Add(row...)
			continue
		}
		g.Add(append(row, b.Name)...)
	}
	g.Show(q.out)
	if retests := onlyInRetests(p.Bars); retests > 0 {
		q.out.Tell(2, fmt.Sprintf("%s more in retests only.", wording.Count(retests, "kind")))
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

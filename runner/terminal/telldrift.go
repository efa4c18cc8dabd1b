package terminal

import (
	"context"
	"fmt"

	"fullthrow/reports/review"
	"fullthrow/reports/wording"
	"fullthrow/reports/yield"
)

// TellDrift shows the answer to people.
func (q *Answer) TellDrift(ctx context.Context, x *review.Drift) error {
	title, from := x.Reading, wording.Count(int(x.Units), "unit")
	switch {
	case x.Series == nil:
		title = "Yield by " + string(x.By)
	case x.Runs == review.GoldenRuns:
		title += " of golden units"
	}
	q.Title(title, x.About)
	if x.Units == 0 {
		if x.Runs == review.GoldenRuns {
			q.Out.Tell(0, "No golden unit of this selection was tested.")
			q.hint("a product names its golden units in product.toml")
			return nil
		}
		return q.Nothing(ctx, x.About)
	}
	if x.Series != nil {
		from = pointsWords(*x.Series, x.Runs)
	}
	if x.LeftOut > 0 {
		from += fmt.Sprintf(" without %d that broke the limit", x.LeftOut)
	}
	if x.Problem != nil {
		q.Out.Tell(0, wording.NoChart(q.Words, *x.Problem))
		q.NotCounted(x.About)
		return nil
	}
	q.tellChart(x, from)
	if x.Golden != nil && x.Runs == review.GoldenRuns {
		q.Out.Tell(0, wording.Drift(q.Words, x.Golden.Drift))
		q.remarks(x.Golden.Drift.Cautions)
	}
	return nil
}

// mostHits is how many fired rules are told in words.
const mostHits = 8

// tellChart shows a chart and what it says.
func (q *Answer) tellChart(x *review.Drift, from string) {
	c := x.Chart
	q.Out.Say("")
	q.Out.Tell(0, q.Out.Strong(wording.Chart(q.Words, c)))
	where := ""
	if h := c.First; h != nil {
		where = c.Panels[h.Panel].Points[h.First].X
	}
	for _, text := range wording.ChartMeans(q.Words, c, where) {
		q.Out.Tell(0, text)
	}
	q.Out.Say("")
	rows := PanelRows
	for i, p := range c.Panels {
		if i > 0 {
			rows = PanelRows - 4
			q.Out.Say("")
		}
		DrawPanel(q.Out, wording.Panel(q.Words, p.Of), p, rows)
	}
	q.Out.Say("")
	q.Out.Tell(0, q.Out.Faint(fmt.Sprintf("%s: %s; from %s; %s.", wording.ChartOf(q.Words, c),
		wording.ChartKind(q.Words, c.Kind), from, wording.ChartLimits(q.Words, c.Limits))))
	for i, h := range c.Rules {
		if i == mostHits {
			q.Out.Tell(2, fmt.Sprintf("and %d more; --json has all", len(c.Rules)-i))
			break
		}
		points := c.Panels[h.Panel].Points
		first := h.First
		if h.Code == yield.RuleSum {
			first = h.From
		}
		where := points[first].X
		if h.To > first {
			where += " to " + points[h.To].X
		}
		q.Out.Item("◆", where+": "+wording.Hit(q.Words, h, c.Unit))
	}
	q.remarks(c.Cautions)
	if s := x.Series; s != nil && s.LimitChanged {
		q.Out.Tell(0, "note: the product's limit was changed in this time; that does not touch the control limits")
	}
	q.NotCounted(x.About)
	if !q.Brief {
		Glossary(q.Out, q.Words, "control_chart", "control_limits")
	}
}

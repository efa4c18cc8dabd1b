package main

import (
	"context"
	"fmt"
	"strings"

	"github.com/spf13/cobra"

	"fullthrow/reports/review"
	"fullthrow/reports/wording"
	"fullthrow/reports/yield"
	"fullthrow/runner/terminal"
)

func (a *app) driftCommand() *cobra.Command {
	q := a.question(review.AskDrift, "reading")
	c := &cobra.Command{
		Use:   "drift READING|yield",
		Short: "Whether a reading, or the yield, holds still: a control chart",
		Long: `Whether a reading, or the yield, holds still: a control chart.

Values stand in the order of time, with the limits that a steady process stays
within; these come from the process itself and have nothing to do with the
limits of the product. A diamond is where a rule says that something has
changed. Kinds of charts: for readings ` + strings.Join(review.ChartsOf(false), ", ") + `;
for the yield ` + strings.Join(review.ChartsOf(true), ", ") + `.

  imr      single values and the steps between them
  xbar-r   means and ranges of subgroups
  xbar-s   means and standard deviations of subgroups
  ewma     a sliding mean: finds small shifts that last
  cusum    summed differences from the middle: finds the same
  p, np    units that failed: their share, their number
  u, c     failed checks: of a unit, of a group
  p-prime, u-prime   p and u for large groups, which differ a little anyway`,
		Example: `  fullthrow drift sticks.left_x_hysteresis --period 7d
  fullthrow drift link.near_error_rate --chart xbar-s --by hour
  fullthrow drift yield --by shift`,
		Args: takes("READING, or the word yield,"),
	}
	c.RunE = q.run(func(ctx context.Context) error {
		return answered(ctx, q, q.review.Drift, func(x *review.Drift) error { return q.tellDrift(ctx, x) })
	})
	q.flags(c)
	return c
}

// tellDrift shows the answer to people.
func (q *question) tellDrift(ctx context.Context, x *review.Drift) error {
	title, from := x.Reading, wording.Count(int(x.Units), "unit")
	switch {
	case x.Series == nil:
		title = "Yield by " + string(x.By)
	case x.Runs == review.GoldenRuns:
		title += " of golden units"
	}
	q.title(title, x.About)
	if x.Units == 0 {
		if x.Runs == review.GoldenRuns {
			q.out.Tell(0, "No golden unit of this selection was tested.")
			q.hint("a product names its golden units in product.toml")
			return nil
		}
		return q.nothing(ctx, x.About)
	}
	if x.Series != nil {
		from = pointsWords(*x.Series, x.Runs)
	}
	if x.LeftOut > 0 {
		from += fmt.Sprintf(" without %d that broke the limit", x.LeftOut)
	}
	if x.Problem != nil {
		q.out.Tell(0, wording.NoChart(q.words, *x.Problem))
		q.notCounted(x.About)
		return nil
	}
	q.tellChart(x, from)
	if x.Golden != nil && x.Runs == review.GoldenRuns {
		q.out.Tell(0, wording.Drift(q.words, x.Golden.Drift))
		q.remarks(x.Golden.Drift.Cautions)
	}
	return nil
}

// mostHits is how many fired rules are told in words.
const mostHits = 8

// tellChart shows a chart and what it says.
func (q *question) tellChart(x *review.Drift, from string) {
	c := x.Chart
	q.out.Say("")
	q.out.Tell(0, q.out.Strong(wording.Chart(q.words, c)))
	where := ""
	if h := c.First; h != nil {
		where = c.Panels[h.Panel].Points[h.First].X
	}
	for _, text := range wording.ChartMeans(q.words, c, where) {
		q.out.Tell(0, text)
	}
	q.out.Say("")
	rows := terminal.PanelRows
	for i, p := range c.Panels {
		if i > 0 {
			rows = terminal.PanelRows - 4
			q.out.Say("")
		}
		terminal.DrawPanel(q.out, wording.Panel(q.words, p.Of), p, rows)
	}
	q.out.Say("")
	q.out.Tell(0, q.out.Faint(fmt.Sprintf("%s: %s; from %s; %s.", wording.ChartOf(q.words, c), wording.ChartKind(q.words, c.Kind), from, wording.ChartLimits(q.words, c.Limits))))
	for i, h := range c.Rules {
		if i == mostHits {
			q.out.Tell(2, fmt.Sprintf("and %d more; --json has all", len(c.Rules)-i))
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
		q.out.Item("◆", where+": "+wording.Hit(q.words, h, c.Unit))
	}
	q.remarks(c.Cautions)
	if s := x.Series; s != nil && s.LimitChanged {
		q.out.Tell(0, "note: the product's limit was changed in this time; that does not touch the control limits")
	}
	q.notCounted(x.About)
	if !q.brief {
		terminal.Glossary(q.out, q.words, "control_chart", "control_limits")
	}
}

package main

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"fullthrow/reports"
	"fullthrow/reports/store"
	"fullthrow/reports/wording"
	"fullthrow/reports/yield"
	"fullthrow/runner/input"
	"fullthrow/runner/terminal"
)

const chartSchema = "fullthrow-chart/2"

// chartAnswer is what `chart --json` writes.
type chartAnswer struct {
	Schema string             `json:"schema"`
	About  about              `json:"about"`
	Chart  yield.ControlChart `json:"chart"`
	// Points behind the chart, in the order of its members; none for the yield.
	Series *yield.Series `json:"series,omitempty"`
	Drift  *yield.Drift  `json:"drift,omitempty"` // of golden units
	// Problem is why there is no chart.
	Problem *yield.Remark `json:"problem,omitempty"`
}

// chartNames are the kinds of charts as flags name them.
var chartNames = []struct {
	flag string
	kind yield.ChartKind
}{
	{"imr", yield.ChartIndividuals}, {"xbar-r", yield.ChartMeansRanges}, {"xbar-s", yield.ChartMeansSDs},
	{"ewma", yield.ChartEWMA}, {"cusum", yield.ChartCUSUM},
	{"p", yield.ChartP}, {"np", yield.ChartNP}, {"p-prime", yield.ChartPPrime},
	{"u", yield.ChartU}, {"u-prime", yield.ChartUPrime}, {"c", yield.ChartC},
}

// chartOptions are the flags of chart.
type chartOptions struct {
	kind, by, rules string
	every, first    int
	retests, golden bool
	withoutFailed   bool
}

// ofYield is what stands for the yield in the place of a reading.
const ofYield = "yield"

func (a *app) chartCommand() *cobra.Command {
	q, o := a.question("chart"), chartOptions{}
	var values, counts []string
	for _, c := range chartNames {
		if c.kind.Counts() {
			counts = append(counts, c.flag)
		} else {
			values = append(values, c.flag)
		}
	}
	c := &cobra.Command{
		Use:   "chart READING|yield",
		Short: "Whether a reading, or the yield, holds still: a control chart",
		Long: `Whether a reading, or the yield, holds still: a control chart.

Values stand in the order of time, with the limits that a steady process stays
within; these come from the process itself and have nothing to do with the
limits of the product. A diamond is where a rule says that something has
changed. Kinds of charts: for readings ` + strings.Join(values, ", ") + `;
for the yield ` + strings.Join(counts, ", ") + `.

  imr      single values and the steps between them
  xbar-r   means and ranges of subgroups
  xbar-s   means and standard deviations of subgroups
  ewma     a sliding mean: finds small shifts that last
  cusum    summed differences from the middle: finds the same
  p, np    units that failed: their share, their number
  u, c     failed checks: of a unit, of a group
  p-prime, u-prime   p and u for large groups, which differ a little anyway`,
		Example: `  fullthrow chart sticks.left_x_hysteresis --since 7d
  fullthrow chart link.near_error_rate --kind xbar-s --by hour
  fullthrow chart yield --by shift`,
		Args: takes("READING, or the word yield,"),
		RunE: func(cmd *cobra.Command, args []string) error {
			return q.ask(cmd.Context(), func(ctx context.Context) error { return q.chart(ctx, args[0], o) })
		},
	}
	f := c.Flags()
	f.StringVar(&o.kind, "kind", "", "`KIND` of chart; default: imr for a reading, p for the yield")
	f.StringVar(&o.by, "by", "", "one point each `WHAT`: unit, hour, shift, day, week, lot, revision, station, nest, operator")
	f.IntVar(&o.every, "every", 0, "one point for `N` units after one another; default for xbar-r and xbar-s: 5")
	f.IntVar(&o.first, "first", 0, "take the limits from the first `N` points only")
	f.StringVar(&o.rules, "rules", string(yield.WesternElectric), "`RULES` that tell change from chance: western-electric or nelson")
	f.BoolVar(&o.retests, "retests", false, "take in runs after a unit's first one too")
	f.BoolVar(&o.golden, "golden", false, "the runs of golden units instead: has the bench changed?")
	f.BoolVar(&o.withoutFailed, "without-failed", false, "leave out values that broke their limit: do the others hold still?")
	q.flags(c)
	return c
}

// chartKind reads --kind, by the short names and by the long ones.
func chartKind(text string, counts bool) (yield.ChartKind, error) {
	if text == "" {
		if counts {
			return yield.ChartP, nil
		}
		return yield.ChartIndividuals, nil
	}
	var names []string
	for _, c := range chartNames {
		if text == c.flag || text == string(c.kind) {
			if c.kind.Counts() != counts {
				of := "readings"
				if c.kind.Counts() {
					of = "the yield"
				}
				return "", input.Usage("chart: --kind %s is a chart of %s", text, of).Hint("fullthrow help chart")
			}
			return c.kind, nil
		}
		if c.kind.Counts() == counts {
			names = append(names, c.flag)
		}
	}
	return "", input.Usage("chart: there is no kind of chart %q", text).Hint(input.Meant(text, names))
}

func (q *question) chart(ctx context.Context, what string, o chartOptions) error {
	kind, err := chartKind(o.kind, what == ofYield)
	if err != nil {
		return err
	}
	rules := yield.RuleSet(o.rules)
	if rules.Rules() == nil {
		return input.Usage("chart: there are no rules %q", o.rules).Hint(input.Meant(o.rules, []string{string(yield.WesternElectric), string(yield.Nelson)}))
	}
	if o.every < 0 || o.first < 0 || o.every > 0 && o.by != "" {
		return input.Usage("chart: give either --by or --every, and whole numbers above 0").Hint("fullthrow help chart")
	}
	answer := chartAnswer{Schema: chartSchema}
	if answer.About, err = q.about(ctx); err != nil {
		return err
	}
	options := yield.ChartOptions{Rules: rules, First: o.first}
	if what == ofYield {
		return q.chartYield(ctx, &answer, kind, options, o)
	}
	return q.chartReading(ctx, &answer, what, kind, options, o)
}

// tooLittle is a chart that cannot be drawn: not an error of the program, and
// none of the user's.
func (q *question) tooLittle(answer *chartAnswer, err error) error {
	var why *yield.ChartError
	if !errors.As(err, &why) {
		return err
	}
	if q.asJSON {
		answer.Problem = &why.Why
		return q.json(answer)
	}
	q.out.Tell(0, wording.NoChart(q.words, why.Why))
	q.notCounted(answer.About)
	return nil
}

func (q *question) chartReading(ctx context.Context, answer *chartAnswer, reading string, kind yield.ChartKind, options yield.ChartOptions, o chartOptions) error {
	s, err := q.series(ctx, reading, o.retests, o.golden)
	if err != nil {
		return err
	}
	from := pointsWords(s, o.retests, o.golden)
	if o.withoutFailed {
		all := len(s.Points)
		s.Points = slices.DeleteFunc(s.Points, func(p yield.Point) bool { return p.Verdict == string(reports.Fail) })
		from += fmt.Sprintf(" without %d that broke the limit", all-len(s.Points))
	}
	if !q.asJSON {
		title := reading
		if o.golden {
			title += " of golden units"
		}
		q.title(title, answer.About)
	}
	if len(s.Points) == 0 && !q.asJSON {
		if o.golden {
			q.out.Tell(0, "No golden unit of this selection was tested.")
			q.hint("a product names its golden units in product.toml")
			return nil
		}
		return q.nothing(ctx, answer.About)
	}
	cut := yield.Cutting{By: o.by, Every: o.every, Zone: q.sel.Zone, Shifts: q.sel.Shifts}
	if (kind == yield.ChartMeansRanges || kind == yield.ChartMeansSDs) && o.by == "" && o.every == 0 {
		cut.Every = 5
	}
	groups, err := yield.Cut(s, cut)
	if err != nil {
		return input.Usage("chart: --by %s: %w", o.by, err).Hint("fullthrow help chart")
	}
	if o.golden && o.by == "" && o.every == 0 {
		for i, p := range s.Points { // one unit, time and again
			groups[i].Label = p.Time.In(q.sel.Zone).Format("2006-01-02 15:04")
		}
	}
	options.Name, options.Unit = s.Name, s.Unit
	answer.Series = &s
	if o.golden {
		d := yield.FindDrift(s, yield.DriftOptions{})
		answer.Drift = &d
	}
	if answer.Chart, err = yield.NewChart(kind, groups, options); err != nil {
		return q.tooLittle(answer, err)
	}
	if q.asJSON {
		return q.json(answer)
	}
	q.tellChart(answer, from)
	if answer.Drift != nil {
		q.out.Tell(0, wording.Drift(q.words, *answer.Drift))
		q.remarks(answer.Drift.Cautions)
	}
	return nil
}

func (q *question) chartYield(ctx context.Context, answer *chartAnswer, kind yield.ChartKind, options yield.ChartOptions, o chartOptions) error {
	var by store.By
	var err error
	switch {
	case o.every > 0 || o.by == "unit":
		return input.Usage("chart: the yield is charted by groups of units").Hint("give --by hour, shift, day, week, lot, ...")
	case o.golden || o.retests || o.withoutFailed:
		return input.Usage("chart: the yield counts first runs of units that are sold, no others")
	case o.by != "":
		if by, err = grouping(o.by); err != nil {
			return err
		}
	}
	groups, by, err := q.groups(ctx, by)
	if err != nil {
		return err
	}
	units := yield.Sum(groups).Units
	if !q.asJSON {
		q.title("Yield by "+string(by), answer.About)
		if units == 0 {
			return q.nothing(ctx, answer.About)
		}
	}
	tallies := yield.FailedTallies(groups)
	switch kind {
	case yield.ChartU, yield.ChartUPrime, yield.ChartC:
		tallies = yield.DefectTallies(groups)
	}
	if answer.Chart, err = yield.NewCountChart(kind, tallies, options); err != nil {
		return q.tooLittle(answer, err)
	}
	if q.asJSON {
		return q.json(answer)
	}
	q.tellChart(answer, wording.Count(int(units), "unit"))
	return nil
}

// mostHits is how many fired rules are told in words.
const mostHits = 8

// tellChart shows a chart and what it says.
func (q *question) tellChart(x *chartAnswer, from string) {
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

package terminal

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"fullthrow/reports"
	"fullthrow/reports/review"
	"fullthrow/reports/statistics"
	"fullthrow/reports/wording"
	"fullthrow/reports/yield"
)

// TellStudy shows a study.
func (q *Answer) TellStudy(x *review.Hold) {
	c, s, from := *x.Study, *x.Series, pointsWords(*x.Series, x.Runs)
	format := Quantities(s.Unit, SpreadOf(s.Values()))
	q.Title(x.Reading, x.About)
	q.Out.Say("")
	q.Out.Tell(0, q.Out.Strong(wording.CapabilityVerdict(q.Words, &c)))
	for _, text := range wording.CapabilityMeans(q.Words, &c) {
		q.Out.Tell(0, text)
	}
	q.Out.Say("")
	g := Grid{Right: "ll"}
	g.Add("values", from)
	g.Add("limit", wording.Limits(q.Words, c.Spec, format))
	g.Add("values lie", fmt.Sprintf("from %s to %s, on average at %s", format(slices.Min(s.Values())),
		format(slices.Max(s.Values())), format(statistics.Mean(s.Values()))))
	if c.Overall > 0 {
		spread := "standard deviation " + reports.FormatQuantity(c.Overall, s.Unit)
		if c.Within > 0 {
			spread += ", of neighbours " + reports.FormatQuantity(c.Within, s.Unit)
		}
		g.Add("spread", spread)
	}
	if o := c.Observed; o != nil && c.State != yield.CapabilityByPercent {
		g.Add("outside", fmt.Sprintf("%d of %d seen: %s", o.Count, o.Of,
			PlainSpaces(wording.Share(q.Words, *o, wording.OfValues))))
	}
	if e := c.Expected; e != nil && c.State != yield.CapabilityByPercent {
		g.Add("", "expected in the long run: "+PlainSpaces(q.Words.PerMillion(e.Value)+", "+q.Words.T("figures.between",
			"low", q.Words.PerMillion(e.Low), "high", q.Words.PerMillion(e.High))))
	}
	g.Show(q.Out)
	q.Out.Say("")
	DrawHistogram(q.Out, s.Values(), c.Spec, s.Unit)
	terms := q.tellIndices(&c)
	q.Out.Say("")
	for _, text := range wording.CapabilityBasis(q.Words, &c) {
		q.Out.Tell(0, text)
	}
	q.remarks(c.Cautions)
	q.NotCounted(x.About)
	if !q.Brief && len(terms) > 0 {
		Glossary(q.Out, q.Words, append(terms, "standard_deviation", "normality", "interval")...)
	}
}

// tellIndices shows the indices that mean something here.
func (q *Answer) tellIndices(c *yield.CapabilityStudy) (terms []string) {
	g := Grid{Right: "lrll"}
	add := func(term, name string, e *yield.Estimate, about string) {
		if e == nil {
			return
		}
		two := func(v float64) string { return q.Words.Fixed(v, 2) }
		between := wording.Range(q.Words, e.Low, e.High, two)
		g.Add(name, two(e.Value), between, about)
		terms = append(terms, term)
	}
	if p := c.Percentile; p != nil && c.State == yield.CapabilityByPercent {
		add("ppk", "Ppk", p.Ppk, "by percentiles: the nearer limit")
		add("pp", "Pp", p.Pp, "by percentiles: both limits")
	} else {
		add("ppk", "Ppk", c.Ppk, "all values, the nearer limit")
		add("pp", "Pp", c.Pp, "all values, both limits")
		add("cpk", "Cpk", c.Cpk, "neighbours, the nearer limit: if nothing moved")
		add("cp", "Cp", c.Cp, "neighbours, both limits: if centred as well")
		add("cpm", "Cpm", c.Cpm, "with a penalty for being off the middle")
	}
	if len(terms) > 0 {
		q.Out.Say("")
		g.Show(q.Out)
	}
	return terms
}

// whyNoRoom says in a list why a reading has no index.
var whyNoRoom = map[yield.Code]string{
	yield.NoLimits: "no limit", yield.TooFewValues: "too few values", yield.Constant: "all values are the same",
	yield.LimitsSwapped: "limits without room",
}

func roomWords(x float64) string {
	if math.Abs(x) >= 10 {
		return strconv.FormatFloat(x, 'f', 0, 64)
	}
	return strconv.FormatFloat(x, 'f', 2, 64)
}

func (q *Answer) TellRooms(ctx context.Context, x *review.Hold, most int) error {
	q.Title("Readings by the room to their limits, the least first", x.About)
	if len(x.Readings) == 0 {
		return q.Nothing(ctx, x.About)
	}
	q.Out.Say("")
	g := Grid{Right: "lrlrrrl", Head: []string{"reading", "room", "between", "of all", "mean", "limit", ""}}
	var without []string
	more := 0
	for i, r := range x.Readings {
		if r.Ppk == nil {
			without = append(without, r.Name+" ("+whyNoRoom[r.Problem]+")")
			continue
		}
		if i >= most {
			more++
			continue
		}
		limit, sign := r.Upper, "≤ "
		if r.Nearer == "lower" {
			limit, sign = r.Lower, "≥ "
		}
		word := ""
		if r.Failed > 0 {
			word = fmt.Sprintf("%d bad", r.Failed)
		}
		room, between := "", ""
		if b := r.Bulk; b != nil && math.IsInf(b.Value, 1) {
			room, between = "any", "95 of 100 are alike"
		} else if b != nil {
			room, between = roomWords(b.Value), roomWords(b.Low)+" to "+roomWords(b.High)
		}
		g.Add(r.Name, room, between, roomWords(r.Ppk.Value),
			reports.FormatQuantity(r.Mean, r.Unit), sign+reports.FormatQuantity(*limit, r.Unit), word)
	}
	g.Show(q.Out)
	if more > 0 {
		q.Out.Tell(2, fmt.Sprintf("and %d with more room; --most shows more", more))
	}
	if len(without) > 0 {
		q.Out.Say("")
		const most = 4
		text := "Without an index: "
		for i, w := range without[:min(len(without), most)] {
			if i > 0 {
				text += ", "
			}
			text += w
		}
		if n := len(without) - most; n > 0 {
			text += fmt.Sprintf(", and %d more", n)
		}
		q.Out.Tell(0, text+".")
	}
	q.Out.Say("")
	q.Out.Tell(0, "Room is Ppk as 95 of 100 units have it, \"of all\" is Ppk of every unit. Below 1 a limit is "+
		"broken as a matter of course; 1.33 and more is usually asked for. Where room is large and that of all "+
		"small, a few defective units break the limit, not the process.")
	q.hint("fullthrow hold READING studies one of them: its shape, and whether it holds still")
	q.NotCounted(x.About)
	if !q.Brief {
		Glossary(q.Out, q.Words, "ppk", "limit", "interval")
	}
	return nil
}

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

// pointsWords says what a series is made of: "500 first runs".
func pointsWords(s yield.Series, runs string) string {
	what := map[string]string{review.FirstRuns: "first run", review.JudgedRuns: "judged run",
		review.GoldenRuns: "run of golden units"}[runs]
	many := strings.Replace(what, "run", "runs", 1)
	switch n := len(s.Points); {
	case s.Total > int64(n):
		return fmt.Sprintf("the newest %d of %d %s", n, s.Total, many)
	case n == 1:
		return "1 " + what
	default:
		return fmt.Sprintf("%d %s", n, many)
	}
}

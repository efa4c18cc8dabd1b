package terminal

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strconv"

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

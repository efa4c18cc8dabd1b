package terminal

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"slices"

	"fullthrow/reports"
	"fullthrow/reports/draw"
	"fullthrow/reports/review"
	"fullthrow/reports/statistics"
	"fullthrow/reports/store"
	"fullthrow/reports/wording"
	"fullthrow/reports/yield"
)

// TellGroups shows every lot, station, ... against the others.
func (q *Answer) TellGroups(ctx context.Context, x *review.Differs) error {
	q.Title(cmp.Or(x.Reading, "What differs")+" by "+string(x.By), x.About)
	switch c := x.Groups; {
	case x.GroupsOf == 0 || c != nil && len(c.Groups) == 0:
		return q.Nothing(ctx, x.About)
	case c == nil:
		q.tellTrend(x.By, *x.Yields, nil)
	default:
		q.Out.Say("")
		q.Out.Tell(0, q.Out.Strong(wording.Groups(q.Words, *c)))
		q.Out.Say("")
		g := Grid{Right: "lrrrl", Head: []string{string(x.By), "units", "mean", "off by", "between"}}
		for _, o := range c.Groups {
			e := o.Offset
			format := Quantities(c.Unit, max(10*math.Abs(e.Value), 5*spanOf(e)))
			between := ""
			if statistics.Finite(e.Low) && statistics.Finite(e.High) {
				between = format(e.Low) + " to " + format(e.High)
			}
			g.Add(o.Key, fmt.Sprint(o.N), format(o.Mean), signedWith(format, e.Value), between)
		}
		g.Show(q.Out)
		if n := len(c.Groups); n < x.GroupsOf {
			q.Out.Tell(2, fmt.Sprintf("the newest %d of %d", n, x.GroupsOf))
		}
		for _, text := range wording.GroupsCautions(q.Words, *c) {
			q.Out.Tell(0, "note: "+text)
		}
	}
	q.NotCounted(x.About)
	return nil
}

// sideWords say what a side is made of.
func (q *Answer) sideWords(s review.Side) string {
	if s.Kind != review.SideUnit {
		return s.String() + ": first runs of " + wording.Count(int(s.Units), "unit")
	}
	note := fmt.Sprintf("%s: its run of %s, which %s", s.Value, s.Started.In(q.Sel.Zone).Format("2006-01-02 15:04"),
		s.Outcome)
	for i, r := range s.Missed {
		if i == mostAlike {
			return note + "; and more"
		}
		note += map[bool]string{true: ": ", false: "; "}[i == 0] + Brief(r)
	}
	return note
}

func (q *Answer) TellDiffers(x *review.Differs) {
	c := *x.Comparison
	q.Title(c.A+" and "+c.B, x.About)
	q.Out.Say("")
	for _, s := range x.Sides {
		q.Out.Tell(2, q.sideWords(s))
	}
	if y := c.Yield; y != nil {
		q.Out.Say("")
		axis := ShareCells(min(max(q.Out.Room()-45, 16), 60), math.NaN(), y.A, y.B)
		g := Grid{Right: "lrrl", Head: []string{"", "units", "yield", axis.Ends(WholePercent)}}
		g.Add(c.A, fmt.Sprint(y.A.Of), Percent(y.A.Value), InCells(axis, y.A))
		g.Add(c.B, fmt.Sprint(y.B.Of), Percent(y.B.Value), InCells(axis, y.B))
		g.Show(q.Out)
		q.Out.Tell(2, wording.YieldDifference(q.Words, c))
	}
	Heading(q.Out, "Readings", "")
	switch {
	case len(c.Readings) == 0:
		q.tellRest(c)
	case c.Differ == 0:
		q.tellRest(c)
		Heading(q.Out, "The nearest to a difference", "")
		q.tellDifferences(c, c.Readings[:min(len(c.Readings), mostAlike)])
	default:
		q.Out.Tell(2, wording.Comparison(q.Words, c)+" The most important first.")
		q.Out.Say("")
		different := c.Readings[:min(c.Differ, mostDifferent)]
		q.tellDifferences(c, different)
		if n := c.Differ - len(different); n > 0 {
			q.Out.Tell(2, fmt.Sprintf("and %d more; --json has all", n))
		}
		q.Out.Say("")
		for _, d := range different[:min(len(different), mostAlike)] {
			q.Out.Tell(2, wording.Difference(q.Words, c, d))
		}
		for _, text := range wording.ComparisonRest(q.Words, c) {
			q.Out.Tell(2, text)
		}
	}
	q.Out.Say("")
	q.remarks(c.Cautions)
	q.NotCounted(x.About)
	if !q.Brief {
		Glossary(q.Out, q.Words, "difference", "corrected", "interval")
	}
}

// tellRest is what there is to say of readings that do not differ.
func (q *Answer) tellRest(c yield.Comparison) {
	q.Out.Tell(2, wording.Comparison(q.Words, c))
	for _, text := range wording.ComparisonRest(q.Words, c) {
		q.Out.Tell(2, text)
	}
}

// tellDifferences shows readings side by side. In a narrow place each has its
// name above its figures.
func (q *Answer) tellDifferences(c yield.Comparison, list []yield.Difference) {
	head := []string{c.A, c.B, "difference", "between", "of the limits"}
	g := Grid{Right: "rrrll", Head: head}
	wide := q.Out.Room() > 115
	if wide {
		g = Grid{Right: "lrrrll", Head: append([]string{"reading"}, head...)}
	}
	for _, d := range list {
		e := d.Level.Difference
		a, b := d.A.Mean, d.B.Mean
		if e.Method == yield.MethodShift && d.A.Median != nil && d.B.Median != nil {
			a, b = *d.A.Median, *d.B.Median
		}
		format := Quantities(d.Unit, max(10*math.Abs(e.Value), 5*spanOf(e)))
		between := ""
		if statistics.Finite(e.Low) && statistics.Finite(e.High) {
			between = format(e.Low) + " to " + format(e.High)
		}
		of := ""
		if l := d.Limit; l != nil && l.Share.Known() {
			of = WholePercent(math.Abs(l.Share.Value)) + map[string]string{"width": " of their width",
				"room": " of the room"}[l.Of]
		}
		row := []string{format(a), format(b), signedWith(format, e.Value), between, of}
		if wide {
			g.Add(append([]string{d.Name}, row...)...)
			continue
		}
		g.Title(d.Name)
		g.Add(row...)
	}
	g.Show(q.Out)
}

// spanOf is how wide an interval is, 0 where it has no ends.
func spanOf(e yield.Estimate) float64 {
	if w := e.High - e.Low; statistics.Finite(w) {
		return w
	}
	return 0
}

func signedWith(format func(float64) string, v float64) string {
	if v > 0 {
		return "+" + format(v)
	}
	return format(v)
}

// How many readings the text shows; the JSON has all.
const (
	mostDifferent = 12
	mostAlike     = 5
)

func (q *Answer) TellFails(ctx context.Context, x *review.Fails, most int) error {
	q.Title("What goes wrong", x.About)
	p := x.Pareto.Shown(most)
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

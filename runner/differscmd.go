package main

import (
	"cmp"
	"context"
	"fmt"
	"math"

	"github.com/spf13/cobra"

	"fullthrow/reports/review"
	"fullthrow/reports/wording"
	"fullthrow/reports/yield"
	"fullthrow/runner/bench"
	"fullthrow/runner/rehearsal"
	"fullthrow/runner/terminal"
)

func (a *app) differsCommand() *cobra.Command {
	q := a.question(review.AskDiffers, "a", "b")
	c := &cobra.Command{
		Use:   "differs [A B]",
		Short: "What differs between two units, lots, stations, revisions or products",
		Long: `What differs between two units, lots, stations, revisions or products.

A and B are a serial number, a lot, a station, a revision, a product, a nest or
an operator, recognised by their value; lot:24A (unit:, station:, revision:,
product:, nest:, operator:) says which is meant, run:RUN another run of a unit
than its newest judged one. A unit may be set against a group. Each reading is
compared, and what differs by chance alone is left aside, however many readings
there are. Without A and B every lot, or whatever --by names, is set against the
others: by its yield, or by one reading.`,
		Example: `  fullthrow differs 24A 24B
  fullthrow differs station:LQ-1 station:LQ-2 --period 7d
  fullthrow differs K824A00003Y lot:24A
  fullthrow differs --by station --reading sticks.left_x_hysteresis`,
		Args: func(c *cobra.Command, args []string) error {
			if len(args) == 0 {
				return nil
			}
			return takes("A", "B")(c, args)
		},
	}
	c.RunE = q.run(func(ctx context.Context) error {
		return answered(ctx, q, q.review.Differs, func(x *review.Differs) error {
			if x.Comparison == nil {
				return q.tellGroups(ctx, x)
			}
			q.tellDiffers(x)
			return nil
		})
	})
	q.flags(c)
	return c
}

// tellGroups shows every lot, station, ... against the others.
func (q *question) tellGroups(ctx context.Context, x *review.Differs) error {
	q.title(cmp.Or(x.Reading, "What differs")+" by "+string(x.By), x.About)
	switch c := x.Groups; {
	case x.GroupsOf == 0 || c != nil && len(c.Groups) == 0:
		return q.nothing(ctx, x.About)
	case c == nil:
		q.tellTrend(x.By, *x.Yields, nil)
	default:
		q.out.Say("")
		q.out.Tell(0, q.out.Strong(wording.Groups(q.words, *c)))
		q.out.Say("")
		g := terminal.Grid{Right: "lrrrl", Head: []string{string(x.By), "units", "mean", "off by", "between"}}
		for _, o := range c.Groups {
			e := o.Offset
			format := terminal.Quantities(c.Unit, max(10*math.Abs(e.Value), 5*spanOf(e)))
			between := ""
			if bench.Finite(e.Low) && bench.Finite(e.High) {
				between = format(e.Low) + " to " + format(e.High)
			}
			g.Add(o.Key, fmt.Sprint(o.N), format(o.Mean), signedWith(format, e.Value), between)
		}
		g.Show(q.out)
		if n := len(c.Groups); n < x.GroupsOf {
			q.out.Tell(2, fmt.Sprintf("the newest %d of %d", n, x.GroupsOf))
		}
		for _, text := range wording.GroupsCautions(q.words, *c) {
			q.out.Tell(0, "note: "+text)
		}
	}
	q.notCounted(x.About)
	return nil
}

// sideWords say what a side is made of.
func (q *question) sideWords(s review.Side) string {
	if s.Kind != review.SideUnit {
		return s.String() + ": first runs of " + wording.Count(int(s.Units), "unit")
	}
	note := fmt.Sprintf("%s: its run of %s, which %s", s.Value, s.Started.In(q.sel.Zone).Format("2006-01-02 15:04"), s.Outcome)
	for i, r := range s.Missed {
		if i == mostAlike {
			return note + "; and more"
		}
		note += map[bool]string{true: ": ", false: "; "}[i == 0] + terminal.Brief(r)
	}
	return note
}

// How many readings the text shows; the JSON has all.
const (
	mostDifferent = 12
	mostAlike     = 5
)

func (q *question) tellDiffers(x *review.Differs) {
	c := *x.Comparison
	q.title(c.A+" and "+c.B, x.About)
	q.out.Say("")
	for _, s := range x.Sides {
		q.out.Tell(2, q.sideWords(s))
	}
	if y := c.Yield; y != nil {
		q.out.Say("")
		axis := terminal.ShareCells(min(max(q.out.Room()-45, 16), 60), math.NaN(), y.A, y.B)
		g := terminal.Grid{Right: "lrrl", Head: []string{"", "units", "yield", axis.Ends(terminal.WholePercent)}}
		g.Add(c.A, fmt.Sprint(y.A.Of), terminal.Percent(y.A.Value), terminal.InCells(axis, y.A))
		g.Add(c.B, fmt.Sprint(y.B.Of), terminal.Percent(y.B.Value), terminal.InCells(axis, y.B))
		g.Show(q.out)
		q.out.Tell(2, wording.YieldDifference(q.words, c))
	}
	rehearsal.Heading(q.out, "Readings", "")
	switch {
	case len(c.Readings) == 0:
		q.tellRest(c)
	case c.Differ == 0:
		q.tellRest(c)
		rehearsal.Heading(q.out, "The nearest to a difference", "")
		q.tellDifferences(c, c.Readings[:min(len(c.Readings), mostAlike)])
	default:
		q.out.Tell(2, wording.Comparison(q.words, c)+" The most important first.")
		q.out.Say("")
		different := c.Readings[:min(c.Differ, mostDifferent)]
		q.tellDifferences(c, different)
		if n := c.Differ - len(different); n > 0 {
			q.out.Tell(2, fmt.Sprintf("and %d more; --json has all", n))
		}
		q.out.Say("")
		for _, d := range different[:min(len(different), mostAlike)] {
			q.out.Tell(2, wording.Difference(q.words, c, d))
		}
		for _, text := range wording.ComparisonRest(q.words, c) {
			q.out.Tell(2, text)
		}
	}
	q.out.Say("")
	q.remarks(c.Cautions)
	q.notCounted(x.About)
	if !q.brief {
		terminal.Glossary(q.out, q.words, "difference", "corrected", "interval")
	}
}

// tellRest is what there is to say of readings that do not differ.
func (q *question) tellRest(c yield.Comparison) {
	q.out.Tell(2, wording.Comparison(q.words, c))
	for _, text := range wording.ComparisonRest(q.words, c) {
		q.out.Tell(2, text)
	}
}

// tellDifferences shows readings side by side. In a narrow place each has its
// name above its figures.
func (q *question) tellDifferences(c yield.Comparison, list []yield.Difference) {
	head := []string{c.A, c.B, "difference", "between", "of the limits"}
	g := terminal.Grid{Right: "rrrll", Head: head}
	wide := q.out.Room() > 115
	if wide {
		g = terminal.Grid{Right: "lrrrll", Head: append([]string{"reading"}, head...)}
	}
	for _, d := range list {
		e := d.Level.Difference
		a, b := d.A.Mean, d.B.Mean
		if e.Method == yield.MethodShift && d.A.Median != nil && d.B.Median != nil {
			a, b = *d.A.Median, *d.B.Median
		}
		format := terminal.Quantities(d.Unit, max(10*math.Abs(e.Value), 5*spanOf(e)))
		between := ""
		if bench.Finite(e.Low) && bench.Finite(e.High) {
			between = format(e.Low) + " to " + format(e.High)
		}
		of := ""
		if l := d.Limit; l != nil && l.Share.Known() {
			of = terminal.WholePercent(math.Abs(l.Share.Value)) + map[string]string{"width": " of their width", "room": " of the room"}[l.Of]
		}
		row := []string{format(a), format(b), signedWith(format, e.Value), between, of}
		if wide {
			g.Add(append([]string{d.Name}, row...)...)
			continue
		}
		g.Title(d.Name)
		g.Add(row...)
	}
	g.Show(q.out)
}

// spanOf is how wide an interval is, 0 where it has no ends.
func spanOf(e yield.Estimate) float64 {
	if w := e.High - e.Low; bench.Finite(w) {
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

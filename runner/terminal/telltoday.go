package terminal

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"fullthrow/reports/draw"
	"fullthrow/reports/review"
	"fullthrow/reports/store"
	"fullthrow/reports/wording"
	"fullthrow/reports/yield"
)

// How many rows the text shows; the JSON has all.
const (
	mostGroups = 40
	mostChecks = 12
)

// TellToday shows the answer to people.
func (q *Answer) TellToday(ctx context.Context, y *review.Today, firstRuns bool) error {
	q.Title("Yield", y.About)
	if y.Summary.Counts.Units == 0 {
		return q.Nothing(ctx, y.About)
	}
	terms := q.tellFigures(y, firstRuns)
	if y.Target != nil {
		q.Out.Tell(0, q.Out.Strong(wording.Target(q.Words, *y.Target)))
	}
	for _, n := range slices.Concat(y.Summary.Notes, y.Rolled.Notes) {
		q.Out.Tell(0, "note: "+wording.Remark(q.Words, n))
	}
	q.tellTrend(y.By, y.Trend, y.Target)
	q.tellChecks(y)
	q.tellTime(y)
	q.NotCounted(y.About)
	if !q.Brief {
		Glossary(q.Out, q.Words, terms...)
	}
	return nil
}

// tellFigures shows the figures of the whole selection, and returns what there
// is to explain.
func (q *Answer) tellFigures(y *review.Today, firstRuns bool) (terms []string) {
	s, c := y.Summary, y.Summary.Counts
	q.Out.Say("\n%s", q.Out.Strong(fmt.Sprintf("First-pass yield %s", Percent(s.FirstPass.Value)))+
		fmt.Sprintf(": %d of %s passed at the first run", c.FirstPassed, wording.Count(int(c.Units), "unit")))
	few := "The true value is probably"
	if s.FirstPass.High-s.FirstPass.Low > 0.1 {
		few = "From so few units no more can be said than that the true value is probably"
	}
	if c.FirstCutShort > 0 {
		q.Out.Tell(0, wording.CutShort(q.Words, c.FirstCutShort))
	}
	q.Out.Tell(0, fmt.Sprintf("%s %s (%s, %s).", few, wording.Between(q.Words, s.FirstPass.Low, s.FirstPass.High),
		s.FirstPass.Method, WholePercent(s.Confidence)))
	q.Out.Say("")
	g := Grid{Right: "lrll"}
	share := func(name string, x yield.Share, of string) {
		if x.Known() {
			g.Add(name, Percent(x.Value), FromTo(x), fmt.Sprintf("%d of %d %s", x.Count, x.Of, of))
		}
	}
	terms = []string{"first_pass"}
	if !firstRuns {
		share("final yield", s.Final, "units")
		terms = append(terms, "final")
	}
	if r := y.Rolled.Yield; r.Known() {
		g.Add("rolled yield", Percent(r.Value), Percent(r.Low)+" to "+Percent(r.High),
			wording.Count(len(y.Rolled.Checks), "check")+" multiplied")
		terms = append(terms, "rolled")
	}
	if !firstRuns {
		share("retested", s.Retested, "units")
		terms = append(terms, "retested")
		if s.NoFaultFound.Known() {
			share("no fault found", s.NoFaultFound, "that failed at first")
			terms = append(terms, "no_fault_found")
		}
		if c.Repaired > 0 {
			share("repaired", s.Repaired, "units")
			terms = append(terms, "repaired")
		}
	}
	if s.DPU.Known() && c.Opportunities > 0 {
		g.Add("defects/unit (DPU)", Figures(s.DPU.Value), Figures(s.DPU.Low)+" to "+Figures(s.DPU.High),
			wording.Count(int(c.Defects), "failed check"))
		g.Add("per million (DPMO)", Figures(s.DPMO.Value), Figures(s.DPMO.Low)+" to "+Figures(s.DPMO.High),
			wording.Count(int(c.Opportunities), "check")+" judged")
		terms = append(terms, "dpu", "dpmo")
	}
	g.Show(q.Out)
	return append(terms, "interval")
}

// Figures writes a number with three digits, without exponent.
func Figures(x float64) string {
	switch {
	case math.IsNaN(x):
		return "?"
	case math.IsInf(x, 1):
		return "any"
	case x == 0:
		return "0"
	case math.Abs(x) >= 100:
		return strconv.FormatFloat(roundTo(x, 3), 'f', 0, 64)
	}
	return strconv.FormatFloat(x, 'g', 3, 64)
}

func roundTo(x float64, digits int) float64 {
	r, err := strconv.ParseFloat(strconv.FormatFloat(x, 'g', digits, 64), 64)
	if err != nil {
		return x
	}
	return r
}

func (q *Answer) tellTrend(by store.By, r yield.TrendResult, target *yield.Target) {
	points := r.Points
	if len(points) == 0 || len(points) == 1 && by == store.ByHour {
		return
	}
	Heading(q.Out, "First-pass yield by "+string(by), "")
	left := 0
	if len(points) > mostGroups {
		left = len(points) - mostGroups
		if slices.Contains(review.Periods(), string(by)) {
			points = points[left:]
		} else {
			points = points[:mostGroups]
		}
	}
	shares := []yield.Share{r.Whole}
	name, digits := 5, 1
	for _, p := range points {
		shares = append(shares, p.FirstPass)
		name = max(name, wording.Columns(p.Key))
		digits = max(digits, len(strconv.FormatInt(p.Counts.Units, 10)))
	}
	mark := math.NaN()
	if target != nil {
		mark = target.Share
	}
	axis := ShareCells(min(max(q.Out.Room()-name-31-digits, 16), 60), mark, shares...)
	g := Grid{Right: "lrrll", Head: []string{string(by), "units", "yield", axis.Ends(WholePercent)}}
	gap := false
	for _, p := range points {
		if p.Counts.Units == 0 { // weekends, nights
			if !gap {
				g.Add("...", "", "", "")
			}
			gap = true
			continue
		}
		gap = false
		word := map[int]string{-1: "LOWER", 1: "higher"}[p.Differs]
		g.Add(cmp.Or(p.Key, "none"), fmt.Sprint(p.Counts.Units), Percent(p.FirstPass.Value), InCells(axis, p.FirstPass),
			word)
	}
	g.Add("all", fmt.Sprint(r.Whole.Of), Percent(r.Whole.Value), InCells(axis, r.Whole))
	g.Show(q.Out)
	if left > 0 {
		q.Out.Tell(2, fmt.Sprintf("and %d more; --json has all, --since and --until narrow it", left))
	}
	if target != nil {
		q.Out.Tell(2, "The broken line (╎ or ┼) is the target.")
	}
	if r.Compared > 0 {
		q.Out.Tell(2, wording.Trend(q.Words, r))
	}
}

// tellChecks shows which checks units failed.
func (q *Answer) tellChecks(y *review.Today) {
	var lossy []yield.CheckYield
	sound := 0
	for _, c := range y.Rolled.Checks {
		switch {
		case c.Share.Known() && c.Share.Count < c.Share.Of:
			lossy = append(lossy, c)
		case c.Share.Known():
			sound++
		}
	}
	if len(lossy) == 0 {
		return
	}
	slices.SortStableFunc(lossy, func(a, b yield.CheckYield) int { return cmp.Compare(a.Share.Value, b.Share.Value) })
	Heading(q.Out, "Units that passed each check at their first run", "")
	var shares []yield.Share
	name := 5
	for _, c := range lossy {
		shares = append(shares, c.Share)
		name = max(name, wording.Columns(c.Check))
	}
	axis := ShareCells(min(max(q.Out.Room()-name-25, 16), 60), math.NaN(), shares...)
	g := Grid{Right: "lrrl", Head: []string{"check", "failed", "passed", axis.Ends(WholePercent)}}
	for _, c := range lossy[:min(len(lossy), mostChecks)] {
		g.Add(c.Check, fmt.Sprint(c.Share.Of-c.Share.Count), Percent(c.Share.Value), InCells(axis, c.Share))
	}
	g.Show(q.Out)
	if n := len(lossy) - mostChecks; n > 0 {
		q.Out.Tell(2, fmt.Sprintf("and %d more that units failed; --json has all", n))
	}
	if sound > 0 {
		q.Out.Tell(2, wording.Count(sound, "other check")+": no unit failed.")
	}
}

// tellTime shows how long runs took, and what was lost.
func (q *Answer) tellTime(y *review.Today) {
	Heading(q.Out, "Time", "")
	q.tellTimes(y.Times, y.Cycle)
	q.Out.Tell(2, wording.Cycle(q.Words, y.Cycle))
	q.Out.Tell(2, wording.Lost(q.Words, y.Lost))
	q.tellAborts(y.Aborts)
}

// tellAborts shows who aborts how often, and which units.
func (q *Answer) tellAborts(a review.Aborts) {
	if len(a.ByOperator) == 0 {
		return
	}
	Heading(q.Out, "Aborted runs", "")
	g := Grid{Right: "lrrr", Head: []string{"operator", "aborted", "of runs", "after a broken limit"}}
	for _, o := range a.ByOperator[:min(len(a.ByOperator), mostGroups)] {
		g.Add(cmp.Or(o.Operator, "none named"), fmt.Sprint(o.Share.Count), Percent(o.Share.Value),
			fmt.Sprint(o.CutShort))
	}
	g.Show(q.Out)
	q.Out.Say("")
	g = Grid{Right: "lrr", Head: []string{"unit", "aborted", "after a broken limit"}}
	for _, u := range a.Units {
		g.Add(u.SerialNumber, fmt.Sprint(u.Aborted), fmt.Sprint(u.CutShort))
	}
	g.Show(q.Out)
}

// timeRows is how many bars the times of runs are shown in, about.
const timeRows = 6

// tellTimes shows how many runs took how long, if they differ at all. The few
// quickest and slowest share a bar at either end.
func (q *Answer) tellTimes(h yield.Histogram, c yield.CycleTime) {
	first, last := middle(h.Counts, 0.02)
	if first < 0 || middleOnly(h.Counts, first, last) && first == last {
		return
	}
	type row struct {
		from, to float64
		n        int64
	}
	sum := func(from, to int) (n int64) {
		for _, x := range h.Counts[from:to] {
			n += x
		}
		return n
	}
	per := (last - first + timeRows) / timeRows // whole bins to a bar
	var rows []row
	if n := sum(0, first); n > 0 {
		rows = append(rows, row{math.Inf(-1), float64(first) * h.Width, n})
	}
	end := first
	for ; end <= last; end += per {
		rows = append(rows, row{float64(end) * h.Width, float64(end+per) * h.Width,
			sum(end, min(end+per, len(h.Counts)))})
	}
	if end < len(h.Counts) {
		if n := sum(end, len(h.Counts)); n > 0 {
			rows = append(rows, row{float64(end) * h.Width, math.Inf(1), n})
		}
	}
	most := int64(1)
	for _, r := range rows {
		most = max(most, r.n)
	}
	g := Grid{Right: "rrl"}
	cells := min(max(q.Out.Room()-38, 16), 50)
	for _, r := range rows {
		name := fmt.Sprintf("%g to %g s", r.from, r.to)
		switch {
		case math.IsInf(r.from, -1):
			name = fmt.Sprintf("under %g s", r.to)
		case math.IsInf(r.to, 1):
			name = fmt.Sprintf("%g s and over", r.from)
		}
		word := ""
		if c.Intended >= r.from && c.Intended < r.to {
			word = "intended " + PlainSpaces(q.Words.Seconds(c.Intended))
		}
		g.Add(name, strconv.FormatInt(r.n, 10), strings.TrimLeft(draw.TextBar(float64(r.n)/float64(most), cells)+"  "+
			word, " "))
	}
	g.Show(q.Out)
}

// middle is the first and the last bin when a share of all is left out at
// either end; -1 where nothing was counted.
func middle(counts []int64, out float64) (first, last int) {
	var all, sum int64
	for _, n := range counts {
		all += n
	}
	first, last = -1, -1
	for i, n := range counts {
		if n == 0 {
			continue
		}
		if before := float64(sum); first < 0 && before+float64(n) > out*float64(all) {
			first = i
		}
		if float64(sum) < (1-out)*float64(all) {
			last = i
		}
		sum += n
	}
	return first, last
}

// middleOnly says that nothing lies outside the bins.
func middleOnly(counts []int64, first, last int) bool {
	for i, n := range counts {
		if n > 0 && (i < first || i > last) {
			return false
		}
	}
	return true
}

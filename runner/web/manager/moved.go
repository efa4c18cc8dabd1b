package manager

import (
	"math"
	"slices"
	"time"

	"fullthrow/reports/store"
	"fullthrow/reports/yield"
	"fullthrow/runner/web/look"
)

// mostMoved is how many readings that moved are listed.
const mostMoved = 12

// longestMoved is the longest time that is parted into before and since.
const longestMoved = 92 * 24 * time.Hour

// moved names the readings that lie elsewhere in the last quarter of the period
// than before, by sums alone: where to look first.
func (q *query) moved(v *view) error {
	until := q.sel.Until
	if until.IsZero() || until.After(q.now) {
		until = q.now
	}
	since := q.sel.Since
	if since.IsZero() || until.Sub(since) > longestMoved {
		since = until.Add(-longestMoved) // what moved lately
	}
	if until.Sub(since) < 2*time.Hour {
		return nil
	}
	split := until.Add(-until.Sub(since) / 4)
	if until.Sub(since) > 7*24*time.Hour {
		y, m, d := split.In(q.m.zone).Date()
		split = time.Date(y, m, d, 0, 0, 0, 0, q.m.zone)
	} else {
		split = split.Truncate(30 * time.Minute)
	}
	early, late := q.sel, q.sel
	early.Since, early.Until, late.Since = since, split, split
	var sides [2]yield.Side
	read := func(side *yield.Side, sel store.Selection) func() error {
		return func() error {
			moments, err := q.m.c.Store.Moments(q.ctx, sel)
			for _, n := range moments {
				side.Readings = append(side.Readings, yield.Sample{Moments: n})
			}
			return err
		}
	}
	if err := together(read(&sides[0], early), read(&sides[1], late)); err != nil {
		return err
	}
	c := yield.Compare(sides[0], sides[1], yield.CompareOptions{})
	if len(c.Readings) == 0 {
		return nil
	}
	s := sheet{name: "moved", head: []string{"reading", "unit", "before_n", "before_mean", "since_n", "since_mean", "shift", "low", "high", "of_limits", "p_corrected"}}
	t := &table{Title: q.t("manager.moved.title"), Intro: q.t("manager.moved.intro", "since", q.onset(split), "count", len(c.Readings)), CSV: q.csvOf("moved")}
	t.Caption = t.Title
	t.Head = []look.Cell{{Text: q.t("manager.head.reading")}, {Text: q.t("manager.moved.before"), Number: true}, {Text: q.t("manager.moved.since"), Number: true}, {Text: q.t("manager.moved.shift"), Number: true},
		{Text: q.t("manager.head.interval"), Number: true}, {Text: q.t("manager.head.of_limits"), Number: true}}
	for _, d := range c.Readings {
		e := d.Level.Difference
		share, p := math.NaN(), math.NaN()
		if d.Limit != nil {
			share = d.Limit.Share.Value
		}
		if d.Level.Test != nil {
			p = d.Level.Test.Adjusted
		}
		s.row(d.Name, d.Unit, d.A.N, d.A.Mean, d.B.N, d.B.Mean, e.Value, e.Low, e.High, share, p)
		if !slices.Contains(d.Differs, yield.DiffersLevel) || len(t.Rows) == mostMoved {
			continue
		}
		shape := ""
		if finite(share) && math.Abs(share) >= 0.1 && !d.Limit.Inward {
			shape = "doubt"
		}
		between, of := "", ""
		if finite(e.Low) && finite(e.High) {
			between = q.t("figures.range", "low", q.signed(e.Low, d.Unit), "high", q.signed(e.High, d.Unit))
		}
		if finite(share) {
			of = q.points(share)
		}
		t.Rows = append(t.Rows, []look.Cell{{Text: d.Name, Href: q.link("/drift", "reading", d.Name)}, {Text: q.quantity(d.A.Mean, d.Unit), Number: true}, {Text: q.quantity(d.B.Mean, d.Unit), Number: true},
			{Text: q.signed(e.Value, d.Unit), Number: true}, {Text: between, Number: true}, {Text: of, Number: true, Shape: shape}})
	}
	v.sheets = append(v.sheets, s)
	if len(t.Rows) == 0 {
		v.add(block{Text: &text{Title: t.Title, Lines: []string{q.t("manager.moved.none", "since", q.onset(split), "count", len(c.Readings))}}})
		return nil
	}
	v.add(block{Table: t})
	return nil
}

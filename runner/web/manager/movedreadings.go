package manager

import (
	"math"
	"slices"

	"fullthrow/reports/review"
	"fullthrow/reports/yield"
	"fullthrow/runner/web/shell"
)

// mostMoved is how many readings that moved are listed.
const mostMoved = 12

// moved names the readings that lie elsewhere in the last quarter of the period
// than before: where to look first.
func (q *query) moved(v *view, m review.Moved) {
	c, split := m.Comparison, m.Since.In(q.m.zone)
	s := sheet{name: "moved", head: []string{"reading", "unit", "before_n", "before_mean", "since_n", "since_mean",
		"shift", "low", "high", "of_limits", "p_corrected"}}
	t := &table{Title: q.t("manager.moved.title"), Intro: q.t("manager.moved.intro", "since", q.onset(split), "count",
		len(c.Readings)), CSV: q.csvOf("moved")}
	t.Caption = t.Title
	t.Head = []shell.Cell{{Text: q.t("manager.head.reading")}, {Text: q.t("manager.moved.before"), Number: true},
		{Text: q.t("manager.moved.since"), Number: true}, {Text: q.t("manager.moved.shift"), Number: true},
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
		if review.Matters(d) {
			shape = "doubt"
		}
		between, of := "", ""
		if finite(e.Low) && finite(e.High) {
			between = q.t("figures.range", "low", q.signed(e.Low, d.Unit), "high", q.signed(e.High, d.Unit))
		}
		if finite(share) {
			of = q.points(share)
		}
		t.Rows = append(t.Rows, []shell.Cell{{Text: d.Name, Href: q.link("/drift", "reading", d.Name)},
			{Text: q.quantity(d.A.Mean, d.Unit), Number: true}, {Text: q.quantity(d.B.Mean, d.Unit), Number: true},
			{Text: q.signed(e.Value, d.Unit), Number: true}, {Text: between, Number: true}, {Text: of, Number: true,
				Shape: shape}})
	}
	v.sheets = append(v.sheets, s)
	if len(t.Rows) == 0 {
		v.add(block{Text: &text{Title: t.Title, Lines: []string{q.t("manager.moved.none", "since", q.onset(split),
			"count", len(c.Readings))}}})
		return
	}
	v.add(block{Table: t})
}

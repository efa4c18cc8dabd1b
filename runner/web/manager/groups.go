package manager

import (
	"math"
	"slices"

	"fullthrow/reports/draw"
	"fullthrow/reports/store"
	"fullthrow/reports/wording"
	"fullthrow/reports/yield"
	"fullthrow/runner/web/look"
)

// yieldGroups sets the first-pass yield of every lot, station, ... against that
// of all others.
func (q *query) yieldGroups(v *view, by store.By) error {
	groups, err := q.m.c.Store.Trend(q.ctx, q.sel, by)
	if err != nil {
		return err
	}
	groups = slices.DeleteFunc(groups, func(g yield.Group) bool { return g.Counts.Units == 0 })
	if len(groups) == 0 {
		return q.nothing(v)
	}
	r := yield.Trend(groups, yield.TrendOptions{})
	v.Answer = q.t("manager.differs.groups_"+string(by), "count", r.Differ, "of", len(groups))
	if r.Differ == 0 {
		v.Answer = q.t("manager.differs.groups_none_"+string(by), "count", len(groups))
	}
	if len(groups) == 1 {
		v.Answer = q.t("manager.differs.group_one")
	}
	s := sheet{name: "groups", head: []string{string(by), "units", "first_passed", "first_pass", "low", "high", "rest", "difference", "difference_low", "difference_high", "p", "p_corrected", "differs"}}
	t := look.Table{Head: []look.Cell{{Text: q.field(string(by))}, {Text: q.t("manager.head.units"), Number: true}, {Text: q.t("figures.term.first_pass"), Number: true}, {Text: q.t("manager.head.interval"), Number: true},
		{Text: q.t("manager.differs.rest"), Number: true}, {Text: q.t("manager.differs.difference"), Number: true}, {Text: q.t("manager.head.verdict")}}}
	var rows []draw.Mark
	for i, p := range r.Points {
		href := q.behind(groups[i], by, "first", "1")
		d := p.Difference
		words, shape := q.t("manager.differs.alike"), ""
		switch {
		case p.Differs < 0:
			words, shape = q.t("manager.differs.lower"), "doubt"
		case p.Differs > 0:
			words = q.t("manager.differs.higher")
		}
		if d.Known() {
			rows = append(rows, draw.Mark{Label: p.Key, Value: d.Value, Low: d.Low, High: d.High, Href: href})
		}
		t.Rows = append(t.Rows, []look.Cell{{Text: p.Key, Href: href}, {Text: q.w.Number(float64(p.FirstPass.Of)), Number: true}, {Text: q.column(p.FirstPass.Value), Number: true}, {Text: q.shareRange(p.FirstPass), Number: true},
			{Text: q.column(p.Other.Value), Number: true}, {Text: q.points(d.Value), Number: true}, {Text: words, Shape: shape}})
		s.row(p.Key, p.FirstPass.Of, p.FirstPass.Count, p.FirstPass.Value, p.FirstPass.Low, p.FirstPass.High, p.Other.Value, d.Value, d.Low, d.High, p.Chance, p.Corrected, p.Differs)
	}
	k := draw.Comparison{Frame: draw.Frame{ID: "groups", Title: q.t("manager.differs.groups_chart"), Desc: q.t("manager.differs.groups_caption"), Unit: draw.Percent, Label: q.t("manager.differs.groups_label"), Of: q.field(string(by))}, Rows: rows}
	b := q.chart(v, look.NewChart(k.Title, k.Desc, k.Draw(q.w)), s)
	t.Caption = k.Title
	b.Chart.Table, b.Chart.Open = t, true
	v.add(b)
	return nil
}

// readingGroups compares one reading in all lots, stations, ...
func (q *query) readingGroups(v *view, reading string, by store.By) error {
	values, err := q.m.c.Store.Trend(q.ctx, q.sel, by)
	if err != nil {
		return err
	}
	values = slices.DeleteFunc(values, func(g yield.Group) bool { return g.Counts.Units == 0 })
	note := ""
	if len(values) > mostGroups {
		note = q.t("manager.differs.newest", "shown", mostGroups, "count", len(values))
		values = values[len(values)-mostGroups:]
	}
	found := make([]yield.Series, len(values))
	var ask []func() error
	for i, g := range values {
		one, _, err := q.withSide(string(by), g.Key)
		if err != nil {
			return err
		}
		ask = append(ask, func() (err error) {
			found[i], err = q.m.c.Store.Series(q.ctx, one.sel, reading, true, mostPerSide)
			return err
		})
	}
	if err := together(ask...); err != nil {
		return err
	}
	var groups []yield.Keyed
	unit := ""
	for i, s := range found {
		if len(s.Points) > 0 {
			groups, unit = append(groups, yield.Keyed{Key: values[i].Key, Sample: yield.SampleOf(s)}), s.Unit
		}
	}
	if len(groups) == 0 {
		return q.nothing(v)
	}
	c := yield.CompareGroups(groups, yield.CompareOptions{})
	v.Answer = wording.Groups(q.w, c)
	s := sheet{name: "groups", head: []string{string(by), "n", "mean", "sd", "median", "min", "max", "failed", "offset", "low", "high", "of_limits", "p_corrected", "unit"}}
	t := look.Table{Head: []look.Cell{{Text: q.field(string(by))}, {Text: q.t("manager.head.units"), Number: true}, {Text: q.t("manager.head.mean"), Number: true}, {Text: q.t("manager.head.sd"), Number: true},
		{Text: q.t("manager.differs.offset"), Number: true}, {Text: q.t("manager.head.interval"), Number: true}, {Text: q.t("manager.head.of_limits"), Number: true}}}
	var rows []draw.Mark
	for _, g := range c.Groups {
		href := q.units(string(by), g.Key, "reading", reading, "low", exact(g.Min), "high", exact(math.Nextafter(g.Max, math.Inf(1))))
		mark := draw.Mark{Label: g.Key, Value: g.Offset.Value, Low: g.Offset.Low, High: g.Offset.High, Href: href}
		rows = append(rows, mark)
		var spread, ofLimits, between string
		if g.SD != nil {
			spread = q.quantity(*g.SD, unit)
		}
		if finite(g.Share.Value) {
			ofLimits = q.points(g.Share.Value)
		}
		if finite(g.Offset.Low) {
			between = q.t("figures.range", "low", q.signed(g.Offset.Low, unit), "high", q.signed(g.Offset.High, unit))
		}
		t.Rows = append(t.Rows, []look.Cell{{Text: g.Key, Href: href}, {Text: q.w.Number(float64(g.N)), Number: true}, {Text: q.quantity(g.Mean, unit), Number: true}, {Text: spread, Number: true},
			{Text: q.signed(g.Offset.Value, unit), Number: true}, {Text: between, Number: true}, {Text: ofLimits, Number: true}})
		var p any
		if g.Test != nil {
			p = g.Test.Adjusted
		}
		s.row(g.Key, g.N, g.Mean, g.SD, g.Median, g.Min, g.Max, g.Failed, g.Offset.Value, g.Offset.Low, g.Offset.High, g.Share.Value, p, unit)
	}
	k := draw.Comparison{Frame: draw.Frame{ID: "groups", Title: reading, Desc: q.t("manager.differs.offset_caption"), Unit: unit, Label: q.t("manager.differs.offset"), Of: q.field(string(by))}, Rows: rows}
	drawn := look.NewChart(k.Title, k.Desc, k.Draw(q.w))
	if note != "" {
		drawn.Notes = append(drawn.Notes, note)
	}
	b := q.chart(v, drawn, s)
	t.Caption = k.Title
	b.Chart.Table, b.Chart.Open = t, true
	v.add(b)
	if notes := wording.GroupsCautions(q.w, c); len(notes) > 0 {
		v.add(block{Text: &text{Notes: notes, NotesTitle: q.t("manager.notes")}})
	}
	return nil
}

// withSide is a side that is not in the address.
func (q *query) withSide(by, value string) (side, bool, error) {
	other := *q
	other.values = map[string]string{"a": by + ":" + value}
	return other.side("a")
}

package manager

import (
	"math"

	"fullthrow/reports/draw"
	"fullthrow/reports/review"
	"fullthrow/reports/wording"
	"fullthrow/runner/web/shell"
)

// yieldGroups sets the first-pass yield of every lot, station, ... against that
// of all others.
func (q *query) yieldGroups(v *view, a review.Differs) {
	r, by := *a.Yields, a.By
	v.Answer = q.t("manager.differs.groups_"+string(by), "count", r.Differ, "of", len(r.Points))
	if r.Differ == 0 {
		v.Answer = q.t("manager.differs.groups_none_"+string(by), "count", len(r.Points))
	}
	if len(r.Points) == 1 {
		v.Answer = q.t("manager.differs.group_one")
	}
	s := sheet{name: "groups", head: []string{string(by), "units", "first_passed", "first_pass", "low", "high", "rest",
		"difference", "difference_low", "difference_high", "p", "p_corrected", "differs"}}
	t := shell.Table{Head: []shell.Cell{{Text: q.field(string(by))}, {Text: q.t("manager.head.units"), Number: true},
		{Text: q.t("figures.term.first_pass"), Number: true}, {Text: q.t("manager.head.interval"), Number: true},
		{Text: q.t("manager.differs.rest"), Number: true}, {Text: q.t("manager.differs.difference"), Number: true},
		{Text: q.t("manager.head.verdict")}}}
	var rows []draw.Mark
	for _, p := range r.Points {
		href := q.units(string(by), p.Key, "first-runs", "1")
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
		t.Rows = append(t.Rows, []shell.Cell{{Text: p.Key, Href: href}, {Text: q.w.Number(float64(p.FirstPass.Of)),
			Number: true}, {Text: q.column(p.FirstPass.Value), Number: true}, {Text: q.shareRange(p.FirstPass),
			Number: true},
			{Text: q.column(p.Other.Value), Number: true}, {Text: q.points(d.Value), Number: true},
			{Text: words, Shape: shape}})
		s.row(p.Key, p.FirstPass.Of, p.FirstPass.Count, p.FirstPass.Value, p.FirstPass.Low, p.FirstPass.High,
			p.Other.Value, d.Value, d.Low, d.High, p.Chance, p.Corrected, p.Differs)
	}
	k := draw.Comparison{Frame: draw.Frame{ID: "groups", Title: q.t("manager.differs.groups_chart"),
		Desc: q.t("manager.differs.groups_caption"), Unit: draw.Percent, Label: q.t("manager.differs.groups_label"),
		Of: q.field(string(by))}, Rows: rows}
	b := q.chart(v, shell.NewChart(k.Title, k.Desc, k.Draw(q.w)), s)
	t.Caption = k.Title
	b.Chart.Table, b.Chart.Open = t, true
	v.add(b)
}

// readingGroups compares one reading in all lots, stations, ...
func (q *query) readingGroups(v *view, a review.Differs) {
	c, reading, by, unit := *a.Groups, a.Reading, a.By, a.Groups.Unit
	note := ""
	if n := len(c.Groups); n < a.GroupsOf {
		note = q.t("manager.differs.newest", "shown", n, "count", a.GroupsOf)
	}
	v.Answer = wording.Groups(q.w, c)
	s := sheet{name: "groups", head: []string{string(by), "n", "mean", "sd", "median", "min", "max", "failed", "offset",
		"low", "high", "of_limits", "p_corrected", "unit"}}
	t := shell.Table{Head: []shell.Cell{{Text: q.field(string(by))}, {Text: q.t("manager.head.units"), Number: true},
		{Text: q.t("manager.head.mean"), Number: true}, {Text: q.t("manager.head.sd"), Number: true},
		{Text: q.t("manager.differs.offset"), Number: true}, {Text: q.t("manager.head.interval"), Number: true},
		{Text: q.t("manager.head.of_limits"), Number: true}}}
	var rows []draw.Mark
	for _, g := range c.Groups {
		href := q.units(string(by), g.Key, "reading", reading, "low", exact(g.Min), "high",
			exact(math.Nextafter(g.Max, math.Inf(1))))
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
		t.Rows = append(t.Rows, []shell.Cell{{Text: g.Key, Href: href}, {Text: q.w.Number(float64(g.N)), Number: true},
			{Text: q.quantity(g.Mean, unit), Number: true}, {Text: spread, Number: true},
			{Text: q.signed(g.Offset.Value, unit), Number: true}, {Text: between, Number: true},
			{Text: ofLimits, Number: true}})
		var p any
		if g.Test != nil {
			p = g.Test.Adjusted
		}
		s.row(g.Key, g.N, g.Mean, g.SD, g.Median, g.Min, g.Max, g.Failed, g.Offset.Value, g.Offset.Low, g.Offset.High,
			g.Share.Value, p, unit)
	}
	k := draw.Comparison{Frame: draw.Frame{ID: "groups", Title: reading, Desc: q.t("manager.differs.offset_caption"),
		Unit: unit, Label: q.t("manager.differs.offset"), Of: q.field(string(by))}, Rows: rows}
	drawn := shell.NewChart(k.Title, k.Desc, k.Draw(q.w))
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
}

package manager

import (
	"math"
	"slices"
	"strings"

	"fullthrow/reports/draw"
	"fullthrow/reports/review"
	"fullthrow/reports/statistics"
	"fullthrow/reports/store"
	"fullthrow/reports/wording"
	"fullthrow/reports/yield"
	"fullthrow/runner/web/shell"
)

// sidesBy are the fields that two sides may be chosen from, and groups be
// compared by.
var sidesBy = []store.By{store.ByLot, store.ByStation, store.ByNest, store.ByRevision, store.ByOperator}

// mostRows is how many readings are drawn.
const mostRows = 24

// differs answers: what differs?
func (m *Manager) differs(q *query) (*view, error) {
	a, err := q.review.Differs(q.ctx, q.asked)
	if err != nil {
		return nil, err
	}
	v, err := q.begin(a, a.About)
	if err != nil {
		return nil, err
	}
	names, err := m.c.Store.Readings(q.ctx, q.sel.Product)
	if err != nil {
		return nil, err
	}
	form, err := q.sideChoice(a.Sides, names)
	if err != nil {
		return nil, err
	}
	v.add(form)
	switch {
	case a.Comparison != nil:
		q.twoSides(v, *a.Comparison, a.Sides[0], a.Sides[1])
		return v, nil
	case len(a.Sides) == 1:
		v.Answer = q.t("manager.differs.just_one")
		return v, nil
	}
	var links []shell.Link
	for _, b := range sidesBy {
		links = append(links, shell.Link{Href: q.same("by", string(b)), Text: q.t("manager.differs.by_" + string(b)),
			Current: b == a.By})
	}
	v.add(block{Links: links})
	if a.GroupsOf == 0 || a.Groups != nil && len(a.Groups.Groups) == 0 {
		return v, q.nothing(v)
	}
	if a.Groups != nil {
		q.readingGroups(v, a)
	} else {
		q.yieldGroups(v, a)
	}
	return v, nil
}

func (q *query) sideName(s review.Side) string {
	return q.t("manager.differs.side_"+s.Kind, "value", s.Value)
}

// sideChoice is the form that chooses both sides.
func (q *query) sideChoice(sides []review.Side, readings []string) (block, error) {
	c := &choice{Label: q.t("manager.differs.choose"), Action: q.path, Button: q.t("manager.differs.compare")}
	var groups []optionGroup
	for _, by := range sidesBy {
		values, err := q.m.c.Store.Values(q.ctx, by)
		if err != nil {
			return block{}, err
		}
		g := optionGroup{Label: q.field(string(by))}
		for _, value := range values[:min(len(values), mostOptions)] {
			g.Options = append(g.Options, option{Value: string(by) + ":" + value, Text: value})
		}
		if len(g.Options) > 1 {
			groups = append(groups, g)
		}
	}
	for i, param := range []string{"a", "b"} {
		now := q.values[param]
		f := selectField{Name: param, Label: q.t("manager.differs.field_" + param),
			Options: []option{{"", q.t("manager.differs.none"), now == ""}}}
		found := now == ""
		for _, g := range groups {
			own := optionGroup{Label: g.Label}
			for _, o := range g.Options {
				o.Selected = o.Value == now
				found = found || o.Selected
				own.Options = append(own.Options, o)
			}
			f.Groups = append(f.Groups, own)
		}
		if !found && i < len(sides) {
			f.Options = append(f.Options, option{now, q.sideName(sides[i]), true})
		}
		c.Fields = append(c.Fields, f)
	}
	reading := selectField{Name: "reading", Label: q.field("reading"),
		Options: []option{{"", q.t("manager.differs.every"), q.values["reading"] == ""}}}
	for _, n := range readings {
		reading.Options = append(reading.Options, option{n, n, n == q.values["reading"]})
	}
	c.Fields = append(c.Fields, reading)
	for _, name := range append(review.Filters(), "by") {
		if value := q.values[name]; value != "" {
			c.Hidden = append(c.Hidden, hidden{name, value})
		}
	}
	return block{Choice: c}, nil
}

// begun is a message that may begin with the name of a side.
func (q *query) begun(id string, args ...any) string { return wording.Capital(q.t(id, args...)) }

// twoSides sets two groups side by side, reading by reading.
func (q *query) twoSides(v *view, c yield.Comparison, sa, sb review.Side) {
	c.A, c.B = q.sideName(sa), q.sideName(sb)
	v.Answer = wording.Capital(wording.Comparison(q.w, c))
	for _, s := range []review.Side{sa, sb} {
		if s.Kind == review.SideUnit {
			v.About += " · " + q.t("manager.differs.run", "name", s.Value, "when", q.w.When(*s.Started))
		}
	}
	if y := c.Yield; y != nil {
		v.add(block{Figures: q.yieldPair(y, c.A, c.B, sa, sb)})
	}
	v.add(q.differences(v, c)...)
	if len(c.Readings) > 0 {
		notes := append([]string{wording.Difference(q.w, c, c.Readings[0])}, wording.Remarks(q.w, c.Cautions)...)
		v.add(block{Text: &text{Notes: notes, NotesTitle: q.t("manager.notes")}})
	}
}

func (q *query) yieldPair(y *yield.ShareDifference, a, b string, sa, sb review.Side) []shell.Figure {
	one := func(name string, s yield.Share, of review.Side) shell.Figure {
		f := q.figure("first_pass", s)
		f.Name = q.t("manager.differs.yield_of", "name", name)
		f.Meaning = q.t("manager.differs.units", "count", s.Of)
		f.Href = q.units(of.Kind, of.Value, "first-runs", "1")
		return f
	}
	d := shell.Figure{Name: q.t("manager.differs.difference"), Value: q.points(y.Difference.Value),
		Interval: q.t("figures.between", "low", q.points(y.Difference.Low), "high", q.points(y.Difference.High))}
	switch {
	case y.Test == nil:
		d.Meaning = q.t("manager.differs.no_test")
	case y.Test.P < 0.05:
		d.Meaning = q.t("manager.differs.real")
	default:
		d.Meaning = q.t("manager.differs.chance")
	}
	return []shell.Figure{one(a, y.A, sa), one(b, y.B, sb), d}
}

// points is a difference of shares, with its sign.
func (q *query) points(x float64) string {
	if !statistics.Finite(x) {
		return "–"
	}
	s := q.w.PercentFixed(x, 1)
	if x > 0 {
		return "+" + s
	}
	return s
}

func (q *query) signed(x float64, unit string) string {
	if !statistics.Finite(x) {
		return "–"
	}
	if x > 0 {
		return "+" + q.quantity(x, unit)
	}
	return q.quantity(x, unit)
}

// differences draws the readings, those that differ most first, and lists them
// all.
func (q *query) differences(v *view, c yield.Comparison) []block {
	s := sheet{name: "readings", head: []string{"reading", "unit", "a_n", "a_mean", "a_sd", "a_failed", "b_n", "b_mean",
		"b_sd", "b_failed", "difference", "low", "high", "of_limits", "of_limits_low", "of_limits_high", "level_p",
		"level_p_corrected", "spread_ratio", "differs"}}
	t := shell.Table{Head: []shell.Cell{{Text: q.t("manager.head.reading")}, {Text: c.A, Number: true},
		{Text: c.B, Number: true}, {Text: q.t("manager.differs.difference"), Number: true},
		{Text: q.t("manager.head.interval"), Number: true}, {Text: q.t("manager.head.of_limits"), Number: true},
		{Text: q.t("manager.head.verdict")}}}
	var rows []draw.Mark
	for _, d := range c.Readings {
		href := q.same("reading", d.Name)
		if q.values["reading"] == d.Name {
			href = q.link("/drift", "reading", d.Name)
		}
		share := yield.Estimate{Value: math.NaN(), Low: math.NaN(), High: math.NaN()}
		var ofLimits string
		if d.Limit != nil {
			if share = d.Limit.Share; statistics.Finite(share.Value) {
				ofLimits = q.points(share.Value)
				rows = append(rows, draw.Mark{Label: d.Name, Value: share.Value, Low: share.Low, High: share.High,
					Href: href,
					Title: q.t("manager.differs.mark", "name", d.Name, "a", q.quantity(d.A.Mean, d.Unit), "b",
						q.quantity(d.B.Mean, d.Unit))})
			}
		}
		e := d.Level.Difference
		words, shape := q.differWords(d)
		between := ""
		if statistics.Finite(e.Low) && statistics.Finite(e.High) {
			between = q.t("figures.range", "low", q.signed(e.Low, d.Unit), "high", q.signed(e.High, d.Unit))
		}
		t.Rows = append(t.Rows, []shell.Cell{{Text: d.Name, Href: href}, {Text: q.quantity(d.A.Mean, d.Unit),
			Number: true}, {Text: q.quantity(d.B.Mean, d.Unit), Number: true},
			{Text: q.signed(e.Value, d.Unit), Number: true}, {Text: between, Number: true},
			{Text: ofLimits, Number: true}, {Text: words, Shape: shape}})
		var p, corrected, ratio any
		if x := d.Level.Test; x != nil {
			p, corrected = x.P, x.Adjusted
		}
		if d.Spread != nil {
			ratio = d.Spread.Ratio.Value
		}
		s.row(d.Name, d.Unit, d.A.N, d.A.Mean, d.A.SD, d.A.Failed, d.B.N, d.B.Mean, d.B.SD, d.B.Failed, e.Value, e.Low,
			e.High, share.Value, share.Low, share.High, p, corrected, ratio, differing(d))
	}
	k := draw.Comparison{Frame: draw.Frame{ID: "readings", Title: q.begun("manager.differs.chart", "a", c.A, "b", c.B),
		Desc: q.t("manager.differs.caption"), Unit: draw.Percent, Label: q.t("manager.differs.label"),
		Of: q.t("manager.head.reading")}, Rows: rows, Matter: 0.1, Most: mostRows}
	drawn := shell.NewChart(k.Title, k.Desc, k.Draw(q.w))
	b := q.chart(v, drawn, s)
	t.Caption = k.Title
	b.Chart.Table, b.Chart.Open = t, true
	list := []block{b}
	if rest := wording.ComparisonRest(q.w, c); len(rest) > 0 {
		list = append(list, block{Text: &text{Lines: rest}})
	}
	return list
}

// differing are the codes of what differs, for a sheet.
func differing(d yield.Difference) string {
	var codes []string
	for _, what := range d.Differs {
		codes = append(codes, string(what))
	}
	return strings.Join(codes, " ")
}

func (q *query) differWords(d yield.Difference) (text, shape string) {
	var parts []string
	for _, what := range d.Differs {
		parts = append(parts, q.t("manager.differs.is_"+string(what)))
	}
	if len(parts) == 0 {
		if d.Level.Test == nil {
			return q.t("manager.differs.untested"), ""
		}
		return q.t("manager.differs.alike"), ""
	}
	shape = ""
	if review.Matters(d) || slices.Contains(d.Differs, yield.DiffersFailing) {
		shape = "doubt"
	}
	return strings.Join(parts, ", "), shape
}

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
		if statistics.Finite(g.Share.Value) {
			ofLimits = q.points(g.Share.Value)
		}
		if statistics.Finite(g.Offset.Low) {
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

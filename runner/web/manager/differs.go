package manager

import (
	"errors"
	"math"
	"net/http"
	"slices"
	"strings"

	"fullthrow/reports"
	"fullthrow/reports/draw"
	"fullthrow/reports/store"
	"fullthrow/reports/wording"
	"fullthrow/reports/yield"
	"fullthrow/runner/web/look"
)

// sidesBy are the fields that two sides may be chosen from, and groups be
// compared by.
var sidesBy = []store.By{store.ByLot, store.ByStation, store.ByNest, store.ByRevision, store.ByOperator}

const (
	mostGroups  = 12   // compared at once, the newest
	mostPerSide = 1000 // newest values of a reading in one group
	mostRows    = 24   // readings that are drawn
)

// side is one of the two that are compared: "lot:24A", "unit:K824A00017M".
type side struct {
	param string
	by    store.By // or "unit"
	value string
	sel   store.Selection
}

// differs answers: what differs?
func (m *Manager) differs(q *query) (*view, error) {
	by, err := q.choice("by", "lot", "station", "nest", "revision", "operator")
	if err != nil {
		return nil, err
	}
	var sides []side
	for _, name := range []string{"a", "b"} {
		s, ok, err := q.side(name)
		if err != nil {
			return nil, err
		}
		if ok {
			sides = append(sides, s)
		}
	}
	v, err := q.begin("by", "a", "b", "reading")
	if err != nil {
		return nil, err
	}
	names, err := m.c.Store.Readings(q.ctx, q.sel.Product)
	if err != nil {
		return nil, err
	}
	form, err := q.sideChoice(sides, names)
	if err != nil {
		return nil, err
	}
	v.add(form)
	switch {
	case len(sides) == 2:
		return v, q.twoSides(v, sides[0], sides[1])
	case len(sides) == 1:
		v.Answer = q.t("manager.differs.just_one")
		return v, nil
	}
	var links []look.Link
	for _, b := range sidesBy {
		links = append(links, look.Link{Href: q.same("by", string(b)), Text: q.t("manager.differs.by_" + string(b)), Current: string(b) == by})
	}
	v.add(block{Links: links})
	if reading := q.values["reading"]; reading != "" {
		if !slices.Contains(names, reading) {
			return nil, &refusal{status: http.StatusNotFound, id: "manager.bad.no_reading", args: []any{"value", brief(reading)}, back: q.same("reading", ""), backText: "manager.differs.no_reading"}
		}
		return v, q.readingGroups(v, reading, store.By(by))
	}
	return v, q.yieldGroups(v, store.By(by))
}

// side reads one of the two sides.
func (q *query) side(param string) (side, bool, error) {
	v := q.values[param]
	if v == "" {
		return side{}, false, nil
	}
	by, value, ok := strings.Cut(v, ":")
	if !ok || value == "" || by != "unit" && !slices.Contains(sidesBy, store.By(by)) {
		return side{}, false, refuse(http.StatusBadRequest, "manager.bad.side", "value", brief(v))
	}
	s := side{param: param, by: store.By(by), value: value, sel: q.sel}
	switch s.by {
	case store.ByLot:
		s.sel.Lot = value
	case store.ByStation:
		s.sel.Station = value
	case store.ByRevision:
		s.sel.Revision = value
	case store.ByOperator:
		s.sel.Operator = value
	case store.ByNest:
		s.sel.Nest = value
		if station, nest, ok := cutLast(value, " "); ok {
			s.sel.Station, s.sel.Nest = station, nest
		}
	}
	return s, true, nil
}

func (q *query) sideName(s side) string {
	return q.t("manager.differs.side_"+string(s.by), "value", s.value)
}

// sideChoice is the form that chooses both sides.
func (q *query) sideChoice(sides []side, readings []string) (block, error) {
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
	for _, param := range []string{"a", "b"} {
		now := q.values[param]
		f := selectField{Name: param, Label: q.t("manager.differs.field_" + param), Options: []option{{"", q.t("manager.differs.none"), now == ""}}}
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
		if !found {
			for _, s := range sides {
				if s.param == param {
					f.Options = append(f.Options, option{now, q.sideName(s), true})
				}
			}
		}
		c.Fields = append(c.Fields, f)
	}
	reading := selectField{Name: "reading", Label: q.field("reading"), Options: []option{{"", q.t("manager.differs.every"), q.values["reading"] == ""}}}
	for _, n := range readings {
		reading.Options = append(reading.Options, option{n, n, n == q.values["reading"]})
	}
	c.Fields = append(c.Fields, reading)
	for _, name := range append(slices.Clone(filters), "by") {
		if value := q.values[name]; value != "" {
			c.Hidden = append(c.Hidden, hidden{name, value})
		}
	}
	return block{Choice: c}, nil
}

// sideData reads what a side has; a unit has the readings of its first judged
// run in the selection, or else of its newest run.
func (q *query) sideData(s side) (yield.Side, error) {
	out := yield.Side{Name: q.sideName(s)}
	if s.by == "unit" {
		runs, _, err := q.m.c.Store.History(q.ctx, q.sel.Product, s.value)
		if err != nil {
			return out, err
		}
		if len(runs) == 0 {
			return out, q.noUnit(s.value)
		}
		run := runs[len(runs)-1]
		for _, r := range runs {
			if r.First {
				run = r
				break
			}
		}
		sealed, err := q.m.c.Store.Report(q.ctx, run.Run)
		if err != nil {
			return out, err
		}
		for _, check := range sealed.Report.Checks {
			for _, r := range check.Readings {
				if x, ok := r.Value.Number(); ok && finite(x) {
					m, _ := yield.MomentsOf(r.Check+"."+r.Name, r.Unit, []float64{x})
					if r.Limit != nil {
						m.Lower, m.Upper = r.Limit.Lower, r.Limit.Upper
					}
					if r.Verdict == reports.Fail {
						m.Failed = 1
					}
					out.Readings = append(out.Readings, yield.Sample{Moments: m, Values: []float64{x}})
				}
			}
		}
		return out, nil
	}
	counts, err := q.m.c.Store.Counts(q.ctx, s.sel)
	if err != nil {
		return out, err
	}
	if counts.Runs == 0 {
		return out, &refusal{status: http.StatusNotFound, id: "manager.bad.no_side", args: []any{"name", out.Name}, back: q.same(s.param, ""), backText: "manager.differs.another"}
	}
	out.Counts = &counts
	moments, err := q.m.c.Store.Moments(q.ctx, s.sel)
	for _, n := range moments {
		out.Readings = append(out.Readings, yield.Sample{Moments: n})
	}
	return out, err
}

// begun is a message that may begin with the name of a side.
func (q *query) begun(id string, args ...any) string { return upperFirst(q.t(id, args...)) }

// noUnit says that a serial number is not here.
func (q *query) noUnit(serial string) error {
	return &refusal{status: http.StatusNotFound, id: "manager.bad.no_unit", args: []any{"value", brief(serial)}, back: "/unit", backText: "manager.bad.other_unit"}
}

// twoSides sets two groups side by side, reading by reading.
func (q *query) twoSides(v *view, sa, sb side) error {
	a, err := q.sideData(sa)
	if err != nil {
		return err
	}
	b, err := q.sideData(sb)
	if err != nil {
		return err
	}
	o := yield.CompareOptions{}
	if sa.by == "unit" && sb.by == "unit" {
		if o.Population, err = q.m.c.Store.Moments(q.ctx, q.sel); err != nil {
			return err
		}
	}
	// The values one by one tell more than sums: of one reading they are asked
	// for.
	reading := q.values["reading"]
	if reading != "" {
		if err := q.values1(&a, sa, reading); err != nil {
			return err
		}
		if err := q.values1(&b, sb, reading); err != nil {
			return err
		}
	}
	c := yield.Compare(a, b, o)
	v.Answer = upperFirst(wording.Comparison(q.w, c))
	if y := c.Yield; y != nil {
		v.add(block{Figures: q.yieldPair(y, a.Name, b.Name, sa, sb)})
	}
	v.add(q.differences(v, c, sa, sb)...)
	if len(c.Readings) > 0 {
		v.add(block{Text: &text{Notes: append([]string{wording.Difference(q.w, c, c.Readings[0])}, wording.Remarks(q.w, c.Cautions)...), NotesTitle: q.t("manager.notes")}})
	}
	return nil
}

// values1 narrows a side to one reading, with its values one by one.
func (q *query) values1(s *yield.Side, of side, reading string) error {
	s.Readings = slices.DeleteFunc(s.Readings, func(x yield.Sample) bool { return x.Name != reading })
	if of.by == "unit" {
		return nil
	}
	series, err := q.m.c.Store.Series(q.ctx, of.sel, reading, true, mostPerSide)
	if errors.Is(err, store.ErrUnknown) {
		return &refusal{status: http.StatusNotFound, id: "manager.bad.no_reading", args: []any{"value", brief(reading)}, back: q.same("reading", ""), backText: "manager.differs.no_reading"}
	}
	if err != nil {
		return err
	}
	if len(series.Points) > 0 {
		s.Readings = []yield.Sample{yield.SampleOf(series)}
	}
	return nil
}

func (q *query) yieldPair(y *yield.ShareDifference, a, b string, sa, sb side) []look.Figure {
	one := func(name string, s yield.Share, of side) look.Figure {
		f := q.figure("first_pass", s)
		f.Name = q.t("manager.differs.yield_of", "name", name)
		f.Meaning = q.t("manager.differs.units", "count", s.Of)
		f.Href = q.units(string(of.by), of.value, "first", "1")
		return f
	}
	d := look.Figure{Name: q.t("manager.differs.difference"), Value: q.points(y.Difference.Value), Interval: q.t("figures.between", "low", q.points(y.Difference.Low), "high", q.points(y.Difference.High))}
	switch {
	case y.Test == nil:
		d.Meaning = q.t("manager.differs.no_test")
	case y.Test.P < 0.05:
		d.Meaning = q.t("manager.differs.real")
	default:
		d.Meaning = q.t("manager.differs.chance")
	}
	return []look.Figure{one(a, y.A, sa), one(b, y.B, sb), d}
}

// points is a difference of shares, with its sign.
func (q *query) points(x float64) string {
	if !finite(x) {
		return "–"
	}
	s := q.w.PercentFixed(x, 1)
	if x > 0 {
		return "+" + s
	}
	return s
}

func (q *query) signed(x float64, unit string) string {
	if !finite(x) {
		return "–"
	}
	if x > 0 {
		return "+" + q.quantity(x, unit)
	}
	return q.quantity(x, unit)
}

// differences draws the readings, those that differ most first, and lists them
// all.
func (q *query) differences(v *view, c yield.Comparison, sa, sb side) []block {
	s := sheet{name: "readings", head: []string{"reading", "unit", "a_n", "a_mean", "a_sd", "a_failed", "b_n", "b_mean", "b_sd", "b_failed", "difference", "low", "high", "of_limits", "of_limits_low", "of_limits_high", "level_p", "level_p_corrected", "spread_ratio", "differs"}}
	t := look.Table{Head: []look.Cell{{Text: q.t("manager.head.reading")}, {Text: c.A, Number: true}, {Text: c.B, Number: true}, {Text: q.t("manager.differs.difference"), Number: true},
		{Text: q.t("manager.head.interval"), Number: true}, {Text: q.t("manager.head.of_limits"), Number: true}, {Text: q.t("manager.head.verdict")}}}
	var rows []draw.Mark
	for _, d := range c.Readings {
		href := q.same("reading", d.Name)
		if q.values["reading"] == d.Name {
			href = q.link("/drift", "reading", d.Name)
		}
		share := yield.Estimate{Value: math.NaN(), Low: math.NaN(), High: math.NaN()}
		var ofLimits string
		if d.Limit != nil {
			if share = d.Limit.Share; finite(share.Value) {
				ofLimits = q.points(share.Value)
				rows = append(rows, draw.Mark{Label: d.Name, Value: share.Value, Low: share.Low, High: share.High, Href: href,
					Title: q.t("manager.differs.mark", "name", d.Name, "a", q.quantity(d.A.Mean, d.Unit), "b", q.quantity(d.B.Mean, d.Unit))})
			}
		}
		e := d.Level.Difference
		words, shape := q.differWords(d)
		between := ""
		if finite(e.Low) && finite(e.High) {
			between = q.t("figures.range", "low", q.signed(e.Low, d.Unit), "high", q.signed(e.High, d.Unit))
		}
		t.Rows = append(t.Rows, []look.Cell{{Text: d.Name, Href: href}, {Text: q.quantity(d.A.Mean, d.Unit), Number: true}, {Text: q.quantity(d.B.Mean, d.Unit), Number: true},
			{Text: q.signed(e.Value, d.Unit), Number: true}, {Text: between, Number: true}, {Text: ofLimits, Number: true}, {Text: words, Shape: shape}})
		var p, corrected, ratio any
		if x := d.Level.Test; x != nil {
			p, corrected = x.P, x.Adjusted
		}
		if d.Spread != nil {
			ratio = d.Spread.Ratio.Value
		}
		s.row(d.Name, d.Unit, d.A.N, d.A.Mean, d.A.SD, d.A.Failed, d.B.N, d.B.Mean, d.B.SD, d.B.Failed, e.Value, e.Low, e.High, share.Value, share.Low, share.High, p, corrected, ratio, differing(d))
	}
	k := draw.Comparison{Frame: draw.Frame{ID: "readings", Title: q.begun("manager.differs.chart", "a", c.A, "b", c.B), Desc: q.t("manager.differs.caption"), Unit: draw.Percent, Label: q.t("manager.differs.label"), Of: q.t("manager.head.reading")}, Rows: rows, Matter: 0.1, Most: mostRows}
	drawn := look.NewChart(k.Title, k.Desc, k.Draw(q.w))
	b := q.chart(v, drawn, s)
	t.Caption = k.Title
	b.Chart.Table, b.Chart.Open = t, true
	if q.values["reading"] == "" {
		b.Chart.Notes = append(b.Chart.Notes, q.t("manager.differs.sums"))
	}
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
	if l := d.Limit; l != nil && finite(l.Share.Value) && math.Abs(l.Share.Value) >= 0.1 && !l.Inward || slices.Contains(d.Differs, yield.DiffersFailing) {
		shape = "doubt"
	}
	return strings.Join(parts, ", "), shape
}

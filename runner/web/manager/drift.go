package manager

import (
	"errors"
	"math"
	"slices"
	"strconv"
	"time"

	"fullthrow/reports/draw"
	"fullthrow/reports/store"
	"fullthrow/reports/wording"
	"fullthrow/reports/yield"
	"fullthrow/runner/web/look"
)

// How many of the newest values a chart takes: singles can be seen one by one,
// subgroups cannot.
const (
	chartedSingles = 250
	chartedGroups  = 2500
	goldenRuns     = 200
)

// charts are the kinds that a reading may be drawn as; "" lets the number of
// values choose.
var readingCharts = []string{"", "individuals", "means", "ewma", "cusum"}

// cuttings are what a subgroup, or a point of the yield's chart, may be.
var cuttings = []string{"", "hour", "shift", "day", "week", "lot", "nest"}

// drift answers: is it drifting?
func (m *Manager) drift(q *query) (*view, error) {
	kinds := readingCharts
	reading := q.values["reading"]
	if reading == "" {
		kinds = []string{"", "p", "p-prime"}
	}
	kind, err := q.choice("chart", kinds...)
	if err != nil {
		return nil, err
	}
	by, err := q.choice("by", cuttings...)
	if err != nil {
		return nil, err
	}
	rules, err := q.choice("rules", string(yield.WesternElectric), string(yield.Nelson))
	if err != nil {
		return nil, err
	}
	v, err := q.begin("reading", "chart", "by", "rules")
	if err != nil {
		return nil, err
	}
	names, err := m.c.Store.Readings(q.ctx, q.sel.Product)
	if err != nil {
		return nil, err
	}
	o := yield.ChartOptions{Rules: yield.RuleSet(rules), Name: reading}
	if reading == "" {
		v.add(q.driftChoice(names, kinds, kind, by, rules))
		if err := q.yieldChart(v, kind, store.By(by), o); err != nil {
			return nil, err
		}
		return v, q.moved(v)
	}
	limit := chartedGroups
	if kind != "" && kind != "means" {
		limit = chartedSingles
	}
	var s, golden yield.Series
	if err := together(
		func() (err error) { s, err = q.series(reading, true, limit); return err },
		func() (err error) { golden, err = q.goldenSeries(reading); return err }); err != nil {
		return nil, err
	}
	if kind == "" {
		kind = "means"
		if s.Total <= chartedSingles && by == "" {
			kind = "individuals"
		}
	}
	if kind == "means" && by == "" {
		by = cutFor(s)
	}
	v.add(q.driftChoice(names, kinds, kind, by, rules))
	if err := q.readingChart(v, s, kind, by, o); err != nil {
		return nil, err
	}
	q.golden(v, golden)
	return v, nil
}

// cutFor chooses subgroups that give a chart one can read.
func cutFor(s yield.Series) string {
	if len(s.Points) == 0 {
		return "day"
	}
	switch days := s.Points[len(s.Points)-1].Time.Sub(s.Points[0].Time).Hours() / 24; {
	case days <= 2:
		return "hour"
	case days <= 20:
		return "shift"
	case days <= 90:
		return "day"
	}
	return "week"
}

// driftChoice is the form that chooses what is charted, and how.
func (q *query) driftChoice(names, kinds []string, kind, by, rules string) block {
	reading := q.values["reading"]
	c := &choice{Label: q.t("manager.drift.choose"), Action: q.path, Button: q.t("manager.filter.show")}
	what := selectField{Name: "reading", Label: q.t("manager.drift.what"), Options: []option{{"", q.t("figures.term.first_pass"), reading == ""}}}
	for _, n := range names {
		what.Options = append(what.Options, option{n, n, n == reading})
	}
	chart := selectField{Name: "chart", Label: q.t("manager.drift.chart")}
	for _, k := range kinds {
		if k != "" {
			chart.Options = append(chart.Options, option{k, q.t("manager.drift.kind." + k), k == kind})
		}
	}
	point := selectField{Name: "by", Label: q.t("manager.drift.point")}
	for _, b := range cuttings {
		if b == "" && kind == "means" {
			continue
		}
		id := "manager.by." + b
		if b == "" {
			id = "manager.drift.usual"
		}
		point.Options = append(point.Options, option{b, q.t(id), b == by})
	}
	set := selectField{Name: "rules", Label: q.t("manager.drift.rules")}
	for _, r := range []yield.RuleSet{yield.WesternElectric, yield.Nelson} {
		set.Options = append(set.Options, option{string(r), q.t("manager.drift.set." + string(r)), string(r) == rules})
	}
	c.Fields = []selectField{what, chart}
	if kind == "means" || reading == "" {
		c.Fields = append(c.Fields, point)
	}
	c.Fields = append(c.Fields, set)
	for _, name := range filters {
		if value := q.values[name]; value != "" {
			c.Hidden = append(c.Hidden, hidden{name, value})
		}
	}
	return block{Choice: c}
}

// yieldChart is the control chart of the share of units that fail first.
func (q *query) yieldChart(v *view, kind string, by store.By, o yield.ChartOptions) error {
	counts, err := q.m.c.Store.Counts(q.ctx, q.sel)
	if err != nil {
		return err
	}
	if counts.Units == 0 {
		return q.nothing(v)
	}
	groups, by, err := q.groupedFor(by)
	if err != nil {
		return err
	}
	k := yield.ChartP
	if kind == "p-prime" {
		k = yield.ChartPPrime
	}
	c, err := yield.NewCountChart(k, yield.FailedTallies(groups), o)
	if err != nil {
		q.noChart(v, err)
		return nil
	}
	var tested []yield.Group
	for _, g := range groups {
		if g.Counts.Units > 0 {
			tested = append(tested, g)
		}
	}
	labels := q.groupLabels(tested, by)
	q.controlChart(v, c, func(i int) (string, string) {
		if i >= len(tested) {
			return "", ""
		}
		return labels[i], q.behind(tested[i], by, "first", "1", "outcome", "failed")
	}, q.t("manager.by."+string(by)), nil)
	return nil
}

// groupedFor is grouped, also by what is no period.
func (q *query) groupedFor(by store.By) ([]yield.Group, store.By, error) {
	if by == store.ByLot || by == store.ByNest {
		g, err := q.m.c.Store.Trend(q.ctx, q.sel, by)
		return g, by, err
	}
	return q.grouped(by)
}

// noChart says why there is no chart.
func (q *query) noChart(v *view, err error) {
	v.Answer = q.t("manager.drift.no_chart")
	x := &text{Lines: []string{q.t("manager.drift.no_chart_hint")}}
	if e := (*yield.ChartError)(nil); errors.As(err, &e) {
		v.Answer = wording.NoChart(q.w, e.Why)
	}
	v.add(block{Text: x})
}

// readingChart is the control chart of a reading.
func (q *query) readingChart(v *view, s yield.Series, kind, by string, o yield.ChartOptions) error {
	if len(s.Points) == 0 {
		return q.nothing(v)
	}
	o.Unit = s.Unit
	cut := yield.Cutting{By: "unit", Zone: q.m.zone, Shifts: q.m.c.Shifts}
	if kind == "means" {
		cut.By = by
	} else {
		by = "unit"
	}
	groups, err := yield.Cut(s, cut)
	if err != nil {
		return err
	}
	k := map[string]yield.ChartKind{"individuals": yield.ChartIndividuals, "means": yield.ChartMeansSDs, "ewma": yield.ChartEWMA, "cusum": yield.ChartCUSUM}[kind]
	lone := 0
	if kind == "means" {
		// A subgroup of one has no spread of its own.
		before := len(groups)
		groups = slices.DeleteFunc(groups, func(g yield.Subgroup) bool { return len(g.Values) < 2 })
		lone = before - len(groups)
	}
	c, err := yield.NewChart(k, groups, o)
	if err != nil {
		q.noChart(v, err)
		return nil
	}
	var notes []string
	if lone > 0 {
		notes = append(notes, q.t("manager.drift.lone", "count", lone))
	}
	if s.Total > int64(len(s.Points)) {
		notes = append(notes, q.t("figures.remark.newest", "shown", len(s.Points), "count", s.Total))
	}
	if s.LimitChanged {
		notes = append(notes, q.t("figures.remark.limit_changed"))
	}
	named := make([]string, len(groups))
	for i, g := range groups {
		named[i] = g.Label
		switch {
		case by == "unit":
			named[i] = q.periodLabel(store.ByHour, s.Points[g.Members[0]].Time, time.Time{})
		case !g.Start.IsZero():
			named[i] = q.periodLabel(store.By(by), g.Start, time.Time{})
		}
	}
	q.controlChart(v, c, func(i int) (string, string) {
		if i >= len(groups) {
			return "", ""
		}
		g := groups[i]
		if by == "unit" {
			p := s.Points[g.Members[0]]
			return named[i], unitOf("", p.SerialNumber, p.Run)
		}
		return named[i], q.behind(yield.Group{Key: g.Label, Start: g.Start}, store.By(by), "first", "1", "reading", "")
	}, q.t("manager.by."+by), notes)
	v.add(block{Links: []look.Link{{Href: q.link("/hold", "reading", s.Name), Text: q.t("manager.drift.to_hold")}, {Href: q.link("/differs", "reading", s.Name), Text: q.t("manager.hold.to_differs")}}})
	return nil
}

// controlChart draws the panels of a chart and says which rules fired.
func (q *query) controlChart(v *view, c yield.ControlChart, of func(i int) (label, href string), point string, notes []string) {
	v.Answer = wording.Chart(q.w, c)
	for k, p := range c.Panels {
		name := "panel"
		if k > 0 {
			name += "-" + strconv.Itoa(k+1)
		}
		s := sheet{name: name, head: []string{"point", "time", "n", "value", "lower", "centre", "upper", "rules"}}
		unit := p.Unit
		if p.Share {
			unit = draw.Percent
		}
		if c.Kind == yield.ChartCUSUM {
			unit = p.Unit
		}
		title := wording.Panel(q.w, p.Of)
		d := draw.Control{Frame: draw.Frame{ID: name, Title: title, Unit: unit, Label: title, Of: point}}
		if k > 0 {
			d.Height = 240
		}
		for i, x := range p.Points {
			label, href := of(i + lag(c, k))
			mark := draw.ControlPoint{Mark: draw.Mark{Label: label, Value: x.Value, Href: href}, Centre: x.Centre, Lower: x.Lower, Upper: x.Upper}
			if x.Lower == x.Centre && x.Upper == x.Centre {
				mark.Lower, mark.Upper = math.NaN(), math.NaN()
			}
			fired := ""
			for _, r := range x.Rules {
				mark.Hits = append(mark.Hits, strconv.Itoa(r))
				fired += strconv.Itoa(r) + " "
			}
			d.Points = append(d.Points, mark)
			s.row(x.X, x.Time, x.N, x.Value, x.Lower, x.Centre, x.Upper, fired)
		}
		d.Desc = q.t("manager.drift.caption")
		if k > 0 {
			d.Desc = q.t("manager.drift.caption_spread")
		}
		drawn := look.NewChart(title, d.Desc, d.Draw(q.w))
		if k == 0 {
			drawn.Notes = append(drawn.Notes, notes...)
		}
		v.add(q.chart(v, drawn, s))
	}
	v.add(q.fired(c, of))
}

// lag is by how much the points of a panel come later than those of the first:
// a moving range has none for the first value.
func lag(c yield.ControlChart, panel int) int {
	if panel < 0 || panel >= len(c.Panels) {
		return 0
	}
	return len(c.Panels[0].Points) - len(c.Panels[panel].Points)
}

// mostFired is of how many places where a rule fired each is told.
const mostFired = 8

// fired says in words which rules fired, where, and what that means.
func (q *query) fired(c yield.ControlChart, of func(i int) (label, href string)) block {
	x := &text{Title: q.t("manager.drift.fired"), NotesTitle: q.t("manager.notes")}
	if len(c.Rules) == 0 {
		x.Title = q.t("manager.drift.fired_none")
		x.Lines = []string{q.t("manager.drift.fired_none_text")}
	}
	type kind struct{ panel, rule int }
	place := map[kind]int{}
	more := map[kind]int{}
	for _, h := range c.Rules {
		from, _ := of(h.From + lag(c, h.Panel))
		to, _ := of(h.To + lag(c, h.Panel))
		where := q.t("manager.drift.at", "at", to)
		if h.From != h.To {
			where = q.t("manager.drift.from_to", "from", from, "to", to)
		}
		if h.Side != "" {
			where += " (" + wording.Side(q.w, h.Side) + ")"
		}
		k := kind{h.Panel, h.Rule}
		i, ok := place[k]
		if !ok {
			name, means := wording.Rule(q.w, h.Code)
			r := rule{Number: strconv.Itoa(h.Rule), Name: name, Means: means, Where: where}
			if len(c.Panels) > 1 {
				r.Where = wording.Panel(q.w, c.Panels[h.Panel].Of) + ": " + where
			}
			place[k] = len(x.Rules)
			x.Rules = append(x.Rules, r)
			continue
		}
		if more[k]++; more[k] < mostFired {
			x.Rules[i].Where += "; " + where
		}
	}
	for k, n := range more {
		if n >= mostFired {
			x.Rules[place[k]].Where += " " + q.t("manager.drift.fired_more", "count", n-mostFired+1)
		}
	}
	first := ""
	if h := c.First; h != nil {
		first, _ = of(h.First + lag(c, h.Panel))
	}
	x.Notes = append(wording.ChartMeans(q.w, c, first), upperFirst(wording.ChartLimits(q.w, c.Limits))+".")
	x.Notes = append(x.Notes, wording.Remarks(q.w, c.Cautions)...)
	return block{Text: x}
}

// goldenSeries is a reading of the golden units, whatever the period and lot:
// the bench is older than either.
func (q *query) goldenSeries(reading string) (yield.Series, error) {
	wide := q.sel
	wide.Since, wide.Until, wide.Lot = time.Time{}, time.Time{}, ""
	s, err := q.m.c.Store.GoldenSeries(q.ctx, wide, reading, goldenRuns)
	if errors.Is(err, store.ErrUnknown) {
		return yield.Series{}, nil // the series itself says so
	}
	return s, err
}

// golden asks whether the golden unit's reading creeps.
func (q *query) golden(v *view, s yield.Series) {
	if len(s.Points) == 0 {
		v.add(block{Text: &text{Title: q.t("manager.golden.title"), Lines: []string{q.t("manager.golden.none")}}})
		return
	}
	d := yield.FindDrift(s, yield.DriftOptions{})
	line := wording.Drift(q.w, d)
	sh := sheet{name: "golden", head: []string{"time", "run", "serial_number", "station", "nest", "value", "unit", "lower", "upper"}}
	t := draw.Control{Frame: draw.Frame{ID: "golden", Title: q.t("manager.golden.title"), Desc: line, Unit: s.Unit, Label: s.Name, Of: q.t("manager.by.run"), Height: 260}}
	for _, p := range s.Points {
		t.Points = append(t.Points, draw.ControlPoint{Mark: draw.Mark{Label: q.shortDay(p.Time), Value: p.Value, Href: unitOf("", p.SerialNumber, p.Run)},
			Centre: d.Reference, Lower: math.NaN(), Upper: math.NaN()})
		sh.row(p.Time, p.Run, p.SerialNumber, p.Station, p.Nest, p.Value, s.Unit, s.Lower, s.Upper)
	}
	c := look.NewChart(t.Title, line, t.Draw(q.w))
	c.Notes = append(c.Notes, q.t("manager.golden.about"))
	b := q.chart(v, c, sh)
	v.add(b)
	if len(d.Cautions) > 0 {
		v.add(block{Text: &text{Notes: wording.Remarks(q.w, d.Cautions), NotesTitle: q.t("manager.notes")}})
	}
}

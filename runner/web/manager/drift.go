package manager

import (
	"math"
	"slices"
	"strconv"
	"time"

	"fullthrow/reports/draw"
	"fullthrow/reports/review"
	"fullthrow/reports/statistics"
	"fullthrow/reports/store"
	"fullthrow/reports/wording"
	"fullthrow/reports/yield"
	"fullthrow/runner/web/shell"
)

// drift answers: is it drifting?
func (m *Manager) drift(q *query) (*view, error) {
	a, err := q.review.Drift(q.ctx, q.asked)
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
	v.add(q.driftChoice(names, a))
	switch {
	case a.Units == 0:
		err = q.nothing(v)
	case a.Problem != nil:
		v.Answer = wording.NoChart(q.w, *a.Problem)
		v.add(block{Text: &text{Lines: []string{q.t("manager.drift.no_chart_hint")}}})
	case a.Series == nil:
		q.yieldChart(v, a)
	default:
		q.readingChart(v, a)
	}
	if err == nil && a.Series != nil {
		q.golden(v, a.Golden)
	}
	if a.Moved != nil {
		q.moved(v, *a.Moved)
	}
	return v, err
}

// driftChoice is the form that chooses what is charted, and how.
func (q *query) driftChoice(names []string, a review.Drift) block {
	reading, by := q.asked.Reading, string(a.By)
	c := &choice{Label: q.t("manager.drift.choose"), Action: q.path, Button: q.t("manager.filter.show")}
	what := selectField{Name: "reading", Label: q.t("manager.drift.what"),
		Options: []option{{"", q.t("figures.term.first_pass"), reading == ""}}}
	for _, n := range names {
		what.Options = append(what.Options, option{n, n, n == reading})
	}
	chart := selectField{Name: "chart", Label: q.t("manager.drift.chart")}
	for _, k := range review.ChartNames {
		if k.Kind.Counts() == (reading == "") {
			chart.Options = append(chart.Options, option{k.Name, wording.ChartKind(q.w, k.Kind),
				k.Kind == a.Chart.Kind})
		}
	}
	point := selectField{Name: "by", Label: q.t("manager.drift.point"),
		Options: []option{{"", q.t("manager.drift.usual"), q.asked.By == ""}}}
	for _, b := range []string{"hour", "shift", "day", "week", "lot", "nest"} {
		point.Options = append(point.Options, option{b, q.t("manager.by." + b), q.asked.By != "" && b == by})
	}
	set := selectField{Name: "rules", Label: q.t("manager.drift.rules")}
	for _, r := range []yield.RuleSet{yield.WesternElectric, yield.Nelson} {
		set.Options = append(set.Options, option{string(r), q.t("manager.drift.set." + string(r)), r == q.asked.Rules})
	}
	c.Fields = []selectField{what, chart}
	if by != "unit" {
		c.Fields = append(c.Fields, point)
	}
	c.Fields = append(c.Fields, set)
	for _, name := range review.Filters() {
		if value := q.values[name]; value != "" {
			c.Hidden = append(c.Hidden, hidden{name, value})
		}
	}
	return block{Choice: c}
}

// yieldChart is the control chart of the share of units that fail first.
func (q *query) yieldChart(v *view, a review.Drift) {
	tested, by := a.Groups, a.By
	labels := q.groupLabels(tested, by)
	q.controlChart(v, a.Chart, func(i int) (string, string) {
		if i >= len(tested) {
			return "", ""
		}
		return labels[i], q.behind(tested[i], by, "first-runs", "1", "outcome", "failed")
	}, q.t("manager.by."+string(by)), nil)
}

// readingChart is the control chart of a reading.
func (q *query) readingChart(v *view, a review.Drift) {
	s, groups, by := *a.Series, a.Subgroups, string(a.By)
	var notes []string
	if a.Lone > 0 {
		notes = append(notes, q.t("manager.drift.lone", "count", a.Lone))
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
	q.controlChart(v, a.Chart, func(i int) (string, string) {
		if i >= len(groups) {
			return "", ""
		}
		g := groups[i]
		if by == "unit" {
			p := s.Points[g.Members[0]]
			return named[i], unitOf("", p.SerialNumber, p.Run)
		}
		return named[i], q.behind(yield.Group{Key: g.Label, Start: g.Start}, store.By(by), "first-runs", "1", "reading",
			"")
	}, q.t("manager.by."+by), notes)
	v.add(block{Links: []shell.Link{{Href: q.link("/hold", "reading", s.Name), Text: q.t("manager.drift.to_hold")},
		{Href: q.link("/differs", "reading", s.Name), Text: q.t("manager.hold.to_differs")}}})
}

// controlChart draws the panels of a chart and says which rules fired.
func (q *query) controlChart(v *view, c yield.ControlChart, of func(i int) (label, href string), point string,
	notes []string) {
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
			mark := draw.ControlPoint{Mark: draw.Mark{Label: label, Value: x.Value, Href: href}, Centre: x.Centre,
				Lower: x.Lower, Upper: x.Upper}
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
		drawn := shell.NewChart(title, d.Desc, d.Draw(q.w))
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
	x.Notes = append(wording.ChartMeans(q.w, c, first), wording.Capital(wording.ChartLimits(q.w, c.Limits))+".")
	x.Notes = append(x.Notes, wording.Remarks(q.w, c.Cautions)...)
	return block{Text: x}
}

// golden asks whether the golden unit's reading creeps.
func (q *query) golden(v *view, g *review.Golden) {
	if g == nil {
		v.add(block{Text: &text{Title: q.t("manager.golden.title"), Lines: []string{q.t("manager.golden.none")}}})
		return
	}
	s, d := g.Series, g.Drift
	line := wording.Drift(q.w, d)
	sh := sheet{name: "golden", head: []string{"time", "run", "serial_number", "station", "nest", "value", "unit",
		"lower", "upper"}}
	t := draw.Control{Frame: draw.Frame{ID: "golden", Title: q.t("manager.golden.title"), Desc: line, Unit: s.Unit,
		Label: s.Name, Of: q.t("manager.by.run"), Height: 260}}
	for _, p := range s.Points {
		t.Points = append(t.Points, draw.ControlPoint{Mark: draw.Mark{Label: q.shortDay(p.Time), Value: p.Value,
			Href: unitOf("", p.SerialNumber, p.Run)},
			Centre: d.Reference, Lower: math.NaN(), Upper: math.NaN()})
		sh.row(p.Time, p.Run, p.SerialNumber, p.Station, p.Nest, p.Value, s.Unit, s.Lower, s.Upper)
	}
	c := shell.NewChart(t.Title, line, t.Draw(q.w))
	c.Notes = append(c.Notes, q.t("manager.golden.about"))
	b := q.chart(v, c, sh)
	v.add(b)
	if len(d.Cautions) > 0 {
		v.add(block{Text: &text{Notes: wording.Remarks(q.w, d.Cautions), NotesTitle: q.t("manager.notes")}})
	}
}

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
		if statistics.Finite(e.Low) && statistics.Finite(e.High) {
			between = q.t("figures.range", "low", q.signed(e.Low, d.Unit), "high", q.signed(e.High, d.Unit))
		}
		if statistics.Finite(share) {
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

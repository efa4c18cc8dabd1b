package manager

import (
	"html/template"
	"math"
	"net/http"
	"slices"
	"strings"

	"fullthrow/reports/draw"
	"fullthrow/reports/wording"
	"fullthrow/reports/yield"
	"fullthrow/runner/web/look"
)

// rooms is how much room every reading has between its limits.
type rooms struct {
	Title, Intro, CSV string
	Head              []look.Cell
	Rows              []roomRow
}

type roomRow struct {
	Name, About, Href  string
	Picture            template.HTML
	Shape              string
	Index, Interval    string
	Mean, Limits       string
	Failed, FailedHref string
	index              float64
	low, high          float64
	moments            yield.Moments
}

// studied is how many of the newest values a study of one reading takes.
const studied = 3000

// hold answers: can the process hold the limit?
func (m *Manager) hold(q *query) (*view, error) {
	v, err := q.begin("reading")
	if err != nil {
		return nil, err
	}
	if q.values["reading"] != "" {
		return v, q.holdOne(v, q.values["reading"])
	}
	moments, err := m.c.Store.Moments(q.ctx, q.sel)
	if err != nil {
		return nil, err
	}
	if len(moments) == 0 {
		return v, q.nothing(v)
	}
	rows, without, constant := q.rank(moments)
	tight := 0
	for _, r := range rows {
		if r.index < 1.33 {
			tight++
		}
	}
	switch {
	case len(rows) == 0:
		v.Answer = q.t("manager.hold.no_limits")
	case tight == 0:
		v.Answer = q.t("manager.hold.all_hold", "count", len(rows))
	default:
		v.Answer = q.t("manager.hold.answer", "count", tight, "of", len(rows), "name", rows[0].Name)
	}
	s := sheet{name: "readings", head: []string{"reading", "unit", "n", "mean", "standard_deviation", "min", "max", "lower", "upper", "failed", "ppk", "ppk_low", "ppk_high"}}
	for _, r := range rows {
		n := r.moments
		s.row(n.Name, n.Unit, n.N, n.Mean, n.SD(), n.Min, n.Max, n.Lower, n.Upper, n.Failed, r.index, r.low, r.high)
	}
	for _, n := range slices.Concat(constant, without) {
		s.row(n.Name, n.Unit, n.N, n.Mean, n.SD(), n.Min, n.Max, n.Lower, n.Upper, n.Failed, nil, nil, nil)
	}
	v.sheets = append(v.sheets, s)
	if len(rows) > 0 {
		r := &rooms{Title: q.t("manager.hold.ranked"), Intro: q.t("manager.hold.ranked_intro"), CSV: q.csvOf("readings"), Rows: rows}
		for i, h := range []string{"reading", "room", "ppk", "interval", "mean", "limits", "failed"} {
			r.Head = append(r.Head, look.Cell{Text: q.t("manager.head." + h), Number: i >= 2})
		}
		v.add(block{Rooms: r})
	}
	if len(without)+len(constant) > 0 {
		t := &table{Title: q.t("manager.hold.others"), Intro: q.t("manager.hold.others_intro")}
		t.Caption = t.Title
		t.Head = []look.Cell{{Text: q.t("manager.head.reading")}, {Text: q.t("manager.head.values"), Number: true}, {Text: q.t("manager.head.mean"), Number: true}, {Text: q.t("manager.head.min"), Number: true}, {Text: q.t("manager.head.max"), Number: true}, {Text: q.t("manager.head.limits"), Number: true}, {Text: q.t("manager.head.failed"), Number: true}}
		for _, n := range slices.Concat(constant, without) {
			t.Rows = append(t.Rows, []look.Cell{{Text: n.Name, Href: q.same("reading", n.Name)}, {Text: q.w.Number(float64(n.N)), Number: true}, {Text: q.quantity(n.Mean, n.Unit), Number: true},
				{Text: q.quantity(n.Min, n.Unit), Number: true}, {Text: q.quantity(n.Max, n.Unit), Number: true}, {Text: q.limits(n.Lower, n.Upper, n.Unit), Number: true}, {Text: q.w.Number(float64(n.Failed)), Number: true}})
		}
		v.add(block{Table: t})
	}
	return v, nil
}

// rank orders readings by how little room they have: the distance from the
// mean to the nearer limit, in three standard deviations. Readings without a
// limit, and those of too few or equal values, have none.
func (q *query) rank(moments []yield.Moments) (rows []roomRow, without, constant []yield.Moments) {
	for _, n := range moments {
		sigma := n.SD()
		switch {
		case n.Lower == nil && n.Upper == nil:
			without = append(without, n)
			continue
		case n.N < 8 || !(sigma > 0) || !finite(sigma) || sigma < 1e-12*math.Abs(n.Mean):
			constant = append(constant, n)
			continue
		}
		x := yield.NewIndices(n.Mean, sigma, yield.Spec{Lower: n.Lower, Upper: n.Upper})
		if !finite(x.Cpk) {
			constant = append(constant, n)
			continue
		}
		low, high := yield.CpkInterval(x.Cpk, float64(n.N), float64(n.N-1), 0.95)
		r := roomRow{Name: n.Name, About: q.readingAbout(n.Name), Href: q.same("reading", n.Name), moments: n, index: x.Cpk, low: low, high: high,
			Index: q.w.Fixed(x.Cpk, 2), Interval: q.t("figures.range", "low", q.w.Fixed(low, 2), "high", q.w.Fixed(high, 2)),
			Mean: q.quantity(n.Mean, n.Unit), Limits: q.limits(n.Lower, n.Upper, n.Unit), Failed: q.w.Number(float64(n.Failed))}
		if n.Failed > 0 {
			r.FailedHref = q.units("reading", n.Name, "first", "1")
		}
		switch {
		case x.Cpk < 1:
			r.Shape = "fail"
		case low < 1.33:
			r.Shape = "doubt"
		}
		r.Picture = q.room(n, sigma)
		rows = append(rows, r)
	}
	slices.SortStableFunc(rows, func(a, b roomRow) int {
		switch {
		case a.index < b.index:
			return -1
		case a.index > b.index:
			return 1
		}
		return strings.Compare(a.Name, b.Name)
	})
	return rows, without, constant
}

// room draws where values lie against the limits: three standard deviations to
// either side of the mean, as far as there were any.
func (q *query) room(n yield.Moments, sigma float64) template.HTML {
	s := draw.Scale{Unit: n.Unit, Value: n.Mean, Lower: n.Lower, Upper: n.Upper, Width: 240, Tall: 8}
	s.From, s.To = max(n.Mean-3*sigma, n.Min), min(n.Mean+3*sigma, n.Max)
	return s.SVG(q.w, "room-"+n.Name, n.Name, q.t("manager.hold.room", "name", n.Name, "from", q.quantity(s.From, n.Unit),
		"to", q.quantity(s.To, n.Unit), "limits", q.limits(n.Lower, n.Upper, n.Unit)))
}

// series reads the newest values of a reading.
func (q *query) series(reading string, first bool, limit int) (yield.Series, error) {
	names, err := q.m.c.Store.Readings(q.ctx, q.sel.Product)
	if err != nil {
		return yield.Series{}, err
	}
	if !slices.Contains(names, reading) {
		return yield.Series{}, &refusal{status: http.StatusNotFound, id: "manager.bad.no_reading", args: []any{"value", brief(reading)}, back: q.same("reading", ""), backText: "manager.bad.all_readings"}
	}
	return q.m.c.Store.Series(q.ctx, q.sel, reading, first, limit)
}

// holdOne studies one reading.
func (q *query) holdOne(v *view, reading string) error {
	s, err := q.series(reading, true, studied)
	if err != nil {
		return err
	}
	v.add(block{Links: []look.Link{{Href: q.same("reading", ""), Text: q.t("manager.hold.back")}, {Href: q.link("/drift", "reading", reading), Text: q.t("manager.hold.to_drift")}, {Href: q.link("/differs", "reading", reading), Text: q.t("manager.hold.to_differs")}}})
	q.page.Title = q.t("manager.hold.title_one", "name", reading)
	if len(s.Points) == 0 {
		return q.nothing(v)
	}
	study := s.Capability(yield.CapabilityOptions{})
	v.Answer = wording.CapabilityVerdict(q.w, &study)
	if about := q.readingAbout(reading); about != "" {
		v.About += " · " + about
	}
	first, second := q.studyFigures(study, reading)
	v.add(block{Figures: first})
	if len(second) > 0 {
		v.add(block{Figures: second, Small: true})
	}
	v.add(q.histogram(v, s, study))
	v.add(q.studyWords(study))
	q.studySheet(v, study)
	values := sheet{name: "values", head: []string{"time", "run", "serial_number", "lot", "station", "nest", "value", "unit", "verdict"}}
	for _, p := range s.Points {
		values.row(p.Time, p.Run, p.SerialNumber, p.Lot, p.Station, p.Nest, p.Value, s.Unit, p.Verdict)
	}
	v.sheets = append(v.sheets, values)
	v.add(block{Links: []look.Link{{Href: q.csvOf("study"), Text: q.t("manager.hold.csv_study")}, {Href: q.csvOf("values"), Text: q.t("manager.hold.csv_values")}}})
	return nil
}

// studyFigures are the figures that the verdict goes by, and the others.
func (q *query) studyFigures(t yield.CapabilityStudy, reading string) (first, second []look.Figure) {
	index := func(name string, e *yield.Estimate) (look.Figure, bool) {
		if e == nil {
			return look.Figure{}, false
		}
		return look.Figure{Name: name, Explain: q.term(strings.ToLower(name)).Explain, Value: q.w.Fixed(e.Value, 2), Interval: q.fixedBetween(e.Low, e.High, 2)}, true
	}
	moot := t.State == yield.CapabilityMoot
	if t.State == yield.CapabilityByPercent && t.Percentile != nil {
		if f, ok := index("Ppk", t.Percentile.Ppk); ok {
			f.Name, f.Meaning = q.t("manager.hold.ppk_percentile"), q.t("manager.hold.ppk_percentile_meaning")
			if t.Percentile.AtMost {
				f.Interval = q.t("manager.hold.at_most")
			}
			first = append(first, f)
		}
	}
	for _, x := range []struct {
		name string
		e    *yield.Estimate
	}{{"Cpk", t.Cpk}, {"Ppk", t.Ppk}} {
		if f, ok := index(x.name, x.e); ok {
			f.Meaning = q.t("manager.hold.meaning_" + strings.ToLower(x.name))
			if moot || t.State == yield.CapabilityByPercent {
				f.Meaning = q.t("manager.hold.means_nothing")
				second = append(second, f)
				continue
			}
			first = append(first, f)
		}
	}
	if t.Observed != nil {
		f := look.Figure{Name: q.t("manager.term.outside"), Explain: q.t("manager.explain.outside"), Value: q.share(*t.Observed), Interval: q.interval(*t.Observed),
			Meaning: q.t("manager.hold.outside", "count", t.Observed.Count, "of", t.N), Href: q.units("reading", reading, "first", "1")}
		first = append(first, f)
	}
	if t.Expected != nil && !moot && t.State != yield.CapabilityByPercent && t.State != yield.CapabilityNone {
		first = append(first, look.Figure{Name: q.t("manager.term.expected"), Explain: q.t("manager.explain.expected"), Value: q.w.PerMillion(t.Expected.Value),
			Interval: q.t("figures.between", "low", q.w.PerMillion(t.Expected.Low), "high", q.w.PerMillion(t.Expected.High)), Meaning: q.t("manager.hold.expected")})
	}
	mean := q.term("mean")
	mean.Value, mean.Interval, mean.Meaning = q.quantity(t.Mean, t.Unit), q.t("manager.hold.sigma", "sigma", q.quantity(t.Overall, t.Unit)), q.t("manager.hold.of_values", "count", t.N)
	room := look.Figure{Name: q.t("manager.head.limits"), Value: q.limits(t.Spec.Lower, t.Spec.Upper, t.Unit), Interval: q.t("manager.hold.seen", "low", q.quantity(t.Min, t.Unit), "high", q.quantity(t.Max, t.Unit))}
	if t.Normality.N == 0 { // nothing could be worked out
		return first, nil
	}
	return first, append([]look.Figure{mean, room}, second...)
}

func (q *query) histogram(v *view, s yield.Series, t yield.CapabilityStudy) block {
	bins := draw.Bins(s.Values(), 28)
	sh := sheet{name: "histogram", head: []string{"from", "to", "units", "unit"}}
	for i, b := range bins {
		bins[i].Href = q.units("reading", s.Name, "low", exact(b.From), "high", exact(b.To))
		sh.row(b.From, b.To, b.Count, s.Unit)
	}
	d := draw.Histogram{Frame: draw.Frame{ID: "histogram", Title: q.t("manager.hold.histogram"), Unit: s.Unit, Label: s.Name}, Bins: bins, Lower: s.Lower, Upper: s.Upper}
	d.Desc = q.t("manager.hold.histogram_caption")
	if t.Normality.Shape == yield.ShapeNormal || t.Normality.Shape == yield.ShapeDoubt {
		d.Mean, d.SD = t.Mean, t.Overall
		d.Desc += " " + q.t("manager.hold.histogram_curve")
	}
	c := look.NewChart(d.Title, d.Desc, d.Draw(q.w))
	if s.Total > int64(len(s.Points)) {
		c.Notes = append(c.Notes, q.t("figures.remark.newest", "shown", len(s.Points), "count", s.Total))
	}
	return q.chart(v, c, sh)
}

// studyWords says what the verdict means, and what it rests on.
func (q *query) studyWords(t yield.CapabilityStudy) block {
	x := &text{Title: q.t("manager.hold.why"), NotesTitle: q.t("manager.notes"), Notes: wording.Remarks(q.w, t.Cautions)}
	x.Lines = append(wording.CapabilityMeans(q.w, &t), wording.CapabilityBasis(q.w, &t)...)
	return block{Text: x}
}

func (q *query) studySheet(v *view, t yield.CapabilityStudy) {
	s := sheet{name: "study", head: []string{"figure", "value", "low", "high", "confidence", "method"}}
	for _, x := range []struct {
		name string
		e    *yield.Estimate
	}{{"cp", t.Cp}, {"cpk", t.Cpk}, {"pp", t.Pp}, {"ppk", t.Ppk}, {"cpm", t.Cpm}, {"expected_outside", t.Expected}} {
		if x.e != nil {
			s.row(x.name, x.e.Value, x.e.Low, x.e.High, x.e.Confidence, x.e.Method)
		}
	}
	if p := t.Percentile; p != nil && p.Ppk != nil {
		s.row("ppk_percentile", p.Ppk.Value, p.Ppk.Low, p.Ppk.High, p.Ppk.Confidence, p.Ppk.Method)
	}
	if o := t.Observed; o != nil {
		s.row("observed_outside", o.Value, o.Low, o.High, o.Confidence, o.Method)
	}
	s.row("mean", t.Mean, nil, nil, nil, "")
	s.row("standard_deviation", t.Overall, nil, nil, nil, "")
	s.row("within_sigma", t.Within, nil, nil, nil, string(t.By))
	s.row("n", t.N, nil, nil, nil, "")
	s.row("state", t.State, nil, nil, nil, "")
	v.sheets = append([]sheet{s}, v.sheets...)
}

package manager

import (
	"html/template"
	"math"
	"strings"

	"fullthrow/reports/draw"
	"fullthrow/reports/review"
	"fullthrow/reports/wording"
	"fullthrow/reports/yield"
	"fullthrow/runner/web/shell"
)

// rooms is how much room every reading has between its limits.
type rooms struct {
	Title, Intro, CSV string
	Head              []shell.Cell
	Rows              []roomRow
}

type roomRow struct {
	Name, About, Href  string
	Picture            template.HTML
	Shape              string
	Index, Interval    string // as 95 of 100 units have it
	Ppk                string // of all
	Mean, Limits       string
	Failed, FailedHref string
}

// hold answers: can the process hold the limit?
func (m *Manager) hold(q *query) (*view, error) {
	a, err := q.review.Hold(q.ctx, q.asked)
	if err != nil {
		return nil, err
	}
	v, err := q.begin(a, a.About)
	if err != nil {
		return nil, err
	}
	if a.Study != nil {
		return v, q.holdOne(v, a)
	}
	if len(a.Readings) == 0 {
		return v, q.nothing(v)
	}
	var rows []roomRow
	var others []review.Room
	tight := 0
	s := sheet{name: "readings", head: []string{"reading", "unit", "n", "mean", "standard_deviation", "min", "max",
		"lower", "upper", "failed",
		"room", "room_low", "room_high", "ppk", "ppk_low", "ppk_high", "problem"}}
	for _, r := range a.Readings {
		room, of := estimate(r.Bulk), estimate(r.Ppk)
		s.row(r.Name, r.Unit, r.N, r.Mean, r.SD, r.Min, r.Max, r.Lower, r.Upper, r.Failed,
			room.Value, room.Low, room.High, of.Value, of.Low, of.High, r.Problem)
		least, ranked := r.Least()
		if !ranked {
			others = append(others, r)
			continue
		}
		if least < review.EnoughRoom {
			tight++
		}
		rows = append(rows, q.roomRow(r, least))
	}
	switch {
	case len(rows) == 0:
		v.Answer = q.t("manager.hold.no_limits")
	case tight == 0:
		v.Answer = q.t("manager.hold.all_hold", "count", len(rows))
	default:
		v.Answer = q.t("manager.hold.answer", "count", tight, "of", len(rows), "name", rows[0].Name)
	}
	v.sheets = append(v.sheets, s)
	if len(rows) > 0 {
		r := &rooms{Title: q.t("manager.hold.ranked"), Intro: q.t("manager.hold.ranked_intro"),
			CSV: q.csvOf("readings"), Rows: rows}
		for i, h := range []string{"reading", "room", "index", "interval", "ppk", "mean", "limits", "failed"} {
			r.Head = append(r.Head, shell.Cell{Text: q.t("manager.head." + h), Number: i >= 2})
		}
		v.add(block{Rooms: r})
	}
	if len(others) > 0 {
		t := &table{Title: q.t("manager.hold.others"), Intro: q.t("manager.hold.others_intro")}
		t.Caption = t.Title
		t.Head = []shell.Cell{{Text: q.t("manager.head.reading")}, {Text: q.t("manager.head.values"), Number: true},
			{Text: q.t("manager.head.mean"), Number: true}, {Text: q.t("manager.head.min"), Number: true},
			{Text: q.t("manager.head.max"), Number: true}, {Text: q.t("manager.head.limits"), Number: true},
			{Text: q.t("manager.head.failed"), Number: true}}
		for _, n := range others {
			t.Rows = append(t.Rows, []shell.Cell{{Text: n.Name, Href: q.same("reading", n.Name)},
				{Text: q.w.Number(float64(n.N)), Number: true}, {Text: q.quantity(n.Mean, n.Unit), Number: true},
				{Text: q.quantity(n.Min, n.Unit), Number: true}, {Text: q.quantity(n.Max, n.Unit), Number: true},
				{Text: q.limits(n.Lower, n.Upper, n.Unit), Number: true}, {Text: q.w.Number(float64(n.Failed)),
					Number: true}})
		}
		v.add(block{Table: t})
	}
	return v, nil
}

// estimate is what an index is known to be, NaN where there is none.
func estimate(e *yield.Estimate) yield.Estimate {
	if e == nil {
		return yield.Estimate{Value: math.NaN(), Low: math.NaN(), High: math.NaN()}
	}
	return *e
}

// roomRow is the row of a reading that has room to tell of.
func (q *query) roomRow(n review.Room, least float64) roomRow {
	e := estimate(n.Bulk)
	if n.Bulk == nil {
		e = estimate(n.Ppk)
	}
	r := roomRow{Name: n.Name, About: q.readingAbout(n.Name), Href: q.same("reading", n.Name),
		Ppk:  q.w.Fixed(n.Ppk.Value, 2),
		Mean: q.quantity(n.Mean, n.Unit), Limits: q.limits(n.Lower, n.Upper, n.Unit),
		Failed: q.w.Number(float64(n.Failed))}
	if r.Index = q.t("manager.hold.any"); !math.IsInf(least, 0) {
		r.Index, r.Interval = q.w.Fixed(e.Value, 2), q.t("figures.range", "low", q.w.Fixed(e.Low, 2), "high",
			q.w.Fixed(e.High, 2))
	}
	if n.Failed > 0 {
		r.FailedHref = q.units("reading", n.Name, "first-runs", "1")
	}
	switch {
	case least < 1:
		r.Shape = "fail"
	case e.Low < review.EnoughRoom:
		r.Shape = "doubt"
	}
	r.Picture = q.room(n.Moments, *n.SD)
	return r
}

// room draws where values lie against the limits: three standard deviations to
// either side of the mean, as far as there were any.
func (q *query) room(n yield.Moments, sigma float64) template.HTML {
	s := draw.Scale{Unit: n.Unit, Value: n.Mean, Lower: n.Lower, Upper: n.Upper, Width: 240, Tall: 8}
	s.From, s.To = max(n.Mean-3*sigma, n.Min), min(n.Mean+3*sigma, n.Max)
	return s.SVG(q.w, "room-"+n.Name, n.Name, q.t("manager.hold.room", "name", n.Name, "from",
		q.quantity(s.From, n.Unit),
		"to", q.quantity(s.To, n.Unit), "limits", q.limits(n.Lower, n.Upper, n.Unit)))
}

// holdOne studies one reading.
func (q *query) holdOne(v *view, a review.Hold) error {
	reading, s, study := a.Reading, *a.Series, *a.Study
	v.add(block{Links: []shell.Link{{Href: q.same("reading", ""), Text: q.t("manager.hold.back")},
		{Href: q.link("/drift", "reading", reading), Text: q.t("manager.hold.to_drift")},
		{Href: q.link("/differs", "reading", reading), Text: q.t("manager.hold.to_differs")}}})
	q.page.Title = q.t("manager.hold.title_one", "name", reading)
	if len(s.Points) == 0 {
		return q.nothing(v)
	}
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
	values := sheet{name: "values", head: []string{"time", "run", "serial_number", "lot", "station", "nest", "value",
		"unit", "verdict"}}
	for _, p := range s.Points {
		values.row(p.Time, p.Run, p.SerialNumber, p.Lot, p.Station, p.Nest, p.Value, s.Unit, p.Verdict)
	}
	v.sheets = append(v.sheets, values)
	v.add(block{Links: []shell.Link{{Href: q.csvOf("study"), Text: q.t("manager.hold.csv_study")},
		{Href: q.csvOf("values"), Text: q.t("manager.hold.csv_values")}}})
	return nil
}

// studyFigures are the figures that the verdict goes by, and the others.
func (q *query) studyFigures(t yield.CapabilityStudy, reading string) (first, second []shell.Figure) {
	index := func(name string, e *yield.Estimate) (shell.Figure, bool) {
		if e == nil {
			return shell.Figure{}, false
		}
		return shell.Figure{Name: name, Explain: q.term(strings.ToLower(name)).Explain, Value: q.w.Fixed(e.Value, 2),
			Interval: q.fixedBetween(e.Low, e.High, 2)}, true
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
		f := shell.Figure{Name: q.t("manager.term.outside"), Explain: q.t("manager.explain.outside"),
			Value: q.share(*t.Observed), Interval: q.interval(*t.Observed),
			Meaning: q.t("manager.hold.outside", "count", t.Observed.Count, "of", t.N), Href: q.units("reading",
				reading, "first-runs", "1")}
		first = append(first, f)
	}
	if t.Expected != nil && !moot && t.State != yield.CapabilityByPercent && t.State != yield.CapabilityNone {
		first = append(first, shell.Figure{Name: q.t("manager.term.expected"), Explain: q.t("manager.explain.expected"),
			Value: q.w.PerMillion(t.Expected.Value),
			Interval: q.t("figures.between", "low", q.w.PerMillion(t.Expected.Low), "high",
				q.w.PerMillion(t.Expected.High)), Meaning: q.t("manager.hold.expected")})
	}
	mean := q.term("mean")
	mean.Value, mean.Interval, mean.Meaning = q.quantity(t.Mean, t.Unit), q.t("manager.hold.sigma", "sigma",
		q.quantity(t.Overall, t.Unit)), q.t("manager.hold.of_values", "count", t.N)
	room := shell.Figure{Name: q.t("manager.head.limits"), Value: q.limits(t.Spec.Lower, t.Spec.Upper, t.Unit),
		Interval: q.t("manager.hold.seen", "low", q.quantity(t.Min, t.Unit), "high", q.quantity(t.Max, t.Unit))}
	if t.Normality.N == 0 { // nothing could be worked out
		return first, nil
	}
	return first, append([]shell.Figure{mean, room}, second...)
}

func (q *query) histogram(v *view, s yield.Series, t yield.CapabilityStudy) block {
	bins := draw.Bins(s.Values(), 28)
	sh := sheet{name: "histogram", head: []string{"from", "to", "units", "unit"}}
	for i, b := range bins {
		bins[i].Href = q.units("reading", s.Name, "low", exact(b.From), "high", exact(b.To))
		sh.row(b.From, b.To, b.Count, s.Unit)
	}
	d := draw.Histogram{Frame: draw.Frame{ID: "histogram", Title: q.t("manager.hold.histogram"), Unit: s.Unit,
		Label: s.Name}, Bins: bins, Lower: s.Lower, Upper: s.Upper}
	d.Desc = q.t("manager.hold.histogram_caption")
	if t.Normality.Shape == yield.ShapeNormal || t.Normality.Shape == yield.ShapeDoubt {
		d.Mean, d.SD = t.Mean, t.Overall
		d.Desc += " " + q.t("manager.hold.histogram_curve")
	}
	c := shell.NewChart(d.Title, d.Desc, d.Draw(q.w))
	if s.Total > int64(len(s.Points)) {
		c.Notes = append(c.Notes, q.t("figures.remark.newest", "shown", len(s.Points), "count", s.Total))
	}
	return q.chart(v, c, sh)
}

// studyWords says what the verdict means, and what it rests on.
func (q *query) studyWords(t yield.CapabilityStudy) block {
	x := &text{Title: q.t("manager.hold.why"), NotesTitle: q.t("manager.notes"), Notes: wording.Remarks(q.w,
		t.Cautions)}
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

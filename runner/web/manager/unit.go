package manager

import (
	"context"
	"errors"
	"fmt"
	"html"
	"html/template"
	"net/url"
	"path"
	"regexp"
	"slices"
	"strings"
	"sync"

	"fullthrow/reports"
	"fullthrow/reports/archive"
	"fullthrow/reports/draw"
	"fullthrow/reports/review"
	"fullthrow/reports/serial"
	"fullthrow/reports/store"
	"fullthrow/runner/web/look"
)

// unitView is what became of one unit.
type unitView struct {
	Asked   string // the serial number that was asked for
	Serial  string
	Product string
	State   look.Notice
	Facts   []fact
	History look.Table
	CSV     string
	Run     *runDetail
}

type fact struct{ Name, Value, Href string }

// runDetail is one run of it.
type runDetail struct {
	Title    string
	Shape    string
	Word     string
	Reason   string // in English
	Drawing  template.HTML
	Causes   []causeDetail
	Failed   look.Table
	Checks   []checkDetail
	Captures []captureDetail
	Kept     string // what became of the raw data of all
	Seal     look.Notice
	SealOf   []fact
	Code     template.HTML
	Links    []look.Link
}

type causeDetail struct {
	Text, Likely, Inspect string
	Evidence              []string // in English
}

type checkDetail struct {
	Name, About string
	Shape, Word string
	Problem     string // in English
	Readings    look.Table
}

type captureDetail struct {
	Chart *look.Chart
	Name  string
	Sound string // path of what can be heard
	File  string // path of the raw data
	About string
}

// shownRuns is how many runs of a unit are listed.
const shownRuns = 200

// history answers: what happened to this unit?
func (m *Manager) history(q *query) (*view, error) {
	q.page.Title = q.t("manager.title.unit")
	u := &unitView{Asked: q.values["serial"]}
	v := &view{Unit: u}
	if q.asked.Serial == "" && q.asked.Run == "" {
		v.Answer = q.t("manager.unit.ask")
		return v, nil
	}
	a, err := q.review.Unit(q.ctx, q.asked)
	if err != nil {
		return nil, err
	}
	v.answer, u.Asked, u.Serial, u.Product = a, a.SerialNumber, a.SerialNumber, a.Product
	q.page.Title = a.SerialNumber
	q.unitFacts(v, a)
	q.unitHistory(v, a)
	if run := a.Of(); run != nil {
		u.Run, err = q.runDetail(v, *run)
	}
	return v, err
}

func (q *query) unitFacts(v *view, a review.Unit) {
	u, runs := v.Unit, a.Runs
	if len(runs) == 0 {
		return
	}
	last := runs[len(runs)-1]
	v.Simulated = last.Simulated
	u.Facts = append(u.Facts, fact{q.field("product"), strings.TrimSpace(q.m.product(last.Unit.Product) + " " + last.Unit.Revision), ""})
	if last.Unit.Lot != "" {
		u.Facts = append(u.Facts, fact{q.field("lot"), last.Unit.Lot, encode("/today", url.Values{}, []string{"lot", last.Unit.Lot, "period", "all"})})
	}
	u.Facts = append(u.Facts, fact{q.t("manager.unit.runs"), q.t("manager.unit.runs_repairs", "runs", len(runs), "repairs", len(a.Repairs)), ""})
	for _, p := range a.Also {
		u.Facts = append(u.Facts, fact{q.t("manager.unit.also"), q.m.product(p), unitOf(p, u.Serial, "")})
	}
	state := last
	for _, r := range slices.Backward(runs) {
		if r.Outcome == a.State && r.Flag == "" {
			state = r
			break
		}
	}
	shape, _ := q.outcome(state.Outcome)
	id := "manager.unit.state_" + string(state.Outcome)
	if state.Unit.Golden {
		id, shape = "manager.unit.state_golden", "none"
	}
	v.Answer = q.t(id, "when", q.w.When(state.Started), "station", state.Station)
	u.State = look.Notice{Shape: shape}
}

// unitHistory lists runs and repairs, the newest first.
func (q *query) unitHistory(v *view, a review.Unit) {
	u, list := v.Unit, a.Happened()
	slices.Reverse(list)
	s := sheet{name: "history", head: []string{"time", "kind", "run", "outcome", "found", "done", "by", "station", "nest", "text"}}
	t := &u.History
	t.Caption = q.t("manager.unit.history")
	t.Head = []look.Cell{{Text: q.t("manager.head.when")}, {Text: q.t("manager.head.what")}, {Text: q.t("manager.head.found")}, {Text: q.t("manager.head.by")}, {Text: q.t("manager.head.nest")}}
	for i, h := range list {
		if h.Run != nil {
			r := h.Run
			shape, word := q.outcome(r.Outcome)
			s.row(r.Started, "run", r.Run, string(r.Outcome), q.found(*r), "", r.Operator, r.Station, r.Nest, codeOf(r.Reason))
			if i < shownRuns {
				href := unitOf(u.Product, u.Serial, r.Run)
				if r.Run == a.Run {
					word = q.t("manager.unit.shown_below", "outcome", word)
				}
				t.Rows = append(t.Rows, []look.Cell{{Text: q.when(r.Started), Href: href}, {Text: word, Shape: shape}, {Text: q.found(*r)}, {Text: r.Operator}, {Text: unbroken(r.Station + " " + r.Nest)}})
			}
			continue
		}
		r := h.Repair
		s.row(r.At, "repair", r.Run, "", r.Found, r.Done, r.By, "", "", r.Text)
		if i < shownRuns {
			t.Rows = append(t.Rows, []look.Cell{{Text: q.when(r.At)}, {Text: q.t("manager.unit.repair")}, {Text: q.repairWords(*r, a.Found(*r))}, {Text: r.By}, {Text: ""}})
		}
	}
	v.sheets = append(v.sheets, s)
	u.CSV = q.csvOf("history")
}

// repairWords say what was found at a repair, and done.
func (q *query) repairWords(r reports.Repair, cause string) string {
	found := q.w.Finding(q.texts(), r.Found, nil)
	if cause != "" {
		found = q.cause(cause)
	}
	if r.Part != "" {
		found += " (" + q.part(r.Part) + ")"
	}
	text := found + " · " + q.w.Remedy(r.Done)
	if r.Text != "" {
		text += " · " + r.Text
	}
	return text
}

// runDetail tells one run.
func (q *query) runDetail(v *view, r store.Run) (*runDetail, error) {
	shape, word := q.outcome(r.Outcome)
	d := &runDetail{Title: q.t("manager.unit.run", "when", q.w.When(r.Started), "station", r.Station, "nest", r.Nest), Shape: shape, Word: word}
	if r.Outcome != reports.Failed { // there the readings say it, in the reader's language
		d.Reason = q.w.Reason(r.Reason)
	}
	sealed, err := q.m.c.Store.Report(q.ctx, r.Run)
	if err != nil {
		if errors.Is(err, context.DeadlineExceeded) || q.ctx.Err() != nil {
			return nil, err
		}
		q.m.c.Log.Warn("a report cannot be read", "run", r.Run, "error", err)
		d.Seal = look.Notice{Shape: "error", Title: q.t("manager.seal.unreadable"), Text: []string{q.t("manager.seal.unreadable_hint")}}
		return d, nil
	}
	p := sealed.Report
	q.sealState(d, sealed, r)
	for _, c := range p.Causes {
		d.Causes = append(d.Causes, causeDetail{Text: q.w.Cause(q.texts(), c), Likely: q.w.Likelihood(c), Inspect: q.sentence(c.Inspect), Evidence: q.evidence(c)})
	}
	d.Drawing = q.lit(p)
	q.readings(v, d, p)
	kept := false
	for i, c := range p.Captures {
		d.Captures = append(d.Captures, q.capture(c, i))
		kept = kept || c.SHA256 != ""
	}
	if !kept { // said once
		for i := range d.Captures {
			d.Captures[i].About = ""
		}
		d.Kept = q.t("manager.capture.not_kept")
	}
	d.Links = append(d.Links, look.Link{Href: "/report/" + r.Run, Text: q.t("manager.unit.report")})
	if r.Outcome == reports.Passed && !r.Unit.Golden {
		d.Links = append(d.Links, look.Link{Href: "/certificate/" + r.Run, Text: q.t("manager.unit.certificate")})
	}
	if r.Outcome == reports.Failed && q.m.c.Repair != "" {
		d.Links = append(d.Links, look.Link{Href: q.m.c.Repair + "?run=" + r.Run, Text: q.t("manager.unit.to_repair")})
	}
	if r.Unit.Lot != "" && !r.Unit.Golden {
		d.Links = append(d.Links, look.Link{Href: encode("/differs", url.Values{}, []string{"a", "lot:" + r.Unit.Lot, "b", "run:" + r.Run, "period", "all"}), Text: q.t("manager.unit.to_differs", "lot", r.Unit.Lot)})
	}
	return d, nil
}

// readings lists what failed, and all that was measured check by check.
func (q *query) readings(v *view, d *runDetail, p reports.Report) {
	head := []look.Cell{{Text: q.t("manager.head.reading")}, {Text: q.t("manager.head.value"), Number: true}, {Text: q.t("manager.head.limits"), Number: true}, {Text: q.t("manager.head.verdict")}}
	s := sheet{name: "readings", head: []string{"check", "reading", "value", "unit", "lower", "upper", "verdict", "uncertainty"}}
	d.Failed = look.Table{Caption: q.t("manager.unit.failed_readings"), Head: head}
	for _, c := range p.Checks {
		k := checkDetail{Name: c.Name, About: q.check(c.Name), Problem: q.w.Reason(c.Problem)}
		if k.About == "" {
			k.About = q.sentence(c.About)
		}
		k.Shape, k.Word = q.verdict(c.Verdict)
		k.Readings = look.Table{Caption: c.Name, Head: head}
		for _, r := range c.Readings {
			name := r.Check + "." + r.Name
			shape, word := q.verdict(r.Verdict)
			value := q.value(r)
			var lower, upper *float64
			limits := q.t("figures.spec.none")
			if r.Limit != nil {
				lower, upper = r.Limit.Lower, r.Limit.Upper
				if limits = q.limits(lower, upper, r.Unit); lower == nil && upper == nil {
					limits = q.oneOf(r)
				}
			}
			number, isNumber := r.Value.Number()
			row := []look.Cell{{Text: name}, {Text: value, Number: true}, {Text: limits, Number: true}, {Text: word, Shape: shape}}
			if scale, ok := draw.ScaleOf(r); ok {
				scale.Width = 240
				row[2].SVG = scale.SVG(q.w, "scale-"+name, name+": "+value, limits)
			}
			if isNumber {
				row[0].Href = encode("/hold", url.Values{}, []string{"reading", name, "product", p.Unit.Product})
			}
			k.Readings.Rows = append(k.Readings.Rows, row)
			if r.Verdict == reports.Fail || r.Verdict == reports.Inconclusive || r.Verdict == reports.Error {
				row := slices.Clone(row) // drawings have names of their own
				row[2].SVG = ""
				d.Failed.Rows = append(d.Failed.Rows, row)
			}
			if isNumber {
				s.row(c.Name, r.Name, number, r.Unit, lower, upper, string(r.Verdict), r.Uncertainty)
			} else {
				s.row(c.Name, r.Name, r.Value.String(), r.Unit, lower, upper, string(r.Verdict), r.Uncertainty)
			}
		}
		d.Checks = append(d.Checks, k)
	}
	v.sheets = append(v.sheets, s)
}

// oneOf is a limit that is no range: the value or values that are allowed.
func (q *query) oneOf(r reports.Reading) string {
	allowed := r.Limit.OneOf
	if r.Limit.Equal != nil {
		allowed = []reports.Value{*r.Limit.Equal}
	}
	var list []string
	for _, v := range allowed {
		list = append(list, q.value(reports.Reading{Value: v, Unit: r.Unit}))
	}
	return strings.Join(list, ", ")
}

// value is a reading's value for people.
func (q *query) value(r reports.Reading) string {
	text := "–"
	if x, ok := r.Value.Number(); ok {
		text = q.quantity(x, r.Unit)
	} else if b, ok := r.Value.Bool(); ok {
		text = q.t("manager.no")
		if b {
			text = q.t("manager.yes")
		}
	} else if s, ok := r.Value.Text(); ok {
		text = s
	}
	switch r.Bound {
	case "more":
		return "> " + text
	case "less":
		return "< " + text
	}
	return text
}

// sealState says how far the seal was checked, and what came of it.
func (q *query) sealState(d *runDetail, s archive.Sealed, r store.Run) {
	check := s.Check()
	if check.Own && q.m.c.Around != nil {
		check = q.m.c.Around(q.ctx, s)
	}
	n := look.Notice{Shape: "pass", Title: q.t("manager.seal.own"), Text: []string{q.t("manager.seal.own_text")}}
	switch {
	case r.Flag != "":
		n = look.Notice{Shape: "error", Title: q.t("manager.seal.flagged"), Text: []string{q.t("manager.seal.flagged_text")}}
	case !check.Own:
		n = look.Notice{Shape: "error", Title: q.t("manager.seal.broken"), Text: []string{q.t("manager.seal.broken_text")}}
	case check.Text != "":
		n = look.Notice{Shape: "error", Title: q.t("manager.seal.chain_broken"), Text: []string{q.t("manager.seal.chain_broken_text")}}
	case check.Chain:
		n.Title, n.Text = q.t("manager.seal.chain"), []string{q.t("manager.seal.chain_text")}
	}
	d.Seal = n
	d.SealOf = []fact{
		{q.t("manager.seal.number"), q.t("manager.seal.number_of", "number", s.Seal.Number, "station", s.Report.Station), ""},
		{"SHA-256", grouped(s.Seal.SHA256), ""},
		{q.t("manager.seal.software"), s.Report.Software, ""},
	}
	d.Code = q.code(r.Unit.SerialNumber, s.Seal.SHA256)
}

// grouped parts a hash so that it can be read out.
func grouped(hash string) string {
	var parts []string
	for len(hash) > 8 {
		parts, hash = append(parts, hash[:8]), hash[8:]
	}
	return strings.Join(append(parts, hash), " ")
}

// code draws the code that ties paper to the report.
func (q *query) code(number, hash string) template.HTML {
	path, size := draw.QR(serial.CodeText(number, hash))
	if size == 0 {
		return ""
	}
	return svg(fmt.Sprintf(`<svg class="qr" viewBox="0 0 %[1]d %[1]d" role="img" shape-rendering="crispEdges"><title>%[2]s</title>`+
		`<path class="paper" d="M0 0h%[1]dv%[1]dH0z"/><path class="ink" d="%[3]s"/></svg>`,
		size, html.EscapeString(q.t("manager.seal.code", "serial", number)), path))
}

// lit is the drawing of the handset with the parts lit that a failed run points
// at.
func (q *query) lit(p reports.Report) template.HTML {
	if q.m.c.Drawing == nil || p.Outcome != reports.Failed {
		return ""
	}
	drawing := string(q.m.c.Drawing.HTML(q.m.c.Texts[q.page.Lang]))
	part := ""
	if len(p.Causes) > 0 {
		part = p.Causes[0].Part
	}
	if part == "" {
		for _, c := range p.Checks {
			if c.Verdict == reports.Fail || c.Verdict == reports.Inconclusive {
				part = c.Part
				break
			}
		}
	}
	if _, ok := q.m.c.Drawing.Part(part); !ok {
		return ""
	}
	mark := `id="part-` + part + `" class="`
	if !strings.Contains(drawing, mark) {
		return ""
	}
	return template.HTML(strings.Replace(drawing, mark, mark+"is-bad ", 1))
}

// attachmentName is that of raw data beside the reports.
var attachmentName = sync.OnceValue(func() *regexp.Regexp {
	return regexp.MustCompile(`^[0-9a-f]{64}\.[a-z0-9]{1,8}$`)
})

// extensions are those that captures are kept with, by their media type.
var extensions = map[string]string{"audio/wav": ".wav", "text/csv": ".csv"}

// capture draws a capture, lets it be heard if it is sound, and says where its
// raw data are.
func (q *query) capture(c reports.Capture, i int) captureDetail {
	d := captureDetail{Name: c.Check + "." + c.Name, About: q.t("manager.capture.not_kept")}
	if c.SHA256 != "" {
		d.About = q.t("manager.capture.gone")
		if ext := extensions[c.Media]; ext != "" && q.m.c.Files != nil {
			name := c.SHA256 + ext
			if attachmentName().MatchString(name) {
				d.File, d.About = path.Join("/attachment", name), q.t("manager.capture.kept", "size", q.w.Number(float64((c.Size+1023)/1024)))
				if c.Media == "audio/wav" {
					d.Sound = d.File
				}
			}
		}
	}
	if c.Plot != nil {
		k := draw.Capture{Frame: draw.Frame{ID: fmt.Sprint("capture-", i), Title: d.Name, Width: 600, Height: 280}, Plot: *c.Plot}
		k.Plot.XLabel, k.Plot.YLabel = q.w.Axis(c.Plot.XLabel), q.w.Axis(c.Plot.YLabel)
		k.Plot.Series = slices.Clone(k.Plot.Series)
		for i, line := range k.Plot.Series {
			k.Plot.Series[i].Name = q.w.Axis(line.Name)
		}
		x := look.NewChart(d.Name, c.Plot.Title, k.Draw(q.w))
		if x.Caption == d.Name || x.Caption == c.Name {
			x.Caption = ""
		}
		d.Chart = &x
	}
	return d
}

package page

import (
	_ "embed"
	"fmt"
	"html/template"
	"io"
	"strings"
	"sync"

	"fullthrow/reports"
	"fullthrow/reports/archive"
	"fullthrow/reports/draw"
	"fullthrow/reports/serial"
)

// NewHistory is a view of nothing but what happened to a unit, for "unit-history".
func NewHistory(opts Options) (*View, error) {
	said, err := opts.speak()
	if err != nil {
		return nil, err
	}
	v := &View{words: said}
	v.history(opts)
	return v, nil
}

func (v *View) history(opts Options) {
	for _, row := range opts.History[max(0, len(opts.History)-longestPast):] {
		p := past{When: v.When(row.At), Href: row.Link, By: row.By, Where: strings.TrimSpace(row.Station + " " +
			row.Nest),
			This: row.Repair == nil && row.Run == v.Report.Run}
		say := func(what string) {
			if what != "" {
				p.What = append(p.What, what)
			}
		}
		say(v.History(v.texts, row))
		switch {
		case row.Repair != nil:
			p.Shape, p.Word, p.Note = "repair", v.T("report.outcome.repair"), row.Repair.Text
		case row.Outcome == "":
			p.Shape, p.Word = "error", v.T("report.outcome.unknown")
		case row.Flagged:
			p.Shape, p.Word = "error", v.T("report.outcome.not_counted")
			say(v.T("report.seal.flagged"))
		default:
			p.Shape, p.Word = v.shapeOf(row.Outcome)
			switch {
			case row.Cause != nil:
				say(v.T("report.likely", "cause", v.Cause(v.texts, *row.Cause)))
			case row.Outcome == reports.Errored, row.Outcome == reports.Aborted:
				say(v.sentence(reports.Report{Outcome: row.Outcome, CutShort: row.CutShort}))
			}
		}
		v.Past = append(v.Past, p)
	}
}

// sealed says how far the seal was checked, and what came of it.
func (v *View) sealed(s archive.Sealed, opts Options) {
	checked := s.Check()
	if opts.Check != nil && (checked.Own || s.Raw == nil) {
		checked = *opts.Check
	}
	v.Seal = seal{Number: s.Seal.Number, Code: newCode(s.Report.Unit.SerialNumber, s.Seal.SHA256)}
	told := func(shape, id string, args ...any) { v.Seal.Shape, v.Seal.Text = shape, v.T(id, args...) }
	heading, problem := "", checked.Text
	var contradicts *reports.Reason
	if s.Raw != nil { // whoever checked the seal, what is shown is checked here
		contradicts = s.Report.Contradiction()
	}
	switch {
	case checked.Text != "":
		told("fail", "report.seal.wrong", "text", checked.Text)
		if heading = "report.head.misplaced"; !checked.Own {
			heading = "report.head.broken"
		}
	case contradicts != nil:
		problem = v.Reason(contradicts)
		told("fail", "report.seal.contradicts", "text", problem)
		heading = "report.head.contradicts"
	case opts.Flagged:
		told("error", "report.seal.flagged")
		heading, problem = "report.head.flagged", v.Seal.Text
	case checked.Chain:
		told("pass", "report.seal.chain")
	case checked.Own:
		told("pass", "report.seal.own")
	default:
		told("none", "report.seal.unchecked")
	}
	if heading != "" {
		v.Sentence = v.T("report.outcome.not_counted_text", "outcome", v.Word)
		v.Shape, v.Word = "error", v.T("report.outcome.not_counted")
		v.Broken = &finding{Shape: "fail", Heading: v.T(heading), Problem: problem,
			Rows: []named{{v.T("report.label.todo"), v.T("report.head.do_not_rely"), "strong"}}}
	}
	row := func(id, text, class string) {
		if text != "" {
			v.Seal.Rows = append(v.Seal.Rows, named{v.T(id), text, class})
		}
	}
	row("report.label.report", s.Seal.SHA256, "code")
	if row("report.label.before", s.Seal.Previous, "code"); s.Seal.Previous == "" {
		row("report.label.before", v.T("report.label.first"), "")
	}
	row("report.label.key", archive.KeyName(s.Seal), "code")
	row("report.label.signature", s.Seal.Signature, "code")
	if v.Seal.Code != nil {
		row("report.label.code", v.T("report.label.code_text"), "")
	}
}

func (v *View) provenance() {
	r := v.Report
	station := r.Station + ", " + v.T("report.label.nest", "nest", r.Nest)
	if r.Operator != "" {
		station += "; " + v.T("report.label.operator", "operator", r.Operator)
	}
	software := r.Software
	if r.Simulated {
		software += "; " + v.T("report.label.no_hardware")
	}
	v.Provenance = []named{
		{v.T("report.label.run"), r.Run, "code"}, {v.T("report.label.station"), station, ""},
		{v.T("report.label.began"), v.Started + " (" + r.Started.In(v.Location()).Format("MST -07:00") + ")", ""},
		{v.T("report.label.ended"), v.T("report.label.ended_after", "time", v.moment(r.Ended),
			"took", v.took(r.Ended.Sub(r.Started))), ""},
		{v.T("report.label.software"), software, ""}}
	for _, m := range r.Stood {
		v.Provenance = append(v.Provenance, named{v.T("report.label.stood"), v.Stood(m), ""})
	}
	if text := v.clock(); text != "" {
		v.Provenance = append(v.Provenance, named{v.T("report.label.clock"), text, ""})
	}
	if r.Bench != "" {
		v.Provenance = append(v.Provenance, named{v.T("report.label.bench"), r.Bench, "code"})
	}
	for _, s := range r.Sources {
		v.Provenance = append(v.Provenance, named{s.Name, s.SHA256, "code"})
	}
}

// newCode draws the code; nil where there is none.
func newCode(number, hash string) *code {
	text := serial.CodeText(number, hash)
	path, size := draw.QR(text)
	if size == 0 {
		return nil
	}
	return &code{text, size, path}
}

// Parts are the templates of a unit's page, "unit-first" to "unit-provenance":
// each takes a [*View]. They want those of [draw.Shapes] beside them and look
// as [Style] says.
//
//go:embed unit.tmpl
var Parts string

// Style is the style sheet of the [Parts]; it wants [draw.Tokens] and
// [draw.Style].
//
//go:embed unit.css
var Style string

//go:embed report.tmpl
var reportTemplate string

//go:embed report.css
var reportStyle string

var reportPage = sync.OnceValue(func() *template.Template {
	t := template.Must(template.New("report").Parse(reportTemplate))
	template.Must(t.New("shapes.html").Parse(draw.Shapes))
	template.Must(t.New("unit.tmpl").Parse(Parts))
	return t
})

// file is the report as a file of its own.
type file struct {
	*View
	Style template.CSS
}

// WriteHTML writes the report of one unit as a page that needs nothing else:
// no script, no font, no network. It follows the reader's light or dark
// setting and prints on A4 and Letter. Whatever text the report holds is shown
// as text. Where the seal does not fit, the page says so before anything else.
func WriteHTML(w io.Writer, s archive.Sealed, opts Options) error {
	v, err := New(s, opts)
	if err == nil { // the styles are our own files
		style := draw.Tokens + draw.Style + reportStyle + Style + "@media print {" + draw.Paper + "}"
		err = reportPage().Execute(w, file{v, template.CSS(style)})
	}
	if err != nil {
		return fmt.Errorf("html: %w", err)
	}
	return nil
}

// clock says how the station's clock was set before the run, or during it.
func (v *View) clock() string {
	var list []string
	for i := range v.Report.Clock {
		list = append(list, v.Reason(&v.Report.Clock[i]))
	}
	return strings.Join(list, v.T("record.and"))
}

package page

import (
	_ "embed"
	"fmt"
	"html/template"
	"io"
	"math"
	"slices"
	"sync"
	"time"

	"fullthrow/reports"
	"fullthrow/reports/archive"
	"fullthrow/reports/draw"
	"fullthrow/reports/serial"
	"fullthrow/reports/wording"
)

//go:embed report.tmpl
var reportTemplate string

//go:embed report.css
var reportStyle string

var reportPage = sync.OnceValue(func() *template.Template {
	return template.Must(template.New("report").Parse(reportTemplate))
})

// HTMLOptions are what a page cannot know from the report alone.
type HTMLOptions struct {
	// Location of the reader, for times; nil is the machine's.
	Location *time.Location
	// Lang is the reader's language, see [wording.Languages]; "" is English.
	Lang string
	// Texts are the product's own sentences in that language.
	Texts wording.Texts
	// ProductTitle is the product's name for people; empty shows the name in
	// the plan.
	ProductTitle string
	// History is what happened to the unit before and after, oldest first, this
	// run among it; nil where that is not known. See [Around], [SortHistory].
	History []reports.HistoryRow
	// Check is how far the seal was checked; nil proves the report by its own
	// seal alone.
	Check *archive.SealCheck
}

// WriteHTML writes the report of one unit as a page that needs nothing else:
// no script, no font, no network. It follows the reader's light or dark
// setting and prints on A4 and Letter. Whatever text the report holds is shown
// as text. Where the seal does not fit, the page says so before anything else.
func WriteHTML(w io.Writer, s archive.Sealed, opts HTMLOptions) error {
	said, err := opts.speak()
	if err != nil {
		return fmt.Errorf("html: %w", err)
	}
	if err := reportPage().Execute(w, newPage(s, opts, said)); err != nil {
		return fmt.Errorf("html: %w", err)
	}
	return nil
}

// speak is the reader's language, at the reader's place.
func (o HTMLOptions) speak() (words, error) {
	if o.Location == nil {
		o.Location = time.Local
	}
	book, err := wording.NewBook(o.Location)
	if err != nil {
		return words{}, err
	}
	return words{book.Translator(o.Lang), o.Texts, o.Location}, nil
}

// words is what a page speaks: the reader's language, and the product's own
// sentences in it.
type words struct {
	*wording.Translator
	texts wording.Texts
	zone  *time.Location
}

// own is a sentence of the product.
func (w words) own(sentence string) string { return w.texts.T(sentence) }

// moment writes a time to the second.
func (w words) moment(at time.Time) string {
	if at.IsZero() {
		return w.T("report.no_time")
	}
	return w.T("report.moment", "day", w.Day(at), "clock", at.In(w.zone).Format("15:04:05"))
}

// took writes how long something took, as a report does: to a hundredth.
func (w words) took(d time.Duration) string {
	if s := d.Seconds(); s >= 0 && s < 120 {
		return w.Quantity(math.Round(s*100)/100, "s")
	}
	return w.Duration(d)
}

type page struct {
	words
	Style    template.CSS
	Report   reports.Report
	Seal     archive.Seal
	Product  string
	Shape    string // pass, fail, error, aborted: names a drawn shape
	Word     string
	Sentence string
	Attempt  string
	Started  string
	Ended    string
	Offset   string
	Took     string
	Tally    []tally
	Course   course
	First    *finding
	Causes   []causeView
	Checks   []checkView
	Loose    []captureView // captures that belong to no check
	Prompts  []promptView
	Key      string
	Past     []historyView
	Check    archive.SealCheck
	Code     *code
	NotSafe  *notSafe
	Faults   []faultView
	Notes    []string
}

// faultView is what was wrong with the bench.
type faultView struct {
	reports.Fault
	Text, Hint string
}

// notSafe is what was left able to hurt people, and the words for it.
type notSafe struct {
	Warning string
	Devices []string
}

type historyView struct {
	reports.HistoryRow
	Shape, Word       string
	Date, Time        string
	What, Blame, Note string
	This              bool
}

type tally struct {
	Shape, Text string
}

// finding is what failed first.
type finding struct {
	Heading string
	Check   checkView
	Reading *readingView
	Problem string
	Hint    string
	Cause   string
	Inspect string
	More    bool // there is more to say than Problem
}

// causeView is one of the likely causes.
type causeView struct {
	reports.Cause
	Rank    int // 1 first
	Word    string
	For     []string
	Against []string
	Fill    float64 // of the bar, whose width is 100
}

type checkView struct {
	reports.Check
	Anchor   string
	Shape    string
	Word     string
	Took     string
	Problem  string
	Hint     string
	Skipped  string
	Readings []readingView
	Captures []captureView
}

type readingView struct {
	reports.Reading
	Shape string
	Word  string
	Shown string // the value
	Allow string // the limit in words
	Plus  string // the uncertainty
	Miss  string
	Why   string // it could not be judged
	Scale template.HTML
}

type captureView struct {
	reports.Capture
	Kept    string
	Drawing template.HTML
	Title   string
	Hidden  string // how many series beyond those that can be told apart
}

type promptView struct {
	reports.Prompt
	Given string
}

// course is the run drawn along its time.
type course struct {
	Width   float64
	Steps   []step
	End     float64 // place of the mark where the plan means to be done, 0 none
	Label   string  // of that mark, at LabelAt
	LabelAt float64
	Desc    string
}

type step struct {
	X, Width, Mid float64
	Shape, Name   string
	Anchor        string
	Row           int // of its label
	LabelY        float64
	Leader        float64 // from the middle of the step down to the label
	Took          string
}

// view is the shape and the word of a verdict.
func (w words) view(v reports.Verdict) (shape, word string) {
	shape, ok := map[reports.Verdict]string{reports.Pass: "pass", reports.Unlimited: "none", reports.Inconclusive: "doubt",
		reports.Fail: "fail", reports.Error: "error"}[v]
	if !ok {
		return "error", w.T("report.verdict.unknown")
	}
	return shape, w.T("report.verdict." + string(v))
}

func newPage(s archive.Sealed, opts HTMLOptions, said words) page {
	r := s.Report
	p := page{
		words:  said,
		Style:  template.CSS(draw.Tokens + draw.Style + reportStyle + "@media print {" + draw.Paper + "}"), // our own file
		Report: r, Seal: s.Seal, Product: opts.ProductTitle, Attempt: said.attempt(r.Attempt),
		Started: said.moment(r.Started), Ended: said.moment(r.Ended),
		Took: said.took(r.Ended.Sub(r.Started)), Notes: r.Notes,
	}
	if p.Product == "" {
		p.Product = r.Unit.Product
	}
	p.Offset = r.Started.In(said.zone).Format("MST -07:00")
	p.Key, p.Code = archive.KeyName(s.Seal), newCode(r.Unit.SerialNumber, s.Seal.SHA256)
	if p.Check = s.Check(); opts.Check != nil && (p.Check.Own || s.Raw == nil) {
		p.Check = *opts.Check
	}
	p.history(opts)
	captures := map[string][]captureView{}
	for i, c := range r.Captures {
		v := captureView{Capture: c}
		switch {
		case c.SHA256 != "":
			v.Kept = said.T("report.kept", "media", c.Media, "size", said.size(c.Size), "name", reports.Brief(c.SHA256, 17))
		default:
			v.Kept = said.T("report.not_kept")
		}
		if c.Plot != nil {
			v.draw(*c.Plot, fmt.Sprint("p", i), said)
		}
		captures[c.Check] = append(captures[c.Check], v)
	}
	counts := map[string]int{}
	for i, c := range r.Checks {
		v := checkView{Check: c, Anchor: fmt.Sprint("check-", i+1), Skipped: said.Skipped(c.Skipped),
			Problem: said.Reason(c.Problem), Hint: said.Hint(c.Problem)}
		v.About = said.own(c.About)
		v.Shape, v.Word = said.view(c.Verdict)
		counts[v.Shape]++
		if !c.Started.IsZero() && !c.Ended.IsZero() {
			v.Took = said.took(c.Ended.Sub(c.Started))
		}
		for k, rd := range c.Readings {
			v.Readings = append(v.Readings, said.newReading(rd, fmt.Sprintf("s%d-%d", i, k)))
		}
		v.Captures = captures[c.Name]
		delete(captures, c.Name)
		p.Checks = append(p.Checks, v)
	}
	for _, c := range r.Captures { // in their order
		p.Loose = append(p.Loose, captures[c.Check]...)
		delete(captures, c.Check)
	}
	for _, shape := range []string{"fail", "doubt", "error", "pass", "none"} {
		if n := counts[shape]; n > 0 {
			p.Tally = append(p.Tally, tally{shape, said.T("report.tally."+shape, "count", n)})
		}
	}
	for _, q := range r.Prompts {
		v := promptView{Prompt: q, Given: said.T("report.not_answered")}
		v.Text = said.own(q.Text)
		if q.Answer != nil {
			v.Given = said.One(*q.Answer, q.Unit)
		}
		p.Prompts = append(p.Prompts, v)
	}
	p.outcome()
	p.causes()
	p.First = p.first()
	if f := p.First; f != nil {
		f.More = f.Hint != "" || f.Cause != "" || f.Inspect != "" || f.Reading != nil && f.Reading.Limit != nil && f.Reading.Limit.Why != ""
	}
	for _, f := range r.Faults {
		p.Faults = append(p.Faults, faultView{f, said.Fault(f), said.Hint(&f.Reason)})
	}
	if len(r.Unsafe) > 0 {
		p.NotSafe = &notSafe{said.UnsafeWarning(r.Unsafe), said.Unsafe(r.Unsafe)}
	}
	p.Course = said.newCourse(r, p.Checks)
	return p
}

// history puts what else happened to the unit into words; a single run that
// nothing followed needs none.
func (p *page) history(opts HTMLOptions) {
	if len(opts.History) < 2 {
		return
	}
	for _, row := range opts.History {
		v := historyView{HistoryRow: row, Date: p.Day(row.At), Time: p.Clock(row.At), What: p.History(p.texts, row)}
		v.This = row.Repair == nil && row.Run == p.Report.Run
		switch {
		case row.Repair != nil:
			v.Shape, v.Word, v.Note = "repair", p.T("report.outcome.repair"), row.Repair.Text
		case row.Outcome == "":
			v.Shape, v.Word = "error", p.T("report.outcome.unknown")
		default:
			v.Shape, v.Word = p.shapeOf(row.Outcome)
			if row.Cause != nil {
				v.Blame = p.T("report.likely", "cause", p.Cause(p.texts, *row.Cause))
			}
		}
		p.Past = append(p.Past, v)
	}
}

func (w words) shapeOf(o reports.Outcome) (shape, word string) {
	switch o {
	case reports.Passed:
		return "pass", w.T("report.outcome.passed")
	case reports.Failed:
		return "fail", w.T("report.outcome.failed")
	case reports.Aborted:
		return "aborted", w.T("report.outcome.aborted")
	}
	return "error", w.T("report.outcome.error")
}

func (p *page) outcome() {
	r := p.Report
	p.Shape, p.Word = p.shapeOf(r.Outcome)
	switch r.Outcome {
	case reports.Passed:
		p.Sentence = p.T("report.outcome.passed_text")
		if len(r.Checks) == 1 {
			p.Sentence = p.T("report.outcome.passed_one")
		}
	case reports.Failed:
		p.Sentence = p.T("report.outcome.failed_text")
	case reports.Aborted:
		p.Sentence = p.T("report.outcome.aborted_text")
	default:
		p.Sentence = p.T("report.outcome.error_text")
	}
}

// causes puts the ranked causes into words, and takes the limits' own causes
// from the readings that a ranked one explains: what the readings show together
// says more than each by itself.
func (p *page) causes() {
	explained := map[string]bool{}
	for i, c := range p.Report.Causes {
		v := causeView{Cause: c, Rank: i + 1, Word: p.Likelihood(c), Fill: float64(c.Percent())}
		v.Where, v.Cause.Cause, v.Inspect = p.own(c.Where), p.own(c.Cause), p.own(c.Inspect)
		for _, e := range c.Evidence {
			if e.Against {
				v.Against = append(v.Against, p.Evidence(e))
			} else {
				v.For = append(v.For, p.Evidence(e))
			}
		}
		p.Causes = append(p.Causes, v)
		for _, name := range c.Explains {
			explained[name] = true
		}
	}
	for i := range p.Checks {
		for k := range p.Checks[i].Readings {
			if rd := &p.Checks[i].Readings[k]; explained[rd.Check+"."+rd.Name] {
				rd.Cause, rd.Inspect = "", ""
			}
		}
	}
}

// first finds what to look at first: for a failed unit the first reading that
// missed its limit, for the others what stopped the run.
func (p *page) first() *finding {
	r := p.Report
	if r.Outcome == reports.Passed {
		return nil
	}
	find := func(bad func(reports.Verdict) bool) *finding {
		for _, c := range p.Checks {
			for i := range c.Readings {
				rd := &c.Readings[i]
				if !bad(rd.Verdict) {
					continue
				}
				first := *rd
				first.Scale = p.scaleOf(rd.Reading, "first") // drawn a second time, under another name
				f := &finding{Check: c, Reading: &first, Problem: rd.Why, Hint: c.Hint, Cause: rd.Cause, Inspect: rd.Inspect}
				return f
			}
			if c.Problem != "" && bad(c.Verdict) {
				return &finding{Check: c, Problem: c.Problem, Hint: c.Hint}
			}
		}
		return nil
	}
	failed := func(v reports.Verdict) bool { return v == reports.Fail || v == reports.Inconclusive }
	switch r.Outcome {
	case reports.Failed:
		if f := find(failed); f != nil {
			f.Heading = p.T("report.head.first_failed")
			return f
		}
	case reports.Errored:
		if len(r.Faults) > 0 || len(r.Unsafe) > 0 {
			return nil // the faults say it
		}
		if f := find(func(v reports.Verdict) bool { return v == reports.Error }); f != nil {
			f.Heading = p.T("report.head.first_error")
			if f.Hint == "" {
				f.Hint = p.Hint(r.Reason)
			}
			return f
		}
	}
	return &finding{Heading: p.T("report.head.first_other"), Problem: p.Reason(r.Reason), Hint: p.Hint(r.Reason)}
}

func (w words) newReading(rd reports.Reading, id string) readingView {
	v := readingView{Reading: rd, Shown: w.Value(rd), Allow: w.Limit(rd.Limit, rd.Unit), Why: w.Reason(rd.Problem)}
	v.Shape, v.Word = w.view(rd.Verdict)
	v.Cause, v.Inspect = w.own(rd.Cause), w.own(rd.Inspect)
	if rd.Limit == nil {
		v.Allow = ""
	} else if why := w.own(rd.Limit.Why); why != rd.Limit.Why {
		limit := *rd.Limit
		limit.Why, v.Limit = why, &limit
	}
	if rd.Uncertainty > 0 {
		v.Plus = "± " + w.Quantity(rd.Uncertainty, rd.Unit)
	}
	if rd.Conformance != nil {
		p := min(max(*rd.Conformance, 1e-7), 1-1e-7) // a certainty is only rounded
		v.Plus += ", " + w.T("report.within", "probability", w.Percent(p))
	}
	if rd.Verdict == reports.Fail || rd.Verdict == reports.Inconclusive {
		v.Miss = w.Miss(rd)
	}
	v.Scale = w.scaleOf(rd, id)
	return v
}

// scaleOf draws where a reading lies between its limits; "" where it has none.
func (w words) scaleOf(rd reports.Reading, id string) template.HTML {
	s, ok := draw.ScaleOf(rd)
	if !ok {
		return ""
	}
	_, verdict := w.view(rd.Verdict)
	return s.SVG(w.Translator, id, rd.Name+": "+w.Quantity(s.Value, rd.Unit),
		w.T("report.scale", "limit", w.Limit(rd.Limit, rd.Unit), "verdict", verdict))
}

// draw draws a capture; where it has no points the drawing stays empty.
func (v *captureView) draw(p reports.Plot, id string, w words) {
	v.Title = p.Title
	if v.Title == "" {
		v.Title = w.T("report.over", "y", w.Axis(p.YLabel), "x", w.Axis(p.XLabel))
	}
	if n := len(p.Series) - draw.MostLines; n > 0 {
		v.Hidden = w.T("report.tally.hidden", "count", n)
	}
	var xs, ys []float64
	for _, s := range p.Series {
		xs, ys = append(xs, s.X...), append(append(ys, s.Y...), s.Low...)
	}
	k := draw.Capture{Frame: draw.Frame{ID: id, Title: v.Title, Width: 660, Height: 240}, Plot: p}
	k.Desc = w.extent(p.XLabel, xs) + w.T("record.comma") + w.extent(p.YLabel, ys)
	if f, _ := k.Figure(); !f.Panels[0].Blank() {
		v.Drawing = f.Page(w.Translator)
	} else {
		v.Title = w.T("report.head.no_points", "title", v.Title)
	}
}

// extent says from where to where values of an axis "quantity / unit" reach.
func (w words) extent(label string, values []float64) string {
	values = slices.DeleteFunc(values, func(x float64) bool { return math.IsNaN(x) || math.IsInf(x, 0) })
	a := draw.Named(w.Axis(label))
	if len(values) == 0 {
		return a.Name
	}
	return w.T("report.extent", "name", a.Name, "low", w.Quantity(slices.Min(values), a.Unit), "high", w.Quantity(slices.Max(values), a.Unit))
}

// code is a code ready to be drawn: one path in units of a module, quiet zone
// included, so that its edges stay crisp at any size.
type code struct {
	Text string
	Size int // modules along an edge, quiet zone included
	Path string
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

func round1(v float64) float64 { return math.Round(v*10) / 10 }

const courseWidth = 660.0

// newCourse draws the checks along the time of the run.
func (w words) newCourse(r reports.Report, checks []checkView) course {
	c := course{Width: courseWidth}
	total := r.Ended.Sub(r.Started).Seconds()
	if !(total > 0) {
		return c
	}
	end := total
	if r.CycleTime > total && r.CycleTime < 4*total {
		end = r.CycleTime * 1.02
	}
	if r.CycleTime > 0 && r.CycleTime <= end {
		c.End = round1(courseWidth * r.CycleTime / end)
		c.Label = w.T("report.cycle_time", "time", w.Quantity(r.CycleTime, "s"))
		c.LabelAt = min(max(c.End, 40), courseWidth-40)
	}
	free := [3]float64{} // where each row of labels is free again
	for _, v := range checks {
		if v.Started.IsZero() {
			continue
		}
		ended := v.Ended
		if ended.IsZero() {
			ended = r.Ended
		}
		s := step{Shape: v.Shape, Name: reports.Brief(v.Name, 14), Anchor: v.Anchor, Took: w.took(ended.Sub(v.Started))}
		s.X = round1(courseWidth * v.Started.Sub(r.Started).Seconds() / end)
		s.Width = round1(max(2, courseWidth*ended.Sub(v.Started).Seconds()/end-1.5))
		half := float64(len([]rune(s.Name)))*3.4 + 5
		s.Mid = min(max(s.X+s.Width/2, half), courseWidth-half)
		s.Row = -1
		for row := range free {
			if s.Mid-half >= free[row] {
				s.Row, free[row] = row, s.Mid+half
				break
			}
		}
		s.LabelY = 46 + 14*float64(max(s.Row, 0))
		s.Leader = round1(s.X + s.Width/2)
		c.Steps = append(c.Steps, s)
	}
	c.Desc = w.T("report.tally.course", "count", len(c.Steps), "time", w.took(r.Ended.Sub(r.Started)))
	return c
}

func (w words) attempt(n int) string {
	if n <= 1 {
		return w.T("report.first_run")
	}
	return w.T("report.retest", "number", n-1)
}

func (w words) size(n int64) string {
	switch {
	case n < 1000:
		return w.T("report.bytes", "size", n)
	case n < 1e6:
		return w.Fixed(float64(n)/1e3, 1) + " kB"
	}
	return w.Fixed(float64(n)/1e6, 1) + " MB"
}

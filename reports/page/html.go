package page

import (
	_ "embed"
	"fmt"
	"html/template"
	"io"
	"math"
	"slices"
	"strings"
	"sync"
	"time"

	"fullthrow/reports"
	"fullthrow/reports/archive"
	"fullthrow/reports/draw"
	"fullthrow/reports/serial"
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
	if opts.Location == nil {
		opts.Location = time.Local
	}
	if err := reportPage().Execute(w, newPage(s, opts)); err != nil {
		return fmt.Errorf("html: %w", err)
	}
	return nil
}

type page struct {
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
	History  []historyView
	Check    archive.SealCheck
	Code     *code
	NotSafe  *notSafe
}

// notSafe is what was left able to hurt people, and the words for it.
type notSafe struct {
	Warning string
	Groups  []reports.UnsafeGroup
}

type historyView struct {
	reports.HistoryRow
	Shape, Word string
	Date, Time  string
	This        bool
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
	Rank     int // 1 first
	Word     string
	Evidence []string
	Against  []string
	Fill     float64 // of the bar, whose width is 100
}

type checkView struct {
	reports.Check
	Anchor   string
	Shape    string
	Word     string
	Took     string
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
	Scale template.HTML
}

type captureView struct {
	reports.Capture
	Kept    string
	Drawing template.HTML
	Title   string
	Hidden  int // series beyond those that can be told apart
}

type promptView struct {
	reports.Prompt
	Given string
}

// course is the run drawn along its time.
type course struct {
	Width   float64
	Steps   []step
	Takt    float64 // place of the takt mark, 0 none
	Label   string  // of the takt mark, at LabelAt
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

var verdictWords = map[reports.Verdict][2]string{ // shape, word
	reports.Pass: {"pass", "passed"}, reports.Unlimited: {"none", "no limit"}, reports.Inconclusive: {"doubt", "inconclusive"},
	reports.Fail: {"fail", "failed"}, reports.Error: {"error", "not measured"},
}

func view(v reports.Verdict) (shape, word string) {
	w, ok := verdictWords[v]
	if !ok {
		return "error", "unknown"
	}
	return w[0], w[1]
}

func newPage(s archive.Sealed, opts HTMLOptions) page {
	r := s.Report
	p := page{
		Style:  template.CSS(draw.Tokens + draw.Style + reportStyle + "@media print {" + draw.Paper + "}"), // our own file
		Report: r, Seal: s.Seal, Product: opts.ProductTitle, Attempt: attempt(r.Attempt),
		Started: localTime(r.Started, opts.Location), Ended: localTime(r.Ended, opts.Location),
		Took: duration(r.Ended.Sub(r.Started)),
	}
	if p.Product == "" {
		p.Product = r.Unit.Product
	}
	p.Offset = r.Started.In(opts.Location).Format("MST -07:00")
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
			v.Kept = fmt.Sprintf("%s, %s, attachment %s", c.Media, size(c.Size), reports.Brief(c.SHA256, 17))
		default:
			v.Kept = "raw data not kept"
		}
		if c.Plot != nil {
			v.draw(*c.Plot, fmt.Sprint("p", i))
		}
		captures[c.Check] = append(captures[c.Check], v)
	}
	counts := map[string]int{}
	for i, c := range r.Checks {
		v := checkView{Check: c, Anchor: fmt.Sprint("check-", i+1)}
		v.Shape, v.Word = view(c.Verdict)
		counts[v.Shape]++
		if !c.Started.IsZero() && !c.Ended.IsZero() {
			v.Took = duration(c.Ended.Sub(c.Started))
		}
		for k, rd := range c.Readings {
			v.Readings = append(v.Readings, newReading(rd, fmt.Sprintf("s%d-%d", i, k)))
		}
		v.Captures = captures[c.Name]
		delete(captures, c.Name)
		p.Checks = append(p.Checks, v)
	}
	for _, c := range r.Captures { // in their order
		p.Loose = append(p.Loose, captures[c.Check]...)
		delete(captures, c.Check)
	}
	for _, w := range []struct{ shape, text string }{
		{"fail", "failed"}, {"doubt", "inconclusive"}, {"error", "not measured"}, {"pass", "passed"}, {"none", "without limit"},
	} {
		if n := counts[w.shape]; n > 0 {
			p.Tally = append(p.Tally, tally{w.shape, fmt.Sprintf("%d %s", n, w.text)})
		}
	}
	for _, q := range r.Prompts {
		v := promptView{Prompt: q, Given: "not answered"}
		if q.Answer != nil {
			v.Given = quantity(*q.Answer, q.Unit)
			if b, ok := q.Answer.Bool(); ok {
				v.Given = map[bool]string{true: "yes", false: "no"}[b]
			}
		}
		p.Prompts = append(p.Prompts, v)
	}
	p.outcome()
	p.causes()
	p.First = p.first()
	if f := p.First; f != nil {
		f.More = f.Hint != "" || f.Cause != "" || f.Inspect != "" || f.Reading != nil && f.Reading.Limit != nil && f.Reading.Limit.Why != ""
	}
	p.Report.Faults = slices.Clone(r.Faults)
	for i, f := range p.Report.Faults {
		if f.Device != "" { // it stands before the text
			p.Report.Faults[i].Text = strings.TrimPrefix(f.Text, f.Device+": ")
		}
	}
	if len(r.Unsafe) > 0 {
		p.NotSafe = &notSafe{reports.UnsafeWarning(r.Unsafe), reports.GroupUnsafe(r.Unsafe)}
	}
	p.Course = newCourse(r, p.Checks)
	return p
}

// history puts what else happened to the unit into words; a single run that
// nothing followed needs none.
func (p *page) history(opts HTMLOptions) {
	if len(opts.History) < 2 {
		return
	}
	for _, row := range opts.History {
		v := historyView{HistoryRow: row, Date: row.At.In(opts.Location).Format("2 Jan 2006"), Time: row.At.In(opts.Location).Format("15:04")}
		v.What, v.Cause = draw.Signed(row.What), draw.Signed(row.Cause)
		v.This = !row.Repair && row.Run == p.Report.Run
		switch {
		case row.Repair:
			v.Shape, v.Word = "repair", "Repair"
		case row.Outcome == "":
			v.Shape, v.Word = "error", "unknown"
		default:
			v.Shape, v.Word = shapeOf(row.Outcome)
		}
		p.History = append(p.History, v)
	}
}

func shapeOf(o reports.Outcome) (shape, word string) {
	switch o {
	case reports.Passed:
		return "pass", "Passed"
	case reports.Failed:
		return "fail", "Failed"
	case reports.Aborted:
		return "aborted", "Aborted"
	}
	return "error", "Error"
}

func (p *page) outcome() {
	r := p.Report
	p.Shape, p.Word = shapeOf(r.Outcome)
	switch r.Outcome {
	case reports.Passed:
		p.Sentence = "Every check of this unit passed."
		if len(r.Checks) == 1 {
			p.Sentence = "The check of this unit passed."
		}
	case reports.Failed:
		p.Sentence = "The unit does not meet its limits."
	case reports.Aborted:
		p.Sentence = "The run was not finished: it says nothing about the unit."
	default:
		p.Sentence = "The unit could not be judged: this is not a failure of the unit."
	}
}

// causes puts the ranked causes into words, and takes the limits' own causes
// from the readings that a ranked one explains: what the readings show together
// says more than each by itself.
func (p *page) causes() {
	explained := map[string]bool{}
	for i, c := range p.Report.Causes {
		v := causeView{Cause: c, Rank: i + 1, Word: c.Likelihood(), Fill: float64(c.Percent())}
		for _, e := range c.Evidence {
			e = draw.Signed(e)
			if against, ok := strings.CutPrefix(e, reports.AgainstIt); ok {
				v.Against = append(v.Against, against)
			} else {
				v.Evidence = append(v.Evidence, e)
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
				first.Scale = scaleOf(rd.Reading, "first") // drawn a second time, under another name
				f := &finding{Check: c, Reading: &first, Problem: rd.Problem, Hint: c.Hint, Cause: rd.Cause, Inspect: rd.Inspect}
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
			f.Heading = "What failed first"
			return f
		}
	case reports.Errored:
		if len(r.Faults) > 0 || len(r.Unsafe) > 0 {
			return nil // the faults say it
		}
		if f := find(func(v reports.Verdict) bool { return v == reports.Error }); f != nil {
			f.Heading = "What could not be measured"
			if f.Hint == "" {
				f.Hint = r.Hint
			}
			return f
		}
	}
	return &finding{Heading: "What happened", Problem: r.Reason, Hint: r.Hint}
}

func newReading(rd reports.Reading, id string) readingView {
	v := readingView{Reading: rd, Shown: quantity(rd.Value, rd.Unit), Allow: draw.Signed(rd.Limit.String(rd.Unit))}
	v.Shape, v.Word = view(rd.Verdict)
	if x, ok := rd.Value.Number(); ok && rd.Limit != nil {
		for _, limit := range []*float64{rd.Limit.Lower, rd.Limit.Upper} {
			if limit != nil && (rd.Verdict == reports.Fail || rd.Verdict == reports.Inconclusive) {
				if s := reports.FormatQuantityBeside(x, *limit, rd.Unit); len(s) > len(v.Shown) {
					v.Shown = s
				}
			}
		}
	}
	if _, ok := rd.Value.Number(); ok {
		v.Shown = draw.Signed(v.Shown)
	}
	switch {
	case rd.Value.IsNone():
		v.Shown = "no value"
	case rd.Bound == "more":
		v.Shown = "> " + v.Shown
	case rd.Bound == "less":
		v.Shown = "< " + v.Shown
	}
	if rd.Limit == nil {
		v.Allow = ""
	}
	if rd.Uncertainty > 0 {
		v.Plus = "± " + reports.FormatQuantity(rd.Uncertainty, rd.Unit)
	}
	if rd.Conformance != nil {
		v.Plus += fmt.Sprintf(", within its limit with %s", probability(*rd.Conformance))
	}
	if rd.Verdict == reports.Fail || rd.Verdict == reports.Inconclusive {
		v.Miss = draw.Signed(rd.Miss())
	}
	v.Scale = scaleOf(rd, id)
	return v
}

// scaleOf draws where a reading lies between its limits; "" where it has none.
func scaleOf(rd reports.Reading, id string) template.HTML {
	s, ok := draw.ScaleOf(rd)
	if !ok {
		return ""
	}
	return s.SVG(draw.Plain{}, id, rd.Name+": "+reports.FormatQuantity(s.Value, rd.Unit),
		fmt.Sprintf("Allowed: %s. Verdict: %s.", rd.Limit.String(rd.Unit), rd.Verdict))
}

// draw draws a capture; where it has no points the drawing stays empty.
func (v *captureView) draw(p reports.Plot, id string) {
	v.Title = p.Title
	if v.Title == "" {
		v.Title = p.YLabel + " over " + p.XLabel
	}
	v.Hidden = max(len(p.Series)-draw.MostLines, 0)
	var xs, ys []float64
	for _, s := range p.Series {
		xs, ys = append(xs, s.X...), append(append(ys, s.Y...), s.Low...)
	}
	k := draw.Capture{Frame: draw.Frame{ID: id, Title: v.Title, Width: 660, Height: 240}, Plot: p}
	k.Desc = extent(p.XLabel, xs) + ", " + extent(p.YLabel, ys) + "."
	if f, _ := k.Figure(); !f.Panels[0].Blank() {
		v.Drawing = f.Page(draw.Plain{})
	}
}

// extent says from where to where values of an axis "quantity / unit" reach.
func extent(label string, values []float64) string {
	values = slices.DeleteFunc(values, func(x float64) bool { return math.IsNaN(x) || math.IsInf(x, 0) })
	a := draw.Named(label)
	if len(values) == 0 {
		return a.Name
	}
	return fmt.Sprintf("%s from %s to %s", a.Name, reports.FormatQuantity(slices.Min(values), a.Unit), reports.FormatQuantity(slices.Max(values), a.Unit))
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

// quantity shows a value for people.
func quantity(v reports.Value, unit string) string {
	if x, ok := v.Number(); ok {
		return reports.FormatQuantity(x, unit)
	}
	if b, ok := v.Bool(); ok {
		return map[bool]string{true: "true", false: "false"}[b]
	}
	if s, ok := v.Text(); ok && s == "" {
		return "empty text"
	}
	return v.String()
}

const courseWidth = 660.0

// newCourse draws the checks along the time of the run.
func newCourse(r reports.Report, checks []checkView) course {
	c := course{Width: courseWidth}
	total := r.Ended.Sub(r.Started).Seconds()
	if !(total > 0) {
		return c
	}
	end := total
	if r.Takt > total && r.Takt < 4*total {
		end = r.Takt * 1.02
	}
	if r.Takt > 0 && r.Takt <= end {
		c.Takt = round1(courseWidth * r.Takt / end)
		c.Label = "takt " + reports.FormatQuantity(r.Takt, "s")
		c.LabelAt = min(max(c.Takt, 26), courseWidth-26)
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
		s := step{Shape: v.Shape, Name: reports.Brief(v.Name, 14), Anchor: v.Anchor, Took: duration(ended.Sub(v.Started))}
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
	c.Desc = fmt.Sprintf("%d checks along %s.", len(c.Steps), duration(r.Ended.Sub(r.Started)))
	return c
}

func attempt(n int) string {
	switch {
	case n <= 1:
		return "first run of this unit"
	case n == 2:
		return "first retest"
	case n == 3:
		return "second retest"
	}
	return fmt.Sprintf("retest number %d", n-1)
}

func duration(d time.Duration) string {
	s := d.Seconds()
	switch {
	case s < 0:
		return "0 s"
	case s < 120:
		return reports.FormatQuantity(math.Round(s*100)/100, "s")
	}
	return d.Round(time.Second).String()
}

func localTime(t time.Time, loc *time.Location) string {
	if t.IsZero() {
		return "unknown"
	}
	return t.In(loc).Format("2 January 2006, 15:04:05")
}

func size(n int64) string {
	switch {
	case n < 1000:
		return fmt.Sprintf("%d bytes", n)
	case n < 1e6:
		return fmt.Sprintf("%.1f kB", float64(n)/1e3)
	}
	return fmt.Sprintf("%.1f MB", float64(n)/1e6)
}

// probability writes p as a percentage that is never rounded to a certainty.
func probability(p float64) string {
	switch {
	case p > 0.999:
		return "more than 99.9 %"
	case p < 0.001:
		return "less than 0.1 %"
	}
	return fmt.Sprintf("%.1f %%", 100*p)
}

package page

import (
	"cmp"
	"fmt"
	"html/template"
	"math"
	"slices"
	"strings"
	"time"

	"fullthrow/reports"
	"fullthrow/reports/archive"
	"fullthrow/reports/draw"
	"fullthrow/reports/wording"
)

// Options are what a page cannot know from the report alone, and what its
// reader is shown beside it. All are optional.
type Options struct {
	// Words are the reader's language, at the reader's place; nil is English at
	// the machine's.
	Words *wording.Translator
	// Texts are the product's own sentences in that language.
	Texts wording.Texts
	// ProductTitle is the product's name for people; empty shows the name in
	// the plan.
	ProductTitle string
	// History is what happened to the unit before and after, oldest first, this
	// run among it; nil where that is not known. See [archive.Around],
	// [reports.SortHistory].
	History []reports.HistoryRow
	// Check is how far the seal was checked; nil proves the report by its own
	// seal alone. Flagged says that the record does not count the report.
	Check   *archive.SealCheck
	Flagged bool
	// Handset is the product's drawing.
	Handset Handset
	// Beside tells what good units show at a reading that this one failed; Good
	// is the report of one: its captures are drawn beneath this unit's.
	// GoodHref leads to it.
	Beside   func(reports.Reading) Beside
	Good     *reports.Report
	GoodHref string
	// FailedCaptures leaves out captures of checks that did not fail.
	FailedCaptures bool
	// Attachments is where raw data of captures are served, by <sha256>.<ext>;
	// Reading leads to more about a reading, "check.reading".
	Attachments string
	// Said reads what was said with a device, by its hash; nil where nobody can.
	Said    func(sha256 string) (text string, ok bool)
	Reading func(name string) string
}

// Handset is the drawing of a product: it names its parts, and points at one and
// at the axes of it that are to blame.
type Handset interface {
	Title(texts wording.Texts, part string) string
	Pointing(texts wording.Texts, part string, axis func(name string) bool) template.HTML
}

// Beside is what good units show at a reading.
type Beside struct {
	Values []float64 // ascending
	Who    string    // which units they are
	Place  string    // where the unit's own value lies among them
}

// speak is the reader's language, at the reader's place.
func (o Options) speak() (words, error) {
	if o.Words == nil {
		book, err := wording.NewBook(time.Local)
		if err != nil {
			return words{}, err
		}
		o.Words = book.Translator("en")
	}
	return words{o.Words, o.Texts}, nil
}

// words is what a page speaks: the reader's language, and the product's own
// sentences in it.
type words struct {
	*wording.Translator
	texts wording.Texts
}

// own is a sentence of the product.
func (w words) own(sentence string) string { return w.texts.T(sentence) }

// begun is a sentence of the product with a capital letter at its beginning.
func (w words) begun(sentence string) string { return wording.Capital(w.own(sentence)) }

// moment writes a time to the second.
func (w words) moment(at time.Time) string {
	if at.IsZero() {
		return w.T("report.no_time")
	}
	return w.T("report.moment", "day", w.Day(at), "clock", at.In(w.Location()).Format("15:04:05"))
}

// took writes how long something took, as a report does: to a hundredth.
func (w words) took(d time.Duration) string {
	if s := d.Seconds(); s >= 0 && s < 120 {
		return w.Quantity(math.Round(s*100)/100, "s")
	}
	return w.Duration(d)
}

// View is one run of a unit in its reader's language, as the [Parts] show it.
// Shapes are names of [draw.Shapes].
type View struct {
	words
	Report                reports.Report
	Product               string
	Shape, Word, Sentence string // of the outcome
	Attempt, Started      string
	Broken                *finding // what is wrong with the report itself
	Bench                 *bench
	First                 *finding
	Causes                []cause
	Missed                []reading // what failed or could not be measured, the likeliest cause's first
	MissedHead            string
	Course                course
	Checks                []check
	Captures, Alike       []capture // Alike: those that show what the good unit's show
	Talks                 []talk
	Good                  *link // it
	NotKept               bool  // no capture's raw data were
	Prompts               []prompt
	Past                  []past
	Seal                  seal
	Provenance            []named
}

// named is a name with what it names.
type named struct {
	Name, Text string
	Class      string // code, strong
}

type link struct{ Href, Text string }

// finding is what to look at first.
type finding struct {
	Shape, Heading string
	Drawing        template.HTML
	Where          string // part of the handset, or axis
	Name, About    string // of the reading or check
	Miss, Problem  string
	Rows           []named
}

// bench is what was wrong with the bench, and what was left able to hurt people.
type bench struct {
	First   bool // it is what the run is about
	Faults  []fault
	Warning string
	Unsafe  []string
}

type fault struct {
	reports.Fault
	Text, Hint string
}

// cause is one of the likely causes.
type cause struct {
	Rank                         int // 1 first
	Where, Text, Likely, Inspect string
	For, Against                 []string
	Percent                      int
}

type check struct {
	reports.Check
	Anchor                        string
	Shape, Word, Took             string
	About, Problem, Hint, Skipped string
	Again                         string // what came when it was taken once more
	Readings                      []reading
}

type reading struct {
	reports.Reading
	Shape, Word string
	Full        string // "check.reading"
	Href        string
	Shown       string // the value
	Allow       string // the limit in words
	Plus        string // the uncertainty
	Scale       template.HTML
	Beside      Beside
	Rows        []named
	of          int // index of its check
}

// say adds a row, unless there is nothing to say.
func (r *reading) say(name, text string) {
	if text != "" {
		r.Rows = append(r.Rows, named{Name: name, Text: text})
	}
}

type prompt struct{ Text, Given, By string }

// past is one thing that happened to the unit.
type past struct {
	Shape, Word, When, Href string
	Where, By               string
	What                    []string
	Note                    string
	This                    bool
}

// seal is how far the seal was checked.
type seal struct {
	Number      int64
	Shape, Text string
	Rows        []named
	Code        *code
}

// code is a code ready to be drawn: one path in units of a module, quiet zone
// included, so that its edges stay crisp at any size.
type code struct {
	Text string
	Size int // modules along an edge, quiet zone included
	Path string
}

// New puts a report into the reader's words.
func New(s archive.Sealed, opts Options) (*View, error) {
	said, err := opts.speak()
	if err != nil {
		return nil, err
	}
	r := s.Report
	v := &View{words: said, Report: r, Product: cmp.Or(opts.ProductTitle, r.Unit.Product),
		Attempt: said.attempt(r.Attempt), Started: said.moment(r.Started)}
	v.Shape, v.Word = said.shapeOf(r.Outcome)
	v.Sentence = said.sentence(r)
	v.bench()
	v.causes()
	v.readings(opts)
	v.captures(opts)
	of := -1
	v.First, of = v.first(opts)
	for i := range v.Missed {
		if m := &v.Missed[i]; i != of { // of that one it stands above
			m.say(v.T("report.label.cause"), v.own(m.Cause))
			m.say(v.T("report.label.inspect"), v.own(m.Inspect))
		}
	}
	v.Course = said.newCourse(r, v.Checks)
	for _, q := range r.Prompts {
		p := prompt{said.own(q.Text), said.T("report.not_answered"), q.By}
		if q.Answer != nil {
			p.Given = said.One(*q.Answer, q.Unit)
		}
		v.Prompts = append(v.Prompts, p)
	}
	v.history(opts)
	v.sealed(s, opts)
	v.provenance()
	return v, nil
}

// sentence says what an outcome means.
func (w words) sentence(r reports.Report) string {
	if r.Outcome == reports.Passed && len(r.Checks) == 1 {
		return w.T("report.outcome.passed_one")
	}
	if r.CutShort || r.WasCutShort() {
		return w.T("report.outcome.cut_short_text")
	}
	return w.T("report.outcome." + string(known(r.Outcome)) + "_text")
}

func (w words) shapeOf(o reports.Outcome) (shape, word string) {
	return outcomes[known(o)], w.T("report.outcome." + string(known(o)))
}

// outcomes are their shapes; one that is not known is an error.
var outcomes = map[reports.Outcome]string{reports.Passed: "pass", reports.Failed: "fail",
	reports.Aborted: "aborted", reports.Errored: "error"}

func known(o reports.Outcome) reports.Outcome {
	if outcomes[o] == "" {
		return reports.Errored
	}
	return o
}

// view is the shape and the word of a verdict.
func (w words) view(v reports.Verdict) (shape, word string) {
	shape, ok := map[reports.Verdict]string{reports.Pass: "pass", reports.Unlimited: "none",
		reports.Inconclusive: "doubt", reports.Fail: "fail", reports.Error: "error"}[v]
	if !ok {
		return "error", w.T("report.verdict.unknown")
	}
	return shape, w.T("report.verdict." + string(v))
}

func (w words) attempt(n int) string {
	if n <= 1 {
		return w.T("report.first_run")
	}
	return w.T("report.retest", "number", n-1)
}

func (v *View) bench() {
	r := v.Report
	if r.Guardian != nil && !r.Reason.CutShort() { // else the reason says it
		r.Faults = append(r.Faults[:len(r.Faults):len(r.Faults)], reports.Fault{Reason: *r.Guardian, AfterPlan: true})
	}
	if len(r.Faults) == 0 && len(r.Unsafe) == 0 {
		return
	}
	v.Bench = &bench{First: v.Shape == "error", Warning: v.UnsafeWarning(r.Unsafe), Unsafe: v.Unsafe(r.Unsafe)}
	for _, f := range r.Faults {
		v.Bench.Faults = append(v.Bench.Faults, fault{f, v.Fault(f), v.Hint(&f.Reason)})
	}
}

func (v *View) causes() {
	for i, c := range v.Report.Causes {
		k := cause{Rank: i + 1, Where: v.own(c.Where), Text: v.begun(c.Cause), Likely: v.Likelihood(c),
			Inspect: v.own(c.Inspect), Percent: c.Percent()}
		for _, e := range c.Evidence {
			if e.Against {
				k.Against = append(k.Against, v.Evidence(e))
			} else {
				k.For = append(k.For, v.Evidence(e))
			}
		}
		v.Causes = append(v.Causes, k)
	}
}

func broken(v reports.Verdict) bool { return v == reports.Fail || v == reports.Inconclusive }

// readings puts checks and readings into words. The limits' own causes are
// taken from readings that a ranked one explains: what the readings show
// together says more than each by itself.
func (v *View) readings(opts Options) {
	likeliest, explained := map[string]int{}, map[string]bool{}
	for i, c := range v.Report.Causes {
		for _, name := range c.Explains {
			if explained[name] = true; i == 0 {
				likeliest[name] = 1
			}
		}
	}
	for i, c := range v.Report.Checks {
		k := check{Check: c, Anchor: fmt.Sprint("check-", i+1), About: v.own(c.About), Skipped: v.Skipped(c.Skipped),
			Again:   v.Retaken(c),
			Problem: v.Reason(c.Problem), Hint: v.Hint(c.Problem)}
		k.Shape, k.Word = v.view(c.Verdict)
		if !c.Started.IsZero() && !c.Ended.IsZero() {
			k.Took = v.took(c.Ended.Sub(c.Started))
		}
		for n, rd := range c.Readings {
			one := v.newReading(rd, fmt.Sprintf("s%d-%d", i, n))
			one.of = i
			if _, number := rd.Value.Number(); number && opts.Reading != nil {
				one.Href = opts.Reading(one.Full)
			}
			k.Readings = append(k.Readings, one)
			if broken(rd.Verdict) || rd.Verdict == reports.Error {
				v.Missed = append(v.Missed, one)
			}
		}
		v.Checks = append(v.Checks, k)
	}
	slices.SortStableFunc(v.Missed, func(x, y reading) int { return cmp.Compare(likeliest[y.Full], likeliest[x.Full]) })
	v.MissedHead = v.T("report.head.missed")
	if !slices.ContainsFunc(v.Missed, func(m reading) bool { return broken(m.Verdict) }) {
		v.MissedHead = v.T("report.head.first_error")
	}
	for i := range v.Missed {
		m := &v.Missed[i]
		m.say(v.T("report.head.first_other"), v.Reason(m.Problem))
		if m.Limit != nil {
			m.say(v.T("report.label.why_limit"), v.own(m.Limit.Why))
		}
		if explained[m.Full] {
			m.Cause, m.Inspect = "", ""
		}
		if opts.Beside != nil {
			m.Beside = opts.Beside(m.Reading)
		}
		if scale, ok := draw.ScaleOf(m.Reading); ok { // drawn a second time, larger
			scale.Others, scale.Said, scale.Width, scale.Tall = m.Beside.Values, m.Shown, 640, 16
			m.Scale = scale.SVG(v.Translator, fmt.Sprint("missed-", i), m.Full+": "+m.Shown,
				strings.TrimSpace(m.Allow+" "+m.Beside.Who))
		}
	}
}

func (w words) newReading(rd reports.Reading, id string) reading {
	v := reading{Reading: rd, Full: rd.Check + "." + rd.Name, Shown: w.Value(rd)}
	v.Shape, v.Word = w.view(rd.Verdict)
	if rd.Limit != nil {
		v.Allow = w.T("record.limit.allowed", "limit", w.Limit(rd.Limit, rd.Unit))
	}
	if rd.Uncertainty > 0 {
		v.Plus = "± " + w.Quantity(rd.Uncertainty, rd.Unit)
	}
	if rd.Conformance != nil {
		p := min(max(*rd.Conformance, 1e-7), 1-1e-7) // a certainty is only rounded
		v.Plus += ", " + w.T("report.within", "probability", w.Percent(p))
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
	return s.SVG(w.Translator, id, rd.Check+"."+rd.Name+": "+w.Quantity(s.Value, rd.Unit),
		w.T("report.scale", "limit", w.Limit(rd.Limit, rd.Unit), "verdict", verdict))
}

// first finds what to look at first: for a failed unit the reading that missed
// its limit and is explained best, for the others what stopped the run. of is
// the index of the reading among those that missed, -1 for none.
func (v *View) first(opts Options) (f *finding, of int) {
	r := v.Report
	f = &finding{Shape: v.Shape, Heading: v.T("report.head.first_other"), Problem: v.Reason(r.Reason)}
	hint := v.Hint(r.Reason)
	var bad func(reports.Verdict) bool
	switch {
	case r.Outcome == reports.Passed, r.Outcome == reports.Errored && v.Bench != nil: // there the faults say it
		return nil, -1
	case r.Outcome == reports.Failed:
		bad, f.Heading = broken, v.T("report.head.first_failed")
	case r.Outcome == reports.Errored:
		bad = func(v reports.Verdict) bool { return v == reports.Error }
	default:
		bad = func(reports.Verdict) bool { return false }
	}
	inspect, blamed, part := "", "", ""
	if of = slices.IndexFunc(v.Missed, func(m reading) bool { return bad(m.Verdict) }); of >= 0 {
		m := v.Missed[of]
		k := v.Checks[m.of]
		f.Name, f.About, f.Problem, part = m.Full, k.About, "", k.Part
		if hint = cmp.Or(k.Hint, hint); broken(m.Verdict) {
			f.Miss = v.Miss(m.Reading)
		}
		blamed, inspect = v.own(m.Cause), v.own(m.Inspect)
	} else if i := slices.IndexFunc(v.Checks, func(k check) bool { return bad(k.Verdict) }); i >= 0 {
		k := v.Checks[i]
		f.Name, f.About, part, f.Problem = k.Name, k.About, k.Part, cmp.Or(k.Problem, f.Problem)
		hint = cmp.Or(k.Hint, hint)
	}
	if r.Outcome == reports.Failed {
		if len(r.Causes) > 0 {
			part = cmp.Or(r.Causes[0].Part, part)
			f.Where, inspect = v.begun(r.Causes[0].Where), cmp.Or(v.Causes[0].Inspect, inspect)
		}
		if opts.Handset != nil {
			f.Where = cmp.Or(f.Where, opts.Handset.Title(v.texts, part))
			f.Drawing = opts.Handset.Pointing(v.texts, part, v.toBlame)
		}
	} else if f.Name != "" {
		f.Heading = v.T("report.head.first_error")
	}
	for _, n := range []named{{"report.label.cause", blamed, ""}, {"report.label.inspect", inspect, "strong"},
		{"report.label.todo", hint, ""}} {
		if n.Text != "" {
			f.Rows = append(f.Rows, named{v.T(n.Name), n.Text, n.Class})
		}
	}
	return f, of
}

// toBlame reports whether an axis of a stick is: readings that failed name it,
// and the likeliest cause, if there is one, explains them.
func (v *View) toBlame(axis string) bool {
	return slices.ContainsFunc(v.Missed, func(m reading) bool {
		causes := v.Report.Causes
		return broken(m.Verdict) && strings.HasPrefix(m.Name, axis+"_") &&
			(len(causes) == 0 || len(causes[0].Explains) == 0 || slices.Contains(causes[0].Explains, m.Full))
	})
}

// longestPast is how many of the newest rows of a history are shown: a golden
// unit runs every day.
const longestPast = 200

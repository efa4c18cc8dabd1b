package reports

import (
	"math"
	"slices"
	"time"
)

// Kind says what an [Event] tells.
type Kind string

// The kinds of event, in the order in which a run meets them.
const (
	RunStarted   Kind = "run-started"   // Start
	ClockStepped Kind = "clock"         // Clock: the wall clock was set before the run, or during it
	BenchReady   Kind = "bench-ready"   // Text: what was found; the fixture is safe and every device answers
	CheckStarted Kind = "check-started" // Check
	ReadingTaken Kind = "reading"       // Reading, judged
	CheckRetaken Kind = "retake"        // Check: it failed, and is taken once more before that counts
	NoteMade     Kind = "note"          // Text
	CaptureKept  Kind = "capture"       // Capture
	PromptAsked  Kind = "prompt"        // Prompt
	PromptDone   Kind = "prompt-answer" // Prompt with Answer
	CheckEnded   Kind = "check-ended"   // Check
	BenchFault   Kind = "fault"         // Fault
	// Unsafe: what could not be made safe, none if all was. With Guardian it is the
	// guardian's, written when the program was gone: the last event, also after RunEnded.
	MadeSafe     Kind = "made-safe"
	CausesRanked Kind = "causes"    // Causes, of a unit that failed
	RunEnded     Kind = "run-ended" // End
)

// Event is one thing that happened, one line of a journal.
type Event struct {
	Seq     int64     `json:"seq"` // 1, 2, 3, ... within a run
	Time    time.Time `json:"time"`
	Kind    Kind      `json:"kind"`
	Start   *Start    `json:"start,omitempty"`
	Check   *Check    `json:"check,omitempty"` // as far as known at that moment; Readings stays empty
	Reading *Reading  `json:"reading,omitempty"`
	Capture *Capture  `json:"capture,omitempty"`
	Prompt  *Prompt   `json:"prompt,omitempty"`
	Fault   *Fault    `json:"fault,omitempty"`
	End     *End      `json:"end,omitempty"`
	Causes  []Cause   `json:"causes,omitempty"` // the likeliest first
	Unsafe  []Unsafe  `json:"unsafe,omitempty"`
	Stood   []Stood   `json:"stood,omitempty"` // with MadeSafe: of the machines
	Clock   *Reason   `json:"clock,omitempty"`
	// what the guardian did: [GuardianSafe], [GuardianUnsafe] or [RunnerStuck]
	Guardian *Reason `json:"guardian,omitempty"`
	Text     string  `json:"text,omitempty"`
}

// Unit names the unit under test.
type Unit struct {
	SerialNumber string `json:"serial_number"`      // as scanned
	Product      string `json:"product"`            // name of the product, as in its plan
	Revision     string `json:"revision,omitempty"` // of the product
	Lot          string `json:"lot,omitempty"`      // production lot
	// Golden marks a golden unit: a known good handset that proves the bench.
	// It is not production and counts in no yield.
	Golden bool `json:"golden,omitempty"`
}

// Source is a file that decided how the run went, by content.
type Source struct {
	Name   string `json:"name"`   // as the bench file or command names it
	SHA256 string `json:"sha256"` // of its content, lower-case hex
}

// Start opens a run.
type Start struct {
	Run      string `json:"run"`                // unique: see [NewRunID]
	Station  string `json:"station"`            // name of the test station
	Nest     string `json:"nest"`               // place in the station for one unit
	Operator string `json:"operator,omitempty"` // who ran it, as given
	Unit     Unit   `json:"unit"`
	// 1 for a unit's first run at this station, 2 for the first retest, ...
	Attempt   int      `json:"attempt"`
	CycleTime float64  `json:"cycle_time,omitempty"` // s, how long the plan means a run to take
	Takt      float64  `json:"takt,omitempty"`       // s, of the station: the line wants one unit every so long
	Simulated bool     `json:"simulated,omitempty"`  // no hardware: the unit and bench were simulated
	Software  string   `json:"software"`             // version of the runner
	Sources   []Source `json:"sources,omitempty"`    // plan, limits, bench file
}

// Verdict is the judgement of a reading or a check.
type Verdict string

// The verdicts, from good to bad.
const (
	Pass         Verdict = "pass"
	Unlimited    Verdict = "unlimited"    // recorded, no limit exists: counts neither for nor against
	Inconclusive Verdict = "inconclusive" // the decision rule allows neither pass nor fail
	Fail         Verdict = "fail"
	Error        Verdict = "error" // not measured, or not a number that can be judged
)

// Outcome is how a run ended.
type Outcome string

// The outcomes. Only a run whose every check passed is Passed. A fault of the
// bench is Errored, never Failed.
const (
	Passed  Outcome = "passed"
	Failed  Outcome = "failed"
	Errored Outcome = "error"
	Aborted Outcome = "aborted"
)

// Check is a named item of the plan.
type Check struct {
	Name     string    `json:"name"`            // name in the plan
	About    string    `json:"about,omitempty"` // what it proves, in one sentence
	Part     string    `json:"part,omitempty"`  // of the handset's drawing
	Verdict  Verdict   `json:"verdict,omitempty"`
	Problem  *Reason   `json:"problem,omitempty"`  // why Error
	Skipped  []string  `json:"skipped,omitempty"`  // readings with a limit that did not come after it had failed
	Started  time.Time `json:"started,omitzero"`   // when it began
	Ended    time.Time `json:"ended,omitzero"`     // when it ended
	Readings []Reading `json:"readings,omitempty"` // in the order in which they were taken
	Notes    []string  `json:"notes,omitempty"`    // made by the plan during the check
	// Retaken are the readings of a check that was taken once more because it
	// had failed over a wire without a check sum. Only what failed both times
	// speaks against the unit; where nothing did, the check is an error.
	Retaken []Reading `json:"retaken,omitempty"`
}

// Reading is one measured value and its judgement.
type Reading struct {
	Check string `json:"check"` // name of the check it belongs to
	Name  string `json:"name"`  // name within the check
	Value Value  `json:"value"` // in Unit
	// Bound marks a value known from one side only: "more" (than Value) or
	// "less". Such a reading can fail a limit, and pass one only where every
	// value it allows would.
	Bound       string  `json:"bound,omitempty"`
	Unit        string  `json:"unit,omitempty"`        // UCUM without prefix: "A", "Hz", "s", "%", "dB", "1"
	Uncertainty float64 `json:"uncertainty,omitempty"` // expanded (k = 2), in Unit; 0 not stated
	Limit       *Limit  `json:"limit,omitempty"`
	// Conformance is the probability, 0 to 1, that the true value lies within
	// Limit (JCGM 106:2012), where Uncertainty is stated; it does not decide.
	Conformance *float64 `json:"conformance,omitempty"`
	Verdict     Verdict  `json:"verdict"`
	Problem     *Reason  `json:"problem,omitempty"` // why it could not be judged
	Cause       string   `json:"cause,omitempty"`   // likely cause, where it failed
	Inspect     string   `json:"inspect,omitempty"` // what to look at first
	Retake      bool     `json:"retake,omitempty"`  // of the check taken once more, see Check
}

// Limit is what a reading was judged by, in the reading's unit.
type Limit struct {
	Lower *float64 `json:"lower,omitempty"` // lowest value allowed
	Upper *float64 `json:"upper,omitempty"` // highest value allowed
	Equal *Value   `json:"equal,omitempty"`
	OneOf []Value  `json:"one_of,omitempty"` // or one of these values
	Rule  string   `json:"rule,omitempty"`   // decision rule: "simple", "guarded"
	Guard float64  `json:"guard,omitempty"`  // width of the guard band, in the reading's unit
	Why   string   `json:"why,omitempty"`    // why the limit is what it is
}

// Capture is raw data that goes with the report, as a file named by its
// content: attachments/<sha256>.<ext> beside the report.
type Capture struct {
	Check  string `json:"check"`            // name of the check it belongs to; "" the run: what a device was told and said
	Name   string `json:"name"`             // name within the check; the device
	Media  string `json:"media"`            // "audio/wav", "text/csv", "text/plain", "image/png", "image/jpeg"
	SHA256 string `json:"sha256,omitempty"` // "" when policy kept only the plot
	Size   int64  `json:"size,omitempty"`   // bytes
	Plot   *Plot  `json:"plot,omitempty"`
	// Pictures are small copies of a picture and of what it was compared with.
	Pictures []Picture `json:"pictures,omitempty"`
}

// Picture is a small copy of a picture, at most 400 pixels wide and 64 KiB, lasting
// even where the raw data are not kept.
type Picture struct {
	Role   string `json:"role"`   // "seen" or "reference"
	Name   string `json:"name"`   // device that took it, or file beside the plan
	Width  int    `json:"width"`  // pixels of the whole picture
	Height int    `json:"height"` // the same
	Media  string `json:"media"`  // of the copy: "image/png", "image/jpeg"
	Data   []byte `json:"data"`   // the copy
}

// Roles of a [Picture].
const (
	SeenPicture      = "seen"
	ReferencePicture = "reference"
)

// TalkMedia is the media type of what was said with a device: a line for each line
// said, with all control characters written out.
const TalkMedia = "text/plain"

// Plot is a small drawing of a capture: a few hundred points, lasting even
// where the raw data are not kept.
type Plot struct {
	Title  string   `json:"title,omitempty"` // what it shows
	XLabel string   `json:"x_label"`         // quantity and unit: "time / s"
	YLabel string   `json:"y_label"`         // the same for the other axis
	Series []Series `json:"series"`          // drawn over one another
}

// Series is one line of a plot; with Low, a band from Low to Y at each X (the
// envelope of a signal with more samples than the drawing has points).
type Series struct {
	Name string    `json:"name,omitempty"` // for the legend
	X    []float64 `json:"x"`              // in the unit of the x axis
	Y    []float64 `json:"y"`              // as many as X
	Low  []float64 `json:"low,omitempty"`  // as many as X, or none
}

// Prompt is a question to the operator and, once given, the answer.
type Prompt struct {
	ID      string   `json:"id"`                // names question and answer within the run
	Check   string   `json:"check,omitempty"`   // during which it was asked
	Text    string   `json:"text"`              // the question
	Kind    string   `json:"kind"`              // "confirm", "choose", "number", "text"
	Choices []string `json:"choices,omitempty"` // for "choose"
	Unit    string   `json:"unit,omitempty"`    // of the answer, for "number"
	Picture string   `json:"picture,omitempty"` // file beside the plan that shows what is meant
	Answer  *Value   `json:"answer,omitempty"`
	By      string   `json:"by,omitempty"` // who answered
}

// Fault is something wrong with the bench, not with the unit.
type Fault struct {
	Reason Reason `json:"reason"`          // what happened; see [Reason.OfPlan] for an error of the plan
	Check  string `json:"check,omitempty"` // during which it happened
	// AfterPlan: it came when the plan had ended by itself, from a device that
	// only reads. Every reading had been taken by then, so it speaks against
	// none of them; the bench needs attention before the next unit.
	AfterPlan bool `json:"after_plan,omitempty"`
}

// Unsafe is a device that can hurt people and could not be put into its safe
// state. One that only reads is never listed: it is a [Fault] at most.
type Unsafe struct {
	Device string `json:"device"` // its role in the bench file
	// what it can hurt with: "power", "motion", "radio"; none: nobody has said
	Drives []string `json:"drives,omitempty"`
	Kind   string   `json:"kind,omitempty"` // of the failure, see drivers.Kind
	Text   string   `json:"text,omitempty"` // the driver's words: "no reply in 1s"
}

// Stood is what making a machine safe has shown of its motion.
type Stood struct {
	Device  string  `json:"device"`        // its role in the bench file
	Known   bool    `json:"known"`         // it stands; else it may still move
	Seconds float64 `json:"seconds"`       // from the stop until that was known
	Cut     string  `json:"cut,omitempty"` // role of the output that took its power; "": it stopped by itself
}

// End closes a run.
type End struct {
	Outcome Outcome `json:"outcome"`
	Reason  *Reason `json:"reason,omitempty"` // nil: the readings say it
}

// Finite returns e without numbers that JSON cannot hold, see [Journal.Append].
func (e Event) Finite() Event {
	bad := func(x float64) bool { return math.IsNaN(x) || math.IsInf(x, 0) }
	if e.Start != nil && (bad(e.Start.CycleTime) || bad(e.Start.Takt)) {
		s := *e.Start
		for _, x := range []*float64{&s.CycleTime, &s.Takt} {
			if bad(*x) {
				*x = 0
			}
		}
		e.Start = &s
	}
	if rd := e.Reading; rd != nil {
		r := *rd
		var problem Code
		if x, ok := r.Value.Number(); ok && bad(x) {
			problem = notFinite(x)
			if r.Verdict == Unlimited {
				r.because(problem)
				problem = ""
			}
			e.Reading = &r
		}
		if bad(r.Uncertainty) {
			problem = BadUncertainty
			r.Uncertainty = 0
		}
		if l := r.Limit; l != nil {
			if bad(l.Guard) || l.Lower != nil && bad(*l.Lower) || l.Upper != nil && bad(*l.Upper) {
				problem = BadLimit
				r.Limit = nil
			}
		}
		if problem != "" {
			r.Verdict = Error
			r.because(problem)
			e.Reading = &r
		}
	}
	if c := e.Capture; c != nil && c.Plot != nil {
		capture, plot := *c, *c.Plot
		plot.Series = slices.Clone(plot.Series)
		for i := range plot.Series {
			plot.Series[i] = plot.Series[i].Finite()
		}
		capture.Plot = &plot
		e.Capture = &capture
	}
	return e
}

// because says why a reading is not judged, unless that is known already.
func (rd *Reading) because(c Code) {
	if rd.Problem == nil {
		rd.Problem = &Reason{Code: c}
	}
}

// notFinite is what a number is that is not finite.
func notFinite(x float64) Code {
	if math.IsNaN(x) {
		return NotANumber
	}
	return NotFinite
}

// Finite returns the series with equal numbers of X and Y (and Low), without
// the points that are not finite.
func (s Series) Finite() Series {
	bad := func(x float64) bool { return math.IsNaN(x) || math.IsInf(x, 0) }
	out := Series{Name: s.Name, X: []float64{}, Y: []float64{}}
	n := min(len(s.X), len(s.Y))
	if len(s.Low) > 0 {
		n = min(n, len(s.Low))
	}
	for i := range n {
		if bad(s.X[i]) || bad(s.Y[i]) || len(s.Low) > 0 && bad(s.Low[i]) {
			continue
		}
		out.X, out.Y = append(out.X, s.X[i]), append(out.Y, s.Y[i])
		if len(s.Low) > 0 {
			out.Low = append(out.Low, s.Low[i])
		}
	}
	return out
}

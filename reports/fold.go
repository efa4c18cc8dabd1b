package reports

import (
	"errors"
	"fmt"
	"math"
	"slices"
)

// rank orders verdicts from good to bad. A verdict that is none of the known
// words ranks as Error.
func (v Verdict) rank() int {
	switch v {
	case Pass:
		return 0
	case Unlimited:
		return 1
	case Inconclusive:
		return 2
	case Fail:
		return 3
	}
	return 4
}

// rank orders outcomes from good to bad; an unknown word ranks as Errored.
func (o Outcome) rank() int {
	switch o {
	case Passed:
		return 0
	case Failed:
		return 1
	case Aborted:
		return 3
	}
	return 2
}

func worse(a, b Verdict) Verdict {
	if b.rank() > a.rank() {
		return b
	}
	return a
}

// Validate says what makes an event meaningless: the part its kind promises
// is missing. Unknown kinds are refused, since a reader that skipped one might
// skip a failure.
func (e *Event) Validate() error {
	missing := func(absent bool) error {
		if absent {
			return fmt.Errorf("event %d: %s without its content", e.Seq, e.Kind)
		}
		return nil
	}
	switch e.Kind {
	case RunStarted:
		return missing(e.Start == nil)
	case CheckStarted, CheckRetaken, CheckEnded:
		return missing(e.Check == nil)
	case ReadingTaken:
		return missing(e.Reading == nil)
	case CaptureKept:
		return missing(e.Capture == nil)
	case PromptAsked, PromptDone:
		return missing(e.Prompt == nil)
	case BenchFault:
		return missing(e.Fault == nil)
	case RunEnded:
		return missing(e.End == nil)
	case CausesRanked:
		return missing(len(e.Causes) == 0)
	case ClockStepped:
		return missing(e.Clock == nil)
	case BenchReady, NoteMade, MadeSafe:
		return nil
	}
	return fmt.Errorf("event %d: unknown kind %.40q", e.Seq, string(e.Kind))
}

// Fold makes the report of a run from its events: all of them, in order, from
// RunStarted on. It is pure, and the only place where verdicts become an
// outcome:
//
//   - a reading that says pass without a value, without a limit, or with a
//     number outside its own limit is an error, and so is any limited reading
//     whose value is not finite;
//   - a check is as bad as its worst reading (pass, inconclusive, fail, error);
//     readings without a limit count as nothing, and a check that has no others
//     is Unlimited. What CheckEnded says can only make it worse. A check that
//     never ended is an error, and so is one that was retaken and did not fail
//     with the same reading both times;
//   - a run is as bad as its worst check (inconclusive counts as failed), and
//     Errored if the bench had a fault or could not be made safe. A fault that
//     says [Fault.AfterPlan] changes no outcome, and is believed only where no
//     check is open then and none begins later. The run is Passed only if it
//     ended so, nothing speaks against it and at least one reading passed;
//     otherwise the worse of what the readings say and what RunEnded says, in
//     the order passed, failed, error, aborted;
//   - events that stop before RunEnded make an Aborted run whose Reason is [Reason.CutShort],
//     because of what the guardian did if it did anything;
//   - only a Failed run has likely causes: of any other nothing is known that a
//     cause could explain. One whose confidence is not between 0 and 1 is left
//     out.
//
// An error means that the events are no run: none at all, not starting with
// RunStarted, numbers missing, an event after the end, an event without its
// content. The report returned with an error is empty.
func Fold(events []Event) (Report, error) {
	if len(events) == 0 {
		return Report{}, errors.New("fold: no events")
	}
	f := folder{open: -1}
	for i := range events {
		e := &events[i]
		if e.Seq != int64(i)+1 {
			return Report{}, fmt.Errorf("fold: event %d where %d should be", e.Seq, i+1)
		}
		if err := e.Validate(); err != nil {
			return Report{}, fmt.Errorf("fold: %w", err)
		}
		if (e.Kind == RunStarted) != (i == 0) {
			return Report{}, fmt.Errorf("fold: event %d is %s; a run starts once, with %s", e.Seq, e.Kind, RunStarted)
		}
		if f.end != nil && !e.byGuardian() {
			return Report{}, fmt.Errorf("fold: event %d (%s) after the run ended", e.Seq, e.Kind)
		}
		f.add(e)
	}
	r := f.finish()
	r.CutShort = r.WasCutShort()
	return r, nil
}

// byGuardian: it was written when the program was gone.
func (e *Event) byGuardian() bool { return e.Kind == MadeSafe && e.Guardian != nil }

type folder struct {
	r     Report
	given []given // what CheckEnded said, by index of r.Checks
	open  int     // index of the check that is under way, -1 none
	end   *End
}

type given struct {
	ended   bool
	retaken bool
	verdict Verdict
}

func (f *folder) add(e *Event) {
	r := &f.r
	r.Events, r.Ended = e.Seq, e.Time
	switch e.Kind { // the plan goes on: no fault so far came after it
	case CheckStarted, CheckRetaken, CheckEnded, ReadingTaken, PromptAsked, PromptDone:
		for i := range r.Faults {
			r.Faults[i].AfterPlan = false
		}
	}
	switch e.Kind {
	case RunStarted:
		r.Schema, r.Start, r.Started = Schema, *e.Start, e.Time
	case ClockStepped:
		r.Clock = append(r.Clock, *e.Clock)
	case BenchReady:
		r.Bench = e.Text
	case CheckStarted:
		f.open = f.begin(*e.Check)
		r.Checks[f.open].Started = e.Time
	case ReadingTaken:
		i := f.find(e.Reading.Check)
		rd := *e.Reading
		rd.distrust()
		if rd.Retake {
			f.given[i].retaken = true
			r.Checks[i].Retaken = append(r.Checks[i].Retaken, rd)
			break
		}
		r.Checks[i].Readings = append(r.Checks[i].Readings, rd)
	case CheckRetaken:
		f.given[f.find(e.Check.Name)].retaken = true
	case NoteMade:
		switch {
		case e.Check != nil:
			i := f.find(e.Check.Name)
			r.Checks[i].Notes = append(r.Checks[i].Notes, e.Text)
		case f.open >= 0:
			r.Checks[f.open].Notes = append(r.Checks[f.open].Notes, e.Text)
		default:
			r.Notes = append(r.Notes, e.Text)
		}
	case CaptureKept:
		r.Captures = append(r.Captures, *e.Capture)
	case PromptAsked:
		r.Prompts = append(r.Prompts, *e.Prompt)
	case PromptDone:
		for i := len(r.Prompts) - 1; i >= 0; i-- {
			if r.Prompts[i].ID == e.Prompt.ID && r.Prompts[i].Answer == nil {
				r.Prompts[i].Answer, r.Prompts[i].By = e.Prompt.Answer, e.Prompt.By
				return
			}
		}
		r.Prompts = append(r.Prompts, *e.Prompt)
	case CheckEnded:
		i := f.find(e.Check.Name)
		c, g := &r.Checks[i], &f.given[i]
		c.Ended, g.ended = e.Time, true
		v := e.Check.Verdict
		c.Skipped = append(c.Skipped, e.Check.Skipped...)
		if e.Check.Problem != nil {
			c.Problem = e.Check.Problem
			if v.rank() < Inconclusive.rank() || v == "" {
				v = Error // a problem is never compatible with a pass
			}
		}
		if v != "" {
			g.verdict = worse(g.verdict, v)
		}
		if f.open == i {
			f.open = -1
		}
	case BenchFault:
		fault := *e.Fault
		fault.AfterPlan = fault.AfterPlan && f.open < 0
		r.Faults = append(r.Faults, fault)
	case MadeSafe:
		if e.Guardian != nil {
			r.Guardian, r.Unsafe = e.Guardian, nil // it tried again all that the program may have tried
		}
		r.Unsafe = append(r.Unsafe, e.Unsafe...)
		r.Stood = append(r.Stood, e.Stood...)
	case CausesRanked:
		r.Causes = distrust(e.Causes)
	case RunEnded:
		f.end = e.End
	}
}

func (f *folder) begin(c Check) int {
	f.r.Checks = append(f.r.Checks, Check{Name: c.Name, About: c.About, Part: c.Part})
	f.given = append(f.given, given{verdict: Pass})
	return len(f.r.Checks) - 1
}

// find returns the latest check of that name; an event for a check that never
// started makes one, so that nothing it says is lost.
func (f *folder) find(name string) int {
	for i := len(f.r.Checks) - 1; i >= 0; i-- {
		if f.r.Checks[i].Name == name {
			return i
		}
	}
	return f.begin(Check{Name: name})
}

// distrust turns a pass that contradicts its own reading into an error.
func (rd *Reading) distrust() {
	var problem Code
	switch x, isNumber := rd.Value.Number(); {
	case rd.Verdict.rank() == 4 && rd.Verdict != Error:
		if rd.Problem == nil {
			rd.Problem = &Reason{Code: UnknownVerdict, Text: Brief(string(rd.Verdict), 40)}
		}
		rd.Verdict = Error
		return
	case math.IsNaN(rd.Uncertainty) || math.IsInf(rd.Uncertainty, 0):
		problem = BadUncertainty
	case rd.Verdict != Unlimited && isNumber && (math.IsNaN(x) || math.IsInf(x, 0)):
		problem = notFinite(x)
	case rd.Verdict != Pass:
		return
	case rd.Value.IsNone():
		problem = PassedWithoutValue
	case rd.Limit == nil:
		problem = PassedWithoutLimit
	case isNumber && !rd.Limit.admits(x):
		problem = PassedOutside
	}
	if problem == "" || rd.Verdict == Error {
		return
	}
	rd.Verdict = Error
	rd.because(problem)
}

// admits reports whether x lies within the limit, but for the rounding of a
// conversion of units (one part in 1e9).
func (l *Limit) admits(x float64) bool {
	slack := func(limit float64) float64 { return 1e-9 * math.Abs(limit) }
	if l.Lower != nil && !(x >= *l.Lower-slack(*l.Lower)) {
		return false
	}
	if l.Upper != nil && !(x <= *l.Upper+slack(*l.Upper)) {
		return false
	}
	return true
}

// judge is the check's verdict by its readings alone.
func (c *Check) judge() Verdict {
	v, judged := Pass, false
	for _, rd := range c.Readings {
		if rd.Verdict != Unlimited {
			v, judged = worse(v, rd.Verdict), true
		}
	}
	for _, rd := range c.Retaken { // can only make it worse
		if rd.Verdict == Error {
			v, judged = Error, true
		}
	}
	if !judged {
		return Unlimited
	}
	return v
}

// broken names the readings that failed, the first time.
func (c *Check) broken() []string {
	var list []string
	for _, rd := range c.Readings {
		if rd.Verdict == Fail || rd.Verdict == Inconclusive {
			list = append(list, rd.Name)
		}
	}
	return list
}

// Repeated names the readings of a retaken check that failed both times.
func (c *Check) Repeated() []string {
	failed := map[string]bool{}
	for _, rd := range c.Retaken {
		failed[rd.Name] = failed[rd.Name] || rd.Verdict == Fail || rd.Verdict == Inconclusive
	}
	return slices.DeleteFunc(c.broken(), func(name string) bool { return !failed[name] })
}

func (f *folder) finish() Report {
	r := &f.r
	if r.Checks == nil {
		r.Checks = []Check{} // "checks": [] rather than null
	}
	for i := range r.Checks {
		c, g := &r.Checks[i], f.given[i]
		c.Verdict = worse(c.judge(), g.verdict)
		if g.retaken && len(c.Repeated()) == 0 {
			c.Verdict = Error
			if c.Problem == nil {
				c.Problem = &Reason{Code: TakesDiffer, Check: c.Name, Readings: c.broken()}
			}
		}
		if !g.ended {
			c.Verdict = Error
			if c.Problem == nil {
				c.Problem = &Reason{Code: CheckOpen}
			}
		}
	}
	out, why := r.implied()
	r.Outcome, r.Reason = out, why
	switch {
	case f.end == nil:
		r.Outcome, r.Reason = Aborted, &Reason{Code: CutBefore}
		if f.open >= 0 {
			r.Reason = &Reason{Code: CutDuring, Check: r.Checks[f.open].Name}
		} else if n := len(r.Checks); n > 0 {
			r.Reason = &Reason{Code: CutAfter, Check: r.Checks[n-1].Name}
		}
		if r.Guardian != nil {
			r.Reason.Because = []Reason{*r.Guardian}
		}
	case f.end.Outcome.rank() >= out.rank():
		r.Outcome = f.end.Outcome
		if r.Outcome.rank() == Errored.rank() {
			r.Outcome = Errored // also for a word that is no outcome
		}
		if f.end.Reason != nil {
			r.Reason = f.end.Reason
		}
	}
	if r.Outcome != Failed {
		r.Causes = nil
	}
	return *r
}

// implied is the best outcome that the checks, faults and devices left unsafe
// allow, and why it is no better.
func (r *Report) implied() (out Outcome, reason *Reason) {
	out = Passed
	set := func(o Outcome, why Reason) {
		if o.rank() > out.rank() {
			out, reason = o, &why
		}
	}
	for _, ft := range r.Faults { // first: a fault explains the checks it spoiled
		if ft.AfterPlan {
			continue
		}
		set(Errored, ft.Reason)
	}
	passes := 0
	for i := range r.Checks {
		c := &r.Checks[i]
		for _, rd := range c.Readings {
			if rd.Verdict == Pass {
				passes++
			}
		}
		switch {
		case c.Verdict == Error:
			set(Errored, Reason{Code: NotJudged, Check: c.Name, Because: c.firstProblem()})
		case c.Verdict.rank() >= Inconclusive.rank():
			set(Failed, c.firstFailure())
		}
	}
	if len(r.Unsafe) > 0 {
		set(Errored, UnsafeReason(r.Unsafe))
	}
	if passes == 0 && out == Passed {
		set(Errored, Reason{Code: NothingJudged})
	}
	return out, reason
}

// firstProblem is why the check could not be judged, none where nobody says.
func (c *Check) firstProblem() []Reason {
	if c.Problem != nil {
		return []Reason{*c.Problem}
	}
	for _, rd := range c.Readings {
		if rd.Verdict == Error {
			why := Reason{Code: NotMeasured, Readings: []string{rd.Name}}
			if rd.Problem != nil {
				why.Because = []Reason{*rd.Problem}
			}
			return []Reason{why}
		}
	}
	return nil
}

func (c *Check) firstFailure() Reason {
	repeated := c.Repeated()
	for _, want := range []Verdict{Fail, Inconclusive} {
		for _, rd := range c.Readings {
			if rd.Verdict == want && (len(repeated) == 0 || slices.Contains(repeated, rd.Name)) {
				e := EvidenceOf(rd, Outside, rd.Limit)
				return Reason{Code: Missed, Evidence: &e}
			}
		}
	}
	why := Reason{Code: CheckFailed, Check: c.Name}
	if c.Problem != nil {
		why.Because = []Reason{*c.Problem}
	}
	return why
}

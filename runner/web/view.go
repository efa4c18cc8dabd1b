package web

import (
	"slices"
	"strings"
	"time"

	"fullthrow/reports"
)

// State of a check on the page, and of the part of the handset it belongs to.
const (
	checkTodo   = "todo"
	checkNow    = "now"
	checkKept   = "kept"
	checkBroken = "broken"
	checkDoubt  = "doubt"
	checkFault  = "fault"  // the bench could not measure: says nothing of the unit
	checkUnseen = "unseen" // the run ended before it
	checkNoted  = "noted"  // has readings, but no limit
)

// runView is a run as the page shows it: the fold of its events as far as they
// are on the disk. Outcome stays empty until the report is sealed: nothing is
// called passed before.
type runView struct {
	start    reports.Start
	begun    time.Time // by the machine's clock
	started  time.Time // by the station's
	ended    time.Time
	checks   []checkView
	seq      int64
	readings int
	last     *reports.Reading
	broken   []reports.Reading // that keep it from passing
	prompts  []promptView
	faults   []reports.Fault
	causes   []reports.Cause
	unsafe   []reports.Unsafe
	clock    []reports.Reason // how it was set before the run, or during it
	cutShort bool             // it broke a limit and was then cut short
	closing  bool             // the last event was seen, the seal not yet

	outcome reports.Outcome
	reason  *reports.Reason
	failure string // why there is no report
	next    step
}

// checkView is one check of the plan in a run.
type checkView struct {
	name, about, part string
	state             string
	problem           *reports.Reason
}

// promptView is a question that is open, or was.
type promptView struct {
	reports.Prompt
	asked    time.Time
	answered bool
}

// newRun is the view of a run that begins.
func newRun(plan []Check, start reports.Start, at time.Time) *runView {
	v := &runView{start: start, begun: time.Now(), started: at}
	for _, c := range plan {
		v.checks = append(v.checks, checkView{name: c.Name, about: c.About, part: c.Part, state: checkTodo})
	}
	return v
}

// tell folds one event in, and reports whether what the page shows is other
// than before, beyond the count of readings.
func (v *runView) tell(e reports.Event) (changed bool) {
	v.seq = e.Seq
	switch e.Kind {
	case reports.CheckStarted:
		c := v.check(*e.Check)
		c.state, v.last = checkNow, nil
	case reports.ReadingTaken:
		if e.Reading.Retake {
			return false // what failed the first time is shown already
		}
		v.readings++
		r := *e.Reading
		v.last = &r
		if breaks(r.Verdict) {
			v.broken = append(v.broken, r)
			return true
		}
		return false
	case reports.PromptAsked:
		v.prompts = append(v.prompts, promptView{Prompt: *e.Prompt, asked: time.Now()})
	case reports.PromptDone:
		for i := range v.prompts {
			if v.prompts[i].ID == e.Prompt.ID {
				v.prompts[i].Prompt, v.prompts[i].answered = *e.Prompt, true
			}
		}
	case reports.CheckEnded:
		c := v.check(*e.Check)
		c.state, c.problem = stateOf(e.Check.Verdict), e.Check.Problem
	case reports.BenchFault:
		v.faults = append(v.faults, *e.Fault)
	case reports.ClockStepped:
		v.clock = append(v.clock, *e.Clock)
	case reports.MadeSafe:
		v.unsafe = append(v.unsafe, e.Unsafe...)
	case reports.CausesRanked:
		v.causes = e.Causes
	case reports.RunEnded:
		v.closing, v.ended = true, e.Time
	default:
		return false
	}
	return true
}

// check finds a check by its name; one that the plan did not announce comes
// behind the others.
func (v *runView) check(c reports.Check) *checkView {
	i := slices.IndexFunc(v.checks, func(k checkView) bool { return k.name == c.Name })
	if i < 0 {
		v.checks = append(v.checks, checkView{name: c.Name, state: checkTodo})
		i = len(v.checks) - 1
	}
	k := &v.checks[i]
	if c.About != "" {
		k.about = c.About
	}
	if c.Part != "" {
		k.part = c.Part
	}
	return k
}

// seal takes the report over: it decides.
func (v *runView) seal(r reports.Report) {
	v.start, v.started, v.ended = r.Start, r.Started, r.Ended
	v.outcome, v.reason = r.Outcome, r.Reason
	v.causes, v.faults, v.unsafe = r.Causes, r.Faults, r.Unsafe
	v.clock, v.cutShort = r.Clock, r.WasCutShort()
	v.closing, v.broken = false, nil
	for i := range v.prompts {
		v.prompts[i].answered = true
	}
	for _, c := range r.Checks {
		k := v.check(c)
		k.state, k.problem = stateOf(c.Verdict), c.Problem
		if c.Ended.IsZero() && c.Verdict == "" {
			k.state = checkUnseen
		}
		for _, rd := range c.Readings {
			if breaks(rd.Verdict) {
				v.broken = append(v.broken, rd)
			}
		}
	}
	for i := range v.checks {
		if v.checks[i].state == checkTodo || v.checks[i].state == checkNow {
			v.checks[i].state = checkUnseen
		}
	}
}

// sealedRun is the view of a run that ended before this server began.
func sealedRun(plan []Check, r reports.Report) *runView {
	v := newRun(plan, r.Start, r.Started)
	v.begun = r.Started
	v.seal(r)
	return v
}

// clone is a copy that later events do not change.
func (v *runView) clone() *runView {
	if v == nil {
		return nil
	}
	c := *v
	c.checks, c.broken, c.prompts = slices.Clone(v.checks), slices.Clone(v.broken), slices.Clone(v.prompts)
	c.faults = slices.Clone(v.faults)
	return &c
}

// open is the oldest question without an answer, nil if there is none.
func (v *runView) open() *promptView {
	for i := range v.prompts {
		if !v.prompts[i].answered {
			return &v.prompts[i]
		}
	}
	return nil
}

// now is the check that is on, nil between two.
func (v *runView) now() *checkView {
	for i := range v.checks {
		if v.checks[i].state == checkNow {
			return &v.checks[i]
		}
	}
	return nil
}

// explained is the likeliest cause that explains a reading of the check, nil if
// none does.
func (v *runView) explained(check string) *reports.Cause {
	for i, c := range v.causes {
		for _, e := range c.Explains {
			if name, _, _ := strings.Cut(e, "."); name == check {
				return &v.causes[i]
			}
		}
	}
	return nil
}

// severity orders the states of a part that several checks share.
var severity = []string{checkTodo, checkUnseen, checkNoted, checkKept, checkDoubt, checkFault, checkBroken, checkNow}

// parts is the state of each part of the handset. A check that failed points at
// the part of its likeliest cause too, which may be narrower than its own.
func (v *runView) parts() map[string]string {
	out := map[string]string{}
	for _, c := range v.checks {
		if was, seen := out[c.part]; !seen || slices.Index(severity, c.state) > slices.Index(severity, was) {
			out[c.part] = c.state
		}
		if cause := v.explained(c.name); cause != nil && c.state == checkBroken {
			out[cause.Part] = checkBroken
		}
	}
	delete(out, "")
	return out
}

// stateOf is a check's verdict as the page shows it.
func stateOf(v reports.Verdict) string {
	switch v {
	case reports.Pass:
		return checkKept
	case reports.Fail:
		return checkBroken
	case reports.Inconclusive:
		return checkDoubt
	case reports.Unlimited:
		return checkNoted
	case reports.Error:
		return checkFault
	}
	return checkUnseen
}

// breaks reports whether a reading with this verdict keeps a unit from passing.
func breaks(v reports.Verdict) bool {
	return v == reports.Fail || v == reports.Inconclusive || v == reports.Error
}

package station

import (
	"context"
	"errors"
	"fmt"
	"reflect"
	"slices"
	"sync"
	"time"

	"fullthrow/drivers"
	"fullthrow/reports"
	"fullthrow/reports/archive"
	"fullthrow/runner/limits"
	"fullthrow/runner/script"
)

// recorder judges what the plan says and writes it to the journal. Once
// abandoned (a stuck script may come back to life) it refuses everything.
type recorder struct {
	nest    *Nest
	unit    reports.Unit
	journal journal
	// archived is the journal on disk; nil in a rehearsal, which keeps nothing.
	archived *archive.Journal
	memory   *memoryUse    // of the run; nil until the plan begins
	began    moment        // by the clock as the record has it: see [recorder.now]
	stepped  time.Duration // what was done to the wall clock since, as far as it is on record

	mu        sync.Mutex
	abandoned bool
	current   string                     // check that is on
	have      map[string]reports.Verdict // readings of the check that is on
	first     map[string]reports.Verdict // the same, before it was retaken; nil: it was not
	verdicts  []reports.Verdict          // of the checks that ended
	asked     int                        // questions so far
	readings  []reports.Reading          // of all checks, judged: what the likely causes go by
	captures  []pending
	copied    int             // bytes of the copies of pictures in the report
	files     int             // bytes of the pictures that wait for the outcome
	faults    []reports.Fault // of the bench, so far
	failure   error           // first failure to write the record
}

// journal takes down the events of a run: [*reports.Journal] on disk,
// [*reports.Draft] in memory.
type journal interface {
	Append(reports.Event) error
}

// pending is a capture whose raw data wait for the outcome: most units pass,
// and writing their captures as files is a good part of a run's cost.
type pending struct {
	capture reports.Capture
	raw     any
}

var errAbandoned = errors.New("the run was ended without this script")

// event appends e, remembering the first failure: a run that could not be
// recorded must not look like one that was.
func (r *recorder) event(e reports.Event) error {
	if e.Time.IsZero() {
		e.Time = r.now()
	}
	if r.nest.Wall != nil && e.Kind != reports.ClockStepped {
		all := r.nest.Wall().Sub(r.now())
		if d := all - r.stepped; d.Abs() >= clockNoted {
			r.stepped = all
			r.event(reports.Event{Kind: reports.ClockStepped,
				Clock: clockReason(d, reports.ClockBackIn, reports.ClockAheadIn)})
		}
	}
	if err := r.journal.Append(e); err != nil {
		if r.failure == nil {
			r.failure = err
		}
		return err
	}
	return nil
}

// now is the present moment as the record has it: when the run began by the wall
// clock, and the time that went by since.
func (r *recorder) now() time.Time { return r.began.at(r.nest.Clock.Now()) }

// leave says that the run is on record.
func (r *recorder) leave() {
	if r.memory != nil {
		r.memory.sealed()
	}
}

func (r *recorder) abandon() {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.abandoned = true
}

// enter locks the recorder for a call from the script.
func (r *recorder) enter() error {
	r.mu.Lock()
	if r.abandoned {
		r.mu.Unlock()
		return errAbandoned
	}
	return nil
}

// CheckStarted implements [script.Recorder].
func (r *recorder) CheckStarted(c script.Check) error {
	if err := r.enter(); err != nil {
		return err
	}
	defer r.mu.Unlock()
	r.current = c.Name
	r.have, r.first = map[string]reports.Verdict{}, nil
	now := r.now()
	return r.event(reports.Event{Kind: reports.CheckStarted, Time: now,
		Check: &reports.Check{Name: c.Name, About: c.About, Part: c.Part, Started: now}})
}

// Reading implements [script.Recorder].
func (r *recorder) Reading(in script.Reading) (reports.Verdict, error) {
	if err := r.enter(); err != nil {
		return reports.Error, err
	}
	defer r.mu.Unlock()
	reading := r.nest.Limits.Judge(in.Check, in.Name, limits.Indication{Value: in.Value, Unit: in.Unit, Bound: in.Bound,
		Uncertainty: in.Uncertainty})
	r.have[in.Name] = reading.Verdict
	if reading.Retake = r.first != nil; !reading.Retake {
		r.readings = append(r.readings, reading)
	}
	return reading.Verdict, r.event(reports.Event{Kind: reports.ReadingTaken, Reading: &reading})
}

// Note implements [script.Recorder].
func (r *recorder) Note(check, text string) error {
	if err := r.enter(); err != nil {
		return err
	}
	defer r.mu.Unlock()
	e := reports.Event{Kind: reports.NoteMade, Text: text}
	if check != "" {
		e.Check = &reports.Check{Name: check}
	}
	return r.event(e)
}

// Keep implements [script.Recorder].
func (r *recorder) Keep(check, name string, capture any) error {
	if err := r.enter(); err != nil {
		return err
	}
	defer r.mu.Unlock()
	if r.archived == nil {
		return nil
	}
	if r.first != nil {
		name += "_retake"
	}
	c := reports.Capture{Check: check, Name: name, Plot: plot(name, capture)}
	if seen, reference, ok := pictures(capture); ok {
		var err error
		if capture, err = r.small(&c, seen, reference); err != nil {
			return fmt.Errorf("keep %s: %w", name, err)
		}
	}
	r.captures = append(r.captures, pending{c, capture})
	return nil
}

// Retake implements [script.Retaker]: a check that failed is taken once more
// where what it read may have been damaged on a wire without a check sum. A
// defect of the unit shows again; damage hits elsewhere.
func (r *recorder) Retake(check string) (again bool, _ error) {
	if e := r.enter(); e != nil {
		return false, e
	}
	defer r.mu.Unlock()
	if v := worst(r.have); len(r.nest.Unchecked) == 0 || v != reports.Fail && v != reports.Inconclusive {
		return false, nil
	}
	r.first, r.have = r.have, map[string]reports.Verdict{}
	return true, r.event(reports.Event{Kind: reports.CheckRetaken, Check: &reports.Check{Name: check}})
}

// repeated says whether a reading failed both before and after a retake. The
// others of the first time are named.
func (r *recorder) repeated() (yes bool, names []string) {
	failed := func(v reports.Verdict) bool { return v == reports.Fail || v == reports.Inconclusive }
	for name, v := range r.first {
		if failed(v) {
			names = append(names, name)
			yes = yes || failed(r.have[name])
		}
	}
	slices.Sort(names)
	return yes, names
}

// CheckEnded implements [script.Recorder]. A limit whose reading never came
// means that the check did not measure what it must: an error, unless the
// check had already failed and so had reason to end early.
func (r *recorder) CheckEnded(check string, err error) (stop bool, _ error) {
	if e := r.enter(); e != nil {
		return true, e
	}
	defer r.mu.Unlock()
	have := r.have
	if r.first != nil {
		have = r.first // what came the first time stands; see below
	}
	ended := reports.Check{Name: check, Ended: r.now(), Verdict: worst(have)}
	var missing []string
	for _, name := range r.nest.Limits.Expected(check) {
		if _, ok := have[name]; !ok {
			missing = append(missing, name)
		}
	}
	switch {
	case err != nil:
		why := reasonOf(err)
		ended.Verdict, ended.Problem = reports.Error, &why
	case len(missing) > 0 && ended.Verdict != reports.Fail:
		ended.Verdict = reports.Error
		ended.Problem = &reports.Reason{Code: reports.NoReading, Readings: missing}
	case len(missing) > 0:
		ended.Skipped = missing
	}
	if r.first != nil && err == nil {
		if worst(r.have) == reports.Error {
			ended.Verdict = reports.Error
		}
		if yes, names := r.repeated(); !yes {
			why := reports.Reason{Code: reports.TakesDiffer, Check: check, Readings: names}
			ended.Verdict, ended.Problem, stop = reports.Error, &why, true
			f := reports.Fault{Reason: why, Check: check}
			r.faults = append(r.faults, f)
			if err := r.event(reports.Event{Kind: reports.BenchFault, Fault: &f}); err != nil {
				return true, err
			}
		}
	}
	r.verdicts = append(r.verdicts, ended.Verdict)
	r.current = ""
	for _, c := range r.nest.Plan.Checks {
		if c.Name == check && c.Vital && ended.Verdict != reports.Pass {
			stop = true
		}
	}
	return stop, r.event(reports.Event{Kind: reports.CheckEnded, Time: ended.Ended, Check: &ended})
}

// worst is the verdict of a check from those of its readings. A check with no
// judged reading has proved nothing.
func worst(have map[string]reports.Verdict) reports.Verdict {
	order := map[reports.Verdict]int{reports.Unlimited: 0, reports.Pass: 1, reports.Inconclusive: 2, reports.Fail: 3,
		reports.Error: 4}
	w := reports.Unlimited
	for _, v := range have {
		if order[v] > order[w] {
			w = v
		}
	}
	return w
}

// outcome is what the checks say together. [reports.Fold] judges once more
// from the events and takes the worse.
func (r *recorder) outcome() reports.End {
	out, passed := reports.Passed, false
	for _, v := range r.verdicts {
		switch v {
		case reports.Pass:
			passed = true
		case reports.Error:
			return reports.End{Outcome: reports.Errored}
		case reports.Fail, reports.Inconclusive:
			out = reports.Failed
		}
	}
	if left := len(r.verdicts); out == reports.Passed && left < len(r.nest.Plan.Checks) {
		why := reports.Reason{Code: reports.LeftOut}
		for _, c := range r.nest.Plan.Checks[left:] {
			why.Readings = append(why.Readings, c.Name)
		}
		return reports.End{Outcome: reports.Errored, Reason: &why}
	}
	if out == reports.Passed && !passed {
		return reports.End{Outcome: reports.Errored} // nothing was judged
	}
	return reports.End{Outcome: out}
}

// ask puts the question into the journal, to the operator, and the answer into
// the journal.
func (r *recorder) ask(ctx context.Context, p reports.Prompt) (reports.Value, error) {
	if r.nest.Ask == nil {
		return reports.Value{}, &Fault{Why: reports.Reason{Code: reports.NobodyAsked, Text: p.Text}}
	}
	if err := r.enter(); err != nil {
		return reports.Value{}, err
	}
	r.asked++
	p.ID = fmt.Sprintf("q%d", r.asked)
	err := r.event(reports.Event{Kind: reports.PromptAsked, Prompt: &p})
	r.mu.Unlock()
	if err != nil {
		return reports.Value{}, err
	}
	answer, by, err := r.nest.Ask(ctx, p)
	if err != nil {
		return reports.Value{}, err
	}
	if err := r.enter(); err != nil {
		return reports.Value{}, err
	}
	defer r.mu.Unlock()
	p.Answer, p.By = &answer, by
	return answer, r.event(reports.Event{Kind: reports.PromptDone, Prompt: &p})
}

// fault records what was wrong with the bench, each part of a joined error by
// itself. An abort is no fault.
func (r *recorder) fault(err error, check string) {
	if err == nil {
		return
	}
	if j, ok := err.(interface{ Unwrap() []error }); ok {
		for _, e := range j.Unwrap() {
			r.fault(e, check)
		}
		return
	}
	var a *Abort
	var notReady *NotReady
	if errors.As(err, &a) || errors.As(err, &notReady) {
		return
	}
	f := reports.Fault{Reason: reasonOf(err), Check: check}
	r.mu.Lock()
	defer r.mu.Unlock()
	r.faults = append(r.faults, f)
	r.event(reports.Event{Kind: reports.BenchFault, Fault: &f})
}

// safe records what came of making safe: each device that failed as a fault of
// the bench, unless it is on record already, and then those that can hurt.
// planned: the plan had ended by itself before.
func (r *recorder) safe(made Safety, planned bool) {
	r.mu.Lock()
	defer r.mu.Unlock()
	for _, m := range made.Failed() {
		f := reports.Fault{Reason: reasonOf(m.Err)}
		same := func(g reports.Fault) bool { return reflect.DeepEqual(g.Reason, f.Reason) }
		if slices.ContainsFunc(r.faults, same) {
			continue
		}
		f.AfterPlan = planned && !drivers.CanHurt(m.Drives)
		r.faults = append(r.faults, f)
		r.event(reports.Event{Kind: reports.BenchFault, Fault: &f})
	}
	r.event(reports.Event{Kind: reports.MadeSafe, Unsafe: made.Record(), Stood: made.Stood()})
}

// seal writes the captures that are to be kept, the end, and the sealed
// report.
func (r *recorder) seal(end reports.End) (archive.Sealed, error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.end(end)
	sealed, err := r.archived.Seal()
	if err != nil {
		return archive.Sealed{}, fmt.Errorf("nest %s: seal the report: %w", r.nest.Name, err)
	}
	return sealed, nil
}

// end takes down the captures that are to be kept and the end. If anything of
// the run could not be recorded the outcome is error. The caller holds mu.
func (r *recorder) end(end reports.End) {
	keep := r.nest.Config.Keep == KeepAll || r.nest.Config.Keep == KeepFailed && end.Outcome != reports.Passed
	var zero time.Time
	r.said()
	for _, p := range r.captures {
		if t := beginning(p.raw); zero.IsZero() || !t.IsZero() && t.Before(zero) {
			zero = t
		}
	}
	for _, p := range r.captures {
		c := p.capture
		_, talk := p.raw.(said)
		if p.raw != nil && (keep || talk && r.nest.Config.Keep != KeepNone) {
			if err := r.attach(&c, p.raw, zero); err != nil && r.failure == nil {
				r.failure = err
			}
		}
		r.event(reports.Event{Kind: reports.CaptureKept, Capture: &c})
	}
	if r.failure != nil && end.Outcome != reports.Aborted {
		why := archive.Unrecorded(r.failure)
		end = reports.End{Outcome: reports.Errored, Reason: &why}
	}
	if end.Outcome == reports.Failed { // a fault of the bench or a stop says nothing about the unit
		if list := r.nest.Causes.Rank(r.readings); len(list) > 0 {
			r.event(reports.Event{Kind: reports.CausesRanked, Causes: list})
		}
	}
	r.event(reports.Event{Kind: reports.RunEnded, End: &end})
}

// said is what was said with a device: see [drivers.Talk.Text].
type said string

// said puts what was said with each device that speaks beside the captures, of no
// check: it is kept also of a unit that passed, unless nothing is. The caller holds mu.
func (r *recorder) said() {
	if r.archived == nil {
		return
	}
	for _, role := range r.nest.roles() {
		if d, ok := r.nest.Devices[role].(drivers.Talker); ok {
			if text := d.Talk().Text(); text != "" {
				r.captures = append(r.captures, pending{reports.Capture{Name: role, Media: reports.TalkMedia}, said(text)})
			}
		}
	}
}

// attach writes the raw data of a capture beside the report, its times counted
// from zero.
func (r *recorder) attach(c *reports.Capture, raw any, zero time.Time) error {
	ext, media, data, err := encode(raw, zero, r.nest.Sound)
	if err != nil {
		return fmt.Errorf("keep %s: %w", c.Name, err)
	}
	c.Media = media
	c.SHA256, c.Size, err = r.archived.Attach(ext, data)
	return err
}

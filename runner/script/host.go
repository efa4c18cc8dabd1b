package script

import (
	"context"
	"errors"
	"fmt"
	"sync/atomic"
	"time"

	lua "github.com/yuin/gopher-lua"

	"fullthrow/drivers"
	"fullthrow/reports"
)

// Host is what a run may use. Clock and Recorder are required.
type Host struct {
	Clock    drivers.Clock
	Devices  map[string]drivers.Device // by role: bench.<role>
	Recorder Recorder
	Unit     reports.Unit // that is tested: unit.serial_number and so on
	// Ask puts a question to the operator and waits for the answer. Nil: ask
	// is an error.
	Ask func(ctx context.Context, p reports.Prompt) (reports.Value, error)
	// Wall is how long Lua may compute in one check, in wall time, waits not
	// counted. 0: 20 s.
	Wall time.Duration
	// Memory is how much a run may take, in bytes; see the package comment. 0:
	// 128 MiB.
	Memory int64
}

// Defaults of [Host].
const (
	DefaultWall   = 20 * time.Second
	DefaultMemory = 128 << 20
)

// Recorder takes what a run finds. Its calls come one at a time; no Lua runs
// during one, so they should not take long. An error from any of them ends the
// run.
type Recorder interface {
	CheckStarted(c Check) error
	// Reading judges and records.
	Reading(r Reading) (reports.Verdict, error)
	Note(check, text string) error
	// Keep takes a drivers.Samples, drivers.Frames, drivers.Path, drivers.Picture,
	// Compared or []float64.
	Keep(check, name string, capture any) error
	// CheckEnded gets nil or an *Error. stop true ends the plan without error.
	CheckEnded(check string, err error) (stop bool, e error)
}

// Retaker is a Recorder that may want a check once more before it ends: it is
// asked when the check's function has returned.
type Retaker interface {
	Retake(check string) (again bool, e error)
}

// Reading is one value as the plan took it, not yet judged.
type Reading struct {
	Check, Name string
	Value       reports.Value // none when the plan had nil: never a pass
	Unit        string        // as written: "A", "uA"; "" for booleans and texts
	Bound       string        // "", "more" or "less": see reports.Reading
	Uncertainty float64       // expanded (k = 2), in Unit, >= 0; 0 not stated
	File        string
	Line        int
}

// run is one execution of a plan.
type run struct {
	plan   *Plan
	host   Host
	main   *task
	lock   chan struct{} // held while in Lua
	budget budget
	ended  atomic.Pointer[Error] // what ended the run, once
	stopf  context.CancelCauseFunc

	globals *lua.LTable // the plan's view: empty, read-only
	meta    metatables
	loaded  map[string]lua.LValue // by library name
	devices map[string]*lua.LUserData
	random  func() float64

	declaring *Plan // where plan{} and check() put what they hear, while the top level runs
	bodies    []checkBody

	current  string // check under way
	taken    map[string]bool
	kept     int
	notes    int
	deadline deadline // of the check
	whole    deadline // of the plan
	tasks    int
	quickest map[string]time.Duration // that a call took, by what it was; see late.go
}

// deadline is a moment on the bench's clock and what passing it means. The
// zero deadline never passes.
type deadline struct {
	at   time.Time
	stop *Stop
}

func (d deadline) or(e deadline) deadline {
	if d.stop == nil || e.stop != nil && e.at.Before(d.at) {
		return e
	}
	return d
}

// Run runs every check of the plan in order. It returns nil when every check
// ran, or the Recorder said stop. Anything else ends the plan there and is
// returned as an [*Error] whose chain has the Go cause. Whether the unit is
// good is not its business.
//
// It may be called from several goroutines at once, with different hosts.
func (p *Plan) Run(ctx context.Context, h Host) error {
	if h.Clock == nil || h.Recorder == nil {
		return &Error{Text: "run: the host has no clock or no recorder", Hint: defectHint}
	}
	r, err := newRun(ctx, p, h)
	if err != nil {
		return err
	}
	defer r.stopf(nil)
	underWay.Add(1)
	defer underWay.Add(-1)
	if err := r.top(); err != nil {
		return err
	}
	for i, c := range p.Checks {
		if ctx.Err() != nil {
			cause := context.Cause(ctx)
			return &Error{Text: cause.Error(), Hint: hintOf(cause), Err: cause}
		}
		wanted, failed := r.wanted(c, r.bodies[i].when)
		if failed != nil {
			return failed
		}
		if !wanted {
			if err := h.Recorder.Note("", "left out: "+c.Name); err != nil {
				return recordError(c, "leave out the check", err)
			}
			continue
		}
		if err := h.Recorder.CheckStarted(c); err != nil {
			return recordError(c, "start the check", err)
		}
		problem := r.check(c, r.bodies[i].fn)
		if k, ok := h.Recorder.(Retaker); ok && problem == nil {
			again, err := k.Retake(c.Name)
			if err != nil {
				return recordError(c, "take the check again", err)
			}
			if again {
				problem = r.check(c, r.bodies[i].retake, r.bodies[i].fn)
			}
		}
		var asError error
		if problem != nil {
			asError = problem
		}
		stop, err := h.Recorder.CheckEnded(c.Name, asError)
		switch {
		case problem != nil && err != nil:
			problem.Err = errors.Join(problem.Err, err)
			return problem
		case problem != nil:
			return problem
		case err != nil:
			return recordError(c, "end the check", err)
		case stop:
			return nil
		}
	}
	return nil
}

func recordError(c Check, verb string, err error) *Error {
	s := &Stop{Kind: StopRecord, Text: fmt.Sprintf("check %s: %s: %v", c.Name, verb, err), Err: err}
	return &Error{File: c.File, Line: c.Line, Text: s.Text, Hint: hintOf(err), Check: c.Name, Err: s}
}

func newRun(ctx context.Context, p *Plan, h Host) (*run, error) {
	if h.Wall <= 0 {
		h.Wall = DefaultWall
	}
	if h.Memory <= 0 {
		h.Memory = DefaultMemory
	}
	r := &run{plan: p, host: h, lock: make(chan struct{}, 1), loaded: map[string]lua.LValue{},
		devices: map[string]*lua.LUserData{}, quickest: map[string]time.Duration{}}
	ctx, r.stopf = context.WithCancelCause(ctx)
	L := lua.NewState(lua.Options{SkipOpenLibs: true, CallStackSize: maxCalls, RegistrySize: 1024,
		RegistryMaxSize: 64 << 10, RegistryGrowStep: 4096})
	r.main = newTask(r, L, ctx)
	r.budget.init(r)
	r.sandbox(L)
	return r, nil
}

// top runs the plan's top level, which gives the bodies of the checks.
func (r *run) top() *Error {
	heard := &Plan{}
	r.declaring = heard
	defer func() { r.declaring = nil }()
	if err := r.protected(r.main.ctx, r.plan.proto); err != nil {
		return err
	}
	if r.plan.declared && !sameChecks(heard.Checks, r.plan.Checks) {
		return &Error{File: r.plan.Name, Text: "the checks differ from one run of the plan to the next",
			Hint: "declare every check at the top level, without conditions"}
	}
	if !r.plan.declared {
		r.plan.take(heard)
	}
	// The plan's deadline counts from here.
	if d := r.plan.Deadline; d > 0 {
		r.whole = deadline{r.host.Clock.Now().Add(d), &Stop{Kind: StopDeadline,
			Text: fmt.Sprintf("plan: deadline of %s passed", seconds(d)),
			Hint: "look at the check under way: does it wait for something that never comes, or is the plan's " +
				"deadline too short?",
			After: d}}
	}
	return nil
}

func sameChecks(a, b []Check) bool {
	if len(a) != len(b) {
		return false
	}
	for i := range a {
		if a[i] != b[i] {
			return false
		}
	}
	return true
}

// checkBody is what a plan gave for a check: what it does, when it makes sense
// (nil: always), and what must be done before it is taken once more (nil:
// nothing).
type checkBody struct{ fn, when, retake *lua.LFunction }

// wanted asks a check's `when` whether it makes sense after what went before.
// A run that leaves out a check can fail, but never pass.
func (r *run) wanted(c Check, when *lua.LFunction) (yes bool, failed *Error) {
	if when == nil {
		return true, nil
	}
	failed = r.protected(r.main.ctx, r.main.L.NewFunction(func(L *lua.LState) int {
		L.Push(when)
		L.Call(0, 1)
		yes = lua.LVAsBool(L.Get(-1))
		return 0
	}))
	if failed != nil {
		failed.Check = c.Name
	}
	return yes, failed
}

// check runs the functions of one check (nil: none), one after the other.
func (r *run) check(c Check, body ...*lua.LFunction) *Error {
	r.current, r.taken, r.kept, r.notes = c.Name, map[string]bool{}, 0, 0
	r.main.since = time.Time{}
	defer func() { r.current = "" }()
	r.deadline = deadline{r.host.Clock.Now().Add(c.Deadline), &Stop{Kind: StopDeadline,
		Text: fmt.Sprintf("check %s: deadline of %s passed", c.Name, seconds(c.Deadline)),
		Hint: "does the check wait for something that never comes, or is its deadline too short?", After: c.Deadline,
		Check: c.Name}}
	ctx := r.main.ctx
	if r.host.Clock == drivers.System {
		first := r.deadline.or(r.whole)
		var cancel context.CancelFunc
		ctx, cancel = context.WithDeadlineCause(ctx, first.at, first.stop)
		defer cancel()
	}
	for _, fn := range body {
		if fn == nil {
			continue
		}
		if err := r.protected(ctx, fn); err != nil {
			return err
		}
	}
	if s := r.passed(); s != nil {
		return &Error{File: c.File, Line: c.Line, Text: s.Text, Hint: s.Hint, Check: c.Name, Err: s}
	}
	return nil
}

// protected calls a function, or a chunk, as the main task under ctx.
func (r *run) protected(ctx context.Context, what any) (failed *Error) {
	base := r.main.ctx
	defer func() {
		if p := recover(); p != nil { // not even the interpreter's own protection held
			failed = r.panicked(r.main, p)
		}
		r.main.use(base)
	}()
	r.main.use(ctx)
	r.budget.begin()
	defer r.budget.end()
	r.main.enter()
	defer r.main.leave()
	fn, ok := what.(*lua.LFunction)
	if !ok {
		fn = r.main.L.NewFunctionFromProto(what.(*lua.FunctionProto))
	}
	L := r.main.L
	L.SetTop(0)
	L.Push(fn)
	if err := L.PCall(0, 0, nil); err != nil {
		return r.main.asError(err)
	}
	// A script that returned just as it was stopped has not done its work.
	if ended := r.ended.Load(); ended != nil {
		return ended
	}
	if cause := context.Cause(ctx); cause != nil {
		return &Error{Text: cause.Error(), Hint: hintOf(cause), Check: r.current, Err: cause}
	}
	return nil
}

// end says what ended the run, once, and cancels everything under way.
func (r *run) end(e *Error) {
	if r.ended.CompareAndSwap(nil, e) {
		r.stopf(e.Err)
	}
}

// passed returns the Stop of the deadline that has passed, nil if none has.
func (r *run) passed() *Stop {
	d := r.deadline.or(r.whole)
	if d.stop != nil && r.current != "" && r.host.Clock.Now().After(d.at) {
		return d.stop
	}
	return nil
}

// seconds writes a duration for people: "10 s", "0.25 s".
func seconds(d time.Duration) string { return fmt.Sprintf("%g s", d.Seconds()) }

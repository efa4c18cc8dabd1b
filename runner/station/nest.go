package station

import (
	"context"
	"errors"
	"fmt"
	"sort"
	"strings"
	"sync"
	"time"

	"fullthrow/drivers"
	"fullthrow/reports"
	"fullthrow/reports/archive"
	"fullthrow/reports/wording"
	"fullthrow/runner/causes"
	"fullthrow/runner/limits"
	"fullthrow/runner/script"
)

// Keep says which captures go to disk with the report. A plot of each is in
// the report in any case.
type Keep string

// What Config.Keep may be.
const (
	KeepAll    Keep = "all"
	KeepFailed Keep = "failed" // of every run that did not pass
	KeepNone   Keep = "none"
)

// Config is what a nest is made of. Fields without "optional" are required.
type Config struct {
	Station string
	Name    string // of the nest
	// Takt is the line's pace: one unit every so long, whatever the nests; 0
	// not stated.
	Takt  time.Duration
	Clock drivers.Clock
	// Wall is the computer's wall clock, which somebody may set ([Wall]); nil
	// where Clock is no machine's: then it is not watched.
	Wall        func() time.Time
	ClockBounds ClockBounds
	// Devices by role, outputs and inputs included.
	Devices map[string]drivers.Device
	// Drives is what each role can hurt people with. A role that is not in it
	// can hurt.
	Drives map[string][]drivers.Hazard
	// Unchecked are the roles whose wires have no check sum: bytes of theirs may
	// come damaged without anybody knowing. Where there are any, a check that
	// fails is taken once more, and only what fails again counts; optional.
	Unchecked []string
	// Interlock is true while the guard is closed; optional.
	Interlock drivers.Input
	// Heartbeat is toggled every quarter of a second while a run is on, for a
	// hardware watchdog that cuts power when it stops; optional.
	Heartbeat drivers.Output
	Plan      *script.Plan
	Limits    *limits.Set
	Causes    *causes.Rules    // what may be wrong with a unit that failed; optional
	Archive   *archive.Archive // nil: for [Nest.Rehearse] only
	Sources   []reports.Source // beyond the plan's own: limits, bench file; optional
	// Ask puts a question to the operator and returns the answer and who gave
	// it; optional, then a plan that asks is an error.
	Ask func(context.Context, reports.Prompt) (answer reports.Value, by string, err error)
	// Watch is told each event once it is on disk, in order; optional. It may
	// be slow: the run does not wait for it.
	Watch     func(reports.Event)
	Keep      Keep                                  // "" means KeepAll
	Sound     func(drivers.Samples) ([]byte, error) // writes a capture of sound as WAV
	Simulated bool
	Software  string // version of the runner
	// Guardian makes safe should this process be gone in the middle of a run;
	// optional.
	Guardian Guardian
	// Grace is how long, in real time, a cancelled plan may take to come back
	// before it is called stuck. 0 means 3 s.
	Grace time.Duration
	// SafeLimit bounds making safe, in real time. 0 means 3 s, or what the slowest
	// device needs ([drivers.SafeTimer]).
	SafeLimit time.Duration
	// CPU is how much real time a check may spend in pure Lua. 0 means 10 s.
	CPU time.Duration
	// Memory is how much a plan may take, in bytes. 0 means 128 MiB. Where the
	// system has less than three times as much left when a run begins, it is a
	// third of that.
	Memory int64
	// Exhausted is called once, in a goroutine of its own, when the process
	// goes on taking memory for a plan that was told to end and did not come
	// back. By then every run has been ended, made safe and sealed, and no run
	// begins any more: all that is left is to end the program in order;
	// optional.
	Exhausted func(error)
}

// Guardian is told of each run, for which it makes safe what a process that is gone
// left on.
type Guardian interface {
	// Begin is called before anything is switched on for a run that is recorded in
	// the archive in dir. An error says why nobody guards it; then it does not begin.
	Begin(dir, run, nest string) error
	// End is called when the run is sealed. Not safe: something is, or may be, left
	// on, and the nest takes no more units.
	End(run string, safe bool)
}

// Nest is one place for a unit. Its methods may be called from any goroutine;
// one run at a time is on.
type Nest struct {
	Config
	busy   sync.Mutex
	memory *memoryWatch
	last   moment // the end of the run before, guarded by busy

	mu           sync.Mutex
	outOfService *reports.Reason // nil while in service
}

// New checks that the parts fit together: plan and limits are for one product,
// and every limit belongs to a check of the plan.
func New(c Config) (*Nest, error) {
	if c.Plan.Product != c.Limits.Product() {
		return nil, fmt.Errorf("nest %s: the plan is for product %q, the limits are for %q", c.Name, c.Plan.Product,
			c.Limits.Product())
	}
	if c.Causes != nil && c.Causes.Product() != c.Plan.Product {
		return nil, fmt.Errorf("nest %s: the plan is for product %q, the causes are for %q", c.Name, c.Plan.Product,
			c.Causes.Product())
	}
	checks := map[string]bool{}
	for _, k := range c.Plan.Checks {
		checks[k.Name] = true
	}
	for _, name := range c.Limits.Names() {
		check, _, _ := strings.Cut(name, ".")
		if !checks[check] {
			return nil, fmt.Errorf("nest %s: there is a limit for %s, but the plan has no check %q", c.Name, name,
				check)
		}
	}
	if c.Keep == "" {
		c.Keep = KeepAll
	}
	if c.ClockBounds.Behind == 0 {
		c.ClockBounds.Behind = DefaultBehind
	}
	if c.ClockBounds.Ahead == 0 {
		c.ClockBounds.Ahead = DefaultAhead
	}
	if c.Grace == 0 {
		c.Grace = 3 * time.Second
	}
	if c.SafeLimit == 0 {
		c.SafeLimit = safeLimit(c.Devices)
	}
	if c.CPU == 0 {
		c.CPU = 10 * time.Second
	}
	if c.Memory == 0 {
		c.Memory = script.DefaultMemory
	}
	return &Nest{Config: c, memory: processMemory}, nil
}

// Abort is the cause with which to cancel the context of [Nest.Run] when
// somebody or something stops a run on purpose: the outcome is aborted.
type Abort struct{ Why reports.Reason }

// Advice is the hint: what to do about it, for people.
func (a *Abort) Advice() string { return wording.English().Hint(&a.Why) }

func (a *Abort) Error() string { return wording.English().Reason(&a.Why) }

// Fault is a fault of the bench found by the station itself: outcome error.
type Fault struct {
	Why reports.Reason
	Err error // that led to it, may be nil
}

// Advice is the hint: what to do about it, for people.
func (f *Fault) Advice() string { return wording.English().Hint(&f.Why) }

func (f *Fault) Error() string { return wording.English().Reason(&f.Why) }
func (f *Fault) Unwrap() error { return f.Err }

// NotReady says why no run was begun. Nothing is recorded: no unit was touched.
type NotReady struct{ Why reports.Reason }

// Advice is the hint: what to do about it, for people.
func (e *NotReady) Advice() string { return wording.English().Hint(&e.Why) }

func (e *NotReady) Error() string { return wording.English().Reason(&e.Why) }

// InService returns why the nest takes no unit, nil if it does.
func (n *Nest) InService() (why *reports.Reason) {
	n.mu.Lock()
	defer n.mu.Unlock()
	return n.outOfService
}

func (n *Nest) takeOut(why reports.Reason) {
	n.mu.Lock()
	defer n.mu.Unlock()
	if n.outOfService == nil {
		n.outOfService = &why
	}
}

// out is what a nest that is out of service answers.
func (n *Nest) out(why *reports.Reason) *NotReady {
	return &NotReady{reports.Reason{Code: reports.OutOfService, Nest: n.Name, Because: []reports.Reason{*why}}}
}

// roles returns the device roles in one order, so that runs are repeatable.
func (n *Nest) roles() []string {
	var r []string
	for name := range n.Devices {
		r = append(r, name)
	}
	sort.Strings(r)
	return r
}

// Ready makes the fixture safe and proves that the interlock is closed and
// every device answers. The text says what was found. The error is a
// [*NotReady] for an open interlock, and a fault of the bench otherwise.
func (n *Nest) Ready(ctx context.Context) (found string, err error) {
	if why := n.InService(); why != nil {
		return "", n.out(why)
	}
	if err := n.interlockClosed(ctx); err != nil {
		return "", err
	}
	// A device that cannot even be made safe cannot measure either, harmless or
	// not.
	if err := n.Safe(ctx).Err(); err != nil {
		return "", err
	}
	roles := n.roles()
	ids := make([]string, len(roles))
	errs := make([]error, len(roles))
	fns := make([]func(context.Context), len(roles))
	for i, role := range roles {
		fns[i] = func(ctx context.Context) {
			defer func() {
				if p := recover(); p != nil {
					errs[i] = drivers.Errorf(role, "get ready", drivers.Fault, "%v", p)
				}
			}()
			ids[i], errs[i] = n.Devices[role].Ready(ctx)
		}
	}
	n.Clock.Together(ctx, fns...)
	if err := errors.Join(errs...); err != nil {
		return "", err
	}
	var b []string
	for i, role := range roles {
		if ids[i] != "" {
			b = append(b, role+": "+ids[i])
		}
	}
	return strings.Join(b, "; "), nil
}

func (n *Nest) interlockClosed(ctx context.Context) error {
	if n.Interlock == nil {
		return nil
	}
	closed, err := n.Interlock.Level(ctx)
	if err != nil {
		return inputFault(reports.GuardUnreadable, n.Interlock, err)
	}
	if !closed {
		return &NotReady{reports.Reason{Code: reports.GuardOpen, Nest: n.Name}}
	}
	return nil
}

package station

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"fullthrow/drivers"
	"fullthrow/reports"
	"fullthrow/runner/crash"
)

// Made is what came of making one device safe.
type Made struct {
	Role   string
	Drives []drivers.Hazard // what it can hurt people with; empty: nobody has said, so it can
	Err    error            // nil: it is safe
	Stood  *reports.Stood   // of a machine that can tell: how it came to stand
}

// Safety is what came of making a nest safe: every device, by role.
type Safety []Made

// Failed is the devices that did not say that they are safe.
func (s Safety) Failed() Safety {
	return slices.DeleteFunc(slices.Clone(s), func(m Made) bool { return m.Err == nil })
}

// Unsafe is those of them that can hurt people. A meter that does not answer
// is a fault of the bench, and nobody needs to keep their hands out for it.
func (s Safety) Unsafe() Safety {
	return slices.DeleteFunc(s.Failed(), func(m Made) bool { return !drivers.CanHurt(m.Drives) })
}

// Err is every failure, nil if there is none: a [*NotSafe].
func (s Safety) Err() error {
	if failed := s.Failed(); len(failed) > 0 {
		return &NotSafe{failed}
	}
	return nil
}

// Record is what a report keeps of the devices that are not safe.
func (s Safety) Record() []reports.Unsafe {
	var list []reports.Unsafe
	for _, m := range s.Unsafe() {
		why := reasonOf(m.Err)
		u := reports.Unsafe{Device: m.Role, Kind: why.Kind, Text: why.Text}
		for _, h := range m.Drives {
			if h != drivers.Nothing && h != "" {
				u.Drives = append(u.Drives, string(h))
			}
		}
		list = append(list, u)
	}
	return list
}

// Stood is how the machines came to stand, as a report keeps it.
func (s Safety) Stood() (list []reports.Stood) {
	for _, m := range s {
		if m.Stood != nil {
			list = append(list, *m.Stood)
		}
	}
	return list
}

// NotSafe says that making safe failed at some devices, harmless ones included.
type NotSafe struct{ Failed Safety }

func (e *NotSafe) Error() string {
	var list []string
	for _, m := range e.Failed {
		list = append(list, m.Err.Error())
	}
	return strings.Join(list, "\n")
}

// Unwrap gives the error of each device.
func (e *NotSafe) Unwrap() []error {
	var list []error
	for _, m := range e.Failed {
		list = append(list, m.Err)
	}
	return list
}

// made begins an answer: every role, nothing known yet.
func (n *Nest) made() Safety {
	var s Safety
	for _, role := range n.roles() {
		s = append(s, Made{Role: role, Drives: n.Drives[role]})
	}
	return s
}

// Safe puts every device into its safe state, side by side, and returns what
// came of it. It takes at most SafeLimit of real time.
func (n *Nest) Safe(ctx context.Context) Safety {
	ctx, cancel := context.WithTimeoutCause(context.WithoutCancel(ctx), n.SafeLimit,
		fmt.Errorf("not safe within %v", n.SafeLimit))
	defer cancel()
	s := n.made()
	fns := make([]func(context.Context), len(s))
	for i := range s {
		fns[i] = func(ctx context.Context) { s[i].Stood, s[i].Err = safe(ctx, n.Devices[s[i].Role]) }
	}
	n.Clock.Together(ctx, fns...)
	return s
}

// MakeSafe makes devices safe side by side, whatever else is using them, and
// returns what came of it within 3.2 s of real time, or what the slowest of them
// needs: for a program that must
// end and can ask nobody. Drives is as in [Config].
func MakeSafe(clock drivers.Clock, devices map[string]drivers.Device, drives map[string][]drivers.Hazard) Safety {
	n := &Nest{Config: Config{Clock: clock, Devices: devices, Drives: drives,
		SafeLimit: safeLimit(devices)}}
	return n.safeAtOnce(context.Background())
}

// safeLimit is how long making devices safe may take: no longer than the slowest
// needs, and never more than mostSafe, whatever a row says.
func safeLimit(devices map[string]drivers.Device) time.Duration {
	limit := 3 * time.Second
	for _, d := range devices {
		if s, ok := d.(drivers.SafeTimer); ok {
			limit = max(limit, s.SafeTime()+safeSpare)
		}
	}
	return min(limit, mostSafe)
}

const (
	safeSpare = 500 * time.Millisecond
	mostSafe  = 25 * time.Second
)

// safeAtOnce is Safe for when a plan may still hold the clock and the ports:
// nothing in it waits for another goroutine of ours for longer than SafeLimit.
func (n *Nest) safeAtOnce(ctx context.Context) Safety {
	ctx, cancel := context.WithTimeoutCause(context.WithoutCancel(ctx), n.SafeLimit,
		fmt.Errorf("not safe within %v", n.SafeLimit))
	defer cancel()
	type result struct {
		i     int
		err   error
		stood *reports.Stood
	}
	s := n.made()
	results := make(chan result, len(s))
	waiting := map[int]bool{}
	var fns []func(context.Context)
	for i, m := range s {
		waiting[i] = true
		fns = append(fns, func(ctx context.Context) {
			stood, err := safe(ctx, n.Devices[m.Role])
			results <- result{i, err, stood}
		})
	}
	// Together here, too: on a simulated clock, callers outside its tasks would
	// drive the time on under one another.
	go func() {
		defer crash.Guard()
		n.Clock.Together(ctx, fns...)
	}()
	late := time.NewTimer(n.SafeLimit + 200*time.Millisecond)
	defer late.Stop()
	for len(waiting) > 0 {
		select {
		case r := <-results:
			delete(waiting, r.i)
			s[r.i].Err, s[r.i].Stood = r.err, r.stood
		case <-late.C:
			for i := range waiting {
				s[i].Err = drivers.Errorf(s[i].Role, opSafe, drivers.Fault, "stuck")
			}
			return s
		}
	}
	return s
}

const opSafe = "make safe"

func safe(ctx context.Context, d drivers.Device) (stood *reports.Stood, err error) {
	defer func() {
		if p := recover(); p != nil {
			err = drivers.Errorf(d.String(), opSafe, drivers.Fault, "%v", p)
		}
	}()
	err = d.Safe(ctx)
	if m, ok := d.(drivers.Stands); ok {
		if s, ok := m.Standstill(); ok {
			stood = &reports.Stood{Device: d.String(), Known: s.Known, Seconds: s.After.Seconds(), Cut: s.Cut}
		}
	}
	if err != nil {
		return stood, drivers.Wrap(d.String(), opSafe, err)
	}
	return stood, nil
}

package script

import (
	"context"
	"time"

	lua "github.com/yuin/gopher-lua"

	"fullthrow/drivers"
)

// How late what a plan does may be. Beyond it the readings that follow are not of
// what the plan means, and the call is a Late error of the bench. (What a driver
// alone can know, as of movements and of received frames, it says itself.)
const (
	// A wait is the time a unit is off, or in which something settles. Off times are
	// some tenths of a second to some seconds, judged to a tenth or so.
	lateWait      = 30 * time.Millisecond
	lateWaitShare = 0.02 // of the wait, where that is more

	// Switching begins and ends such times: it is done at some moment of the call.
	// Twice the quickest, since the interlock may be read on the same line before;
	// of the first of a role, what a slow line needs.
	lateSwitch  = 30 * time.Millisecond
	firstSwitch = 250 * time.Millisecond

	// Between two calls a plan computes, which takes what it takes; but the process
	// must not stand still then.
	lateBetween = 30 * time.Millisecond

	// A capture begins when it is called, up to what setting up the instrument takes,
	// which differs by range.
	lateStart = 250 * time.Millisecond

	// An action that comes after a wait in a together is meant for the captures beside
	// it: they must have begun, as surely as an instrument can say when it did.
	lateBeside = 10 * time.Millisecond

	// A sweep that stands longer at its points, all in all, outlasts the capture
	// beside it: the stock plan's leaves 0.1 s, and 0.25 s more are two points of the
	// last of the cycles.
	lateDwells = 250 * time.Millisecond
)

// late raises that something was.
func (t *task) late(L *lua.LState, device, op, format string, args ...any) {
	t.raise(L, drivers.LateError(device, op, format, args...), "")
}

// timed makes a call to a device or the clock as [task.device] does, and returns
// when it began and how long it took, for others to wait their turn included.
func (t *task) timed(L *lua.LState, device, op string, f func(ctx context.Context) error) (time.Time, time.Duration) {
	clock := t.run.host.Clock
	t.checkpoint(L, nil)
	began := clock.Now()
	if !t.since.IsZero() {
		if stood := drivers.Stalled(clock, t.since, began); stood > lateBetween {
			t.since = began
			t.late(L, device, op, "the computer stood still for %v before", stood.Round(time.Millisecond))
		}
	}
	err := t.outside(f)
	t.since = clock.Now()
	took := t.since.Sub(began)
	t.checkpoint(L, err)
	return began, took
}

func (c call) timed(f func(ctx context.Context) error) (time.Time, time.Duration) {
	return c.t.timed(c.L, c.role, c.verb, f)
}

// switched makes a call that switches something at once.
func (c call) switched(f func(ctx context.Context) error) {
	began, took := c.timed(f)
	r := c.t.run
	quickest, known := r.quickest[c.role]
	most := 2*quickest + lateSwitch
	if !known {
		quickest, most = took, firstSwitch
	}
	r.quickest[c.role] = min(quickest, took)
	if took > most {
		c.t.late(c.L, c.role, c.verb, "took %v, at most %v are usual", took.Round(time.Millisecond),
			most.Round(time.Millisecond))
	}
	if c.t.beside != nil && c.t.waited {
		c.t.beside.actions = append(c.t.beside.actions, action{c.t, c.role, c.verb, began})
	}
}

// began notes when a capture began that was called for.
func (c call) began(called, start time.Time) {
	clock := c.t.run.host.Clock
	if stood := drivers.Stalled(clock, called, start); stood > lateBetween {
		c.t.late(c.L, c.role, c.verb, "the computer stood still for %v before the capture began",
			stood.Round(time.Millisecond))
	}
	key := c.role + " capture"
	delay := start.Sub(called)
	quickest, known := c.t.run.quickest[key]
	if !known {
		quickest = delay
	}
	c.t.run.quickest[key] = min(quickest, delay)
	if delay > quickest+lateStart {
		c.t.late(c.L, c.role, c.verb, "the capture began after %v, %v are usual", delay.Round(time.Millisecond),
			quickest.Round(time.Millisecond))
	}
	if b := c.t.beside; b != nil && !c.t.captured {
		c.t.captured = true
		b.captures = append(b.captures, action{c.t, c.role, c.verb, start})
	}
}

// beside is what the functions of a together did, as far as its order matters.
type beside struct {
	actions  []action // after a wait
	captures []action // the first of each function
}

// action is something done at a moment.
type action struct {
	by         *task
	device, op string
	at         time.Time
}

// order is the error of an action that was to be in a capture beside it and may
// have been before.
func (b *beside) order() error {
	for _, a := range b.actions {
		for _, c := range b.captures {
			if c.by != a.by && a.at.Before(c.at.Add(lateBeside)) {
				return drivers.LateError(c.device, c.op, "it may have begun after %s was switched, which waited for it",
					a.device)
			}
		}
	}
	return nil
}

// waits is for how long to wait at most where d is asked for.
func waits(d time.Duration) time.Duration {
	return d + max(lateWait, time.Duration(lateWaitShare*float64(d)))
}

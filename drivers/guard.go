package drivers

import (
	"context"
	"fmt"
	"sync/atomic"
	"time"
)

// ErrMadeSafe ends a call because its device is being made safe: see
// [Guard.Interrupt]. It is context.Canceled to errors.Is.
var ErrMadeSafe = fmt.Errorf("ended because the device was made safe: %w", context.Canceled)

// Guard lets one caller at a time use a port. It is a channel, not a mutex, so
// that waiting obeys the context; and it waits through the clock, because on
// the simulated clock only one task runs at a time: one that blocked on a
// channel would keep the holder from ever leaving. See [NewGuard].
//
// A device with nothing to make safe uses Enter and Leave. One that must be
// made safe whatever is under way holds its calls with Hold and makes safe
// under Interrupt.
type Guard struct {
	slot  chan struct{}
	clock Clock
	held  *held
}

// held is what Interrupt needs to know of the others.
type held struct {
	stop        atomic.Pointer[context.CancelCauseFunc] // ends the call under way
	interrupted atomic.Int32                            // Interrupts between their begin and their leave
	entered     atomic.Int32                            // 1 while an Interrupt has the guard
}

const (
	// guardPoll is how often a caller waiting on a clock other than [System]
	// looks whether the guard is free.
	guardPoll = 500 * time.Microsecond
	// interruptTurn is how long Interrupt waits for the call under way to end,
	// interruptTurns times: another may just have entered.
	interruptTurn  = 50 * time.Millisecond
	interruptTurns = 3
	// yields of yield each are what a holder gets of real time where the clock
	// is not the machine's.
	yield  = 100 * time.Microsecond
	yields = 200
)

// NewGuard returns a free Guard for callers that wait on clock.
func NewGuard(clock Clock) Guard { return Guard{make(chan struct{}, 1), clock, new(held)} }

// Enter waits for the guard, or returns context.Cause(ctx).
func (g Guard) Enter(ctx context.Context) error {
	if err := context.Cause(ctx); err != nil {
		return err
	}
	if g.clock == System {
		select {
		case g.slot <- struct{}{}:
			return nil
		case <-ctx.Done():
			return context.Cause(ctx)
		}
	}
	for !g.try() {
		if err := g.clock.Sleep(ctx, guardPoll); err != nil {
			return err
		}
	}
	return nil
}

// EnterWithin is Enter that gives up after d and says whether it has entered.
func (g Guard) EnterWithin(ctx context.Context, d time.Duration) bool {
	if g.clock == System {
		ctx, cancel := context.WithTimeout(ctx, d)
		defer cancel()
		return g.Enter(ctx) == nil
	}
	for end := g.clock.Now().Add(d); !g.try(); {
		if !g.clock.Now().Before(end) || g.clock.Sleep(ctx, guardPoll) != nil {
			return false
		}
	}
	return true
}

// try enters if the guard is free.
func (g Guard) try() bool {
	select {
	case g.slot <- struct{}{}:
		return true
	default:
		return false
	}
}

// Leave frees the guard after Enter or EnterWithin.
func (g Guard) Leave() { <-g.slot }

// Hold is Enter for a call that Interrupt may end: it goes on under the context
// returned, which is then cancelled with [ErrMadeSafe], and calls leave at its
// end. Who waits while an Interrupt is under way makes way and gets ErrMadeSafe
// as well.
func (g Guard) Hold(ctx context.Context) (_ context.Context, leave func(), err error) {
	if err := g.Enter(ctx); err != nil {
		return nil, nil, err
	}
	if g.held.interrupted.Load() > 0 {
		g.Leave()
		return nil, nil, ErrMadeSafe
	}
	ctx, cancel := context.WithCancelCause(ctx)
	g.held.stop.Store(&cancel)
	return ctx, func() {
		g.held.stop.Store(nil)
		cancel(nil)
		g.Leave()
	}, nil
}

// Interrupt enters before everybody else, for making safe: it ends the call
// that holds the guard and those that wait for it in Hold. If the guard is not
// let go within 150 ms, entered is false and the caller does what it must
// without it. leave must be called in either case.
func (g Guard) Interrupt(ctx context.Context) (leave func(), entered bool) {
	g.held.interrupted.Add(1)
	for range interruptTurns {
		if stop := g.held.stop.Load(); stop != nil {
			(*stop)(ErrMadeSafe)
		}
		if entered = g.EnterWithin(ctx, interruptTurn); entered {
			break
		}
	}
	// On a simulated clock the holder may be at work beside this clock's tasks
	// (a plan that is being cancelled): virtual time gives it nothing, so give
	// it some of the machine's.
	for i := 0; !entered && g.clock != System && i < yields; i++ {
		time.Sleep(yield)
		entered = g.try()
	}
	if entered {
		g.held.entered.Store(1)
	}
	return func() {
		if entered {
			g.held.entered.Store(0)
			g.Leave()
		}
		g.held.interrupted.Add(-1)
	}, entered
}

// FollowInterrupts is for an Interrupt that has not entered: it waits, at most
// d, as long as others are being made safe under the same guard, since they let
// it go by themselves. It does not wait for a call that is stuck. leave must be
// called if entered is true.
func (g Guard) FollowInterrupts(ctx context.Context, d time.Duration) (leave func(), entered bool) {
	end := g.clock.Now().Add(d)
	for others := true; others && g.clock.Now().Before(end); {
		// Looked at before: one that leaves meanwhile lets the guard go a moment after
		// it has said so.
		others = g.held.entered.Load() == 1
		if g.EnterWithin(ctx, interruptTurn) {
			g.held.entered.Store(1)
			return func() { g.held.entered.Store(0); g.Leave() }, true
		}
	}
	return nil, false
}

package drivers_test

import (
	"context"
	"errors"
	"testing"
	"testing/synctest"
	"time"

	"fullthrow/drivers"
	"fullthrow/drivers/sim"
)

// onBothClocks runs f as a task of the simulated clock, and on the machine's in
// a bubble.
func onBothClocks(t *testing.T, f func(t *testing.T, ctx context.Context, clock drivers.Clock)) {
	t.Run("machine", func(t *testing.T) {
		synctest.Test(t, func(t *testing.T) { f(t, t.Context(), drivers.System) })
	})
	t.Run("simulated", func(t *testing.T) {
		clock := sim.NewClock(time.Date(2026, 1, 5, 6, 0, 0, 0, time.UTC))
		clock.Together(t.Context(), func(ctx context.Context) { f(t, ctx, clock) })
	})
}

func TestGuardOneAtATime(t *testing.T) {
	onBothClocks(t, func(t *testing.T, ctx context.Context, clock drivers.Clock) {
		g := drivers.NewGuard(clock)
		inside, most, turns := 0, 0, 0
		call := func(ctx context.Context) {
			for range 5 {
				if err := g.Enter(ctx); err != nil {
					t.Error(err)
					return
				}
				inside++
				most, turns = max(most, inside), turns+1
				if err := clock.Sleep(ctx, 3*time.Millisecond); err != nil {
					t.Error(err)
				}
				inside--
				g.Leave()
			}
		}
		clock.Together(ctx, call, call, call)
		if most != 1 || turns != 15 {
			t.Errorf("%d at once in %d turns, want 1 in 15", most, turns)
		}
	})
}

func TestGuardEnterWithin(t *testing.T) {
	onBothClocks(t, func(t *testing.T, ctx context.Context, clock drivers.Clock) {
		g := drivers.NewGuard(clock)
		start := clock.Now()
		if !g.EnterWithin(ctx, time.Millisecond) || clock.Now() != start {
			t.Errorf("a free guard: not entered at once, %v", clock.Now().Sub(start))
		}
		if g.EnterWithin(ctx, 20*time.Millisecond) || clock.Now().Sub(start) != 20*time.Millisecond {
			t.Errorf("a guard that is held: entered, or gave up after %v, want 20 ms", clock.Now().Sub(start))
		}
		clock.Together(ctx, func(ctx context.Context) {
			_ = clock.Sleep(ctx, 10*time.Millisecond)
			g.Leave()
		}, func(ctx context.Context) {
			if !g.EnterWithin(ctx, 20*time.Millisecond) {
				t.Error("a guard that was let go in time: not entered")
			}
		})
		cancelled, cancel := context.WithCancel(ctx)
		cancel()
		if g.EnterWithin(cancelled, time.Hour) {
			t.Error("entered under a cancelled context what another holds")
		}
		g.Leave()
	})
}

func TestGuardInterrupt(t *testing.T) {
	onBothClocks(t, func(t *testing.T, ctx context.Context, clock drivers.Clock) {
		g := drivers.NewGuard(clock)
		var ended, waited error
		start := clock.Now()
		clock.Together(ctx, func(ctx context.Context) {
			held, leave, err := g.Hold(ctx)
			if err != nil {
				t.Error(err)
				return
			}
			ended = clock.Sleep(held, time.Hour)
			leave()
		}, func(ctx context.Context) {
			_ = clock.Sleep(ctx, time.Millisecond)
			_, _, waited = g.Hold(ctx)
		}, func(ctx context.Context) {
			_ = clock.Sleep(ctx, 10*time.Millisecond)
			leave, entered := g.Interrupt(ctx)
			if !entered || clock.Now().Sub(start) > 20*time.Millisecond {
				t.Errorf("entered %v after %v", entered, clock.Now().Sub(start))
			}
			_ = clock.Sleep(ctx, 10*time.Millisecond)
			leave()
		})
		for what, err := range map[string]error{"the call under way": ended, "the one that waited": waited} {
			if !errors.Is(err, drivers.ErrMadeSafe) || !errors.Is(err, context.Canceled) {
				t.Errorf("%s: got %v, want ErrMadeSafe", what, err)
			}
		}
		// Afterwards it is free, and calls go on.
		held, leave, err := g.Hold(ctx)
		if err != nil || held.Err() != nil {
			t.Fatalf("afterwards: %v", err)
		}
		leave()
		if held.Err() == nil {
			t.Error("the context of a call that has left goes on")
		}
	})
}

// A call that does not let go: Interrupt comes back all the same.
func TestGuardInterruptInVain(t *testing.T) {
	onBothClocks(t, func(t *testing.T, ctx context.Context, clock drivers.Clock) {
		g := drivers.NewGuard(clock)
		_, leaveFirst, err := g.Hold(ctx)
		if err != nil {
			t.Fatal(err)
		}
		start := clock.Now()
		leave, entered := g.Interrupt(ctx)
		if took := clock.Now().Sub(start); entered || took != 150*time.Millisecond {
			t.Errorf("entered %v after %v, want not in 150 ms", entered, took)
		}
		leave() // frees nothing that it did not take
		if g.EnterWithin(ctx, time.Millisecond) {
			t.Error("the guard was freed under the call that holds it")
		}
		leaveFirst()
		if !g.EnterWithin(ctx, time.Millisecond) {
			t.Error("not free after the call that held it has left")
		}
	})
}

package motion_test

import (
	"math"
	"slices"
	"testing"
	"time"

	"fullthrow/drivers"
	"fullthrow/drivers/motion"
	"fullthrow/drivers/sim"
)

// The driver against the simulated machine, which speaks the same words.
func TestSimulatedMachine(t *testing.T) {
	clock := sim.NewClock(time.Date(2026, 1, 5, 6, 0, 0, 0, time.UTC))
	bench := sim.NewBench(clock, 1)
	port, err := bench.Port(sim.Sticks)
	if err != nil {
		t.Fatal(err)
	}
	m, err := motion.Open("sticks", port, clock, motion.Options{})
	if err != nil {
		t.Fatal(err)
	}
	ctx := t.Context()
	for range 2 {
		if _, err := m.Ready(ctx); err != nil {
			t.Fatal(err)
		}
		if err := m.Home(ctx); err != nil {
			t.Fatal(err)
		}
		for _, to := range []map[string]float64{{"left_x": 1, "left_y": -1}, {"left_x": -1}, {"right_x": 0.5, "right_y": 0.25}} {
			seg, err := m.Move(ctx, to, 0.5)
			if err != nil {
				t.Fatal(err)
			}
			want := 0.0
			for n, v := range seg.To {
				want = max(want, 2*math.Abs(v-seg.From[n]))
			}
			if got := seg.End.Sub(seg.Start).Seconds(); math.Abs(got-want) > 0.01 {
				t.Errorf("to %v: took %v s, want %v", to, got, want)
			}
		}
		if err := m.Safe(ctx); err != nil {
			t.Fatal(err)
		}
	}
}

// Each fault of the simulated machine, in the middle of a movement; mended, it
// must be homed before it moves again.
func TestSimulatedFaults(t *testing.T) {
	for fault, want := range map[sim.Fault][]drivers.Kind{
		sim.Silent: {drivers.NoReply}, sim.Garbled: {drivers.Garbled}, sim.Partial: {drivers.Garbled, drivers.NoReply},
		sim.Gone: {drivers.Gone}, sim.Slow: {drivers.NoReply}, sim.Stuck: {drivers.Fault},
	} {
		clock := sim.NewClock(time.Date(2026, 1, 5, 6, 0, 0, 0, time.UTC))
		bench := sim.NewBench(clock, 1)
		port, err := bench.Port(sim.Sticks)
		if err != nil {
			t.Fatal(err)
		}
		m, err := motion.Open("sticks", port, clock, motion.Options{})
		if err != nil {
			t.Fatal(err)
		}
		if err := m.Home(t.Context()); err != nil {
			t.Fatal(err)
		}
		at := 500 * time.Millisecond
		if fault == sim.Stuck {
			at = 0 // before it begins to move
		}
		if err := bench.BreakAt(clock.Now().Add(at), sim.Sticks, fault); err != nil {
			t.Fatal(err)
		}
		if seg, err := m.Move(t.Context(), map[string]float64{"left_y": 1}, 1); !slices.Contains(want, drivers.KindOf(err)) || seg.To != nil {
			t.Errorf("%s: got %+v, %v", fault, seg, err)
		}
		start := clock.Now()
		if err := m.Safe(t.Context()); fault != sim.Stuck && err == nil || clock.Now().Sub(start) > 750*time.Millisecond {
			t.Errorf("%s: Safe %v after %v", fault, err, clock.Now().Sub(start))
		}
		if err := bench.Break(sim.Sticks, sim.Mended); err != nil {
			t.Fatal(err)
		}
		if _, err := m.Move(t.Context(), map[string]float64{"left_y": 1}, 1); drivers.KindOf(err) != drivers.Refused {
			t.Errorf("%s, mended: moved without homing: %v", fault, err)
		}
		if err := m.Home(t.Context()); err != nil {
			t.Errorf("%s, mended: home %v", fault, err)
		}
		if _, err := m.Move(t.Context(), map[string]float64{"left_y": 1}, 1); err != nil {
			t.Errorf("%s, mended: move %v", fault, err)
		}
	}
}

// A movement under which the computer stands still, the first of its kind.
func TestMovementOnAStalledComputer(t *testing.T) {
	for lasts, want := range map[time.Duration]drivers.Kind{55 * time.Millisecond: "", 70 * time.Millisecond: drivers.Late} {
		clock := sim.NewClock(time.Date(2026, 1, 5, 6, 0, 0, 0, time.UTC))
		bench := sim.NewBench(clock, 1)
		port, err := bench.Port(sim.Sticks)
		if err != nil {
			t.Fatal(err)
		}
		m, err := motion.Open("sticks", port, clock, motion.Options{})
		if err != nil {
			t.Fatal(err)
		}
		if err := m.Home(t.Context()); err != nil {
			t.Fatal(err)
		}
		// Over its end, 50 ms after its beginning.
		clock.Stall(clock.Now().Add(45*time.Millisecond), lasts)
		if _, err := m.Move(t.Context(), map[string]float64{"left_x": 0.2}, 4); drivers.KindOf(err) != want {
			t.Errorf("stood still for %v: %v, want %q", lasts, err, want)
		}
		// Where the first was taken as it was, the next shows that it was late.
		next := map[drivers.Kind]drivers.Kind{"": drivers.Late, drivers.Late: ""}[want]
		for i, want := range []drivers.Kind{next, ""} {
			if _, err := m.Move(t.Context(), map[string]float64{"left_x": 0.2 * float64(i)}, 4); drivers.KindOf(err) != want {
				t.Errorf("stood still for %v, move %d after it: %v, want %q", lasts, i+1, err, want)
			}
		}
	}
}

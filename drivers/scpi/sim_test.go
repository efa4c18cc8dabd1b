package scpi_test

import (
	"context"
	"errors"
	"slices"
	"testing"
	"time"

	"fullthrow/drivers"
	"fullthrow/drivers/scpi"
	"fullthrow/drivers/sim"
)

// The driver against the simulated instruments, which speak the same words.
func TestSimulatedInstruments(t *testing.T) {
	clock := sim.NewClock(time.Date(2026, 1, 5, 6, 0, 0, 0, time.UTC))
	bench := sim.NewBench(clock, 1)
	open := func(role, model string) drivers.Device {
		t.Helper()
		port, err := bench.Port(role)
		if err != nil {
			t.Fatal(err)
		}
		d, err := scpi.Open(role, port, clock, model, drivers.Calibration{})
		if err != nil {
			t.Fatal(err)
		}
		if id, err := d.Ready(t.Context()); err != nil || id == "" {
			t.Fatalf("%s: ready %q, %v", role, id, err)
		}
		return d
	}
	supply := open(sim.Supply, "generic-supply").(drivers.Supply)
	meter := open(sim.Meter, "generic-meter").(drivers.Meter)
	board := open(sim.Board, "fixture-board")
	attenuator := open(sim.Attenuator, "generic-attenuator").(drivers.Attenuator)
	microphone := open(sim.Microphone, "generic-digitiser").(drivers.Recorder)

	ctx := t.Context()
	power, err := board.(drivers.Lines).Output("power", 1, false, false)
	if err != nil {
		t.Fatal(err)
	}
	guard, err := board.(drivers.Lines).Input("guard", 1, false)
	if err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(supply.SetVoltage(ctx, 3.7), supply.SetCurrentLimit(ctx, 1), supply.SetOutput(ctx, true),
		attenuator.SetAttenuation(ctx, 40.5), power.Set(ctx, true)); err != nil {
		t.Fatal(err)
	}
	if closed, err := guard.Level(ctx); err != nil || !closed {
		t.Errorf("guard: %v, %v", closed, err)
	}
	for range 2 {
		s, err := meter.Current(ctx, 1, 1000, time.Second)
		if err != nil || len(s.Values) != 1000 {
			t.Fatalf("%d samples, %v", len(s.Values), err)
		}
		// A capture that is cancelled does not stand in the way of the next.
		clock.Together(ctx, func(ctx context.Context) {
			ctx, stop := context.WithCancel(ctx)
			defer stop()
			clock.Together(ctx, func(ctx context.Context) {
				_ = clock.Sleep(ctx, 200*time.Millisecond)
				stop()
			}, func(ctx context.Context) {
				if _, err := meter.Current(ctx, 1, 1000, 30*time.Second); !errors.Is(err, context.Canceled) {
					t.Errorf("cancelled capture: %v", err)
				}
			})
		})
	}
	if s, err := microphone.Record(ctx, 500*time.Millisecond); err != nil || len(s.Values) != 24000 || s.Unit != "1" {
		t.Errorf("sound: %d samples in %q, %v", len(s.Values), s.Unit, err)
	}
	if _, err := board.(drivers.Timer).Interval(ctx); err != nil {
		t.Errorf("interval: %v", err)
	}
	for _, d := range []drivers.Device{power, board, supply, meter, attenuator, microphone} {
		if err := d.Safe(ctx); err != nil {
			t.Errorf("%s: %v", d, err)
		}
	}
}

// Two tasks share the board on the simulated clock, and a third makes it safe:
// nobody may hang, and the one that makes safe goes first.
func TestTasksShareOneBoard(t *testing.T) {
	for _, makeSafe := range []bool{false, true} {
		clock := sim.NewClock(time.Date(2026, 1, 5, 6, 0, 0, 0, time.UTC))
		port, err := sim.NewBench(clock, 1).Port(sim.Board)
		if err != nil {
			t.Fatal(err)
		}
		d, err := scpi.Open("board", port, clock, "fixture-board", drivers.Calibration{})
		if err != nil {
			t.Fatal(err)
		}
		out, err := d.(drivers.Lines).Output("clutch", 6, false, false)
		if err != nil {
			t.Fatal(err)
		}
		check := func(err error) {
			if err != nil && !(makeSafe && errors.Is(err, context.Canceled)) {
				t.Error(err)
			}
		}
		clock.Together(t.Context(), func(ctx context.Context) {
			for k := range 10 {
				check(out.Set(ctx, k%2 == 0))
			}
		}, func(ctx context.Context) {
			for range 3 {
				_, err := d.(drivers.Timer).Interval(ctx)
				check(err)
			}
		}, func(ctx context.Context) {
			if !makeSafe {
				return
			}
			_ = clock.Sleep(ctx, 3*time.Millisecond)
			start := clock.Now()
			if err := d.Safe(ctx); err != nil || clock.Now().Sub(start) > 500*time.Millisecond {
				t.Errorf("Safe: %v after %v", err, clock.Now().Sub(start))
			}
		})
		if err := d.Safe(t.Context()); err != nil { // a caller without a task
			t.Error(err)
		}
	}
}

// Each fault of the simulated board, and what the driver makes of it; mended,
// the board is understood again.
func TestSimulatedFaults(t *testing.T) {
	for fault, want := range map[sim.Fault][]drivers.Kind{
		sim.Silent: {drivers.NoReply}, sim.Garbled: {drivers.Garbled, drivers.NoReply}, sim.Partial: {drivers.Garbled, drivers.NoReply},
		sim.Gone: {drivers.Gone}, sim.Slow: {drivers.NoReply, drivers.Garbled},
	} {
		clock := sim.NewClock(time.Date(2026, 1, 5, 6, 0, 0, 0, time.UTC))
		bench := sim.NewBench(clock, 1)
		port, err := bench.Port(sim.Board)
		if err != nil {
			t.Fatal(err)
		}
		d, err := scpi.Open("board", port, clock, "fixture-board", drivers.Calibration{})
		if err != nil {
			t.Fatal(err)
		}
		guard, err := d.(drivers.Lines).Input("guard", 1, false)
		if err != nil {
			t.Fatal(err)
		}
		if on, err := guard.Level(t.Context()); err != nil || !on {
			t.Fatal(on, err)
		}
		for range 2 {
			if err := bench.Break(sim.Board, fault); err != nil {
				t.Fatal(err)
			}
			for range 3 {
				start := clock.Now()
				on, err := guard.Level(t.Context())
				if !slices.Contains(want, drivers.KindOf(err)) || on || clock.Now().Sub(start) > 10*time.Second {
					t.Errorf("%s: got %v, %v after %v", fault, on, err, clock.Now().Sub(start))
				}
			}
			start := clock.Now()
			if err := d.Safe(t.Context()); !slices.Contains(want, drivers.KindOf(err)) || clock.Now().Sub(start) > 2200*time.Millisecond {
				t.Errorf("%s: Safe %v after %v", fault, err, clock.Now().Sub(start))
			}
			if err := bench.Break(sim.Board, sim.Mended); err != nil {
				t.Fatal(err)
			}
			if on, err := guard.Level(t.Context()); err != nil || !on {
				t.Errorf("%s, mended: got %v, %v", fault, on, err)
			}
			if err := d.Safe(t.Context()); err != nil {
				t.Errorf("%s, mended: Safe %v", fault, err)
			}
		}
	}
}

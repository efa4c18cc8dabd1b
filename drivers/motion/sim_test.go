package motion_test

import (
	"math"
	"testing"
	"time"

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

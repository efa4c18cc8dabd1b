package receiver_test

import (
	"testing"
	"time"

	"fullthrow/drivers/receiver"
	"fullthrow/drivers/sim"
)

// The driver against the simulated receiver, without a handset: it sends, and
// says that it hears nothing.
func TestSimulatedReceiver(t *testing.T) {
	for _, format := range []string{"SBUS", "CRSF"} {
		clock := sim.NewClock(time.Date(2026, 1, 5, 6, 0, 0, 0, time.UTC))
		bench := sim.NewBench(clock, 1)
		if err := bench.SetFormat(format); err != nil {
			t.Fatal(err)
		}
		port, err := bench.Port(sim.Receiver)
		if err != nil {
			t.Fatal(err)
		}
		r, err := receiver.Open("receiver", port, clock, receiver.Options{Format: format})
		if err != nil {
			t.Fatal(err)
		}
		if _, err := r.Ready(t.Context()); err != nil {
			t.Fatal(err)
		}
		f, err := r.Record(t.Context(), 2*time.Second)
		if err != nil || f.Damaged != 0 {
			t.Fatalf("%s: %d damaged, %v", format, f.Damaged, err)
		}
		switch format {
		case "SBUS":
			if n := len(f.Frames); n < 285 || n > 286 {
				t.Errorf("%d frames in 2 s, want one every 7 ms", n)
			}
			for i, fr := range f.Frames {
				if !fr.Lost {
					t.Fatalf("frame %d is not marked lost", i)
				}
				if i > 0 && (fr.At-f.Frames[i-1].At-7*time.Millisecond).Abs() > 100*time.Microsecond {
					t.Fatalf("frame %d at %v, the one before at %v", i, fr.At, f.Frames[i-1].At)
				}
			}
		case "CRSF":
			if n := len(f.Link); n < 19 || n > 21 || len(f.Frames) != 0 {
				t.Errorf("%d link statistics and %d frames in 2 s, want 20 and none", n, len(f.Frames))
			}
		}
	}
}

package receiver_test

import (
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"fullthrow/drivers"
	"fullthrow/drivers/receiver"
	"fullthrow/drivers/sim"
)

// rig is a receiver on the simulated bench, that hears a handset.
func rig(t *testing.T, format string, change func(h *sim.Handset)) (*receiver.Receiver, *sim.Bench, *sim.Clock) {
	t.Helper()
	clock := sim.NewClock(time.Date(2026, 1, 5, 6, 0, 0, 0, time.UTC))
	bench := sim.NewBench(clock, 1)
	if err := bench.SetFormat(format); err != nil {
		t.Fatal(err)
	}
	h := sim.Good(rand.New(rand.NewPCG(1, 1)))
	if change != nil {
		change(&h)
	}
	bench.Load(h)
	for role, said := range map[string]string{sim.Supply: "VOLT 3.7;:CURR 1.5;:OUTP ON\n", sim.Board: "ROUT:CLOS (@1)\n"} {
		port, err := bench.Port(role)
		if err != nil {
			t.Fatal(err)
		}
		if err := port.Write(t.Context(), []byte(said)); err != nil {
			t.Fatal(err)
		}
	}
	if err := clock.Sleep(t.Context(), 5*time.Second); err != nil {
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
	return r, bench, clock
}

// A capture on a computer that stands still, or a wire that is held up: whole, or
// a Late error; the times of its frames are what they were.
func TestLateCapture(t *testing.T) {
	const over = time.Second
	for _, c := range []struct {
		name, format string
		wire         bool // held up; else the computer stands still
		from, lasts  time.Duration
		want         drivers.Kind
		text         string
	}{
		{"computer, in the middle", "SBUS", false, 300 * time.Millisecond, 280 * time.Millisecond, "", ""},
		{"computer, over the end", "SBUS", false, 930 * time.Millisecond, 250 * time.Millisecond, "", ""},
		{"computer, too long", "SBUS", false, 300 * time.Millisecond, 320 * time.Millisecond, drivers.Late,
			"the computer stood still for 320ms"},
		{"computer, over the end, too long", "SBUS", false, 500 * time.Millisecond, 2 * time.Second, drivers.Late,
			"the computer stood still for 2s"},
		{"wire, in the middle", "SBUS", true, 300 * time.Millisecond, 250 * time.Millisecond, "", ""},
		{"wire, from before", "SBUS", true, -60 * time.Millisecond, 200 * time.Millisecond, drivers.Late, "in less time than they last"},
		{"wire, a moment from before", "SBUS", true, -15 * time.Millisecond, 100 * time.Millisecond, "", ""},
		{"wire, over the end", "SBUS", true, 940 * time.Millisecond, 200 * time.Millisecond, drivers.Late,
			"frames that a receiver sends always are missing"},
		{"wire, over the end, longer", "SBUS", true, 700 * time.Millisecond, 500 * time.Millisecond, drivers.NoReply, "not a byte for"},
		{"CRSF, computer", "CRSF", false, 300 * time.Millisecond, 280 * time.Millisecond, drivers.Late, "came at once"},
		{"CRSF, wire", "CRSF", true, 300 * time.Millisecond, 100 * time.Millisecond, drivers.Late, "came at once"},
		{"CRSF, from before", "CRSF", true, -100 * time.Millisecond, 150 * time.Millisecond, drivers.Late, "in less time than they last"},
		{"CRSF, a moment", "CRSF", true, 300 * time.Millisecond, 40 * time.Millisecond, "", ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			r, bench, clock := rig(t, c.format, nil)
			plain, err := r.Record(t.Context(), over)
			if err != nil {
				t.Fatal(err)
			}
			if err := clock.Sleep(t.Context(), 200*time.Millisecond); err != nil {
				t.Fatal(err)
			}
			begin := clock.Now().Add(200 * time.Millisecond)
			if c.wire {
				bench.HoldUp(begin.Add(c.from), c.lasts)
			} else {
				clock.Stall(begin.Add(c.from), c.lasts)
			}
			if err := clock.Sleep(t.Context(), 200*time.Millisecond); err != nil {
				t.Fatal(err)
			}
			f, err := r.Record(t.Context(), over)
			if drivers.KindOf(err) != c.want || err != nil && !strings.Contains(err.Error(), c.text) {
				t.Fatalf("got %v (%q), want %q, %s", err, drivers.KindOf(err), c.want, c.text)
			}
			if err != nil {
				return
			}
			if d := len(f.Frames) - len(plain.Frames); d < -3 || d > 1 {
				t.Errorf("%d frames, %d without", len(f.Frames), len(plain.Frames))
			}
			for i := 1; i < len(f.Frames); i++ {
				if d := f.Frames[i].At - f.Frames[i-1].At; (d-7*time.Millisecond).Abs() > 2*time.Millisecond && !f.Frames[i].Lost && c.format == "SBUS" {
					t.Errorf("frame %d at %v, the one before at %v", i, f.Frames[i].At, f.Frames[i-1].At)
				}
			}
		})
	}
}

// What the handset loses, in bursts, is no lateness.
func TestBurstsAreNotLate(t *testing.T) {
	for _, format := range []string{"SBUS", "CRSF"} {
		r, _, _ := rig(t, format, func(h *sim.Handset) { h.Link.Enter, h.Link.Leave, h.Link.InBurst = 0.03, 0.08, 0.95 })
		f, err := r.Record(t.Context(), 5*time.Second)
		if err != nil {
			t.Errorf("%s: %v", format, err)
			continue
		}
		lost, longest, last := 0, time.Duration(0), time.Duration(0)
		for _, fr := range f.Frames {
			if fr.Lost {
				lost++
				continue
			}
			longest, last = max(longest, fr.At-last), fr.At
		}
		if longest < 100*time.Millisecond || format == "SBUS" && lost < 50 {
			t.Errorf("%s: %d frames lost, at most %v apart: no bursts", format, lost, longest)
		}
	}
}

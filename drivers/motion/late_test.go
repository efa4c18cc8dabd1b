package motion

import (
	"errors"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"fullthrow/drivers"
)

// A movement that takes longer than others like it has not been where its segment
// says; the machine stands where it should and goes on.
func TestLateMovement(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ramps, late := 80*time.Millisecond, time.Duration(0)
		g := &gantry{by: usual}
		m := homed(t, g)
		g.set(func(line string) (time.Duration, string) {
			if line == "G4 P0" {
				return 50*time.Millisecond + ramps + late, "ok\n"
			}
			return time.Millisecond, "ok\n"
		})
		to := -0.8
		step := func(by time.Duration, want string) {
			t.Helper()
			late, to = by, to+0.2 // 50 ms at 4 throws/s
			seg, err := m.Move(t.Context(), map[string]float64{"left_x": to}, 4)
			var e *drivers.Error
			if err == nil && seg.Late() != by {
				t.Errorf("%v late: the segment says %v", by, seg.Late())
			}
			switch {
			case want == "" && err != nil || want != "" && err == nil:
				t.Errorf("%v late: got %v, want %q", by, err, want)
			case err != nil && (!errors.As(err, &e) || e.Kind != drivers.Late || e.Hint != drivers.LateHint ||
				!strings.HasSuffix(err.Error(), want)):
				t.Errorf("%v late: got %v (%q), want %q", by, err, drivers.KindOf(err), want)
			}
		}
		move := func(want string) { t.Helper(); step(0, want) }
		if _, err := m.Move(t.Context(), map[string]float64{"left_x": -0.8}, 4); err != nil {
			t.Fatal(err)
		}
		move("") // the first of its kind: its ramps may take that long
		step(15*time.Millisecond, "")
		step(55*time.Millisecond, "")
		step(65*time.Millisecond, "sticks: move: the same movement took 131ms and 196ms")
		move("")
		// Another way at another rate is another kind of movement.
		ramps = 0
		if _, err := m.Move(t.Context(), map[string]float64{"left_x": to - 0.1}, 2); err != nil {
			t.Errorf("another kind: %v", err)
		}
		// What was the shortest so far had been late itself.
		ramps, to = 40*time.Millisecond, to-0.1
		move("sticks: move: the same movement took 91ms and 131ms")
		move("")
	})
}

// The first of its kind has none to be compared with.
func TestFirstMovementLate(t *testing.T) {
	for _, c := range []struct {
		takes time.Duration
		want  string
	}{
		{250 * time.Millisecond, ""}, {316 * time.Millisecond, "arrived after 317ms, the movement takes 50ms, at most 300ms with its ramps"},
	} {
		synctest.Test(t, func(t *testing.T) {
			g := &gantry{by: usual}
			m := homed(t, g)
			g.set(func(line string) (time.Duration, string) {
				if line == "G4 P0" {
					return c.takes, "ok\n"
				}
				return time.Millisecond, "ok\n"
			})
			_, err := m.Move(t.Context(), map[string]float64{"left_x": 0.2}, 4)
			if (err == nil) != (c.want == "") || err != nil && (drivers.KindOf(err) != drivers.Late || !strings.HasSuffix(err.Error(), c.want)) {
				t.Errorf("took %v: got %v, want %q", c.takes, err, c.want)
			}
		})
	}
}

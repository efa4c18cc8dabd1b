package measure_test

import (
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"fullthrow/drivers"
	"fullthrow/runner/measure"
)

// A sweep of which one movement began or ended late, read every 7 ms from a stick
// that follows at once. Where the path says how long the movement itself takes,
// nothing has left its way; what did is seen in it all the same.
func TestDropoutsOfLateMovements(t *testing.T) {
	const takes, dwell = 50 * time.Millisecond, 130 * time.Millisecond
	zero := time.Date(2026, 3, 2, 6, 0, 0, 0, time.UTC)
	for _, c := range []struct {
		name    string
		begins  time.Duration // late
		ends    time.Duration
		known   bool
		dropped bool
		want    func(n int) bool
		wants   string
	}{
		{"in time", 0, 0, true, false, func(n int) bool { return n == 0 }, "none"},
		{"ended late", 0, 55 * time.Millisecond, true, false, func(n int) bool { return n == 0 }, "none"},
		{"began late", 55 * time.Millisecond, 0, true, false, func(n int) bool { return n == 0 }, "none"},
		{"both", 25 * time.Millisecond, 25 * time.Millisecond, true, false, func(n int) bool { return n == 0 }, "none"},
		{"ended late, and nobody knows", 0, 55 * time.Millisecond, false, false, func(n int) bool { return n > 0 }, "some"},
		{"a dropout in a late movement", 0, 55 * time.Millisecond, true, true, func(n int) bool { return n == 1 }, "one"},
		{"a dropout in a movement that began late", 55 * time.Millisecond, 0, true, true, func(n int) bool { return n == 1 }, "one"},
	} {
		t.Run(c.name, func(t *testing.T) {
			var path drivers.Path
			var truth []drivers.Segment
			at, now := -1.0, zero.Add(100*time.Millisecond)
			axis := func(v float64) map[string]float64 { return map[string]float64{"left_x": v} }
			for k := range 40 {
				to := at + 0.2
				if k/10%2 == 1 {
					to = at - 0.2
				}
				real := drivers.Segment{Start: now, End: now.Add(takes), From: axis(at), To: axis(to)}
				seg := real
				seg.Takes = takes
				if k == 14 {
					real.Start, real.End = real.Start.Add(c.begins), real.End.Add(c.begins)
					seg.End = real.End.Add(c.ends)
					if !c.known {
						seg.Takes = 0
					}
				}
				path, truth = append(path, seg), append(truth, real)
				at, now = to, seg.End.Add(dwell)
			}
			f := drivers.Frames{Start: zero, Length: now.Sub(zero), Format: "SBUS", Gain: 1, Period: 7 * time.Millisecond}
			for t := zero; t.Before(now); t = t.Add(f.Period) {
				v := -1.0
				for i, s := range truth {
					if t.Before(s.Start) {
						break
					}
					share := min(1, t.Sub(s.Start).Seconds()/takes.Seconds())
					v = s.From["left_x"] + share*(s.To["left_x"]-s.From["left_x"])
					if c.dropped && i == 14 && share > 0.3 && share < 0.7 {
						v = -1
					}
				}
				f.Frames = append(f.Frames, drivers.Frame{At: t.Sub(zero), Channels: []uint16{uint16(1500 + 512*v)}})
			}
			r, err := measure.Travel(f, path, measure.TravelOptions{Channel: 1, Axis: "left_x"})
			require.NoError(t, err)
			assert.True(t, c.want(r.Dropouts), fmt.Sprintf("%d dropouts, want %s", r.Dropouts, c.wants))
		})
	}
}

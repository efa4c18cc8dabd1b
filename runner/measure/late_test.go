package measure_test

import (
	"fmt"
	"math"
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

// A stepped sweep of a machine with ramps: where the path says what the way takes at
// its rate, nothing has left its way, the lag is that of the link, and a dropout in a
// ramp is seen. Without that word a sound stick has dropouts.
func TestTravelKnowsRamps(t *testing.T) {
	const even, dwell, lag = 50 * time.Millisecond, 130 * time.Millisecond, 12 * time.Millisecond
	zero := time.Date(2026, 3, 2, 6, 0, 0, 0, time.UTC)
	axis := func(v float64) map[string]float64 { return map[string]float64{"left_x": v} }
	for _, c := range []struct {
		ramp           time.Duration
		known, dropped bool
		clean          bool
		dropouts       int // of a known one
	}{
		{0, true, false, true, 0},
		{32 * time.Millisecond, true, false, true, 0},
		{96 * time.Millisecond, true, false, true, 0}, // it never comes to its rate
		{96 * time.Millisecond, false, false, false, 0},
		{96 * time.Millisecond, true, true, false, 1},
	} {
		t.Run(fmt.Sprintf("%v known %v dropped %v", c.ramp, c.known, c.dropped), func(t *testing.T) {
			var path drivers.Path
			at, now := -1.0, zero.Add(100*time.Millisecond)
			for k := range 12 {
				to := []float64{-0.2, 0.6, 1, 0.4, -0.4, -1}[k%6]
				way := time.Duration(math.Abs(to-at) / 0.2 * float64(even))
				took := way + c.ramp
				if c.ramp > way { // at the acceleration that gets it to its rate in that time
					took = time.Duration(2 * math.Sqrt(way.Seconds()*c.ramp.Seconds()) * float64(time.Second))
				}
				seg := drivers.Segment{Start: now, End: now.Add(took), From: axis(at), To: axis(to)}
				if c.known {
					seg.Even = way
				}
				path = append(path, seg)
				at, now = to, seg.End.Add(dwell)
			}
			f := drivers.Frames{Start: zero, Length: now.Sub(zero), Format: "SBUS", Gain: 1, Period: 7 * time.Millisecond}
			for t := zero; t.Before(now); t = t.Add(f.Period) {
				v := -1.0
				for i, s := range path {
					if t.Before(s.Start.Add(lag)) {
						break
					}
					// Speed by integration, and not by the formula that is tried.
					took, in := s.End.Sub(s.Start).Seconds(), t.Sub(s.Start.Add(lag)).Seconds()
					ramp := min(c.ramp.Seconds(), took/2)
					gone, all := 0.0, 0.0
					const steps = 4000
					for n := range steps {
						x := (float64(n) + 0.5) / steps * took
						speed := 1.0
						if ramp > 0 {
							speed = min(1, x/ramp, (took-x)/ramp)
						}
						if all += speed; x <= in {
							gone += speed
						}
					}
					v = s.From["left_x"] + gone/all*(s.To["left_x"]-s.From["left_x"])
					if c.dropped && i == 7 && in > 0.01 && in < 0.03 {
						v = 1
					}
				}
				f.Frames = append(f.Frames, drivers.Frame{At: t.Sub(zero), Channels: []uint16{uint16(math.Round(1500 + 512*v))}})
			}
			r, err := measure.Travel(f, path, measure.TravelOptions{Channel: 1, Axis: "left_x"})
			require.NoError(t, err)
			if !c.known {
				assert.NotZero(t, r.Dropouts, "a constant rate is believed: the test proves nothing")
				return
			}
			assert.Equal(t, c.dropouts, r.Dropouts)
			if c.clean {
				assert.InDelta(t, lag.Seconds(), r.Lag, 0.001)
				assert.InDelta(t, 1, r.Follows, 0.002)
			}
		})
	}
}

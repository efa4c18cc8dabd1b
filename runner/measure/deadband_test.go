package measure

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"fullthrow/drivers"
)

// slowly moves a stick through the centre and back, at 0.15 throws per s.
func slowly(g stick, reach float64, seed uint64) (drivers.Frames, drivers.Path) {
	p := steps("x", []float64{0, -reach, reach, -reach, 0}, 0.15, 0.05)
	return g.record(p, "x", seed), p
}

// Dead bands of sticks with play, taper and noise, read as the stock plan does:
// ±6 % of throw at 0.15 throws per s, SBUS, latency 10 to 17 ms. How near the
// reading comes, and whether its uncertainty holds, over many captures with
// fixed seeds [simulated; the truth is what the stick was given].
func TestDeadBandAccuracy(t *testing.T) {
	base := stick{gain: 1, lag: 0.010, jitter: 0.007, play: 0.004, noise: 0.0005}
	for _, c := range []struct {
		name             string
		with             func(*stick)
		rms, worst, none float64 // % of throw; none: the most that a stick without dead band may show
	}{
		{"plain", func(*stick) {}, 0.07, 0.13, 0.13},
		{"with play of 4 %", func(g *stick) { g.play = 0.04 }, 0.07, 0.2, 0.15},
		{"with taper", func(g *stick) { g.taper = 0.07 }, 0.05, 0.15, 0.13},
		{"reversed", func(g *stick) { g.gain = -0.95 }, 0.06, 0.15, 0.15},
		{"noisy", func(g *stick) { g.noise = 0.002 }, 0.18, 0.35, 0.35},
	} {
		for _, truth := range []float64{0, 0.3, 1, 2, 5} {
			const trials = 40
			var squares, worst float64
			held := 0
			for seed := range uint64(trials) {
				g := base
				c.with(&g)
				g.deadBand, g.offset = truth/100, 0.01*float64(seed%5)-0.02
				f, p := slowly(g, 0.06, seed)
				r, err := DeadBand(f, []drivers.Path{p}, DeadBandOptions{Channel: 1, Axis: "x", Lag: 0.0135})
				require.NoError(t, err)
				require.Empty(t, r.Bound, "%s %v %+v", c.name, truth, r)
				e := r.Width - truth
				squares += e * e
				worst = max(worst, math.Abs(e))
				u := r.Uncertainty
				if truth == 0 {
					u *= 2.2 // the larger of two, neither below 0
				}
				if math.Abs(e) <= u {
					held++
				}
				if truth >= 1 {
					within(t, c.name+": middle", r.Middle, 0, 0.3)
				}
				if truth == 0 && r.Width > c.none {
					t.Errorf("%s: a stick without dead band shows %.3f %%", c.name, r.Width)
				}
			}
			if rms := math.Sqrt(squares / trials); rms > c.rms || worst > c.worst || held < trials*9/10 {
				t.Errorf("%s, dead band %v %%: off by %.3f %% rms, %.3f %% at worst, within the uncertainty %d times of %d", c.name, truth, rms, worst, held, trials)
			}
		}
	}
}

// A dead band that reaches beyond the sweep is never taken for none.
func TestDeadBandBeyondTheSweep(t *testing.T) {
	for _, g := range []stick{{gain: 1, deadBand: 0.12}, {gain: 1, deadBand: 0.3}, {gain: 1, play: 0.3}, {stuck: true}, {stuck: true, offset: 0.4}, {gain: 1, deadBand: 0.3, noise: 0.002}} {
		f, p := slowly(g, 0.06, 5)
		r, err := DeadBand(f, []drivers.Path{p}, DeadBandOptions{Channel: 1, Axis: "x"})
		require.NoError(t, err)
		require.Equal(t, "more", r.Bound, "%+v", g)
		within(t, "width", r.Width, 12, 1.1)
		require.True(t, math.IsNaN(r.Uncertainty) && math.IsNaN(r.Middle))
	}
	// Nearly the whole sweep, and all up to it: never nothing, never no number.
	for truth := 5.0; truth < 14; truth += 0.25 {
		for seed := range uint64(4) {
			f, p := slowly(stick{gain: 1, deadBand: truth / 100, play: 0.003, noise: 0.0005, jitter: 0.007}, 0.06, seed)
			r, err := DeadBand(f, []drivers.Path{p}, DeadBandOptions{Channel: 1, Axis: "x"})
			require.NoError(t, err)
			if !(r.Width > min(truth, 12)-0.4 && r.Width < min(truth+0.4, 12) || r.Bound == "more" && r.Width > min(truth, 12)-4) {
				t.Errorf("dead band of %v %%: %+v", truth, r)
			}
		}
	}
	// Level on one side only: dead from the low end, or clipped.
	f, p := slowly(stick{gain: 1, noise: 0.0005}, 0.06, 5)
	for i := range f.Frames {
		f.Frames[i].Channels[0] = max(f.Frames[i].Channels[0], 1000)
	}
	r, err := DeadBand(f, []drivers.Path{p}, DeadBandOptions{Channel: 1, Axis: "x"})
	require.NoError(t, err)
	require.Equal(t, "more", r.Bound)
	within(t, "width", r.Width, 7, 0.2)
}

// Scale, offset, the sense of the channel, its number, and time reversal
// change nothing.
func TestDeadBandInvariance(t *testing.T) {
	g := stick{gain: 1, deadBand: 0.02, noise: 0.0005}
	f, p := slowly(g, 0.06, 8)
	o := DeadBandOptions{Channel: 1, Axis: "x"}
	want, err := DeadBand(f, []drivers.Path{p}, o)
	require.NoError(t, err)
	within(t, "width", want.Width, 2, 0.1)

	alike := func(name string, f drivers.Frames, p []drivers.Path, o DeadBandOptions, tolerance float64) {
		t.Helper()
		r, err := DeadBand(f, p, o)
		require.NoError(t, err)
		within(t, name, r.Width, want.Width, tolerance)
		within(t, name+": uncertainty", r.Uncertainty, want.Uncertainty, max(tolerance, 0.02*want.Uncertainty))
	}
	alike("path in pieces", f, []drivers.Path{p[:2], p[2:]}, o, 1e-12)

	scaled := f
	scaled.Gain, scaled.Offset = -1.1*f.Gain, 3000
	alike("channel reversed and scaled", scaled, []drivers.Path{p}, o, 5e-3)

	second := f
	second.Frames = nil
	for i, h := range f.Frames {
		h.Channels = []uint16{uint16(i % 2000), h.Channels[0]}
		second.Frames = append(second.Frames, h)
	}
	alike("second channel", second, []drivers.Path{p}, DeadBandOptions{Channel: 2, Axis: "x"}, 1e-12)

	length := f.Length
	reversed := f
	reversed.Frames = nil
	for i := len(f.Frames) - 1; i >= 0; i-- {
		h := f.Frames[i]
		h.At = length - h.At
		reversed.Frames = append(reversed.Frames, h)
	}
	var back drivers.Path
	for i := len(p) - 1; i >= 0; i-- {
		s := p[i]
		turn := func(at time.Time) time.Time { return f.Start.Add(length - at.Sub(f.Start)) }
		back = append(back, drivers.Segment{Start: turn(s.End), End: turn(s.Start), From: s.To, To: s.From})
	}
	alike("time reversed", reversed, []drivers.Path{back}, o, 0.06)
}

// A dirty spot beside the centre is no dead band.
func TestDeadBandAndDropouts(t *testing.T) {
	f, p := slowly(stick{gain: 1, noise: 0.0005}, 0.06, 8)
	for i := range f.Frames {
		if i%9 == 0 {
			f.Frames[i].Channels = []uint16{172}
		}
	}
	r, err := DeadBand(f, []drivers.Path{p}, DeadBandOptions{Channel: 1, Axis: "x"})
	require.NoError(t, err)
	require.Empty(t, r.Bound)
	within(t, "width", r.Width, 0, 0.15)
}

// The special inputs of the doc comment.
func TestDeadBandSpecialInputs(t *testing.T) {
	f, p := slowly(stick{gain: 1}, 0.06, 1)
	paths := []drivers.Path{p}
	o := DeadBandOptions{Channel: 1, Axis: "x"}
	for name, c := range map[string]func() (DeadBandResult, error){
		"lag":      func() (DeadBandResult, error) { return DeadBand(f, paths, DeadBandOptions{1, "x", math.NaN()}) },
		"axis":     func() (DeadBandResult, error) { return DeadBand(f, paths, DeadBandOptions{1, "y", 0}) },
		"channel":  func() (DeadBandResult, error) { return DeadBand(f, paths, DeadBandOptions{2, "x", 0}) },
		"no path":  func() (DeadBandResult, error) { return DeadBand(f, nil, o) },
		"no scale": func() (DeadBandResult, error) { g := f; g.Gain = math.Inf(1); return DeadBand(g, paths, o) },
		"one side": func() (DeadBandResult, error) {
			return DeadBand(f, []drivers.Path{steps("x", []float64{0, 0.5}, 1, 1)}, o)
		},
	} {
		_, err := c()
		require.ErrorContains(t, err, "measure: dead band: ", name)
	}
	few := f
	few.Frames = f.Frames[:45]
	for _, g := range []drivers.Frames{sbus(3), few} {
		r, err := DeadBand(g, paths, o)
		require.NoError(t, err)
		require.True(t, math.IsNaN(r.Width) && math.IsNaN(r.Uncertainty) && r.Bound == "")
	}
}

func BenchmarkDeadBand(b *testing.B) {
	f, p := slowly(stick{gain: 1, noise: 0.0005, jitter: 0.007}, 0.06, 1)
	paths := []drivers.Path{p}
	b.ReportAllocs()
	for b.Loop() {
		if _, err := DeadBand(f, paths, DeadBandOptions{Channel: 1, Axis: "x"}); err != nil {
			b.Fatal(err)
		}
	}
}

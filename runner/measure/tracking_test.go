package measure

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"fullthrow/drivers"
)

// ramps goes up and down at 4 and at 1 throws per s, without dwells.
func ramps(rates ...float64) drivers.Path {
	var p drivers.Path
	at := 0.3
	for _, rate := range rates {
		for _, to := range []float64{1, -1} {
			end := at + 2/rate
			p = append(p, drivers.Segment{Start: began.Add(dur(at)), End: began.Add(dur(end)), From: map[string]float64{"x": -to}, To: map[string]float64{"x": to}})
			at = end
		}
	}
	return p
}

// Lag and play of sticks on the move, each apart from the other [simulated,
// fixed seeds; the truth is what the stick was given].
func TestTracking(t *testing.T) {
	var lag, play float64
	const trials = 60
	for seed := range uint64(trials) {
		rng := rand.New(rand.NewPCG(seed, 41))
		g := stick{gain: 1 - 0.1*rng.Float64(), lag: 0.03 * rng.Float64(), jitter: 0.007, play: 0.04 * rng.Float64(), taper: 0.01, offset: 0.02, noise: 0.0005}
		if seed%3 == 0 {
			g.gain = -g.gain
		}
		p := ramps(4, 1, 4, 2)
		r, err := Tracking(g.record(p, "x", seed), []drivers.Path{p}, TrackingOptions{Channel: 1, Axis: "x"})
		require.NoError(t, err)
		within(t, "follows", r.Follows, g.gain, 0.01)
		within(t, "lag", r.Lag, g.lag+0.0035, 0.0015)
		within(t, "play", r.Play, 100*g.play, 0.5)
		lag += math.Pow(r.Lag-g.lag-0.0035, 2) / trials
		play += math.Pow(r.Play-100*g.play, 2) / trials
	}
	t.Logf("lag %.2f ms, play %.3f %% rms", 1000*math.Sqrt(lag), math.Sqrt(play))
	if lag > math.Pow(0.0006, 2) || play > math.Pow(0.2, 2) {
		t.Errorf("lag is off by %.2f ms rms, play by %.3f %%", 1000*math.Sqrt(lag), math.Sqrt(play))
	}

	// Without jitter and noise only the steps of the format are left.
	g := stick{gain: 1, lag: 0.02, play: 0.02}
	p := ramps(2, 0.5)
	f := g.record(p, "x", 1)
	r, err := Tracking(f, []drivers.Path{p}, TrackingOptions{Channel: 1, Axis: "x"})
	require.NoError(t, err)
	within(t, "lag", r.Lag, 0.02, 0.0005) // the stick is worked out every 0.5 ms
	within(t, "play", r.Play, 2, 0.05)

	// Scale, offset and channel.
	f.Gain, f.Offset = -1.2*f.Gain, 3300
	for i := range f.Frames {
		f.Frames[i].Channels = []uint16{0, f.Frames[i].Channels[0]}
	}
	s, err := Tracking(f, []drivers.Path{p}, TrackingOptions{Channel: 2, Axis: "x"})
	require.NoError(t, err)
	within(t, "scaled: lag", s.Lag, r.Lag, 1e-9)
	within(t, "scaled: play", s.Play, r.Play, 1e-9)
	within(t, "scaled: follows", s.Follows, -1.2*r.Follows, 1e-9)
}

// The special inputs of the doc comment.
func TestTrackingSpecialInputs(t *testing.T) {
	p := ramps(4, 1)
	f := stick{gain: 1, lag: 0.01}.record(p, "x", 1)
	o := TrackingOptions{Channel: 1, Axis: "x"}
	for name, c := range map[string]func() (TrackingResult, error){
		"one speed":     func() (TrackingResult, error) { return Tracking(f, []drivers.Path{p[:2]}, o) },
		"one direction": func() (TrackingResult, error) { return Tracking(f, []drivers.Path{{p[0]}, {p[2]}}, o) },
		"margin": func() (TrackingResult, error) {
			return Tracking(f, []drivers.Path{p}, TrackingOptions{1, "x", math.NaN()})
		},
		"axis":    func() (TrackingResult, error) { return Tracking(f, []drivers.Path{p}, TrackingOptions{1, "y", 0}) },
		"channel": func() (TrackingResult, error) { return Tracking(f, []drivers.Path{p}, TrackingOptions{5, "x", 0}) },
	} {
		_, err := c()
		require.ErrorContains(t, err, "measure: tracking: ", name)
	}
	r, err := Tracking(sbus(5), []drivers.Path{p}, o)
	require.NoError(t, err)
	require.Zero(t, r.Heard)
	require.True(t, math.IsNaN(r.Lag) && math.IsNaN(r.Follows))

	r, err = Tracking(stick{stuck: true, offset: 0.3}.record(p, "x", 1), []drivers.Path{p}, o)
	require.NoError(t, err)
	within(t, "stuck: follows", r.Follows, 0, 1e-6)
	require.True(t, math.IsNaN(r.Lag) && math.IsNaN(r.Play))
}

func BenchmarkTracking(b *testing.B) {
	p := ramps(4, 1)
	f := stick{gain: 1, noise: 0.0005}.quick(p, "x")
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Tracking(f, []drivers.Path{p}, TrackingOptions{Channel: 1, Axis: "x"}); err != nil {
			b.Fatal(err)
		}
	}
}

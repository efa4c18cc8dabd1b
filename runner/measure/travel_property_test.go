package measure

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"fullthrow/drivers"
)

// What is in the figures does not depend on which channel it came by, nor on
// the scale in which it was sent.
func TestTravelChannelAndScale(t *testing.T) {
	p := steps("left_x", sweep(11, 2), 4, 0.13)
	g := stick{gain: 1, lag: 0.012, play: 0.01, taper: 0.03, deadBand: 0.02, noise: 0.0005}
	f := g.record(p, "left_x", 1)
	want, err := Travel(f, p, TravelOptions{Channel: 1, Axis: "left_x"})
	require.NoError(t, err)

	other := f
	other.Frames = nil
	for i, h := range f.Frames {
		h.Channels = []uint16{uint16(i * 37 % 2000), 992, h.Channels[0], 172}
		other.Frames = append(other.Frames, h)
	}
	got, err := Travel(other, p, TravelOptions{Channel: 3, Axis: "left_x"})
	require.NoError(t, err)
	require.Equal(t, want, got)

	// A hundredth off scale and 5 µs off the centre: the ends and the centre
	// move, errors of shape grow by the scale, those of the stick stay.
	scaled := f
	scaled.Gain, scaled.Offset = 1.01*f.Gain, 1500+1.01*(f.Offset-1500)+5.12
	got, err = Travel(scaled, p, TravelOptions{Channel: 1, Axis: "left_x"})
	require.NoError(t, err)
	within(t, "high end", got.HighEnd, 1.01*want.HighEnd+1, 1e-9)
	within(t, "centre", got.Centre, 1.01*want.Centre+1, 1e-9)
	within(t, "follows", got.Follows, 1.01*want.Follows, 1e-9)
	within(t, "hysteresis", got.Hysteresis, 1.01*want.Hysteresis, 1e-9)
	within(t, "non-linearity", got.NonLinearity, 1.01*want.NonLinearity, 1e-9)
	within(t, "independent", got.Independent, 1.01*want.Independent, 1e-9)
	within(t, "noise", got.Noise, 1.01*want.Noise, 1e-9)
	within(t, "play", got.Play, want.Play, 1e-9)
	within(t, "effective bits", got.EffectiveBits, want.EffectiveBits, 1e-9)
	within(t, "lag", got.Lag, want.Lag, 1e-9)
	require.Equal(t, want.Dropouts, got.Dropouts)
}

// How near lag and play come, over many sticks [simulated, fixed seeds]: 0.5 ms
// and 0.012 % of throw rms.
func TestTravelLagAccuracy(t *testing.T) {
	var lag, play float64
	const trials = 60
	for seed := range uint64(trials) {
		rng := rand.New(rand.NewPCG(seed, 21))
		g := stick{gain: 1, lag: 0.005 + 0.02*rng.Float64(), jitter: 0.007, play: 0.03 * rng.Float64(), noise: 0.0005}
		p := steps("left_x", sweep(11, 2), 4, 0.13)
		r, err := Travel(g.record(p, "left_x", seed), p, TravelOptions{Channel: 1, Axis: "left_x"})
		require.NoError(t, err)
		lag += math.Pow(r.Lag-g.lag-0.0035, 2) / trials
		play += math.Pow(r.Play-100*g.play, 2) / trials
	}
	lag, play = math.Sqrt(lag), math.Sqrt(play)
	t.Logf("lag %.2f ms, play %.3f %% rms", 1000*lag, play)
	if lag > 0.001 || play > 0.03 {
		t.Errorf("lag is off by %.2f ms rms, play by %.3f %%", 1000*lag, play)
	}
}

// A single frame is one settled value; every frame lost is silence.
func TestTravelFewFrames(t *testing.T) {
	p := steps("left_x", sweep(5, 1), 4, 0.13)
	f := sbus(5)
	f.Frames = []drivers.Frame{{At: dur(0.1), Channels: []uint16{992}}}
	r, err := Travel(f, p, TravelOptions{Channel: 1, Axis: "left_x"})
	require.NoError(t, err)
	require.Equal(t, 1, r.Heard)
	require.Zero(t, r.Follows)
	require.False(t, r.Monotonic)
	require.True(t, math.IsNaN(r.Play) && math.IsNaN(r.HighEnd))

	f.Frames[0].Lost = true
	r, err = Travel(f, p, TravelOptions{Channel: 1, Axis: "left_x"})
	require.NoError(t, err)
	require.True(t, math.IsNaN(r.LowEnd) && math.IsNaN(r.NonLinearity) && math.IsNaN(r.Resolution))

	clipped := stick{gain: 1, noise: 0.0005}.record(p, "left_x", 1)
	for i := range clipped.Frames {
		clipped.Frames[i].Channels[0] = min(clipped.Frames[i].Channels[0], 992+410)
	}
	r, err = Travel(clipped, p, TravelOptions{Channel: 1, Axis: "left_x"})
	require.NoError(t, err)
	within(t, "clipped: high end", r.HighEnd, 50, 0.2)
	require.Greater(t, r.NonLinearity, 10.0)
}

// A stepped sweep of thousands of dwells takes time in proportion, not more.
func BenchmarkTravelLong(b *testing.B) {
	for _, cycles := range []int{1, 10, 100} {
		p := steps("left_x", sweep(11, cycles), 4, 0.05)
		f := stick{gain: 1, lag: 0.0135, noise: 0.0005}.quick(p, "left_x")
		b.Run(map[int]string{1: "20 steps", 10: "200 steps", 100: "2000 steps"}[cycles], func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				if _, err := Travel(f, p, TravelOptions{Channel: 1, Axis: "left_x"}); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

// quick is record without play, for long paths.
func (g stick) quick(p drivers.Path, axis string) drivers.Frames {
	f := sbus(ends(p))
	rng := rand.New(rand.NewPCG(1, 31))
	i := 0
	for at := 0.004; at < ends(p); at += 0.007 {
		when := at - g.lag
		for i+1 < len(p) && p[i+1].Start.Sub(began).Seconds() <= when {
			i++
		}
		a, b := p[i].Start.Sub(began).Seconds(), p[i].End.Sub(began).Seconds()
		u := p[i].From[axis] + (p[i].To[axis]-p[i].From[axis])*math.Min(1, math.Max(0, (when-a)/(b-a)))
		raw := math.Round(992 + 819.2*(u+g.noise*rng.NormFloat64()))
		f.Frames = append(f.Frames, drivers.Frame{At: dur(at), Channels: []uint16{uint16(math.Max(0, raw))}})
	}
	return f
}

package measure

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"
)

// Noise, step and effective bits of a stick without play, read in steps of
// SBUS: 0.122 % of throw. An output that stands still has the bits of its
// steps: log2(200 / 0.12207) = 10.678 [derived].
func TestTravelResolution(t *testing.T) {
	r := travel(t, stick{gain: 1}, sweep(11, 2), 4, 0.13)
	step := 0.625 / 5.12
	within(t, "noise", r.Noise, 0, 1e-9)
	within(t, "step", r.Step, math.Floor(20/step)*step, step+1e-9) // only the eleven positions were heard
	require.Equal(t, r.Step, r.Resolution)

	r = travel(t, stick{gain: 1, noise: 0.002}, sweep(11, 2), 4, 0.13)
	within(t, "step", r.Step, step, 1e-9)
	within(t, "noise", r.Noise, 0.2, 0.02)
	within(t, "resolution", r.Resolution, 6.6*r.Noise, 1e-9)
	within(t, "effective bits", r.EffectiveBits, math.Log2((r.HighEnd-r.LowEnd)/(math.Sqrt(12)*r.Noise)), 1e-9)
	require.Greater(t, r.NoisePeakToPeak, r.NoisePeak)
	require.Less(t, r.NoisePeakToPeak, 2*r.NoisePeak+step)

	small := []float64{1, 1, 1 + step, 1 + 3*step}
	within(t, "smallest step", smallestStep(small), step, 1e-12)
	require.Zero(t, smallestStep([]float64{2, 2}))
	require.Zero(t, smallestStep(nil))
	quiet := TravelResult{LowEnd: -100, HighEnd: 100}
	noise(&quiet, []dwell{{values: []float64{1, 1, 1 + step}, mean: 1 + step/3}})
	within(t, "bits of steps", quiet.EffectiveBits, math.Log2(200/max(step, math.Sqrt(12)*quiet.Noise)), 1e-9)
}

// Where on the travel a spot is, and how often it was met.
func TestTravelSpots(t *testing.T) {
	r := travel(t, stick{gain: 1, noise: 0.0005, spot: 0.37}, sweep(41, 3), 2, 0.1)
	require.Len(t, r.Spots, 1)
	s := r.Spots[0]
	if !(s.From < 37 && s.To > 37 && s.From > 30 && s.To < 44) {
		t.Errorf("the spot at 37 %% was found from %.1f to %.1f %%", s.From, s.To)
	}
	require.Equal(t, r.Dropouts, s.Dropouts)
	require.GreaterOrEqual(t, s.Dropouts, 6, "three cycles, both ways")
	require.GreaterOrEqual(t, s.FramesOut, s.Dropouts)
	within(t, "furthest", s.Furthest, -100, 0.2)
	require.Empty(t, travel(t, stick{gain: 1, noise: 0.0005}, sweep(41, 3), 2, 0.1).Spots)
}

// Play read as backlash, hysteresis as part of the span, lag in neither.
func TestTravelPlayAndLag(t *testing.T) {
	for _, play := range []float64{0, 0.004, 0.02, 0.04} {
		for _, lag := range []float64{0, 0.01, 0.03} {
			for _, gain := range []float64{1, 0.9, -1} {
				r := travel(t, stick{gain: gain, play: play, lag: lag, jitter: 0.004, noise: 0.0005}, sweep(11, 2), 4, 0.13)
				within(t, "play", r.Play, 100*play, 0.06)
				within(t, "hysteresis", r.Hysteresis, 50*play*math.Abs(gain), 0.06)
				within(t, "lag", r.Lag, lag+0.002, 0.004)
			}
		}
	}
}

// The settled values go on to TravelPoints and give the same figures there.
func TestTravelAndItsPoints(t *testing.T) {
	r := travel(t, stick{gain: 1, play: 0.01, taper: 0.03, noise: 0.0005}, sweep(11, 3), 4, 0.13)
	p, err := TravelPoints(r.Points, TravelPointsOptions{})
	require.NoError(t, err)
	require.Equal(t, 3, p.Cycles)
	require.Equal(t, 11, p.Positions)
	within(t, "hysteresis", p.Hysteresis, r.Hysteresis, 1e-12)
	within(t, "terminal-based", p.TerminalLine.NonLinearity, r.NonLinearity, 1e-12)
	within(t, "independent", p.IndependentLine.NonLinearity, r.Independent, 1e-12)
	within(t, "repeatability", p.Repeatability, r.Repeatability, 1e-12)
	within(t, "slope", p.LeastSquaresLine.Slope, r.Follows, 1e-9)
	if !(r.Independent <= r.ZeroBased && r.ZeroBased <= r.NonLinearity && r.Independent <= r.LeastSquares) {
		t.Errorf("the order of the non-linearities is wrong: %+v", r)
	}
}

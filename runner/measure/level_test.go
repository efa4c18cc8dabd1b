package measure

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"fullthrow/drivers"
)

// A-weighting of ANSI S1.4-1983, Table AI, which IEC 61672-1, Table 2, has
// unchanged: nominal frequencies stand for 1000*10^(m/10) Hz, at which the
// curve must be taken before rounding. C-weighting is from memory of the same
// tables, its values re-computed here by the filter's poles alone.
var publishedA = []struct {
	nominal, printed, exact float64
}{
	{10, -70.4, -70.4304}, {12.5, -63.4, -63.3711}, {16, -56.7, -56.6881}, {20, -50.5, -50.4522}, {25, -44.7, -44.7030},
	{31.5, -39.4, -39.4400}, {40, -34.6, -34.6303}, {50, -30.2, -30.2282}, {63, -26.2, -26.1943}, {80, -22.5, -22.5038},
	{100, -19.1, -19.1428}, {125, -16.1, -16.0984}, {160, -13.4, -13.3503}, {200, -10.9, -10.8704}, {250, -8.6, -8.6303},
	{315, -6.6, -6.6110}, {400, -4.8, -4.8084}, {500, -3.2, -3.2327}, {630, -1.9, -1.9005}, {800, -0.8, -0.8239},
	{1000, 0.0, 0.0000}, {1250, +0.6, 0.5912}, {1600, +1.0, 0.9807}, {2000, +1.2, 1.1999}, {2500, +1.3, 1.2707},
	{3150, +1.2, 1.1987}, {4000, +1.0, 0.9699}, {5000, +0.5, 0.5487}, {6300, -0.1, -0.1212}, {8000, -1.1, -1.1107},
	{10000, -2.5, -2.4918}, {12500, -4.3, -4.3175}, {16000, -6.6, -6.6026}, {20000, -9.3, -9.3169},
}

// weights is the gain of A- and C-weighting at f Hz.
func weights(f float64) (a, c float64) {
	a, c = powerWeights(f)
	a1k, c1k := powerWeights(1000)
	return math.Sqrt(a / a1k), math.Sqrt(c / c1k)
}

func TestPublishedWeighting(t *testing.T) {
	for i, row := range publishedA {
		f := 1000 * math.Pow(10, float64(i-20)/10)
		near(t, "nominal frequency", f, row.nominal, 0.02)
		a, _ := weights(f)
		got := 20 * math.Log10(a)
		within(t, "A-weighting", got, row.exact, 6e-5)
		within(t, "A-weighting as printed", math.Round(10*got)/10, row.printed, 1e-9)
	}
	a, c := weights(1000)
	require.Equal(t, []float64{1, 1}, []float64{a, c})
	// The standard's normalisation, 2.000 dB, is exactly 1.9996555 dB.
	raw, _ := powerWeights(1000)
	within(t, "normalisation", -10*math.Log10(raw), 1.9996555, 1e-6)
	// C-weighting is 3 dB down at the frequencies the standard builds it on,
	// 31.62 Hz and 7943 Hz, and A-weighting is C-weighting with a double pole
	// more (IEC 61672-1, annex E; from memory).
	for _, f := range []float64{math.Pow(10, 1.5), math.Pow(10, 3.9)} {
		_, c := weights(f)
		within(t, "C-weighting", 20*math.Log10(c), -3.01, 0.01)
	}
	// The same tables for C, from memory.
	for m, printed := range map[int]float64{-20: -14.3, -17: -6.2, -15: -3.0, -10: -0.3, 0: 0, 4: -0.3, 5: -0.5, 9: -3.0, 10: -4.4, 13: -11.2} {
		_, c := weights(1000 * math.Pow(10, float64(m)/10))
		within(t, "C-weighting as printed", math.Round(200*math.Log10(c))/10, printed, 1e-9)
	}
}

// A sine at each of the frequencies reads its weighted level; in Pa a sine of
// 1 Pa rms is 93.98 dB SPL.
func TestWeightedLevels(t *testing.T) {
	for i, row := range publishedA {
		f := 1000 * math.Pow(10, float64(i-20)/10)
		x := make([]float64, 96000)
		for k := range x {
			x[k] = math.Sqrt2*math.Sin(2*math.Pi*f*float64(k)/48000) + 0.1
		}
		r, err := Level(samples(48000, "Pa", x), LevelOptions{})
		require.NoError(t, err)
		_, c := weights(f)
		tolerance := 0.01
		if f < 60 {
			tolerance = 0.25 // at 10 Hz the curve is steep
		}
		if f > 60 {
			within(t, "Z", r.Level, 93.9794, 0.01)
			within(t, "crest", r.Crest, math.Sqrt2, 0.01)
			within(t, "DC", r.DC, 0.1, 0.01)
		}
		within(t, "A", r.LevelA, 93.9794+row.exact, tolerance)
		within(t, "C", r.LevelC, 93.9794+20*math.Log10(c), tolerance)
		within(t, "peak", r.PeakLevel, 93.9794+3.0103, 0.1)
	}
}

// Strong rumble does not leak into the weighted level of a weak sound.
func TestWeightedLevelOfWeakSound(t *testing.T) {
	for _, n := range []int{20000, 33000, 96000, 150001} {
		x := make([]float64, n)
		sine(x, 48000, 23.7, 1, 0.3)
		sine(x, 48000, 1000, 1e-3, 0)
		r, err := Level(samples(48000, "1", x), LevelOptions{})
		require.NoError(t, err)
		a, _ := weights(23.7)
		within(t, "A", r.LevelA, 10*math.Log10(a*a+1e-6), 0.5)
		within(t, "Z", r.Level, 0, 0.1)
	}
}

func TestLevelSpecialInputs(t *testing.T) {
	for name, c := range map[string]struct {
		s    drivers.Samples
		o    LevelOptions
		want string
	}{
		"empty":   {samples(48000, "1", nil), LevelOptions{}, "capture has 0 samples, at least 64 needed"},
		"one":     {samples(48000, "1", []float64{1}), LevelOptions{}, "capture has 1 samples, at least 64 needed"},
		"NaN":     {samples(48000, "1", append(make([]float64, 70), math.NaN())), LevelOptions{}, "sample 70 is NaN"},
		"Inf":     {samples(48000, "1", append(make([]float64, 70), math.Inf(1))), LevelOptions{}, "sample 70 is +Inf"},
		"large":   {samples(48000, "1", append(make([]float64, 70), 1e155)), LevelOptions{}, "samples are too large to be squared"},
		"both":    {drivers.Samples{Rate: 1, Channels: 2, Values: make([]float64, 200)}, LevelOptions{Channel: 1, Mix: true}, "channel 1 asked for, and the average of all channels"},
		"silence": {samples(48000, "1", make([]float64, 70)), LevelOptions{Silence: math.NaN()}, "silence is NaN dB, it must be a finite number"},
	} {
		_, err := Level(c.s, c.o)
		require.EqualError(t, err, "measure: level: "+c.want, name)
	}
	flat := make([]float64, 1000)
	for i := range flat {
		flat[i] = -0.7
	}
	r, err := Level(samples(48000, "1", flat), LevelOptions{})
	require.NoError(t, err)
	within(t, "DC", r.DC, -0.7, 1e-15)
	r.DC = -0.7
	require.LessOrEqual(t, r.RMS, 1e-15)
	require.True(t, r.Silent)
	require.Equal(t, []float64{-200, -200, -200, -200}, []float64{r.Level, r.LevelA, r.LevelC, r.PeakLevel})
	rng := rand.New(rand.NewPCG(1, 1))
	quiet := make([]float64, 48000)
	for i := range quiet {
		quiet[i] = 50e-6 * rng.NormFloat64() // -86 dB rms, -83 dB re a sine; 8 dB SPL
	}
	for _, unit := range []string{"1", "Pa"} {
		r, err = Level(samples(48000, unit, quiet), LevelOptions{})
		require.NoError(t, err)
		require.True(t, r.Silent, unit)
		r, err = Level(samples(48000, unit, quiet), LevelOptions{Silence: -90})
		require.NoError(t, err)
		require.False(t, r.Silent, unit)
	}
}

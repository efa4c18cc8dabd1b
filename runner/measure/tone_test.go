package measure

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"fullthrow/drivers"
	"fullthrow/reports/statistics"
)

func steadyTone(t *testing.T, s drivers.Samples, o ToneOptions) ToneResult {
	t.Helper()
	r, err := SteadyTone(s, o)
	require.NoError(t, err)
	for _, v := range []float64{r.Frequency, r.Cents, r.Amplitude, r.Level, r.THD, r.THDF, r.THDN, r.SINAD, r.SNR, r.ENOB, r.SFDR, r.NoiseFloor, r.ForeignLevel, r.ForeignFrequency, r.DC} {
		require.True(t, statistics.Finite(v), "%+v", r)
	}
	return r
}

// The synthetic record of 4096 samples by the definitions of IEEE Std 1241
// [re-computed]: harmonics of -60 and -66 dB, a foreign tone of -74 dB.
func TestPublishedRecord(t *testing.T) {
	const n = 4096
	x := make([]float64, n)
	for k := range x {
		th := 2 * math.Pi * float64(k) / n
		x[k] = 0.1 + math.Cos(127*th+.3) + .001*math.Cos(254*th+.1) + .0005*math.Sin(381*th) + .0002*math.Cos(501*th)
	}
	r := steadyTone(t, samples(n, "1", x), ToneOptions{})
	within(t, "amplitude", r.Amplitude, 1, 1e-9)
	within(t, "frequency", r.Frequency, 127, 1e-7) // the foreign tone moves the fit this little
	within(t, "THD_F", r.THDF, 0.111803399, 1e-7)
	within(t, "THD_F in dB", 20*math.Log10(r.THDF/100), -59.0308999, 1e-5)
	within(t, "SINAD", r.SINAD, 58.8941029, 2e-6) // the fourth parameter takes 1e-6 dB of the rest for the tone
	fixed, err := Sine(samples(n, "1", x), SineOptions{Frequency: 127, FixedFrequency: true})
	require.NoError(t, err)
	within(t, "SINAD of three parameters", fixed.SINAD, 58.8941029, 1e-6)
	within(t, "SNR", r.SNR, 73.9794001, 1e-5)
	within(t, "SFDR", r.SFDR, 60, 1e-5)
	within(t, "ENOB", r.ENOB, 9.4896176, 1e-6)
	within(t, "DC", r.DC, 0.1, 1e-9)
	within(t, "foreign", r.ForeignLevel, 20*math.Log10(0.0002), 1e-3)
	within(t, "foreign", r.ForeignFrequency, 501, 1e-3)
	require.Len(t, r.Foreign, 1)
	within(t, "harmonic", r.Harmonics[1].Level, 20*math.Log10(0.0005), 1e-5)
	require.Equal(t, 3, r.Harmonics[1].Number)
	// SNR 65 dB and THD -70 dB make a SINAD of 63.8066895 dB, 60 and 60 dB one
	// of 56.9897 dB: the powers add.
	within(t, "sum", r.SINAD, -10*math.Log10(math.Pow(10, -r.SNR/10)+r.THDF*r.THDF/1e4), 2e-6)
	for _, c := range [][3]float64{{65, -70, 63.8066895}, {60, -60, 56.9897000}} {
		within(t, "closed form", -10*math.Log10(math.Pow(10, -c[0]/10)+math.Pow(10, c[1]/10)), c[2], 1e-6)
	}
}

// series is a wave of the given harmonics, 1 first.
func series(n int, f float64, amplitude func(h int) float64, top int) []float64 {
	x := make([]float64, n)
	for h := 1; h <= top; h++ {
		if a := amplitude(h); a != 0 {
			sine(x, 48000, float64(h)*f, a, 0)
		}
	}
	return x
}

func square(h int) float64 {
	if h%2 == 0 {
		return 0
	}
	return 4 / (math.Pi * float64(h))
}

func triangle(h int) float64 {
	if h%2 == 0 {
		return 0
	}
	sign := 1 - float64(h%4-1)
	return sign * 8 / (math.Pi * math.Pi * float64(h*h))
}

// THD of square and triangle waves up to a harmonic, in closed form
// [re-computed], to 0.1 % of its value, wherever the tone lies: all harmonics
// give 48.34 and 12.12 % (THD_F), 43.52 and 12.03 % (THD_R).
func TestPublishedTHD(t *testing.T) {
	worst := 0.0
	for _, c := range []struct {
		top              int
		square, triangle float64
	}{{5, .388730126, .118091824}, {10, .428794768, .120476504}, {20, .456860275, .121067343}} {
		for _, f := range []float64{200, 432.1, 1000, 1047.3, 1147.9} {
			for _, n := range []int{4800, 24000, 95999} {
				for name, w := range map[string]struct {
					amplitude func(int) float64
					want      float64
				}{"square": {square, c.square}, "triangle": {triangle, c.triangle}} {
					r := steadyTone(t, samples(48000, "V", series(n, f, w.amplitude, c.top)), ToneOptions{HighestHarmonic: c.top})
					near(t, fmt.Sprintf("%s of %v Hz, %d samples, to harmonic %d: THD_F", name, f, n, c.top), r.THDF, 100*w.want, 1e-3)
					near(t, name+" THD_R", r.THD, 100*w.want/math.Sqrt(1+w.want*w.want), 1e-3)
					near(t, name+" fundamental", r.Amplitude, w.amplitude(1), 1e-4)
					near(t, name+" frequency", r.Frequency, f, 1e-6)
					worst = max(worst, math.Abs(r.THDF/100/w.want-1))
				}
			}
		}
	}
	t.Logf("largest relative error of THD: %.1e", worst)
	for f, want := range map[float64]float64{math.Sqrt(math.Pi*math.Pi/8 - 1): .483425847609, math.Sqrt(math.Pow(math.Pi, 4)/96 - 1): .121152926519} {
		within(t, "all harmonics", f, want, 1e-12)
	}
	within(t, "THD_R of a square wave", .483425847609/math.Sqrt(1+.483425847609*.483425847609), .435236178, 1e-9)
	within(t, "THD_R of a triangle wave", .121152926519/math.Sqrt(1+.121152926519*.121152926519), .120273453, 1e-9)

	// To the 100th harmonic what is left of the square wave of 100 Hz is known
	// as well: all odd ones up to 99.
	var sum float64
	for h := 3; h < 100; h += 2 {
		sum += 1 / float64(h*h)
	}
	r := steadyTone(t, samples(48000, "V", series(48000, 100, square, 99)), ToneOptions{HighestHarmonic: 100})
	near(t, "square wave to harmonic 99", r.THDF, 100*math.Sqrt(sum), 1e-3)
}

// Foreign tones are listed with frequency and level, wherever they lie, and
// harmonics are not among them.
func TestForeignTones(t *testing.T) {
	rng := rand.New(rand.NewPCG(2, 9))
	for _, hz := range []float64{173, 700, 940, 2700, 3900, 3957.3, 11111} {
		for _, dB := range []float64{-60, -40, -20, -3} {
			x := make([]float64, 48000)
			sine(x, 48000, 1000.3, 0.1, 1)
			sine(x, 48000, 2000.6, 0.005, 2)
			sine(x, 48000, 3000.9, 0.002, 2)
			sine(x, 48000, hz, 0.1*math.Pow(10, dB/20), 0.5)
			for i := range x {
				x[i] += 1e-4 * rng.NormFloat64()
			}
			name := fmt.Sprintf("%v Hz, %v dB", hz, dB)
			r := steadyTone(t, samples(48000, "1", x), ToneOptions{Frequency: 1000})
			require.True(t, r.Found, name)
			within(t, name+": tone", r.Frequency, 1000.3, 1e-3)
			within(t, name+": cents", r.Cents, 0.519, 0.01)
			within(t, name+": level", r.Level, -20, 0.01)
			within(t, name+": THD", r.THDF, math.Hypot(5, 2), 0.1)
			require.Len(t, r.Foreign, 1, name)
			within(t, name+": frequency", r.Foreign[0].Frequency, hz, 0.05)
			tolerance := 0.1 + 0.2*math.Pow(10, -dB/20-3) // noise makes 0.07 dB of -60
			within(t, name+": level", r.Foreign[0].Level, dB, tolerance)
			within(t, name+": strongest", r.ForeignLevel, dB, tolerance)
			within(t, name+": SFDR", r.SFDR, min(-dB, 20*math.Log10(20)), 0.1)
			// Noise of rms σ has a mean power of 3/8 σ² n under Hann's window of n
			// samples, its median is ln 2 of that, and a tone on the bin has A n/4.
			sigma := 20 * math.Log10(4e-4*math.Sqrt(0.375*math.Ln2/40960))
			within(t, name+": noise floor", r.NoiseFloor, sigma, 0.5)
		}
	}
}

// THD+N counts everything: harmonics, a foreign tone and noise.
func TestTHDN(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 9))
	x := make([]float64, 96000)
	sine(x, 48000, 997, 0.4, 0)
	sine(x, 48000, 1994, 0.004, 0)
	sine(x, 48000, 5000, 0.003, 0)
	for i := range x {
		x[i] += 0.2 + 0.002*rng.NormFloat64()
	}
	r := steadyTone(t, samples(48000, "1", x), ToneOptions{})
	signal, rest := 0.4*0.4/2, 0.004*0.004/2+0.003*0.003/2+0.002*0.002
	near(t, "THD+N", r.THDN, 100*math.Sqrt(rest/(signal+rest)), 0.01)
	within(t, "SINAD", r.SINAD, 10*math.Log10(signal/rest), 0.05)
	within(t, "SNR", r.SNR, 10*math.Log10(signal/(rest-0.004*0.004/2)), 0.05)
	within(t, "ENOB", r.ENOB, math.Log2(2/math.Sqrt(12*rest)), 0.01)
	within(t, "DC", r.DC, 0.2, 1e-4)
	// THD_R 1 % is -40 dB, 0.1 % -60 dB.
	within(t, "1 %", decibel(0.01), -40, 1e-12)
	within(t, "0.1 %", decibel(0.001), -60, 1e-12)
}

// Noise alone has no tone, at any seed; the intended tone is not taken for
// another, and the other not for it.
func TestToneNotThere(t *testing.T) {
	for seed := range uint64(200) {
		rng := rand.New(rand.NewPCG(seed, 4))
		x := make([]float64, 4096+int(seed)*100)
		for i := range x {
			x[i] = 0.1 * rng.NormFloat64()
		}
		r := steadyTone(t, samples(48000, "1", x), ToneOptions{})
		require.False(t, r.Found, "seed %d: %+v", seed, r)
		require.False(t, r.Silent)
		require.Equal(t, []float64{0, -200, 100, 100, 100, -200, -200, 0, -200, 0}, []float64{r.Frequency, r.Level, r.THD, r.THDF, r.THDN, r.SINAD, r.SNR, r.ENOB, r.SFDR, r.ForeignLevel})
		sine(x, 48000, 3000, 0.5, 0)
		r = steadyTone(t, samples(48000, "1", x), ToneOptions{Frequency: 1000})
		require.False(t, r.Found)
		require.Equal(t, 1200.0, r.Cents)
		r = steadyTone(t, samples(48000, "1", x), ToneOptions{Frequency: 3010})
		require.True(t, r.Found)
		require.Empty(t, r.Foreign, "seed %d", seed)
	}
}

func TestToneSpecialInputs(t *testing.T) {
	wave := make([]float64, 4800)
	sine(wave, 48000, 1000, 0.5, 0)
	with := func(v float64) []float64 { return append([]float64{v}, wave...) }
	for name, c := range map[string]struct {
		s    drivers.Samples
		o    ToneOptions
		want string
	}{
		"empty":     {samples(48000, "1", nil), ToneOptions{}, "capture has 0 samples, at least 64 needed"},
		"one":       {samples(48000, "1", []float64{1}), ToneOptions{}, "capture has 1 samples, at least 64 needed"},
		"short":     {samples(48000, "1", wave[:100]), ToneOptions{Frequency: 1000}, "capture has 100 samples, at least 192 (4 periods of 1000 Hz) needed"},
		"NaN":       {samples(48000, "1", with(math.NaN())), ToneOptions{}, "sample 0 is NaN"},
		"Inf":       {samples(48000, "1", with(math.Inf(1))), ToneOptions{}, "sample 0 is +Inf"},
		"large":     {samples(48000, "1", with(1e160)), ToneOptions{}, "samples are too large to be squared"},
		"channel":   {samples(48000, "1", wave), ToneOptions{Channel: 2}, "channel 2 asked for, capture has 1"},
		"frequency": {samples(48000, "1", wave), ToneOptions{Frequency: 24000}, "frequency is 24000 Hz, the capture reaches to 24000 Hz"},
		"within":    {samples(48000, "1", wave), ToneOptions{PitchTolerance: -1}, "pitch_tolerance is -1 cent, it must be above 0 and at most 1200"},
		"harmonics": {samples(48000, "1", wave), ToneOptions{HighestHarmonic: 101}, "highest_harmonic is 101, it must be at least 2 and at most 100"},
		"foreign":   {samples(48000, "1", wave), ToneOptions{MostForeign: -1}, "most_foreign is -1, it must be at least 0 and at most 1000"},
		"range":     {samples(48000, "1", wave), ToneOptions{Lowest: 200, Highest: 100}, "asked for tones from 200 to 100 Hz"},
		"silence":   {samples(48000, "1", wave), ToneOptions{Silence: math.Inf(-1)}, "silence is -Inf dB, it must be a finite number"},
		"rate":      {samples(0, "1", wave), ToneOptions{}, "capture has a rate of 0 samples/s"},
	} {
		_, err := SteadyTone(c.s, c.o)
		require.EqualError(t, err, "measure: tone: "+c.want, name)
	}
	flat := make([]float64, 4800)
	for i := range flat {
		flat[i] = 0.3
	}
	r := steadyTone(t, samples(48000, "1", flat), ToneOptions{})
	require.False(t, r.Found)
	require.True(t, r.Silent)
	within(t, "DC", r.DC, 0.3, 1e-15)

	loud := make([]float64, 4800)
	sine(loud, 48000, 1000, 1.5, 0)
	for i, v := range loud {
		loud[i] = max(-1, min(1, v))
	}
	r = steadyTone(t, samples(48000, "1", loud), ToneOptions{})
	require.True(t, r.Found)
	require.True(t, r.Clipped)
	require.Greater(t, r.THD, 10.0)
}

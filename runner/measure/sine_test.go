package measure

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"fullthrow/drivers"
)

// The closed-form case of the three-parameter fit (IEEE Std 1057, 4.1.4.1 by
// memory) [re-computed]: the inputs have nine decimals.
func TestPublishedSineFit(t *testing.T) {
	x := []float64{1.71, 1.87227007, 1.546559955, .784919168, -.049370717, -.71, -.87227007, -.546559955, .215080832, 1.049370717}
	r, err := Sine(samples(1, "V", x), SineOptions{Frequency: 0.1, FixedFrequency: true})
	require.NoError(t, err)
	within(t, "amplitude", r.Amplitude, 1.3892443990, 1e-8)
	within(t, "phase", r.Phase, -0.5280744484, 1e-8)
	within(t, "cos", r.Amplitude*math.Cos(r.Phase), 1.2, 1e-8)
	within(t, "sin", -r.Amplitude*math.Sin(r.Phase), 0.7, 1e-8)
	within(t, "DC", r.DC, 0.5, 1e-8)
	within(t, "residual", r.Residual, 0.01, 1e-8)
	within(t, "SINAD", r.SINAD, 39.8452731, 1e-5)
	within(t, "frequency", r.Frequency, 0.1, 0)
}

// SINAD of an ideal quantiser is 10 log10(1.5) + 20 log10(2) per bit (IEEE Std
// 1241 by memory) [re-computed]; the rounded 6.02 N + 1.76 gives 74.00 for 12
// bits.
func TestQuantiserSINAD(t *testing.T) {
	for bits, want := range map[int]float64{8: 49.925712, 10: 61.966912, 12: 74.008112, 14: 86.049311, 16: 98.090511} {
		x := make([]float64, 96000)
		step := math.Exp2(float64(1 - bits))
		for i := range x {
			v := (1 - step/2) * math.Sin(2*math.Pi*997.123*float64(i)/48000)
			x[i] = (math.Floor(v/step) + 0.5) * step
		}
		r, err := SteadyTone(samples(48000, "1", x), ToneOptions{})
		require.NoError(t, err)
		within(t, "SINAD", r.SINAD, want, 0.25)
		within(t, "ENOB", r.ENOB, float64(bits), 0.05)
		f, err := Sine(samples(48000, "1", x), SineOptions{})
		require.NoError(t, err)
		within(t, "SINAD of Sine", f.SINAD, want, 0.25)
	}
	// 10 log10(3/2 4^N), and ENOB of 70 and 62 dB for a full-scale sine.
	for bits, want := range map[float64]float64{8: 49.925712, 16: 98.090511, 11.3342671: 70, 10.0054958: 62} {
		within(t, "closed form", 10*math.Log10(1.5*math.Pow(4, bits)), want, 1e-6)
	}
}

// Frequency of a noiseless sine, wherever it lies, within 1e-6 of its value.
func TestFrequencyWithoutNoise(t *testing.T) {
	rng := rand.New(rand.NewPCG(11, 1))
	var worst [3]float64
	for range 300 {
		n := 2000 + rng.IntN(20000)
		f := math.Exp(math.Log(40)*(1-rng.Float64()) + math.Log(575)*rng.Float64()) // then in bins
		f = 48000 * (4 + f) / float64(n)
		if f > 22000 || f < 25 {
			continue
		}
		amplitude, phase, dc := math.Exp(-8*rng.Float64()), 2*math.Pi*rng.Float64(), rng.Float64()-0.5
		x := make([]float64, n)
		for i := range x {
			x[i] = dc + amplitude*math.Cos(2*math.Pi*f*float64(i)/48000+phase)
		}
		s := samples(48000, "1", x)
		a, err := Sine(s, SineOptions{})
		require.NoError(t, err)
		b, err := SteadyTone(s, ToneOptions{})
		require.NoError(t, err)
		require.True(t, b.Found, "n %d, f %v", n, f)
		c, err := Tones(s, TonesOptions{MostTones: 1})
		require.NoError(t, err)
		require.Len(t, c.Tones, 1)
		for i, got := range []float64{a.Frequency, b.Frequency, c.Tones[0].Frequency} {
			near(t, "frequency", got, f, 1e-6)
			worst[i] = max(worst[i], math.Abs(got-f)/f)
		}
		for _, got := range []float64{a.Amplitude, b.Amplitude, c.Tones[0].Amplitude} {
			near(t, "amplitude", got, amplitude, 1e-6)
		}
		within(t, "phase", math.Remainder(a.Phase-phase, 2*math.Pi), 0, 1e-6)
		within(t, "DC", a.DC, dc, 1e-9)
		within(t, "DC", b.DC, dc, 1e-9)
	}
	t.Logf("largest relative errors of Sine, SteadyTone, Tones: %.1e %.1e %.1e", worst[0], worst[1], worst[2])
}

// With a signal to noise ratio of 40 dB the standard deviation of the frequency
// is within three times the Cramér-Rao bound for a sine of amplitude A in white
// noise of standard deviation σ, N samples at rate R (Rife and Boorstyn 1974):
//
//	var f >= (R/2π)² 24 σ² / (A² N (N²-1)) = (R/2π)² 12 / (SNR N (N²-1)), SNR = A²/2σ²
func TestFrequencyNearCramerRao(t *testing.T) {
	const rate, amplitude, trials = 48000.0, 0.5, 100
	for _, c := range []struct {
		n int
		f float64
	}{{1000, 1234.5}, {4800, 440}, {9599, 3900.77}, {24000, 1000.01}} {
		snr := 1e4
		sigma := amplitude / math.Sqrt(2*snr)
		n := float64(c.n)
		bound := rate / (2 * math.Pi) * math.Sqrt(12/(snr*n*(n*n-1)))
		rng := rand.New(rand.NewPCG(uint64(c.n), 3))
		var squares [3]float64
		for range trials {
			x := make([]float64, c.n)
			phase := 2 * math.Pi * rng.Float64()
			for i := range x {
				x[i] = amplitude*math.Cos(2*math.Pi*c.f*float64(i)/rate+phase) + sigma*rng.NormFloat64()
			}
			s := samples(rate, "1", x)
			a, err := Sine(s, SineOptions{})
			require.NoError(t, err)
			b, err := SteadyTone(s, ToneOptions{})
			require.NoError(t, err)
			d, err := Tones(s, TonesOptions{MostTones: 1})
			require.NoError(t, err)
			for i, got := range []float64{a.Frequency, b.Frequency, d.Tones[0].Frequency} {
				squares[i] += (got - c.f) * (got - c.f)
			}
			within(t, "SNR", b.SNR, 40, 1)
		}
		for i, name := range []string{"Sine", "SteadyTone", "Tones"} {
			ratio := math.Sqrt(squares[i]/trials) / bound
			t.Logf("%s, %d samples: %.2f times the bound of %.3g Hz", name, c.n, ratio, bound)
			// Below it only by the scatter of 100 trials.
			if !(ratio < 3 && ratio > 0.75) {
				t.Errorf("%s, %d samples: frequency scatters %.2f times the bound of %v Hz", name, c.n, ratio, bound)
			}
		}
	}
}

// The sums that the fit takes in closed form, against sums term by term.
func TestDirichlet(t *testing.T) {
	for _, n := range []int{7, 8, 100, 4001} {
		for _, omega := range []float64{0.01, 0.3, 1, math.Pi - 0.02, math.Pi, 4, 2 * math.Pi, 0} {
			var want, want1, want2 float64
			for i := range n {
				x := float64(i) - float64(n-1)/2
				want += math.Cos(omega * x)
				want1 -= x * math.Sin(omega*x)
				want2 -= x * x * math.Cos(omega*x)
			}
			d, d1, d2 := dirichlet(omega, float64(n))
			size := float64(n)
			within(t, "sum", d, want, 1e-9*size)
			within(t, "first", d1, want1, 1e-9*size*size)
			within(t, "second", d2, want2, 1e-8*size*size*size)
		}
	}
}

func TestSineSpecialInputs(t *testing.T) {
	wave := make([]float64, 1000)
	sine(wave, 1000, 50.3, 1, 0)
	flat := make([]float64, 1000)
	for name, c := range map[string]struct {
		s    drivers.Samples
		o    SineOptions
		want string
	}{
		"empty":       {samples(1000, "1", nil), SineOptions{Frequency: 50}, "measure: sine: capture has 0 samples, at least 16 needed"},
		"one":         {samples(1000, "1", wave[:1]), SineOptions{Frequency: 50, FixedFrequency: true}, "measure: sine: capture has 1 samples, at least 4 needed"},
		"NaN":         {samples(1000, "1", append([]float64{math.NaN()}, wave...)), SineOptions{}, "measure: sine: sample 0 is NaN"},
		"Inf":         {samples(1000, "1", append([]float64{math.Inf(-1)}, wave...)), SineOptions{}, "measure: sine: sample 0 is -Inf"},
		"large":       {samples(1000, "1", append([]float64{1e200}, wave...)), SineOptions{}, "measure: sine: samples are too large to be squared"},
		"constant":    {samples(1000, "1", flat), SineOptions{}, "measure: sine: no sine in a constant capture"},
		"no value":    {samples(1000, "1", wave), SineOptions{FixedFrequency: true}, "measure: sine: a fixed frequency needs its value"},
		"too high":    {samples(1000, "1", wave), SineOptions{Frequency: 500}, "measure: sine: 1000 samples at 1000 samples/s are too short for 500 Hz: at least 1.5 periods (and as many below half the rate) needed"},
		"not there":   {samples(1000, "1", wave), SineOptions{Frequency: 333}, "measure: sine: no sine near 333 Hz: the fit does not settle"},
		"both":        {drivers.Samples{Rate: 1000, Values: wave, Channels: 2}, SineOptions{Channel: 2, Mix: true, Frequency: 50}, "measure: sine: channel 2 asked for, and the average of all channels"},
		"NaN options": {samples(1000, "1", wave), SineOptions{Frequency: math.NaN()}, "measure: sine: frequency is NaN Hz, it must be at least 0"},
	} {
		_, err := Sine(c.s, c.o)
		require.EqualError(t, err, c.want, name)
	}
	r, err := Sine(samples(1000, "1", flat), SineOptions{Frequency: 50})
	require.NoError(t, err)
	require.Equal(t, SineResult{Frequency: 50, SINAD: -200}, r)
	r, err = Sine(samples(1000, "1", wave), SineOptions{Frequency: 50.3, FixedFrequency: true})
	require.NoError(t, err)
	require.Greater(t, r.SINAD, 190.0)
}

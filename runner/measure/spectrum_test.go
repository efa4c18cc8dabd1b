package measure

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"
)

func TestTransformLength(t *testing.T) {
	seen := map[int]int{}
	for n := 16; n < 300000; n = n + 1 + n/300 {
		length, pool := transformLength(n)
		if length > n || length < n*3/4 {
			t.Fatalf("n %d: got length %d", n, length)
		}
		if l, ok := seen[pool]; ok && l != length {
			t.Fatalf("pool %d serves %d and %d", pool, l, length)
		}
		seen[pool] = length
		above := transformAbove(n)
		again, _ := transformLength(above)
		if above < n || above > n*4/3+1 || again != above {
			t.Fatalf("n %d: got length %d above", n, above)
		}
	}
	require.Less(t, len(seen), len(plans))
	length, pool := transformLength(1 << 30)
	require.Equal(t, 6<<21, length)
	require.Less(t, pool, len(plans))
}

func sine(x []float64, rate, f, amplitude, phase float64) {
	for i := range x {
		x[i] += amplitude * math.Sin(2*math.Pi*f*float64(i)/rate+phase)
	}
}

// A tone anywhere between two bins: frequency and level come out alike.
func TestToneBetweenBins(t *testing.T) {
	const rate, n = 48000.0, 6144
	for _, f := range []float64{1000, 1001, 1002.5, 1003.90625, 1005, 1007.8125, 3999.1, 15000} {
		for _, phase := range []float64{0, 1, 2.5} {
			x := make([]float64, n)
			sine(x, rate, f, 0.3, phase)
			r, err := Tones(samples(rate, "1", x), TonesOptions{MostTones: 1})
			require.NoError(t, err)
			require.Len(t, r.Tones, 1)
			within(t, "frequency", r.Tones[0].Frequency, f, 0.001)
			within(t, "level", r.Tones[0].Level, 20*math.Log10(0.3), 0.001)
		}
	}
}

// The synthetic record of IEEE 1241 terms (THD, spurious tone): harmonics of
// -60 and -66 dB and a foreign tone of -74 dB are found at their levels
// [re-computed].
func TestTonesRecord(t *testing.T) {
	const n = 4096
	x := make([]float64, n)
	for k := range x {
		th := 2 * math.Pi * float64(k) / n
		x[k] = 0.1 + math.Cos(127*th+.3) + .001*math.Cos(254*th+.1) + .0005*math.Sin(381*th) + .0002*math.Cos(501*th)
	}
	r, err := Tones(samples(n, "1", x), TonesOptions{MostTones: 4})
	require.NoError(t, err)
	want := []struct{ f, a float64 }{{127, 1}, {254, .001}, {381, .0005}, {501, .0002}}
	require.Len(t, r.Tones, len(want))
	for i, w := range want {
		within(t, "frequency", r.Tones[i].Frequency, w.f, 1e-3)
		near(t, "amplitude", r.Tones[i].Amplitude, w.a, 1e-3)
	}
}

func TestTonesSpecialInputs(t *testing.T) {
	for name, o := range map[string]TonesOptions{"count": {MostTones: -1}, "order": {Lowest: 100, Highest: 50}, "NaN": {Lowest: math.NaN()}, "channel": {Channel: 2}} {
		_, err := Tones(samples(48000, "1", make([]float64, 100)), o)
		require.ErrorContains(t, err, "measure: tones: ", name)
	}
	_, err := Tones(samples(48000, "1", make([]float64, 63)), TonesOptions{})
	require.EqualError(t, err, "measure: tones: capture has 63 samples, at least 64 needed")
	r, err := Tones(samples(48000, "1", make([]float64, 4800)), TonesOptions{})
	require.NoError(t, err)
	require.Empty(t, r.Tones)
	require.Equal(t, -200.0, r.NoiseFloor)
}

// Scale moves levels, a start at another sample moves nothing, and the second
// of two channels is found by its number.
func TestTonesInvariance(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 5))
	x := make([]float64, 9000)
	sine(x, 48000, 1234.5, 0.2, 0)
	sine(x, 48000, 3987, 0.02, 1)
	for i := range x {
		x[i] += 1e-4 * rng.NormFloat64()
	}
	a, err := Tones(samples(48000, "1", x), TonesOptions{MostTones: 2})
	require.NoError(t, err)
	y := make([]float64, 2*len(x))
	for i, v := range x {
		y[2*(len(x)-1-i)+1] = v / 10
	}
	s := samples(48000, "1", y)
	s.Channels = 2
	b, err := Tones(s, TonesOptions{MostTones: 2, Channel: 2})
	require.NoError(t, err)
	for i := range a.Tones {
		within(t, "frequency, reversed", b.Tones[i].Frequency, a.Tones[i].Frequency, 0.05)
		within(t, "level, a tenth", b.Tones[i].Level, a.Tones[i].Level-20, 0.02)
	}
}

package measure

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"
)

// ITU-R P.525: values re-computed with the exact constant; those of the printed
// form 32.4 + 20 lg f + 20 lg d (from memory) lie 0.048 dB lower.
func TestFreeSpace(t *testing.T) {
	for _, tt := range []struct{ hz, m, exact, printed float64 }{
		{2400e6, 1000, 100.052008, 100.004225}, {2440e6, 1, 40.195580, 40.147797}, {2400e6, 3, 49.594433, 49.546650},
		{868e6, 1000, 91.218178, 91.170395}, {915e6, 10, 51.676205, 51.628422}, {2402e6, 0.1, 20.059243, math.NaN()},
	} {
		got, err := Attenuation(tt.m, DistanceOptions{Frequency: tt.hz})
		require.NoError(t, err)
		within(t, "exact", got, tt.exact, 5e-7)
		if !math.IsNaN(tt.printed) {
			within(t, "printed form", got, tt.printed+0.04778322, 1e-6)
		}
		back, err := Distance(got, DistanceOptions{Frequency: tt.hz})
		require.NoError(t, err)
		near(t, "and back", back.Distance, tt.m, 1e-12)
		require.Equal(t, tt.m >= 10*lightSpeed/tt.hz, back.FarField)
	}
	// Friis: 20 dBm, 2.15 dBi twice, 2400 MHz, 1 km: -75.752008 dBm (re-computed).
	got, err := Attenuation(1000, DistanceOptions{Frequency: 2400e6, AntennaGain: 4.3})
	require.NoError(t, err)
	within(t, "Friis", 20-got, -75.752008, 5e-7)
}

// ITU-R P.833, one terminal in woodland: A1 .18, alpha .752, 900 MHz,
// .05 dB/m, 50 m: Am 29.982157 dB, Aev 2.398609 dB (formula from memory,
// re-computed).
func TestWoodland(t *testing.T) {
	o := DistanceOptions{Frequency: 900e6, Wood: 50, WoodA1: 0.18, WoodAlpha: 0.752, WoodSpecific: 0.05}
	within(t, "Aev", o.woodland(50), 2.398609, 5e-7)
	within(t, "Am", o.woodland(1e9), 29.982157, 5e-7)
	require.Zero(t, o.woodland(0))
	within(t, "the example is the default", DistanceOptions{Frequency: 900e6}.woodland(50), 2.398609, 5e-7)
	free, err := Attenuation(300, DistanceOptions{Frequency: 900e6})
	require.NoError(t, err)
	wood, err := Attenuation(300, o)
	require.NoError(t, err)
	within(t, "300 m of which 50 m wood", wood-free, 2.398609, 5e-7)
}

// Both directions are one: distance to attenuation and back, over any path.
func TestDistanceThereAndBack(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 7))
	for range 2000 {
		o := DistanceOptions{
			Frequency: math.Pow(10, 8+2*rng.Float64()), BenchLoss: 60 * rng.Float64(), AntennaGain: 10*rng.Float64() - 5,
			Wood: float64(rng.IntN(2)) * math.Pow(10, 4*rng.Float64()), WoodA1: 2 * rng.Float64(), WoodAlpha: rng.Float64(), WoodSpecific: rng.Float64(),
		}
		d := math.Pow(10, 6*rng.Float64()-1)
		a, err := Attenuation(d, o)
		require.NoError(t, err)
		r, err := Distance(a, o)
		require.NoError(t, err)
		near(t, "distance", r.Distance, d, 1e-9)
		within(t, "parts", r.FreeSpace+r.Woodland, a+o.BenchLoss+o.AntennaGain, 1e-6)
		further, err := Distance(a+1, o)
		require.NoError(t, err)
		require.Greater(t, further.Distance, r.Distance)
	}
}

func TestDistanceRefuses(t *testing.T) {
	ok := DistanceOptions{Frequency: 2.4e9}
	for _, o := range []DistanceOptions{{}, {Frequency: -1}, {Frequency: math.NaN()}, {Frequency: 1e9, Wood: -1}, {Frequency: 1e9, WoodA1: -1}, {Frequency: 1e9, AntennaGain: math.Inf(1)}} {
		_, err := Distance(60, o)
		require.ErrorContains(t, err, "measure: distance: ")
		_, err = Attenuation(60, o)
		require.ErrorContains(t, err, "measure: attenuation: ")
	}
	for _, d := range []float64{0, -1, math.NaN()} {
		_, err := Attenuation(d, ok)
		require.ErrorContains(t, err, "measure: attenuation: ")
	}
	for _, a := range []float64{math.NaN(), math.Inf(1), 1e5} {
		_, err := Distance(a, ok)
		require.ErrorContains(t, err, "measure: distance: ")
	}
}

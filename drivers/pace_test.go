package drivers

import (
	"math"
	"math/rand/v2"
	"testing"
)

// The short way to the grid of frames finds what their spectrum does, and takes no
// frames that the spectrum will not have: periods of 2 to 22 ms, late by nothing to
// half a period, lost at random or in a row, in steps of an adapter, with another
// rate half way; made from seeds.
func TestPlainGridIsThatOfTheSpectrum(t *testing.T) {
	plain, spectral := 0, 0
	for seed := range uint64(1000) {
		rng := rand.New(rand.NewPCG(seed, 11))
		period := 0.002 * math.Pow(11, rng.Float64())
		late := period * []float64{0, 0.001, 0.02, 0.1, 0.5}[rng.IntN(5)]
		lost := []float64{0, 0, 0.01, 0.1, 0.3, 0.6}[rng.IntN(6)]
		steps := []float64{0, 0, 0.001, 0.004, 0.016}[rng.IntN(5)]
		twice := rng.IntN(6) == 0
		n := paceWindow + rng.IntN(paceSpan-paceWindow)
		var at []float64
		for slot := 0.0; len(at) < n; slot++ {
			if twice && len(at) > n/2 {
				slot++
			}
			if rng.Float64() < lost {
				continue
			}
			v := slot*period + late*rng.Float64()
			if steps > 0 {
				v = math.Ceil(v/steps) * steps
			}
			if k := len(at); k > 0 && v < at[k-1] {
				v = at[k-1]
			}
			at = append(at, v)
		}
		like := 0.0
		if rng.IntN(2) == 0 {
			like = period // as of the whole capture
		}
		f, clear, ok := plainGrid(at, like)
		if !ok {
			spectral++
			continue
		}
		plain++
		want, wantClear, err := spectralGrid(at)
		if err != nil || math.Abs(f-want)*at[n-1] > 0.02 || math.Abs(clear-wantClear) > 1e-3 {
			t.Errorf("seed %d: %d frames every %.4g ms, %.2g ms late, %.2g lost, steps of %.2g ms: %.6g ms (%.4f) and %.6g ms (%.4f), %v",
				seed, n, 1e3*period, 1e3*late, lost, 1e3*steps, 1e3/f, clear, 1e3/want, wantClear, err)
		}
	}
	if plain < 150 || spectral < 150 {
		t.Errorf("%d the short way and %d by the spectrum: too few of one", plain, spectral)
	}
}

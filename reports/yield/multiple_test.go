package yield

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"
)

// Benjamini and Hochberg 1995, section 3.2: 15 tests after a heart attack; their
// method finds four at 0.05, Bonferroni's (and Holm's) three. P-values and
// findings from memory, the corrected ones re-computed.
func TestAdjustPublished(t *testing.T) {
	p := []float64{.0001, .0004, .0019, .0095, .0201, .0278, .0298, .0344, .0459, .3240, .4262, .5719, .6528, .7590, 1.000}
	count := func(c Correction) (n int) {
		for _, v := range Adjust(p, c) {
			if v <= 0.05 {
				n++
			}
		}
		return n
	}
	require.Equal(t, 4, count(BenjaminiHochberg))
	require.Equal(t, 3, count(Holm))
	require.Equal(t, 9, count(NoCorrection))
	require.InDeltaSlice(t, []float64{.0015, .003, .0095, .035625, .0603, 0.06385714285714286, 0.06385714285714286, .0645, .0765},
		Adjust(p, BenjaminiHochberg)[:9], 1e-12)
	require.InDeltaSlice(t, []float64{.0015, .0056, .0247, .114, .2211}, Adjust(p, Holm)[:5], 1e-12)
}

func TestAdjustEdges(t *testing.T) {
	require.Empty(t, Adjust(nil, Holm))
	nan := math.NaN()
	for _, c := range []Correction{Holm, BenjaminiHochberg, NoCorrection, ""} {
		got := Adjust([]float64{nan, 0.02, nan}, c)
		require.True(t, math.IsNaN(got[0]) && math.IsNaN(got[2]))
		require.Equal(t, 0.02, got[1]) // a single question
	}
	given := []float64{0.03, 0.01}
	require.InDeltaSlice(t, []float64{0.03, 0.02}, Adjust(given, Holm), 1e-15)
	require.Equal(t, []float64{0.03, 0.01}, given)
	// Correction never lowers, keeps the order, and stays a probability.
	r := rand.New(rand.NewPCG(3, 3))
	for range 100 {
		p := make([]float64, 1+r.IntN(30))
		for i := range p {
			p[i] = r.Float64() * r.Float64()
		}
		holm, bh := Adjust(p, Holm), Adjust(p, BenjaminiHochberg)
		for i := range p {
			require.GreaterOrEqual(t, bh[i], p[i])
			require.GreaterOrEqual(t, holm[i], bh[i])
			require.LessOrEqual(t, holm[i], 1.0)
			for j := range p {
				if p[i] < p[j] {
					require.LessOrEqual(t, holm[i], holm[j])
					require.LessOrEqual(t, bh[i], bh[j])
				}
			}
		}
	}
}

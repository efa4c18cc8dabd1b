package statistics

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"
)

// Fisher's tea (The Design of Experiments, 1935: 17 of 70 on one side, and as
// much on the other), the 2 x 2 tables 8,1,2,5 and 1,11,9,3 of statistics
// software and textbooks, and others; all re-computed with whole numbers of any
// length.
func TestFisherExact(t *testing.T) {
	for in, want := range map[[4]int64]float64{
		{3, 4, 1, 4}: 34. / 70, {8, 10, 1, 6}: 0.03496503496503497, {1, 12, 9, 12}: 0.0027594561852200836,
		{0, 10, 5, 10}: 0.032507739938080496, {81, 100, 952, 1000}: 2.0259395497879792e-06, {952, 1000, 81, 100}: 2.0259395497879792e-06,
		{3, 50, 900, 20000}: 0.49230851038579815, {190, 200, 970, 1000}: 0.19128691240221746, {10, 15, 0, 7}: 0.0053475935828877,
		{2, 7, 8, 10}: 0.058412176059234884, {500, 1000, 520, 1000}: 0.3953996780940272, {0, 3, 3, 3}: 0.1,
		{0, 0, 3, 5}: 1, {0, 5, 0, 7}: 1, {5, 5, 7, 7}: 1, {0, 0, 0, 0}: 1,
	} {
		require.InEpsilon(t, want, FisherExact(in[0], in[1], in[2], in[3]), 1e-11, "%v", in)
	}
	for _, bad := range [][4]int64{{-1, 2, 1, 2}, {3, 2, 1, 2}, {1, 2, 3, 2}, {0, -1, 0, 1}} {
		require.True(t, math.IsNaN(FisherExact(bad[0], bad[1], bad[2], bad[3])))
	}
	// A million units: near the normal approximation (z = 1.939), and nothing
	// overflows.
	require.InDelta(t, 0.0525, FisherExact(950_000, 1_000_000, 95_140, 100_000), 0.001)
	require.Equal(t, 0.0, FisherExact(0, 1_000_000, 1_000_000, 1_000_000))
	rng := rand.New(rand.NewPCG(5, 5))
	for range 300 {
		n1, n2 := 1+rng.Int64N(200), 1+rng.Int64N(200)
		x1, x2 := rng.Int64N(n1+1), rng.Int64N(n2+1)
		p := FisherExact(x1, n1, x2, n2)
		require.True(t, p > 0 && p <= 1)
		require.InEpsilon(t, p, FisherExact(x2, n2, x1, n1), 1e-9, "exchanged")
		require.InEpsilon(t, p, FisherExact(n1-x1, n1, n2-x2, n2), 1e-9, "failed for passed")
	}
}

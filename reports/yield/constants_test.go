package yield

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"fullthrow/reports/statistics"
)

// Re-computed with other software from the Gamma function and by integration of
// the range distribution; e-Handbook 6.3.2.1, ASTM MNL7 Table 16 and others
// print these rounded to three decimals.
func TestConstants(t *testing.T) {
	for _, row := range [][]float64{
		// n, c4, d2, d3, A2, A3, B3, B4, D3, D4
		{2, 0.797885, 1.128379, 0.852502, 1.879971, 2.658681, 0, 3.266532, 0, 3.266532},
		{3, 0.886227, 1.692569, 0.888368, 1.023327, 1.954410, 0, 2.568170, 0, 2.574591},
		{4, 0.921318, 2.058751, 0.879808, 0.728597, 1.628103, 0, 2.266047, 0, 2.282052},
		{5, 0.939986, 2.325929, 0.864082, 0.576819, 1.427299, 0, 2.088998, 0, 2.114499},
		{6, 0.951533, 2.534413, 0.848040, 0.483246, 1.287128, 0.030363, 1.969637, 0, 2.003830},
		{7, 0.959369, 2.704357, 0.833205, 0.419284, 1.181916, 0.117685, 1.882315, 0.075708, 1.924292},
		{8, 0.965030, 2.847201, 0.819831, 0.372527, 1.099095, 0.185090, 1.814910, 0.136171, 1.863829},
		{9, 0.969311, 2.970026, 0.807834, 0.336697, 1.031661, 0.239133, 1.760867, 0.184013, 1.815987},
		{10, 0.972659, 3.077505, 0.797051, 0.308264, 0.975350, 0.283706, 1.716294, 0.223023, 1.776977},
	} {
		c, err := NewConstants(int(row[0]))
		require.NoError(t, err)
		require.InDeltaSlice(t, row[1:], []float64{c.C4, c.RangeMean, c.RangeSD, c.A2, c.A3, c.B3, c.B4, c.D3, c.D4}, 1e-6, "n = %d", c.N)
	}
	two, err := NewConstants(2)
	require.NoError(t, err)
	require.InDelta(t, 2.658681, two.E2, 1e-6) // printed 2.659 or 2.660
	// Tables, from memory: they differ among each other by one in the third
	// decimal (D4 of 2, 3 and 5, E2 of 2).
	five, err := NewConstants(5)
	require.NoError(t, err)
	p := five.Printed()
	require.Equal(t, []float64{2.326, 0.864, 0.577, 1.427, 2.089, 0.94}, []float64{p.RangeMean, p.RangeSD, p.A2, p.A3, p.B4, p.C4})
	require.InDelta(t, 2.115, p.D4, 0.002)
	for _, n := range []int{-1, 0, 1, MostRange + 1} {
		_, err := NewConstants(n)
		require.Error(t, err)
	}
	require.True(t, math.IsNaN(C4(1)))
}

// The integrals against their closed forms, where there are any, and against a
// finer step.
func TestConstantsInClosedForm(t *testing.T) {
	require.InDelta(t, 2/math.Sqrt(math.Pi), rangeMean(2), 1e-12)
	require.InDelta(t, 2, rangeSquare(2), 1e-12)
	require.InDelta(t, 3/math.Sqrt(math.Pi), rangeMean(3), 1e-12)
	require.InDelta(t, 2+3*math.Sqrt(3)/math.Pi, rangeSquare(3), 1e-12) // twice the variance and covariance of order statistics
	// Harter 1960, Tables of range and studentized range, from memory: d2 and d3 of 20 and 25.
	for n, want := range map[int][2]float64{20: {3.73495, 0.72907}, 25: {3.93063, 0.70844}} {
		c, err := NewConstants(n)
		require.NoError(t, err)
		require.InDelta(t, want[0], c.RangeMean, 5e-5, n)
		require.InDelta(t, want[1], c.RangeSD, 5e-4, n)
	}
}

// With a fixed seed: the constants are those of normal values.
func TestConstantsBySimulation(t *testing.T) {
	random := rand.New(rand.NewPCG(1, 2))
	const n, rounds = 7, 20000
	c, err := NewConstants(n)
	require.NoError(t, err)
	var ranges, squares, sds float64
	for range rounds {
		x := make([]float64, n)
		for i := range x {
			x[i] = random.NormFloat64()
		}
		_, s := statistics.MeanSD(x)
		r := spanOf(x)
		ranges, squares, sds = ranges+r, squares+r*r, sds+s
	}
	m := ranges / rounds
	require.InDelta(t, c.RangeMean, m, 0.025)
	require.InDelta(t, c.RangeSD, math.Sqrt(squares/rounds-m*m), 0.02)
	require.InDelta(t, c.C4, sds/rounds, 0.01)
}

func BenchmarkNewConstants(b *testing.B) {
	for b.Loop() {
		if _, err := NewConstants(5); err != nil {
			b.Fatal(err)
		}
	}
}

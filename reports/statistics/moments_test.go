package statistics

import (
	"math"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

func numbers(t testing.TB, text string) []float64 {
	t.Helper()
	var out []float64
	for _, f := range strings.Fields(text) {
		v, err := strconv.ParseFloat(f, 64)
		require.NoError(t, err)
		out = append(out, v)
	}
	return out
}

// relative says that got is want to a relative tolerance.
func relative(t testing.TB, what string, got, want, tolerance float64) {
	t.Helper()
	require.LessOrEqual(t, math.Abs(got-want), tolerance*math.Abs(want), "%s: got %v, want %v", what, got, want)
}

// NIST/ITL StRD, univariate summary statistics: certified mean, sd and lag-1
// autocorrelation. NumAcc3 and NumAcc4 cannot be had closer from inputs in
// double precision.
func TestMomentsPublished(t *testing.T) {
	mavro := numbers(t, `2.0018 2.0017 2.0018 2.0019 2.0018 2.0017 2.0015 2.0014 2.0015 2.0015 2.0017 2.0018 2.0018 2.0019 2.0019 2.0021
		2.002 2.0016 2.0014 2.0013 2.0013 2.0015 2.0015 2.0016 2.0015 2.0014 2.0013 2.0014 2.0015 2.0014 2.0015 2.0016 2.0015 2.0016 2.0019
		2.002 2.002 2.0021 2.0022 2.0023 2.0024 2.0025 2.0027 2.0026 2.0026 2.0026 2.0027 2.0026 2.0025 2.0024`)
	accuracy := func(first, low, high float64) []float64 {
		return append([]float64{first}, slices.Repeat([]float64{low, high}, 500)...)
	}
	for _, tt := range []struct {
		name                string
		x                   []float64
		mean, sd, r1        float64
		exact, exactSD, exR float64
	}{
		{"Mavro", mavro, 2.00185600000000, 0.000429123454003053, 0.937989183438248, 1e-14, 1e-12, 1e-12},
		{"NumAcc1", []float64{10000001, 10000003, 10000002}, 10000002, 1, -0.5, 1e-15, 1e-14, 1e-14},
		{"NumAcc2", accuracy(1.2, 1.1, 1.3), 1.2, 0.1, -0.999, 1e-14, 1e-13, 1e-13},
		{"NumAcc3", accuracy(1000000.2, 1000000.1, 1000000.3), 1000000.2, 0.1, -0.999, 1e-14, 1e-9, 1e-11},
		{"NumAcc4", accuracy(10000000.2, 10000000.1, 10000000.3), 10000000.2, 0.1, -0.999, 1e-14, 1e-8, 1e-10},
	} {
		t.Run(tt.name, func(t *testing.T) {
			m, dropped := MomentsOf(tt.x)
			require.Zero(t, dropped)
			require.EqualValues(t, len(tt.x), m.N)
			relative(t, "mean", m.Mean, tt.mean, tt.exact)
			relative(t, "sd", m.SD(), tt.sd, tt.exactSD)
			mean, sd := MeanSD(tt.x)
			require.Equal(t, []float64{m.Mean, m.SD()}, []float64{mean, sd})
			relative(t, "plain mean", Mean(tt.x), tt.mean, tt.exact)
			relative(t, "r1", LagOne(tt.x), tt.r1, tt.exR)
		})
	}
}

func TestMomentsEdges(t *testing.T) {
	m, dropped := MomentsOf([]float64{math.NaN(), math.Inf(1)})
	require.Equal(t, Moments{}, m)
	require.Equal(t, 2, dropped)
	m, _ = MomentsOf([]float64{0.1, 0.1, 0.1})
	require.Zero(t, m.M2)
	require.Equal(t, 0.1, m.Mean)
	require.True(t, math.IsNaN(Moments{N: 1}.Variance()))
	require.Zero(t, LagOne([]float64{0.1, 0.1, 0.1}))
	require.Zero(t, LagOne(nil))
	mean, sd := MeanSD(nil)
	require.True(t, math.IsNaN(mean) && math.IsNaN(sd) && math.IsNaN(Mean(nil)))
	mean, sd = MeanSD([]float64{1, 2, math.Inf(1)})
	require.True(t, math.IsNaN(mean) && math.IsNaN(sd))
	mean, sd = MeanSD([]float64{7})
	require.True(t, mean == 7 && math.IsNaN(sd))
}

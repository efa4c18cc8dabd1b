package statistics

import (
	"encoding/json"
	"math"
	"testing"

	"github.com/stretchr/testify/require"
)

// NIST/ITL StRD, linear regression, Norris: certified values.
func TestFitLinePublished(t *testing.T) {
	pairs := numbers(t, `0.1 0.2 338.8 337.4 118.1 118.2 888.0 884.6 9.2 10.1 228.1 226.5 668.5 666.3 998.5 996.3 449.1 448.6 778.9 777.0
		559.2 558.2 0.3 0.4 0.1 0.6 778.1 775.5 668.8 666.9 339.3 338.0 448.9 447.5 10.8 11.6 557.7 556.0 228.3 228.1 998.0 995.8 888.8 887.6
		119.6 120.2 0.3 0.3 0.6 0.3 557.6 556.8 339.3 339.1 888.0 887.2 998.5 999.0 778.9 779.0 10.2 11.1 117.6 118.3 228.9 229.2 668.4 669.1
		449.2 448.9 0.2 0.5`)
	var x, y []float64
	for i := 0; i < len(pairs); i += 2 {
		y, x = append(y, pairs[i]), append(x, pairs[i+1])
	}
	l, err := FitLine(x, y)
	require.NoError(t, err)
	require.Equal(t, []int{36, 34}, []int{l.N, l.Freedom})
	for _, v := range []struct {
		name      string
		got, want float64
	}{
		{"B0", l.Intercept, -0.262323073774029},
		{"B0 sd", l.InterceptSD, 0.232818234301152},
		{"B1", l.Slope, 1.00211681802045},
		{"B1 sd", l.SlopeSD, 0.429796848199937e-03},
		{"residual sd", l.ResidualSD, 0.884796396144373},
		{"R2", l.RSquared, 0.999993745883712},
		{"regression SS", l.RegressionSS, 4255954.13232369},
		{"residual SS", l.ResidualSS, 26.6173985294224},
		{"residual MS", l.ResidualMS, 0.782864662630069},
		{"F", *l.F, 5436385.54079785},
	} {
		relative(t, v.name, v.got, v.want, 1e-11)
	}
}

func TestFitLineEdges(t *testing.T) {
	nan := math.NaN()
	for want, in := range map[string][2][]float64{
		"line: 1 x for 2 y":             {{1}, {1, 2}},
		"line: 0 points, at least 2":    {nil, nil},
		"line: 1 points, at least 2":    {{1, nan, 3}, {1, 2, math.Inf(1)}},
		"line: all 3 points have x 0.1": {{0.1, 0.1, 0.1}, {1, 2, 3}},
		"cannot be squared":             {{0, 1e-200}, {1, 2}},
	} {
		_, err := FitLine(in[0], in[1])
		require.ErrorContains(t, err, want)
	}
	two, err := FitLine([]float64{1, 3}, []float64{1, 5})
	require.NoError(t, err)
	require.Equal(t, []float64{2, -1, 1}, []float64{two.Slope, two.Intercept, two.RSquared})
	require.Nil(t, two.F)
	flat, err := FitLine([]float64{1, 2, 3}, []float64{0.1, 0.1, 0.1})
	require.NoError(t, err)
	require.Zero(t, flat.Slope)
	require.Zero(t, flat.RSquared)
	require.Nil(t, flat.F)
	exact, err := FitLine([]float64{0, 1, 2, 3}, []float64{5, 7, 9, 11})
	require.NoError(t, err)
	require.Nil(t, exact.F)
	require.InDelta(t, 13, exact.At(4), 1e-12)
	_, err = json.Marshal([]Line{two, flat, exact})
	require.NoError(t, err)
}

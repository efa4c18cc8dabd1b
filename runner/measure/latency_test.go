package measure

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"
)

func TestLatency(t *testing.T) {
	nan := math.NaN()
	r, err := Latency([]float64{0.012, nan, 0.014, 0.013, nan})
	require.NoError(t, err)
	require.Equal(t, []int{5, 3, 2}, []int{r.Trials, r.Answered, r.Missed})
	near(t, "mean", r.Mean, 0.013, 1e-12)
	near(t, "sd", r.SD, 0.001, 1e-12)
	near(t, "jitter: only 14 to 13 ms follow each other", r.Jitter, 0.001, 1e-12)
	require.Equal(t, []float64{0.013, 0.012, 0.014}, []float64{r.Median, r.Min, r.Max})
	require.True(t, math.IsNaN(r.P95) && math.IsNaN(r.P99), "three answers have no 95th percentile")

	r, err = Latency([]float64{nan, nan})
	require.NoError(t, err)
	require.Zero(t, r.Answered)
	require.Empty(t, r.Histogram)
	for _, v := range []float64{r.Mean, r.Median, r.SD, r.P95, r.P99, r.Min, r.Max, r.Jitter} {
		require.True(t, math.IsNaN(v))
	}
	for _, bad := range [][]float64{nil, {math.Inf(1)}, {-0.001}} {
		_, err := Latency(bad)
		require.ErrorContains(t, err, "measure: latency: ")
	}
}

// A percentile is given from the count on that is stated, never below.
func TestLatencyNeedsEnoughAnswers(t *testing.T) {
	for _, tt := range []struct {
		n        int
		p95, p99 float64
	}{
		{18, math.NaN(), math.NaN()}, {19, 0.019, math.NaN()}, {20, 0.01995, math.NaN()}, {98, 0.09405, math.NaN()}, {99, 0.095, 0.099}, {199, 0.190, 0.198},
	} {
		x := make([]float64, tt.n)
		for i := range x {
			x[i] = float64(tt.n-i) / 1000 // 1 ms, 2 ms ... n ms, backwards
		}
		r, err := Latency(x)
		require.NoError(t, err)
		require.Equal(t, []int{19, 99}, []int{r.NeededP95, r.NeededP99})
		for _, v := range [][2]float64{{r.P95, tt.p95}, {r.P99, tt.p99}} {
			if math.IsNaN(v[0]) != math.IsNaN(v[1]) || math.Abs(v[0]-v[1]) > 1e-12 {
				t.Errorf("%d answers: got %v, want %v", tt.n, v[0], v[1])
			}
		}
		within(t, "jitter of an even drift", r.Jitter, 0.001, 1e-12)
	}
}

// Normal times: jitter is 2/sqrt(pi) SD. The histogram holds every answer.
func TestLatencyOfNormalTimes(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 12))
	x := make([]float64, 20000)
	for i := range x {
		x[i] = 0.0135 + 0.001*rng.NormFloat64()
		if i%100 == 0 {
			x[i] = math.NaN()
		}
	}
	r, err := Latency(x)
	require.NoError(t, err)
	near(t, "jitter", r.Jitter, 2/math.Sqrt(math.Pi)*r.SD, 0.02)
	near(t, "95th", r.P95, 0.0135+0.00164485, 0.01)
	near(t, "99th", r.P99, 0.0135+0.00232635, 0.01)
	sum := 0
	for _, b := range r.Histogram {
		sum += b.Count
	}
	require.Equal(t, r.Answered, sum)
}

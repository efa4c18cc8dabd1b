package measure

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strconv"
	"testing"

	"github.com/stretchr/testify/require"
)

// Intervals of Michelso, re-computed; the sets themselves are in
// TestCertifiedStatistics.
func TestSummary(t *testing.T) {
	r, err := Summary(michelso, SummaryOptions{})
	require.NoError(t, err)
	near(t, "certified mean", r.Mean, 299.8524, 1e-12)
	near(t, "certified sd", r.SD, 0.0790105478190518, 1e-12)
	near(t, "certified r1", r.Autocorrelation, 0.535199668621283, 1e-12)
	within(t, "mean from", r.MeanInterval.Low, 299.836722593, 1e-9)
	within(t, "mean to", r.MeanInterval.High, 299.868077407, 1e-9)
	near(t, "sd from", r.SDInterval.Low, 0.0693718018, 1e-8)
	near(t, "sd to", r.SDInterval.High, 0.0917845983, 1e-8)
	require.Equal(t, 100, r.Count)
	require.InDelta(t, 299.85, r.Median, 1e-12)

	one, err := Summary([]float64{3}, SummaryOptions{})
	require.NoError(t, err)
	require.Equal(t, 3.0, one.Mean)
	for _, v := range []float64{one.SD, one.MeanInterval.Low, one.MeanInterval.High, one.SDInterval.Low, one.SDInterval.High} {
		require.True(t, math.IsNaN(v))
	}
	flat, err := Summary([]float64{0.1, 0.1, 0.1, 0.1}, SummaryOptions{Confidence: 50})
	require.NoError(t, err)
	require.Equal(t, SummaryResult{Count: 4, Mean: 0.1, Median: 0.1, Min: 0.1, Max: 0.1, MeanInterval: Interval{0.1, 0.1}}, flat)
	for _, bad := range [][]float64{nil, {math.NaN()}, {1, math.Inf(1)}} {
		_, err := Summary(bad, SummaryOptions{})
		require.ErrorContains(t, err, "measure: summary: ")
	}
	for _, c := range []float64{-1, 1, 0.95, 100, math.NaN()} {
		_, err := Summary([]float64{1}, SummaryOptions{Confidence: c})
		require.ErrorContains(t, err, "measure: summary: confidence is ")
	}
}

// NIST StRD linear regression, Norris: certified values.
func TestLine(t *testing.T) {
	var x, y []float64
	for _, p := range norris {
		y, x = append(y, p[0]), append(x, p[1])
	}
	r, err := Line(Pairs{x, y})
	require.NoError(t, err)
	const tolerance = 1e-11
	near(t, "B0", r.Intercept, -0.262323073774029, tolerance)
	near(t, "B0 sd", r.InterceptSD, 0.232818234301152, tolerance)
	near(t, "B1", r.Slope, 1.00211681802045, tolerance)
	near(t, "B1 sd", r.SlopeSD, 0.429796848199937e-03, tolerance)
	near(t, "residual sd", r.ResidualSD, 0.884796396144373, tolerance)
	near(t, "R2", r.RSquared, 0.999993745883712, tolerance)
	near(t, "F", r.F, 5436385.54079785, tolerance)
	require.Equal(t, 34, r.Freedom)

	two, err := Line(Pairs{[]float64{0, 2}, []float64{1, 5}})
	require.NoError(t, err)
	require.Equal(t, []float64{1, 2, 1}, []float64{two.Intercept, two.Slope, two.RSquared})
	for _, v := range []float64{two.InterceptSD, two.SlopeSD, two.ResidualSD, two.F} {
		require.True(t, math.IsNaN(v), "two points have no residual")
	}
	flat, err := Line(Pairs{[]float64{1, 2, 3}, []float64{4, 4, 4}})
	require.NoError(t, err)
	require.Equal(t, []float64{4, 0, 0}, []float64{flat.Intercept, flat.Slope, flat.ResidualSD})
	require.True(t, math.IsNaN(flat.RSquared))
	for _, bad := range [][2][]float64{{{1}, {1}}, {{1, 2}, {1}}, {{1, 1}, {1, 2}}, {{1, math.NaN()}, {1, 2}}, {{1, 2}, {1, math.Inf(1)}}} {
		_, err := Line(Pairs{bad[0], bad[1]})
		require.ErrorContains(t, err, "measure: line: ")
	}
}

// Moving and stretching the points moves and stretches the line.
func TestLineFollowsItsPoints(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 5))
	for range 200 {
		n := 3 + rng.IntN(40)
		x, y, moved := make([]float64, n), make([]float64, n), make([]float64, n)
		for i := range x {
			x[i], y[i] = float64(i)+rng.Float64(), rng.NormFloat64()
			moved[i] = 3*y[i] + 2*x[i] + 7
		}
		a, err := Line(Pairs{x, y})
		require.NoError(t, err)
		b, err := Line(Pairs{x, moved})
		require.NoError(t, err)
		within(t, "slope", b.Slope, 3*a.Slope+2, 1e-9)
		within(t, "intercept", b.Intercept, 3*a.Intercept+7, 1e-9)
		near(t, "residual", b.ResidualSD, 3*a.ResidualSD, 1e-9)
	}
}

// NIST StRD one-way analysis of variance, SiRstv: certified values; P
// re-computed.
func TestOneWay(t *testing.T) {
	r, err := OneWay(siRstv)
	require.NoError(t, err)
	require.Equal(t, []int{4, 20}, []int{r.BetweenFreedom, r.WithinFreedom})
	near(t, "between SS", r.BetweenSS, 5.11462616000000e-02, 1e-10)
	near(t, "between MS", r.BetweenMS, 1.27865654000000e-02, 1e-10)
	near(t, "within SS", r.WithinSS, 2.16636560000000e-01, 1e-11)
	near(t, "within MS", r.WithinMS, 1.08318280000000e-02, 1e-11)
	near(t, "F", r.F, 1.18046237440255, 1e-10)
	near(t, "R2", r.RSquared, 1.90999039051129e-01, 1e-10)
	near(t, "residual sd", r.ResidualSD, 1.04076068334656e-01, 1e-11)
	within(t, "P", r.P, 0.34944749340, 1e-10)

	same, err := OneWay([][]float64{{1, 1}, {1, 1}})
	require.NoError(t, err)
	require.True(t, math.IsNaN(same.F) && math.IsNaN(same.P))
	apart, err := OneWay([][]float64{{1, 1}, {2, 2}})
	require.NoError(t, err)
	require.True(t, math.IsInf(apart.F, 1) && apart.P == 0)
	for _, bad := range [][][]float64{nil, {{1, 2}}, {{1}, {2}}, {{1, 2}, {}}, {{1, 2}, {math.NaN()}}} {
		_, err := OneWay(bad)
		require.ErrorContains(t, err, "measure: one way: ")
	}
}

// NIST StRD one-way analysis of variance, SmLs01 to SmLs09 (Simon and Lesage
// 1989): 9 treatments with up to 13 constant leading digits. The generated data
// are written as the files have them; certified values for 21 replicates as
// seen, for 201 and 2001 from memory, re-computed. Tolerances are what the
// conversion of the decimals to float64 leaves.
func TestOneWayOfManyDigits(t *testing.T) {
	for _, tt := range []struct {
		name, leading      string
		replicates         int
		between, within, f float64
		tolerance          float64
	}{
		{"SmLs01", "1", 21, 1.68, 1.80, 21, 1e-13},
		{"SmLs02", "1", 201, 16.08, 18, 201, 1e-12},
		{"SmLs03", "1", 2001, 160.08, 180, 2001, 1e-12},
		{"SmLs04", "1000000", 21, 1.68, 1.80, 21, 5e-10},
		{"SmLs05", "1000000", 201, 16.08, 18, 201, 5e-10},
		{"SmLs06", "1000000", 2001, 160.08, 180, 2001, 5e-10},
		{"SmLs07", "1000000000000", 21, 1.68, 1.80, 21, 5e-4},
		{"SmLs08", "1000000000000", 201, 16.08, 18, 201, 5e-4},
		{"SmLs09", "1000000000000", 2001, 160.08, 180, 2001, 5e-4},
	} {
		groups := make([][]float64, 9)
		for i, tenths := range []int{4, 3, 5, 3, 5, 3, 5, 3, 5} {
			for k := range tt.replicates {
				digit := tenths
				if k > 0 {
					digit += 1 - 2*(k%2)
				}
				v, err := strconv.ParseFloat(fmt.Sprintf("%s.%d", tt.leading, digit), 64)
				require.NoError(t, err)
				groups[i] = append(groups[i], v)
			}
		}
		r, err := OneWay(groups)
		require.NoError(t, err)
		require.Equal(t, []int{8, 9 * (tt.replicates - 1)}, []int{r.BetweenFreedom, r.WithinFreedom})
		t.Logf("%s: relative errors %.1e between, %.1e within, %.1e F", tt.name, r.BetweenSS/tt.between-1, r.WithinSS/tt.within-1, r.F/tt.f-1)
		near(t, tt.name+" between", r.BetweenSS, tt.between, tt.tolerance)
		near(t, tt.name+" within", r.WithinSS, tt.within, tt.tolerance)
		near(t, tt.name+" F", r.F, tt.f, tt.tolerance)
		near(t, tt.name+" R2", r.RSquared, tt.between/(tt.between+tt.within), tt.tolerance)
		near(t, tt.name+" residual sd", r.ResidualSD, 0.1, tt.tolerance)
	}
}

// e-Handbook 7.2.6.2, wafer resistivities: 95.1981 printed for the 90th.
func TestPercentileResult(t *testing.T) {
	x := []float64{95.1772, 95.1567, 95.1937, 95.1959, 95.1442, 95.0610, 95.1591, 95.1195, 95.1065, 95.0925, 95.1990, 95.1682}
	r, err := Percentile(x, 90, PercentileOptions{})
	require.NoError(t, err)
	within(t, "published", r.Value, 95.1981, 5e-5)
	within(t, "re-computed", r.Value, 95.19807, 1e-9)
	require.Equal(t, []int{12, 9}, []int{r.Count, r.Needed})

	// Needed: rank p(N+1) at most N.
	for percent, want := range map[float64]int{50: 1, 90: 9, 95: 19, 99: 99, 99.9: 999, 5: 19, 1: 99} {
		r, err := Percentile(x, percent, PercentileOptions{})
		require.NoError(t, err)
		require.Equal(t, want, r.Needed, percent)
		require.Equal(t, len(x) < want, math.IsNaN(r.Value), percent)
	}
	// Textbook (Wilks 1941): 59 values hold the 95th percentile below their
	// largest at 95 %, one-sided; 58 do not.
	for n, bounded := range map[int]bool{58: false, 59: true} {
		y := make([]float64, n)
		for i := range y {
			y[i] = float64(i)
		}
		r, err := Percentile(y, 95, PercentileOptions{Confidence: 90})
		require.NoError(t, err)
		require.Equal(t, bounded, !math.IsInf(r.Interval.High, 1), n)
	}
	for _, bad := range []float64{0, 100, -1, math.NaN()} {
		_, err := Percentile(x, bad, PercentileOptions{})
		require.ErrorContains(t, err, "measure: percentile: ")
	}
	_, err = Percentile(nil, 50, PercentileOptions{})
	require.ErrorContains(t, err, "measure: percentile: ")
}

// The interval holds the true percentile at least as often as it says, for a
// distribution with a long tail.
func TestPercentileIntervalCovers(t *testing.T) {
	rng := rand.New(rand.NewPCG(2, 5))
	truth, held := math.Log(20), 0 // of the unit exponential, 95th
	const runs = 2000
	for range runs {
		x := make([]float64, 120)
		for i := range x {
			x[i] = rng.ExpFloat64()
		}
		r, err := Percentile(x, 95, PercentileOptions{})
		require.NoError(t, err)
		if r.Interval.Low <= truth && truth <= r.Interval.High {
			held++
		}
		if r.Value < r.Interval.Low || r.Value > r.Interval.High {
			t.Fatalf("%v outside its interval %v", r.Value, r.Interval)
		}
	}
	if share := float64(held) / runs; share < 0.94 {
		t.Errorf("held the truth in %.1f %% of runs, 95 %% stated", 100*share)
	}
}

func TestHistogram(t *testing.T) {
	bins, err := Histogram([]float64{0.0101, 0.0125, 0.0139, 0.0162, 0.012}, HistogramOptions{BinWidth: 0.002})
	require.NoError(t, err)
	var counts []int
	for i, b := range bins {
		counts = append(counts, b.Count)
		within(t, "from", b.From, 0.010+0.002*float64(i), 1e-12)
		within(t, "to", b.To, b.From+0.002, 1e-12)
	}
	require.Equal(t, []int{1, 3, 0, 1}, counts)

	rng := rand.New(rand.NewPCG(3, 5))
	for range 300 {
		x := make([]float64, 1+rng.IntN(300))
		scale, offset := math.Pow(10, float64(rng.IntN(20)-10)), math.Pow(10, float64(rng.IntN(12)-6))*rng.NormFloat64()
		for i := range x {
			x[i] = offset + scale*rng.NormFloat64()*math.Exp(3*rng.NormFloat64())
		}
		bins, err := Histogram(x, HistogramOptions{})
		require.NoError(t, err)
		sum := 0
		for _, b := range bins {
			sum += b.Count
		}
		require.Equal(t, len(x), sum)
		require.LessOrEqual(t, len(bins), 60)
	}
	for _, x := range [][]float64{{5, 5, 5}, {0}, {-3e300, 3e300}} {
		bins, err := Histogram(x, HistogramOptions{})
		require.NoError(t, err)
		require.NotEmpty(t, bins)
	}
	for _, bad := range []HistogramOptions{{BinWidth: -1}, {BinWidth: math.NaN()}, {BinWidth: 1e-9}} {
		_, err := Histogram([]float64{1, 2}, bad)
		require.ErrorContains(t, err, "measure: histogram: ")
	}
}

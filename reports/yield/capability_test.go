package yield

import (
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"fullthrow/reports/statistics"
)

// What has no answer says why, and gives no index.
func TestNoCapability(t *testing.T) {
	nan := math.NaN()
	limits := spec(0, 10, nan)
	good := gaussian(1, 20, 5, 1)
	for _, tt := range []struct {
		want Remark
		s    CapabilityStudy
	}{
		{remark(NoValues), Capability(nil, limits, CapabilityOptions{})},
		{remark(NotFinite, 2, 20), Capability(append(slices.Clone(good[:18]), nan, math.Inf(1)), limits, CapabilityOptions{})},
		{remark(NoLimits), Capability(good, Spec{}, CapabilityOptions{})},
		{remark(LimitsSwapped), Capability(good, spec(10, 10, nan), CapabilityOptions{})},
		{remark(LimitNotFinite), Capability(good, spec(0, math.Inf(1), nan), CapabilityOptions{})},
		{remark(TooFewValues, 7, 8), Capability(good[:7], limits, CapabilityOptions{})},
		{remark(TooLarge), Capability(append(slices.Clone(good), math.MaxFloat64, -math.MaxFloat64), limits, CapabilityOptions{})},
		{remark(TooFewValues, 1, 8), Capability(good[:1], limits, CapabilityOptions{})},
		{remark(Constant), Capability(make([]float64, 50), limits, CapabilityOptions{})},
	} {
		s := tt.s
		require.Equal(t, &tt.want, s.Problem)
		require.Equal(t, CapabilityNone, s.State)
		for _, e := range []*Estimate{s.Cp, s.Cpl, s.Cpu, s.Cpk, s.Pp, s.Ppl, s.Ppu, s.Ppk, s.Cpm, s.Expected} {
			require.Nil(t, e)
		}
		require.Nil(t, s.Observed)
		require.Empty(t, s.Index)
		require.Nil(t, s.Decisive())
		_, err := json.Marshal(s)
		require.NoError(t, err)
	}
	// What can be said without limits is said.
	s := Capability(good, Spec{}, CapabilityOptions{})
	require.Equal(t, ShapeNormal, s.Normality.Shape)
	require.InDelta(t, 1, s.Overall, 0.4)
}

// One limit: the index of its side only.
func TestOneLimit(t *testing.T) {
	for _, upper := range []bool{true, false} {
		l := spec(math.NaN(), 9, math.NaN())
		if !upper {
			l = spec(1, math.NaN(), math.NaN())
		}
		s := Capability(gaussian(2, 200, 5, 1), l, CapabilityOptions{})
		require.Nil(t, s.Cp)
		require.Nil(t, s.Pp)
		require.Nil(t, s.Cpm)
		require.Nil(t, s.OffCentre)
		side, other := s.Cpu, s.Cpl
		if !upper {
			side, other = s.Cpl, s.Cpu
		}
		require.Nil(t, other)
		require.Equal(t, side, s.Cpk)
		require.InDelta(t, 4.0/3, s.Cpk.Value, 0.2)
		require.Nil(t, s.Percentile.Pp)
		require.NotNil(t, s.Percentile.Ppk)
		// For one limit the interval of the expected share is that of Ppk.
		require.InEpsilon(t, statistics.NormalUpper(3*s.Ppk.High), s.Expected.Low, 1e-6)
		require.InEpsilon(t, statistics.NormalUpper(3*s.Ppk.Low), s.Expected.High, 1e-6)
	}
}

// Each state, and what it goes by.
func TestCapabilityVerdicts(t *testing.T) {
	random := rand.New(rand.NewPCG(4, 4))
	skewed := make([]float64, 800)
	for i := range skewed {
		skewed[i] = random.ExpFloat64()
	}
	step := append(gaussian(5, 100, 4, 0.5), gaussian(6, 100, 6, 0.5)...)
	limits := spec(0, 10, math.NaN())
	for _, row := range []struct {
		values []float64
		state  CapabilityState
		shape  Look
		moves  bool
		off    bool // centre
	}{
		{gaussian(7, 200, 5, 1), CapabilityHolds, "", false, false},
		{gaussian(8, 30, 5, 1.1), CapabilityLikely, "", false, false},
		{gaussian(9, 200, 5, 1.5), CapabilityJust, "", false, false},
		{gaussian(10, 200, 8, 1), CapabilityNot, "", false, true},
		{skewed, CapabilityByPercent, LookRight, false, false},
		{skewed[:100], CapabilityByPercent, LookRight, false, false},
		{step, CapabilityMoot, "", true, false},
	} {
		l := limits
		if row.state == CapabilityByPercent {
			l = spec(math.NaN(), 8, math.NaN())
		}
		s := Capability(row.values, l, CapabilityOptions{Unit: "V"})
		require.Equal(t, row.state, s.State)
		require.NotNil(t, s.Decisive())
		if row.shape != "" {
			require.Equal(t, row.shape, s.Normality.Look)
			require.Equal(t, s.Percentile.Ppk, s.Decisive())
			require.Equal(t, len(row.values) < 741, s.Percentile.AtMost)
		}
		require.Equal(t, row.moves, s.Stability.State == StabilityUnstable && s.Stability.Reason == ReasonSpread && *s.Stability.Ratio > 2)
		by, off := s.Recentre()
		require.Equal(t, row.off, off)
		if off {
			require.InDelta(t, 5-s.Mean, by, 1e-12)
		}
		if row.state == CapabilityHolds {
			require.Equal(t, []int64{0, 200}, []int64{s.Observed.Count, s.Observed.Of})
			require.GreaterOrEqual(t, s.Decisive().Low, IndexGood)
		}
		data, err := json.Marshal(s)
		require.NoError(t, err)
		var again CapabilityStudy
		require.NoError(t, json.Unmarshal(data, &again))
		require.Equal(t, s.State, again.State)
	}
}

// Where neighbours differ less than all values, the study goes by all.
func TestSmallerIndexCounts(t *testing.T) {
	s := Capability(bottles, spec(740, 760, math.NaN()), CapabilityOptions{})
	require.Greater(t, s.Cpk.Value, 2.0)
	require.Equal(t, CapabilityLikely, s.State)
	require.Equal(t, "ppk", s.Index)
	require.Equal(t, s.Ppk, s.Decisive())
	require.InDeltaSlice(t, []float64{1.55, 1.03, 2.06}, []float64{s.Ppk.Value, s.Ppk.Low, s.Ppk.High}, 0.005)
	require.Contains(t, s.Cautions, remark(CouldBeBetter, s.Cpk.Value, s.Cpk.Low, s.Cpk.High))
}

// A process that does not move is hardly ever called unstable, whatever its
// distribution and however many values there are; one that moves is.
func TestStability(t *testing.T) {
	random := rand.New(rand.NewPCG(21, 21))
	unstable := func(n, rounds int, draw func(i int) float64) int {
		count := 0
		for range rounds {
			x := make([]float64, n)
			for i := range x {
				x[i] = draw(i)
			}
			if newStability(Singles(x), NewNormality(x), CapabilityOptions{}).State == StabilityUnstable {
				count++
			}
		}
		return count
	}
	for _, n := range []int{25, 200} {
		require.LessOrEqual(t, unstable(n, 300, func(int) float64 { return random.NormFloat64() }), 12, n)
		require.LessOrEqual(t, unstable(n, 300, func(int) float64 { return random.ExpFloat64() }), 12, n)
	}
	require.Zero(t, unstable(10000, 3, func(int) float64 { return random.NormFloat64() }))
	require.Equal(t, 20, unstable(100, 20, func(i int) float64 { return random.NormFloat64() + float64(i)/20 })) // drift of 5 sigma
	x := gaussian(31, 5000, 0, 1)
	for i := range x {
		x[i] += 0.2 * math.Sin(float64(i)/300)
	}
	s := newStability(Singles(x), NewNormality(x), CapabilityOptions{})
	require.Equal(t, StabilitySlight, s.State) // no chance, but little
	require.Equal(t, StabilityUnknown, newStability(Singles(x[:9]), Normality{}, CapabilityOptions{}).State)

	var groups []Subgroup
	for i := range 30 {
		groups = append(groups, Subgroup{Label: "g", Values: gaussian(uint64(i), 5, float64(i%3), 1)})
	}
	s = newStability(groups, Normality{}, CapabilityOptions{})
	require.Equal(t, StabilityUnstable, s.State)
	require.Less(t, *s.P, 1e-4)
}

// The critical values of Stephens' case 3 (D'Agostino & Stephens 1986, Table
// 4.7, from memory) through the formula for p; and how often normal values are
// rejected, with a fixed seed.
func TestAndersonDarling(t *testing.T) {
	rejected, other := 0, 0
	for seed := range uint64(1000) {
		x := gaussian(seed, 25, 3, 2)
		_, adjusted, p, err := AndersonDarling(x)
		require.NoError(t, err)
		for critical, level := range map[float64]float64{0.631: 0.10, 0.752: 0.05, 0.873: 0.025, 1.035: 0.01} {
			if adjusted > critical+0.005 {
				require.Less(t, p, level)
			} else if adjusted < critical-0.005 {
				require.Greater(t, p, level)
			}
		}
		if p < 0.05 {
			rejected++
		}
		if NewNormality(x).Shape == ShapeOther {
			other++
		}
	}
	require.InDelta(t, 50, rejected, 20)
	require.LessOrEqual(t, other, 20)

	// By hand, from the definition.
	x := []float64{-1.2, -0.7, -0.4, -0.1, 0.2, 0.3, 0.8, 1.6}
	m, s := statistics.MeanSD(x)
	sum := 0.0
	for i := range x {
		below := 1 - statistics.NormalUpper((x[i]-m)/s)
		above := statistics.NormalUpper((x[len(x)-1-i] - m) / s)
		sum += float64(2*i+1) * (math.Log(below) + math.Log(above))
	}
	statistic, _, _, err := AndersonDarling(x)
	require.NoError(t, err)
	require.InDelta(t, -8-sum/8, statistic, 1e-12)

	// Values far out do not make it infinite, nor p grow again.
	far := append(gaussian(1, 5000, 0, 1), 1e6)
	statistic, _, p, err := AndersonDarling(far)
	require.NoError(t, err)
	require.False(t, math.IsInf(statistic, 0) || math.IsNaN(statistic))
	require.Less(t, p, 1e-20)
	require.InEpsilon(t, math.Log(statistics.NormalUpper(35)), logNormalBelow(-35), 1e-9)
	require.InEpsilon(t, math.Log(statistics.NormalUpper(30)), logNormalBelow(-30), 1e-6)
	for _, bad := range [][]float64{nil, x[:7], make([]float64, 20), append(slices.Clone(x), math.NaN())} {
		_, _, _, err := AndersonDarling(bad)
		require.ErrorContains(t, err, "normality: ")
	}
}

// With many values every test rejects: what matters is how far the shape is
// off.
func TestNormalityByEffect(t *testing.T) {
	random := rand.New(rand.NewPCG(8, 8))
	draw := func(n int, f func() float64) []float64 {
		x := make([]float64, n)
		for i := range x {
			x[i] = f()
		}
		return x
	}
	slightly := draw(20000, func() float64 { z := random.NormFloat64(); return z + 0.04*z*z }) // skewness about 0.24
	s := NewNormality(slightly)
	require.Less(t, *s.P, 1e-4)
	require.Equal(t, ShapeNormal, s.Shape)
	require.Equal(t, LookSlight, s.Look)
	require.InDelta(t, 0.24, *s.Skewness, 0.05)

	for look, x := range map[Look][]float64{
		LookRight: draw(300, func() float64 { return math.Exp(0.5 * random.NormFloat64()) }),
		LookLeft:  draw(300, func() float64 { return -math.Exp(0.5 * random.NormFloat64()) }),
		LookTails: draw(2000, func() float64 { return math.Copysign(random.ExpFloat64(), random.NormFloat64()) }),
		LookFlat:  draw(400, func() float64 { return random.NormFloat64() + math.Copysign(3, random.NormFloat64()) }),
	} {
		s := NewNormality(x)
		require.Equal(t, ShapeOther, s.Shape)
		require.Equal(t, look, s.Look)
	}
	// Rounded to steps wider than the spread: nothing can be told.
	coarse := draw(200, func() float64 { return math.Round(0.4 * random.NormFloat64()) })
	s = NewNormality(coarse)
	require.True(t, s.Coarse)
	require.Equal(t, ShapeUnknown, s.Shape)
	// Rounded finely, many values: the test rejects, the shape is called normal.
	fine := draw(20000, func() float64 { return math.Round(3*random.NormFloat64()) / 3 })
	s = NewNormality(fine)
	require.Less(t, *s.P, 1e-4)
	require.Equal(t, ShapeNormal, s.Shape)
	require.Equal(t, ShapeUnknown, NewNormality(nil).Shape)
	require.Equal(t, ShapeUnknown, NewNormality([]float64{1, math.NaN()}).Shape)
	require.Equal(t, Constant, NewNormality(make([]float64, 9)).Why)
	require.Equal(t, TooFewValues, NewNormality(nil).Why)
	require.Equal(t, NotFinite, NewNormality([]float64{1, math.NaN()}).Why)
}

// Percentiles of a normal process are those of Pp; the interval of the ranks
// holds the true point; with few values the indices say at most.
func TestPercentileStudy(t *testing.T) {
	sorted := slices.Sorted(slices.Values(gaussian(3, 50000, 5, 1)))
	p := newPercentileStudy(sorted, spec(0, 10, math.NaN()), 0.95)
	require.InDelta(t, 5.0/3, p.Pp.Value, 0.05)
	require.InDelta(t, 5.0/3, p.Ppk.Value, 0.07)
	require.Less(t, p.Ppk.Low, p.Ppk.Value)
	require.Greater(t, p.Ppk.High, p.Ppk.Value)
	require.Less(t, p.Low.Low, 2.0)
	require.Greater(t, p.Low.High, 2.0)
	require.Nil(t, p.Caution)
	require.False(t, p.AtMost)

	few := newPercentileStudy(sorted[:100:100], spec(0, 10, math.NaN()), 0.95)
	require.True(t, few.AtMost)
	require.Equal(t, sorted[0], few.Low.Value)
	require.True(t, math.IsInf(few.Low.Low, -1))
	require.Equal(t, remark(PercentilesBeyond, 100, 741), *few.Caution)

	// e-Handbook 7.2.6.2: the 90th percentile of 12 values, at rank 11.7.
	handbook := []float64{95.0610, 95.0925, 95.1065, 95.1195, 95.1442, 95.1567, 95.1591, 95.1682, 95.1772, 95.1937, 95.1959, 95.1990}
	require.InDelta(t, 95.1981, statistics.Quantile(handbook, 0.9), 5e-5)
	// Ranks: the largest 45 of 45 values hold the median's upper end, and so on.
	e := quantileEstimate([]float64{1, 2, 3, 4, 5, 6, 7, 8, 9, 10}, 0.5, 0.95)
	require.Equal(t, []float64{5.5, 2, 9}, []float64{e.Value, e.Low, e.High}) // 97.9 % of such intervals
}

// How often the intervals hold the true value, with a fixed seed.
func TestCapabilityCoverage(t *testing.T) {
	limits := spec(-3, 4, math.NaN())
	below, above := OutsideNormal(0, 1, limits)
	truth := NewIndices(0, 1, limits)
	const rounds = 400
	var held [5]int
	for seed := range uint64(rounds) {
		s := Capability(gaussian(seed, 40, 0, 1), limits, CapabilityOptions{})
		for i, v := range []struct {
			e    *Estimate
			true float64
		}{{s.Cp, truth.Cp}, {s.Cpk, truth.Cpk}, {s.Ppk, truth.Cpk}, {s.Cpm, truth.Cpm}, {s.Expected, below + above}} {
			if v.e.Low <= v.true && v.true <= v.e.High {
				held[i]++
			}
		}
	}
	for i, n := range held {
		require.InDelta(t, 0.95, float64(n)/rounds, 0.03, i)
	}
}

// A series is studied by its own limits, and what is peculiar about it is said.
func TestSeriesCapability(t *testing.T) {
	upper := 10.0
	s := Series{Name: "a.b", Unit: "V", Upper: &upper, Total: 5000, LimitChanged: true}
	for i, v := range gaussian(6, 400, 5, 0.5) {
		nest := "A"
		if i%2 == 1 {
			nest, v = "B", v+1
		}
		s.Points = append(s.Points, Point{SerialNumber: "K", Station: "LQ-1", Nest: nest, Time: time.Unix(int64(i), 0), Value: v})
	}
	c := s.Capability(CapabilityOptions{})
	require.Equal(t, []string{"a.b", "V"}, []string{c.Name, c.Unit})
	require.Equal(t, 400, c.N)
	require.Contains(t, c.Cautions, remark(LimitChanged))
	require.Contains(t, c.Cautions, remark(Newest, 400, int64(5000)))
	nests := c.Cautions[len(c.Cautions)-1]
	require.Equal(t, NestsDiffer, nests.Code)
	require.Equal(t, 2, nests.Args["count"])
	require.Greater(t, nests.Args["share"], 0.1)
}

func BenchmarkCapability(b *testing.B) {
	x := gaussian(1, 10000, 5, 1)
	limits := spec(0, 10, math.NaN())
	for b.Loop() {
		if s := Capability(x, limits, CapabilityOptions{}); s.Problem != nil {
			b.Fatal(s.Problem)
		}
	}
}

// AndersonDarling tests values against the normal distribution with mean and
// standard deviation taken from them (Stephens' case 3): A squared, the same
// adjusted for n, and the p-value by D'Agostino & Stephens 1986, Goodness-of-fit
// techniques, Table 4.9 (from memory). Values need not be sorted. It is an error
// for fewer than 8 values, values that are not finite, and values that are all
// the same.
func AndersonDarling(values []float64) (statistic, adjusted, p float64, err error) {
	n := len(values)
	if n < fewestForShape {
		return 0, 0, 0, fmt.Errorf("normality: %d values, at least %d needed", n, fewestForShape)
	}
	for _, v := range values {
		if !statistics.Finite(v) {
			return 0, 0, 0, fmt.Errorf("normality: a value is not a finite number")
		}
	}
	sorted := slices.Sorted(slices.Values(values))
	m, s := statistics.MeanSD(sorted)
	if sorted[0] == sorted[n-1] || !(s > 0) {
		return 0, 0, 0, fmt.Errorf("normality: all values are the same")
	}
	statistic, adjusted, p = andersonDarling(sorted, m, s)
	return statistic, adjusted, p, nil
}

func NewNormality(values []float64) Normality {
	sorted := slices.Sorted(slices.Values(values))
	return newNormality(sorted)
}

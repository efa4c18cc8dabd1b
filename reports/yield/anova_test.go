package yield

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"
)

func momentsOfAll(groups [][]float64) []Moments {
	var out []Moments
	for _, g := range groups {
		m, _ := MomentsOf("c.r", "V", g)
		out = append(out, m)
	}
	return out
}

func siRstv(t testing.TB) [][]float64 {
	var out [][]float64
	for _, line := range []string{
		"196.3052 196.1240 196.1890 196.2569 196.3403", "196.3042 196.3825 196.1669 196.3257 196.0422",
		"196.1303 196.2005 196.2889 196.0343 196.1811", "196.2795 196.1748 196.1494 196.1485 195.9885",
		"196.2119 196.1051 196.1850 196.0052 196.2090",
	} {
		out = append(out, numbers(t, line))
	}
	return out
}

// NIST/ITL StRD, analysis of variance, SiRstv: certified values. P and the
// components re-computed with mpmath.
func TestAnalyseVariancePublished(t *testing.T) {
	r, err := AnalyseVariance(momentsOfAll(siRstv(t)), 0.95)
	require.NoError(t, err)
	require.EqualValues(t, []int64{4, 20}, []int64{r.BetweenFreedom, r.WithinFreedom})
	relative(t, "between SS", r.BetweenSS, 5.11462616000000e-02, 1e-9)
	relative(t, "between MS", r.BetweenMS, 1.27865654000000e-02, 1e-9)
	relative(t, "within SS", r.WithinSS, 2.16636560000000e-01, 1e-9)
	relative(t, "within MS", r.WithinMS, 1.08318280000000e-02, 1e-9)
	relative(t, "F", *r.F, 1.18046237440255, 1e-9)
	relative(t, "R2", r.RSquared, 1.90999039051129e-01, 1e-9)
	relative(t, "residual sd", r.ResidualSD, 1.04076068334656e-01, 1e-9)
	relative(t, "P", *r.P, 0.34944749340219, 1e-9)
	relative(t, "between variance", r.BetweenVariance, 0.0003909474800, 1e-8)
	relative(t, "share", r.BetweenShare.Value, 0.0348351867688, 1e-8)
	require.Zero(t, r.BetweenShare.Low) // -0.153, cut off
	relative(t, "share high", r.BetweenShare.High, 0.645508005112427, 1e-8)

	gear, err := AnalyseVariance(momentsOfAll(gearBatches(t)), 0) // mpmath
	require.NoError(t, err)
	relative(t, "gears F", *gear.F, 2.2969124133585, 1e-9)
	relative(t, "gears P", *gear.P, 0.022660819278641, 1e-9)
}

func TestAnalyseVarianceEdges(t *testing.T) {
	for _, groups := range [][][]float64{nil, {{1, 2, 3}}, {{1}, {2}}, {{1, 2}, {}}} {
		_, err := AnalyseVariance(momentsOfAll(groups), 0)
		require.ErrorContains(t, err, "analysis of variance: ")
	}
	r, err := AnalyseVariance(momentsOfAll([][]float64{{1, 1}, {2, 2}}), 0)
	require.NoError(t, err)
	require.Nil(t, r.F)
	require.Equal(t, 1.0, r.BetweenShare.Value)
	r, err = AnalyseVariance(momentsOfAll([][]float64{{1, 1}, {1, 1}}), 0)
	require.NoError(t, err)
	require.Nil(t, r.F)
	require.False(t, r.BetweenShare.Known())
	_, err = json.Marshal(r)
	require.NoError(t, err)
}

// Unequal groups: the share between and its interval come out right on average.
func TestVarianceShareSimulated(t *testing.T) {
	r := rand.New(rand.NewPCG(11, 2))
	const rounds = 1000
	var sum float64
	hit := 0
	for range rounds {
		var groups [][]float64
		for _, n := range []int{8, 20, 15, 30, 10, 12} {
			groups = append(groups, normals(r, n, 10+r.NormFloat64(), 1)) // share 0.5
		}
		v, err := AnalyseVariance(momentsOfAll(groups), 0)
		require.NoError(t, err)
		sum += v.BetweenVariance
		if v.BetweenShare.Low <= 0.5 && 0.5 <= v.BetweenShare.High {
			hit++
		}
	}
	require.InDelta(t, 1, sum/rounds, 0.08)
	require.InDelta(t, 0.95, float64(hit)/rounds, 0.025)
}

// Hollander and Wolfe 1973, p. 116, mucociliary efficiency: 0.771, p 0.680 (from
// memory; re-computed with mpmath). The gears have ties.
func TestKruskalWallisPublished(t *testing.T) {
	h, p, ok := KruskalWallis([][]float64{numbers(t, "2.9 3.0 2.5 2.6 3.2"), numbers(t, "3.8 2.7 4.0 2.4"), numbers(t, "2.8 3.4 3.7 2.2 2.0")})
	require.True(t, ok)
	relative(t, "H", h, 0.77142857142857, 1e-12)
	relative(t, "p", p, 0.67996477357889, 1e-12)
	h, p, ok = KruskalWallis(gearBatches(t))
	require.True(t, ok)
	relative(t, "H", h, 17.03123869555, 1e-11)
	relative(t, "p", p, 0.048229022813054, 1e-10)
	for _, groups := range [][][]float64{nil, {{1, 2}}, {{1, 2}, {math.NaN()}}, {{2, 2}, {2}}} {
		_, _, ok = KruskalWallis(groups)
		require.False(t, ok)
	}
}

func TestCompareStations(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 9))
	keyed := func(key string, s Sample) Keyed { return Keyed{Key: key, Sample: s} }
	stations := []Keyed{
		keyed("LQ-1", limits(sampleOf("c.r", normals(r, 100, 5, 0.2)...), 0, 10)),
		keyed("LQ-2", sampleOf("c.r", normals(r, 80, 5.3, 0.2)...)),
		keyed("LQ-3", sampleOf("c.r", normals(r, 90, 5, 0.2)...)),
		keyed("LQ-4", Sample{}),
	}
	g := CompareGroups(stations, CompareOptions{})
	require.True(t, g.Differ)
	require.Len(t, g.Groups, 3)
	require.Equal(t, "LQ-2", g.Groups[0].Key)
	require.InDelta(t, 0.3, g.Groups[0].Offset.Value, 0.08)
	require.Less(t, g.Groups[0].Test.Adjusted, 1e-6)
	require.InDelta(t, g.Groups[0].Offset.Value/10, g.Groups[0].Share.Value, 1e-15)
	require.Less(t, g.Ranks.P, 1e-6)
	require.Equal(t, GroupsDiffer, g.State)
	require.Greater(t, g.Variance.BetweenShare.Value, 0.3)
	require.Equal(t, []Remark{remark(FewGroups, 3), remark(MixUnknown)}, g.Cautions)

	// For two groups the offset is Welch's difference.
	two := CompareGroups(stations[:2], CompareOptions{})
	d, _, _ := WelchDifference(stations[0].Moments, stations[1].Moments, 0.95)
	for _, o := range two.Groups {
		if o.Key == "LQ-2" {
			require.InDelta(t, d.Value, o.Offset.Value, 1e-12)
			require.InDelta(t, d.Low, o.Offset.Low, 1e-12)
		}
	}
	// The same from moments alone, without ranks.
	for i := range stations {
		stations[i].Values = nil
	}
	m := CompareGroups(stations, CompareOptions{})
	require.Equal(t, g.Variance, m.Variance)
	require.Nil(t, m.Ranks)

	same := sampleOf("c.r", 1, 1)
	for want, groups := range map[GroupState][]Keyed{
		GroupsEmpty:  nil,
		GroupsOne:    {keyed("LQ-1", sampleOf("c.r", 1, 2))},
		GroupsSingle: {keyed("LQ-2", sampleOf("c.r", 1)), keyed("LQ-1", sampleOf("c.r", 2))},
		GroupsSame:   {keyed("LQ-1", same), keyed("LQ-2", same)},
		GroupsApart:  {keyed("LQ-1", same), keyed("LQ-2", sampleOf("c.r", 2, 2))},
	} {
		r := CompareGroups(groups, CompareOptions{})
		require.Equal(t, want, r.State)
		require.Equal(t, want == GroupsApart, r.Differ)
		_, err := json.Marshal(r)
		require.NoError(t, err)
	}
}

package yield

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"
)

// flagged are the points, from 1, at which a rule of a set fired.
func flagged(s RuleSet, z []float64, rule int) []int {
	var all []int
	for _, h := range s.Apply(z, rule) {
		for i := h.First; i <= h.To; i++ {
			all = append(all, i+1)
		}
	}
	slices.Sort(all)
	return all
}

func repeat(n int, v ...float64) []float64 { return slices.Repeat(v, n) }

func join(parts ...[]float64) []float64 { return slices.Concat(parts...) }

// Sequences of the qcc package's tests, and of e-Handbook 6.3.2.3 as distances
// in sigma (re-computed).
func TestWesternElectric(t *testing.T) {
	var handbook []float64
	for _, x := range nistCUSUM {
		handbook = append(handbook, (x-325)/0.635)
	}
	high := join(repeat(7, 2.5), []float64{3.2})
	for _, row := range []struct {
		z    []float64
		rule int
		want []int
	}{
		{[]float64{0, 3.2, -3.5, 2.9}, 1, []int{2, 3}},
		{[]float64{0, 2.5, 1.0, 2.6, 0}, 2, []int{4}},
		{[]float64{0, 1.2, 1.3, 0.2, 1.4, 1.5}, 3, []int{6}},
		{join(repeat(8, -1), []float64{1}), 4, []int{8}},
		{high, 1, []int{8}},
		{high, 2, []int{3, 4, 5, 6, 7, 8}},
		{high, 3, []int{5, 6, 7, 8}},
		{high, 4, []int{8}},
		{handbook, 1, []int{13, 14, 15, 16, 18, 20}},
		{handbook, 2, []int{14, 15, 16, 17, 18, 19, 20}},
		{handbook, 3, []int{16, 17, 18, 19, 20}},
		{handbook, 4, []int{19, 20}},

		{[]float64{3, -3, math.Nextafter(3, 4)}, 1, []int{3}}, // on the limit is not beyond
		{[]float64{0, 2, 2.5, 0}, 2, nil},
		{[]float64{0, 2.5, -2.5, 0}, 2, nil}, // one side
		{[]float64{0, 2.5, 2.5, 0}, 2, []int{3}},
		{[]float64{0, 2.5, 0, 0, 2.5}, 2, nil},
		{join(repeat(7, 1), []float64{0, 1}), 4, nil},          // on the centre is on no side
		{join(repeat(7, 1), []float64{math.NaN(), 1}), 4, nil}, // a gap
		{[]float64{math.NaN(), math.Inf(1), math.NaN()}, 1, []int{2}},
		{nil, 1, nil},
	} {
		require.Equal(t, row.want, flagged(WesternElectric, row.z, row.rule), "rule %d of %v", row.rule, row.z)
	}
}

func TestNelson(t *testing.T) {
	updown := repeat(7, 1, -1)
	for _, row := range []struct {
		z    []float64
		rule int
		want []int
	}{
		{[]float64{3.1, 0, -3.1}, 1, []int{1, 3}},
		{repeat(10, 0.5), 2, []int{9, 10}}, // nine, where Western Electric has eight
		{repeat(8, 0.5), 2, nil},
		{[]float64{1, 2, 3, 4, 5, 6, 7}, 3, []int{6, 7}},
		{[]float64{1, 0.5, 0, -0.5, -1, -1.5}, 3, []int{6}},
		{[]float64{1, 2, 3, 3, 4, 5, 6}, 3, nil}, // level is not rising
		{updown, 4, []int{14}},
		{updown[:13], 4, nil},
		{join(updown, []float64{1, -1, -2}), 4, []int{14, 15, 16}},
		{[]float64{0, -2.5, 1, -2.1}, 5, []int{4}},
		{[]float64{1.5, 1.5, 0, 1.5, 1.5}, 6, []int{5}},
		{repeat(16, 0.9), 7, []int{15, 16}},
		{join(repeat(14, 0.1), []float64{1.1, 0.1}), 7, nil},
		{repeat(4, 1.5, -1.5), 8, []int{8}},
		{repeat(8, 1.5), 8, nil}, // on both sides
		{join(repeat(4, 1.5, -1.5), []float64{0.5, 1.5}), 8, []int{8}},
	} {
		require.Equal(t, row.want, flagged(Nelson, row.z, row.rule), "rule %d of %v", row.rule, row.z)
	}
	require.Len(t, Nelson.Rules(), 8)
	require.Len(t, WesternElectric.Rules(), 4)
	require.Empty(t, RuleSet("house").Rules())
	require.Empty(t, RuleSet("house").Apply(repeat(20, 5)))
}

// A hit tells where its pattern began and how long it went on.
func TestRuleHits(t *testing.T) {
	z := join([]float64{0.1, -0.2}, repeat(10, 0.3), []float64{-0.1, 4})
	require.Equal(t, []RuleHit{
		{Rule: 1, Code: RuleBeyond, Side: "above", From: 13, First: 13, To: 13},
		{Rule: 4, Code: RuleEightRun, Side: "above", From: 2, First: 9, To: 11},
	}, WesternElectric.Apply(z))
	require.Equal(t, []RuleHit{{Rule: 3, Code: RuleSixTrend, Side: "falling", From: 0, First: 5, To: 5}},
		Nelson.Apply([]float64{5, 4, 3, 2, 1, 0}, 3))
}

// How often rules fire where nothing has changed, with a fixed seed. The mean
// run of Western Electric rules is 91.75 (Champ & Woodall 1987, from memory), of
// rule 1 370.4.
func TestFalseAlarms(t *testing.T) {
	random := rand.New(rand.NewPCG(11, 12))
	normal := func(n int) []float64 {
		z := make([]float64, n)
		for i := range z {
			z[i] = random.NormFloat64()
		}
		return z
	}
	const rounds = 400
	var all, first float64
	for range rounds {
		z := normal(1500)
		run := func(only ...int) float64 {
			least := len(z)
			for _, h := range WesternElectric.Apply(z, only...) {
				least = min(least, h.First)
			}
			return float64(least + 1)
		}
		all, first = all+run(), first+run(1)
	}
	require.InDelta(t, 91.75, all/rounds, 12)
	require.InDelta(t, 364, first/rounds, 50) // 370.4, less what lies beyond 1500

	z := normal(100000)
	for _, s := range []RuleSet{WesternElectric, Nelson} {
		for _, few := range []bool{false, true} {
			var only []int
			if few {
				only = s.forCounts()
			}
			fired := map[int]bool{}
			for _, h := range s.Apply(z, only...) {
				for i := h.First; i <= h.To; i++ {
					fired[i] = true
				}
			}
			require.InEpsilon(t, s.falseSignals(few), float64(len(fired))/float64(len(z)), 0.08, "%s %v", s, few)
		}
	}
}

func BenchmarkRules(b *testing.B) {
	random := rand.New(rand.NewPCG(1, 2))
	z := make([]float64, 10000)
	for i := range z {
		z[i] = random.NormFloat64()
	}
	for b.Loop() {
		Nelson.Apply(z)
	}
}

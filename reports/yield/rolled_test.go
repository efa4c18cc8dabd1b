package yield

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/stat/distuv"
)

// Textbook examples of rolled throughput yield (common practice), and the
// second re-computed: -ln of .87447440 is .134132259.
func TestRolled(t *testing.T) {
	r := Rolled([]CheckCount{{"press", 500, 480}, {"solder", 480, 450}, {"test", 450, 441}}, 500, 0.95)
	require.InDelta(t, 0.882, r.Yield.Value, 1e-15)
	require.Equal(t, []float64{0.96, 0.9375, 0.98}, []float64{r.Checks[0].Share.Value, r.Checks[1].Share.Value, r.Checks[2].Share.Value})
	require.Equal(t, []Remark{remark(PartlyJudged, int64(500), []string{"solder (480)", "test (450)"})}, r.Notes)
	r = Rolled([]CheckCount{{"a", 1000, 955}, {"b", 1000, 970}, {"c", 1000, 944}}, 1000, 0.95)
	require.InDelta(t, 0.87447440, r.Yield.Value, 1e-15)
	require.InDelta(t, 0.134132259, -math.Log(r.Yield.Value), 5e-10)
	require.InDelta(t, math.Cbrt(0.87447440), r.Normalised.Value, 1e-15)
	require.Empty(t, r.Notes)
	require.True(t, r.Yield.Low < r.Yield.Value && r.Yield.Value < r.Yield.High && r.Units >= 1000, "%+v", r)
}

func TestRolledEdges(t *testing.T) {
	one := NewShare(9, 10, 0.95)
	r := Rolled([]CheckCount{{"a", 10, 9}}, 10, 0.95)
	require.Equal(t, []float64{one.Value, one.Low, one.High}, []float64{r.Yield.Value, r.Yield.Low, r.Yield.High})
	require.Equal(t, r.Yield, r.Normalised)

	for _, checks := range [][]CheckCount{nil, {{"a", 0, 0}}, {{"a", 3, 4}}} {
		r = Rolled(checks, 10, 0.95)
		require.True(t, !r.Yield.Known() && r.Yield.Low == 0 && r.Yield.High == 1, "%+v", r)
		require.False(t, r.Normalised.Known())
		require.Len(t, r.Notes, len(checks))
	}
	r = Rolled([]CheckCount{{"a", 10, 9}, {"never", 0, 0}}, 10, 0.95)
	require.Equal(t, 0.9, r.Yield.Value)
	require.Equal(t, []Remark{remark(NeverJudged, []string{"never"})}, r.Notes)

	// None failed: as sure as one check is, not surer and not less.
	all := NewShare(50, 50, 0.95)
	r = Rolled([]CheckCount{{"a", 50, 50}, {"b", 50, 50}, {"c", 50, 50}}, 50, 0.95)
	require.Equal(t, []float64{1, 1}, []float64{r.Yield.Value, r.Yield.High})
	require.InDelta(t, all.Low, r.Yield.Low, 0.002)
	// All failed one check.
	r = Rolled([]CheckCount{{"a", 50, 0}, {"b", 50, 50}}, 50, 0.95)
	require.Equal(t, []float64{0, 0}, []float64{r.Yield.Value, r.Yield.Low})
	require.True(t, r.Yield.High > 0 && r.Yield.High < 0.08, "%+v", r)
	// A check that few came to makes the whole no surer than that one.
	r = Rolled([]CheckCount{{"a", 10_000, 9_990}, {"b", 20, 20}}, 10_000, 0.95)
	require.Less(t, r.Yield.Low, 0.9)
}

// How often the 95 % interval holds the truth, for checks that fail
// independently: simulated. The bounds allow for the 1500 trials of each.
func TestRolledCoverage(t *testing.T) {
	like := func(v float64, k int) []float64 {
		x := make([]float64, k)
		for i := range x {
			x[i] = v
		}
		return x
	}
	tests := []struct {
		name  string
		p     []float64
		units []int64 // of each check; the last goes on
		least float64
	}{
		{"ten good checks", like(0.99, 10), []int64{50}, 0.93},                          // 0.966 of 4000
		{"hardly anything fails", like(0.999, 10), []int64{50}, 0.89},                   // 0.914
		{"ten middling checks", like(0.95, 10), []int64{30}, 0.93},                      // 0.957
		{"one bad check", append(like(0.999, 9), 0.9), []int64{200}, 0.92},              // 0.943
		{"thirty checks", like(0.97, 30), []int64{20}, 0.92},                            // 0.943
		{"different units", []float64{0.98, 0.98, 0.98}, []int64{1000, 1000, 25}, 0.96}, // 0.989
		{"fewer and fewer", []float64{0.99, 0.98, 0.97, 0.995, 0.999}, []int64{1000, 800, 300, 100, 20}, 0.98},
	}
	rng := rand.New(rand.NewPCG(24, 1))
	for _, tt := range tests {
		truth := 1.0
		for _, p := range tt.p {
			truth *= p
		}
		const trials = 1500
		held := 0
		for range trials {
			var checks []CheckCount
			for i, p := range tt.p {
				n := tt.units[min(i, len(tt.units)-1)]
				checks = append(checks, CheckCount{"c", n, int64(distuv.Binomial{N: float64(n), P: p, Src: rng}.Rand())})
			}
			r := Rolled(checks, 0, 0.95)
			require.True(t, r.Yield.Low <= r.Yield.Value && r.Yield.Value <= r.Yield.High)
			if r.Yield.Low <= truth && truth <= r.Yield.High {
				held++
			}
		}
		require.GreaterOrEqual(t, float64(held)/trials, tt.least, tt.name)
	}
}

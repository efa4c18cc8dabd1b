package yield

import (
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/stat/distuv"
)

// e-Handbook 7.2.4.1 (4 of 20; the print of the exact upper end, 0.401029, is
// one unit high in its last place) and Newcombe 1998, Statistics in Medicine
// 17, 857-872, Table I: prints from memory, digits re-computed.
func TestPublishedIntervals(t *testing.T) {
	tests := []struct {
		x, n                  int64
		confidence            float64
		wilsonLow, wilsonHigh float64
		exactLow, exactHigh   float64
	}{
		{81, 263, 0.95, 0.2552885199, 0.3662095770, 0.2527367456, 0.3676219226},
		{15, 148, 0.95, 0.0623863995, 0.1604872417, 0.0578440101, 0.1616504903},
		{4, 20, 0.90, 0.0931180166, 0.3783766858, 0.0713538843, 0.4010281173},
		{4, 20, 0.95, 0.0806576626, 0.4160174323, 0.0573339971, 0.4366140030},
		{12, 1000, 0.95, 0.0068776478, 0.0208572685, 0.0062155256, 0.0208676796},
		{10, 10, 0.95, 0.7224672001, 1, 0.6915028922, 1},
		{0, 10, 0.95, 0, 0.2775327999, 0, 0.3084971078},
	}
	for _, tt := range tests {
		w, e := NewShare(tt.x, tt.n, tt.confidence), GuaranteedShare(tt.x, tt.n, tt.confidence)
		require.Equal(t, float64(tt.x)/float64(tt.n), w.Value)
		require.Equal(t, []string{"Wilson", "Clopper-Pearson"}, []string{w.Method, e.Method})
		require.InDeltaSlice(t, []float64{tt.wilsonLow, tt.wilsonHigh, tt.exactLow, tt.exactHigh}, []float64{w.Low, w.High, e.Low, e.High}, 1e-10, "%d of %d", tt.x, tt.n)
	}
	require.InDelta(t, 0.401029, GuaranteedShare(4, 20, 0.90).High, 2e-6)
}

// The ends solve what defines them, also for a million units.
func TestExactEndsSolveTheirEquations(t *testing.T) {
	rng := rand.New(rand.NewPCG(4, 12))
	for i := range 300 {
		n := 1 + rng.Int64N([]int64{10, 3000, 1_000_000}[i%3])
		x := rng.Int64N(n + 1)
		if i%2 == 0 {
			x = rng.Int64N(min(n, 20) + 1)
		}
		c := []float64{0.5, 0.9, 0.95, 0.999}[rng.IntN(4)]
		s := GuaranteedShare(x, n, c)
		if x > 0 {
			require.InDelta(t, (1-c)/2, distuv.Binomial{N: float64(n), P: s.Low}.Survival(float64(x-1)), 1e-9, "%d of %d", x, n)
		}
		if x < n {
			require.InDelta(t, (1-c)/2, distuv.Binomial{N: float64(n), P: s.High}.CDF(float64(x)), 1e-9, "%d of %d", x, n)
		}
	}
}

// An interval holds its estimate, lies within 0 and 1, moves up with the count,
// narrows with more units and widens with the confidence; what failed mirrors
// what passed.
func TestIntervalsHoldTheirEstimate(t *testing.T) {
	for _, share := range []func(x, n int64, c float64) Share{NewShare, GuaranteedShare} {
		for _, n := range []int64{1, 2, 7, 50, 999} {
			for x := range n + 1 {
				s := share(x, n, 0.95)
				require.True(t, 0 <= s.Low && s.Low <= s.Value && s.Value <= s.High && s.High <= 1, "%+v", s)
				require.True(t, (x == 0) == (s.Low == 0) && (x == n) == (s.High == 1), "%+v", s)
				if x > 0 {
					below := share(x-1, n, 0.95)
					require.True(t, below.Low < s.Low && below.High < s.High || x == n && below.High < 1, "%+v", s)
				}
				more, surer := share(10*x, 10*n, 0.95), share(x, n, 0.99)
				require.Less(t, more.High-more.Low, s.High-s.Low, "%+v", s)
				require.Greater(t, surer.High-surer.Low, s.High-s.Low, "%+v", s)
				failed, rest := share(n-x, n, 0.95), s.Rest()
				require.Equal(t, failed.Count, rest.Count)
				require.InDeltaSlice(t, []float64{failed.Value, failed.Low, failed.High}, []float64{rest.Value, rest.Low, rest.High}, 1e-12)
			}
		}
	}
}

func TestShareOfNothing(t *testing.T) {
	for _, s := range []Share{NewShare(0, 0, 0.95), GuaranteedShare(0, 0, 0.95), NewShare(3, 2, 0.95), NewShare(-1, 2, 0.95), NewShare(0, -1, 0.95), NewShare(0, 0, 0.95).Rest()} {
		require.True(t, math.IsNaN(s.Value) && s.Low == 0 && s.High == 1 && !s.Known(), "%+v", s)
	}
	for _, c := range []float64{0, 1, -1, 2, math.NaN()} {
		require.Equal(t, NewShare(9, 10, 0.95), NewShare(9, 10, c), "the usual confidence instead of %v", c)
	}
}

func TestFiguresAsJSON(t *testing.T) {
	for _, s := range []Share{NewShare(9, 10, 0.9), NewShare(0, 0, 0.95)} {
		data, err := json.Marshal(s)
		require.NoError(t, err)
		var back Share
		require.NoError(t, json.Unmarshal(data, &back))
		require.Equal(t, fmt.Sprint(s.Value, s.Low, s.High, s.Count, s.Of, s.Method, s.Confidence), fmt.Sprint(back.Value, back.Low, back.High, back.Count, back.Of, back.Method, back.Confidence))
	}
	data, err := json.Marshal(NewShare(0, 0, 0.95))
	require.NoError(t, err)
	require.JSONEq(t, `{"count":0,"of":0,"value":null,"low":0,"high":1,"confidence":0.95,"method":"Wilson"}`, string(data))
	e := Estimate{Value: math.Inf(1), Low: 4, High: math.Inf(1), Confidence: 0.95}
	data, err = json.Marshal(e)
	require.NoError(t, err)
	require.JSONEq(t, `{"value":null,"low":4,"high":null,"confidence":0.95}`, string(data))
	require.NoError(t, json.Unmarshal(data, &e))
	require.False(t, e.Known())
}

// The table of sigma levels with a shift of 1.5, one-sided: common practice,
// re-computed from the normal distribution.
func TestSigmaLevel(t *testing.T) {
	for sigma, dpmo := range map[float64]float64{
		1: 691462.461, 2: 308537.539, 3: 66807.201, 3.5: 22750.132, 4: 6209.665, 4.5: 1349.898, 5: 232.629,
	} {
		require.InDelta(t, dpmo, DefectsPerMillion(sigma), 5.01e-4)
		require.InDelta(t, sigma, SigmaLevel(dpmo/1e6), 1e-6)
	}
	require.InDelta(t, 3.397673, DefectsPerMillion(6), 5e-7)
	require.InDelta(t, 5.999854, SigmaLevel(3.4e-6), 5e-7)
	require.InDelta(t, 3.999981, SigmaLevel(6210e-6), 5e-7)
	require.Equal(t, []float64{math.Inf(1), math.Inf(-1)}, []float64{SigmaLevel(0), SigmaLevel(1)})
	for _, v := range []float64{-0.1, 1.1, math.NaN()} {
		require.True(t, math.IsNaN(SigmaLevel(v)))
	}
}

func BenchmarkGuaranteedShare(b *testing.B) {
	for b.Loop() {
		GuaranteedShare(987_654, 1_000_000, 0.95)
	}
}

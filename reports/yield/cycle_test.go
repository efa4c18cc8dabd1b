package yield

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"
)

// histogramOf is what a store would keep of times.
func histogramOf(width float64, bins int, times ...float64) Histogram {
	h := Histogram{Width: width, Counts: make([]int64, bins), N: int64(len(times)), Min: math.Inf(1)}
	for _, v := range times {
		h.Counts[min(bins-1, int(v/width))]++
		h.Sum += v
		h.Min, h.Max = min(h.Min, v), max(h.Max, v)
	}
	if len(times) == 0 {
		h.Min = 0
	}
	return h
}

func TestCycle(t *testing.T) {
	// 10 runs at 30.5 s, 10 at 31.5 s ... 10 at 49.5 s.
	var times []float64
	for i := range 200 {
		times = append(times, 30.5+float64(i/10))
	}
	h := histogramOf(1, 120, times...)
	h.CycleTime, h.Takt = 45, 30
	c := Cycle(h, CycleOptions{Nests: 2})
	require.Equal(t, []float64{30.5, 49.5, 1, 45, 30}, []float64{c.Min, c.Max, c.Resolution, c.Intended, c.Takt})
	require.InDelta(t, 40, c.Mean.Value, 1e-12)
	require.InDelta(t, 40, c.Median.Value, 1)
	require.InDelta(t, 49, c.P95.Value, 1)
	// Ranks 86 and 115 of 200 hold the median with 95.2 % (binomial, exact):
	// 38.5 s and 41.5 s, so the edges of their bins.
	require.Equal(t, []float64{38, 42}, []float64{c.Median.Low, c.Median.High})
	require.Equal(t, NewShare(50, 200, 0.95), c.Over) // those from 45.5 s on: 45 s is on an edge
	// The line wants a unit every 30 s, with one nest or with two; what nests
	// can do doubles.
	require.Equal(t, []float64{120, 160}, []float64{c.Needed, c.Capacity})
	alone := Cycle(h, CycleOptions{Nests: 1})
	require.Equal(t, []float64{120, 80, 90}, []float64{alone.Needed, alone.Capacity, alone.Possible.Value})
	require.InDelta(t, 180, c.Possible.Value, 1e-9)
	require.True(t, c.Possible.Low < 180 && 180 < c.Possible.High)

	// Within a bin the cycle time divides it, and the interval owns up to it.
	h.CycleTime = 44.25
	c = Cycle(h, CycleOptions{Takt: 40})
	require.Equal(t, []float64{40, 90}, []float64{c.Takt, c.Needed})
	require.Equal(t, int64(58), c.Over.Count)
	require.Equal(t, NewShare(50, 200, 0.95).Low, c.Over.Low)
	require.Equal(t, NewShare(60, 200, 0.95).High, c.Over.High)
}

func TestCycleEdges(t *testing.T) {
	for _, h := range []Histogram{{}, {Width: 1}, {Width: 1, Counts: []int64{0, 0}}, {Width: 0, Counts: []int64{3}}, {Width: math.NaN(), Counts: []int64{3}}, {Width: 1, Counts: []int64{-1, 3}}} {
		h.CycleTime, h.Takt = 45, 60
		c := Cycle(h, CycleOptions{})
		require.False(t, c.Mean.Known() || c.Median.Known() || c.P95.Known() || c.Over.Known() || c.Possible.Known())
		require.Equal(t, []float64{0, 60, 80}, []float64{float64(c.N), c.Needed, c.Capacity})
		_, err := json.Marshal(c)
		require.NoError(t, err)
	}
	one := Cycle(histogramOf(1, 60, 38.2), CycleOptions{})
	require.Equal(t, []float64{38.2, 38.2, 38.2, 38.2, 0}, []float64{one.Mean.Value, one.P95.Value, one.Min, one.Max, one.Takt})
	require.Equal(t, []float64{0, math.Inf(1), 0, math.Inf(1)}, []float64{one.Mean.Low, one.Mean.High, one.Median.Low, one.Median.High}, "one run says nothing of the others")
	_, err := json.Marshal(one)
	require.NoError(t, err)
	// All alike: nothing is spread but over a bin.
	alike := histogramOf(0.5, 100, slices.Repeat([]float64{20.25}, 500)...)
	alike.CycleTime = 20
	same := Cycle(alike, CycleOptions{})
	require.Equal(t, []float64{20.25, 20.25, 20.25}, []float64{same.Mean.Value, same.Median.Value, same.P95.Value})
	require.Equal(t, 1.0, same.Over.Value)
	// A last bin that holds all that took longer.
	long := histogramOf(1, 10, 5.5, 6.5, 300)
	long.CycleTime = 60
	open := Cycle(long, CycleOptions{})
	require.Equal(t, 300.0, open.Max)
	require.Equal(t, 104.0, open.Mean.Value)
	require.True(t, open.Over.Low == 0 && open.Over.Count <= 1 && open.Over.High > 0.5)
	for _, takt := range []float64{-1, math.Inf(1), math.NaN()} {
		h := histogramOf(1, 10, 5.5)
		h.CycleTime = takt
		c := Cycle(h, CycleOptions{Takt: takt})
		require.Equal(t, []float64{0, 0, 0, 0}, []float64{c.Takt, c.Intended, c.Needed, c.Capacity})
	}
}

// Against the sorted times: a percentile from bins is off by no more than a bin,
// and its interval holds the true one as often as it says.
func TestCyclePercentiles(t *testing.T) {
	rng := rand.New(rand.NewPCG(6, 30))
	held := 0
	const trials = 400
	truth := 30 + 6*math.Log(20) // 95th percentile of 30 s and an exponential tail of 6 s
	for range trials {
		var times []float64
		for range 150 {
			times = append(times, 30+6*rng.ExpFloat64())
		}
		c := Cycle(histogramOf(0.5, 400, times...), CycleOptions{})
		slices.Sort(times)
		require.InDelta(t, times[74], c.Median.Value, 0.6)
		require.GreaterOrEqual(t, c.P95.Value, times[140]-0.5)
		require.LessOrEqual(t, c.P95.Value, times[144]+0.5)
		require.True(t, c.P95.Low <= c.P95.Value && c.P95.Value <= c.P95.High)
		require.True(t, c.Min <= c.Median.Value && c.Median.Value <= c.P95.Value && c.P95.Value <= c.Max)
		if c.P95.Low <= truth && truth <= c.P95.High {
			held++
		}
	}
	require.GreaterOrEqual(t, float64(held)/trials, 0.95)
}

func TestLost(t *testing.T) {
	c := Counts{Runs: 250, Passed: 180, Failed: 20, Errors: 40, Aborted: 10, JudgedTime: 8000, ErrorTime: 1500, AbortedTime: 500}
	cycle := Cycle(histogramOf(1, 60, slices.Repeat([]float64{40}, 200)...), CycleOptions{})
	l := Lost(c, cycle, 0.95)
	require.Equal(t, []float64{2000, 10000, 0.2, 50}, []float64{l.Total, l.BenchTime, float64(l.Share), l.Units.Value})
	require.Equal(t, NewShare(40, 250, 0.95), l.ErrorRuns)
	require.Equal(t, []float64{1500, 500}, []float64{l.Errors, l.Aborted})
	require.Equal(t, NewShare(10, 250, 0.95), l.AbortedRuns)

	none := Lost(Counts{Runs: 5, Passed: 5, JudgedTime: 200}, cycle, 0.95)
	require.Equal(t, []float64{0, 0, 0}, []float64{none.Total, float64(none.Share), none.Units.Value})
	require.Equal(t, []int64{0, 0}, []int64{none.ErrorRuns.Count, none.AbortedRuns.Count})
	nothing := Lost(Counts{}, Cycle(Histogram{}, CycleOptions{}), 0.95)
	require.True(t, math.IsNaN(float64(nothing.Share)))
	require.Zero(t, nothing.BenchTime)
	// Nothing but faults: no cycle to count by.
	bad := Lost(Counts{Runs: 3, Errors: 3, ErrorTime: 90}, Cycle(Histogram{}, CycleOptions{}), 0.95)
	require.Equal(t, 1.0, float64(bad.Share))
	require.False(t, bad.Units.Known())
	for _, l := range []LostTime{l, none, nothing, bad} {
		_, err := json.Marshal(l)
		require.NoError(t, err)
	}
}

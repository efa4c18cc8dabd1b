package measure

import (
	"math"
	"slices"
)

// LatencyResult describes the time from a movement to its answer, in s.
type LatencyResult struct {
	Count    int // trials
	Answered int
	Missed   int // trials without answer
	Mean     float64
	Median   float64
	SD       float64 // n - 1; 0 for one answer
	// P95 and P99 are percentiles with rank p(N+1), interpolated (e-Handbook
	// 7.2.6.2); with fewer than 19 or 99 answers that is the largest.
	P95, P99 float64
	Min, Max float64
}

// Latency sums up trials; NaN is a trial without answer. At least one trial is
// needed. With no answer at all Answered is 0 and every time is NaN. An
// infinite or negative time is an error: a timer does not give it.
func Latency(values []float64) (LatencyResult, error) {
	if len(values) == 0 {
		return LatencyResult{}, errorf("latency", "no trials, at least 1 needed")
	}
	r := LatencyResult{Count: len(values)}
	answered := make([]float64, 0, len(values))
	for i, v := range values {
		switch {
		case math.IsNaN(v):
			r.Missed++
		case math.IsInf(v, 0) || v < 0:
			return LatencyResult{}, errorf("latency", "trial %d took %v s", i+1, v)
		default:
			answered = append(answered, v)
		}
	}
	slices.Sort(answered)
	r.Answered = len(answered)
	r.Mean, r.SD = meanSD(answered)
	r.Median = percentile(answered, 0.5)
	r.P95, r.P99 = percentile(answered, 0.95), percentile(answered, 0.99)
	r.Min, r.Max = math.NaN(), math.NaN()
	if len(answered) > 0 {
		r.Min, r.Max = answered[0], answered[len(answered)-1]
	}
	return r, nil
}

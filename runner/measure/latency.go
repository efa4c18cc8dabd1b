package measure

import (
	"math"
	"slices"

	"fullthrow/reports/statistics"
)

// LatencyResult describes the time from a movement to its answer, in s. Trials
// without answer are counted in Missed and are in nothing else: limit both.
type LatencyResult struct {
	Count    int // trials
	Answered int
	Missed   int // trials without answer
	Mean     float64
	Median   float64
	SD       float64 // n - 1; 0 for one answer
	// P95 and P99 are percentiles with rank p(N+1), interpolated (e-Handbook
	// 7.2.6.2). NaN, which no limit passes, with fewer than NeededP95 or
	// NeededP99 answers: 20 answers say nothing about their 99th percentile.
	P95, P99             float64
	NeededP95, NeededP99 int // 19 and 99
	Min, Max             float64
	// Jitter is the mean difference, without sign, of answers that followed
	// each other without a miss between; NaN where none did. For independent
	// normal times it is 1.128 SD; a drift leaves it small, alternating answers
	// make it large. (Several definitions are in use; this one is common
	// practice.)
	Jitter    float64
	Histogram []Bin // of the answers, bins as [Histogram] chooses them
}

// Latency sums up trials; NaN is a trial without answer. At least one trial is
// needed. With no answer at all Answered is 0, every time NaN and the histogram
// empty. An infinite or negative time is an error: a timer does not give it.
func Latency(values []float64) (LatencyResult, error) {
	if len(values) == 0 {
		return LatencyResult{}, errorf("latency", "no trials, at least 1 needed")
	}
	r := LatencyResult{Count: len(values), NeededP95: statistics.QuantileNeeds(0.95), NeededP99: statistics.QuantileNeeds(0.99)}
	answered := make([]float64, 0, len(values))
	var steps float64
	pairs := 0
	for i, v := range values {
		switch {
		case math.IsNaN(v):
			r.Missed++
			continue
		case math.IsInf(v, 0) || v < 0:
			return LatencyResult{}, errorf("latency", "trial %d took %v s", i+1, v)
		}
		if i > 0 && !math.IsNaN(values[i-1]) {
			steps += math.Abs(v - values[i-1])
			pairs++
		}
		answered = append(answered, v)
	}
	slices.Sort(answered)
	r.Answered = len(answered)
	r.Mean, r.SD = meanSD(answered)
	r.Median = statistics.Quantile(answered, 0.5)
	r.P95, r.P99 = enough(answered, 0.95), enough(answered, 0.99)
	r.Jitter = math.NaN()
	if pairs > 0 {
		r.Jitter = steps / float64(pairs)
	}
	r.Min, r.Max = math.NaN(), math.NaN()
	if r.Answered > 0 {
		r.Min, r.Max = answered[0], answered[r.Answered-1]
		var err error
		if r.Histogram, err = Histogram(answered, HistogramOptions{}); err != nil {
			return LatencyResult{}, err
		}
	}
	return r, nil
}

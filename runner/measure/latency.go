package measure

import (
	"math"
	"slices"

	"fullthrow/reports/statistics"
)

// LatencyResult describes the time from a movement to its answer, in s. Trials
// without answer are counted in Missed and are in nothing else: limit both.
type LatencyResult struct {
	_ struct{} `why:"nothing answered"`

	Trials   int
	Answered int
	Missed   int     `help:"trials without answer"`
	Mean     float64 `unit:"s"`
	Median   float64 `unit:"s"`
	SD       float64 `unit:"s" help:"n - 1; 0 for one answer"`
	// As e-Handbook 7.2.6.2 has it.
	P95       float64 `unit:"s" help:"95th percentile, rank p(N+1)" why:"fewer answers than needed_p95"`
	P99       float64 `unit:"s" help:"99th percentile" why:"fewer answers than needed_p99"`
	NeededP95 int     `help:"answers from which on p95 is given"`
	NeededP99 int     `help:"answers from which on p99 is given"`
	Min       float64 `unit:"s"`
	Max       float64 `unit:"s"`
	// Without a miss between. For independent normal times it is 1.128 SD; a drift leaves it
	// small, alternating answers make it large. (Several definitions are in use; this one is
	// common practice.)
	Jitter    float64 `unit:"s" help:"mean difference of answers that followed each other" why:"none did"`
	Histogram []Bin   `help:"of the answers, bins as histogram chooses them"`
}

// Answers are times of which some may be missing (NaN).
type Answers []float64

// Latency sums up trials; NaN is a trial without answer. At least one trial is
// needed. With no answer at all Answered is 0, every time NaN and the histogram
// empty. An infinite or negative time is an error: a timer does not give it.
func Latency(values Answers) (LatencyResult, error) {
	if len(values) == 0 {
		return LatencyResult{}, errorf("latency", "no trials, at least 1 needed")
	}
	r := LatencyResult{Trials: len(values), NeededP95: statistics.QuantileNeeds(0.95),
		NeededP99: statistics.QuantileNeeds(0.99)}
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
	r.Jitter = nan
	if pairs > 0 {
		r.Jitter = steps / float64(pairs)
	}
	r.Min, r.Max = nan, nan
	if r.Answered > 0 {
		r.Min, r.Max = answered[0], answered[r.Answered-1]
		var err error
		if r.Histogram, err = Histogram(answered, HistogramOptions{}); err != nil {
			return LatencyResult{}, err
		}
	}
	return r, nil
}

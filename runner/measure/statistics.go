package measure

import (
	"math"

	"fullthrow/reports/statistics"
)

// Interval is where a quantity lies at a stated confidence.
type Interval struct{ Low, High float64 }

// SummaryResult describes a list of values, in their unit.
type SummaryResult struct {
	Count           int
	Mean            float64
	SD              float64 // n - 1; NaN for a single value
	Median          float64
	Min, Max        float64
	Autocorrelation float64 // lag 1, about the mean; 0 for constant values
	// MeanInterval holds the mean (Student's t) and SDInterval the standard
	// deviation (chi-square) of the population at the confidence asked for,
	// taking the values for independent and normal. NaN for a single value.
	MeanInterval, SDInterval Interval
}

// SummaryOptions for [Summary].
type SummaryOptions struct {
	Confidence float64 // %, of the intervals; 95 if not given
}

// Summary describes values: mean, standard deviation and lag-1 autocorrelation
// as NIST's reference data sets define them, median as a percentile of
// e-Handbook 7.2.6.2, intervals as e-Handbook 1.3.5.2 and 1.3.5.8.
//
// Special inputs: no value, a value that is NaN or infinite, and a confidence
// not from 50 to under 100 % are errors; one value has no SD and no intervals (NaN);
// constant values have SD 0 and intervals of no width.
func Summary(values []float64, o SummaryOptions) (SummaryResult, error) {
	const op = "summary"
	c, err := confidence(op, o.Confidence)
	if err != nil {
		return SummaryResult{}, err
	}
	if err := finites(op, "value", values, 1); err != nil {
		return SummaryResult{}, err
	}
	nan := Interval{math.NaN(), math.NaN()}
	r := SummaryResult{Count: len(values), Median: statistics.Median(values), Autocorrelation: statistics.LagOne(values), MeanInterval: nan, SDInterval: nan}
	r.Mean, r.SD = statistics.MeanSD(values)
	r.Min, r.Max = extremes(values)
	if r.Count > 1 {
		df := float64(r.Count - 1)
		half := statistics.StudentFactor(df, c) * r.SD / math.Sqrt(float64(r.Count))
		r.MeanInterval = Interval{r.Mean - half, r.Mean + half}
		end := func(p float64) float64 { return r.SD * math.Sqrt(df/statistics.ChiSquareQuantile(p, df)) }
		r.SDInterval = Interval{end((1 + c) / 2), end((1 - c) / 2)}
	}
	return r, nil
}

// confidence is percent as a share; 0.95 if it is not given.
func confidence(op string, percent float64) (float64, error) {
	if percent == 0 {
		return 0.95, nil
	}
	c, err := statistics.Confidence(percent)
	if err != nil {
		return 0, errorf(op, "%w", err)
	}
	return c, nil
}

// finites refuses fewer than need values, and any that is not finite.
func finites(op, what string, x []float64, need int) error {
	if len(x) < need {
		return errorf(op, "%d %ss, at least %d needed", len(x), what, need)
	}
	for i, v := range x {
		if !finite(v) {
			return errorf(op, "%s %d is %v", what, i+1, v)
		}
	}
	return nil
}

// meanSD is the mean and the standard deviation (n - 1). One value: SD 0; none:
// both NaN.
func meanSD(x []float64) (mean, sd float64) {
	if len(x) == 1 {
		return x[0], 0
	}
	return statistics.MeanSD(x)
}

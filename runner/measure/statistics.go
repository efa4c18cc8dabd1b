package measure

import (
	"math"

	"fullthrow/reports/statistics"
)

// Interval is where a quantity lies at a stated confidence.
type Interval struct {
	Low  float64 `why:"so few values bound it on one side only"`
	High float64 `why:"so few values bound it on one side only"`
}

// percent makes an interval of fractions one in %.
func percent(low, high float64) Interval { return Interval{100 * low, 100 * high} }

// SummaryResult describes a list of values, in their unit.
type SummaryResult struct {
	_ struct{} `why:"a single value has no spread"`

	Count           int     `help:"values"`
	Mean            float64 `unit:"values"`
	SD              float64 `unit:"values" help:"n - 1"`
	Median          float64 `unit:"values"`
	Min             float64 `unit:"values"`
	Max             float64 `unit:"values"`
	Autocorrelation float64 `unit:"1" help:"lag 1, about the mean; 0 for constant values"`
	// Taking the values for independent and normal.
	MeanInterval Interval `unit:"values" help:"of the population's mean (Student's t)"`
	SDInterval   Interval `unit:"values" help:"of the population's standard deviation (chi-square)"`
}

// SummaryOptions for [Summary].
type SummaryOptions struct {
	Confidence float64 `unit:"%" default:"95" range:"[50,100)" help:"of the intervals"`
}

// Summary describes values: mean, standard deviation and lag-1 autocorrelation
// as NIST's reference data sets define them, median as a percentile of
// e-Handbook 7.2.6.2, intervals as e-Handbook 1.3.5.2 and 1.3.5.8.
//
// Special inputs: no value, a value that is NaN or infinite, and a confidence
// not between 0 and 1 are errors; one value has no SD and no intervals (NaN);
// constant values have SD 0 and intervals of no width.
func Summary(values []float64, o SummaryOptions) (SummaryResult, error) {
	const op = "summary"
	o, err := complete(op, o)
	if err != nil {
		return SummaryResult{}, err
	}
	c := o.Confidence / 100
	if err := finites(op, "value", values, 1); err != nil {
		return SummaryResult{}, err
	}
	none := Interval{nan, nan}
	r := SummaryResult{Count: len(values), Median: statistics.Median(values), Autocorrelation: statistics.LagOne(values), MeanInterval: none, SDInterval: none}
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

// finites refuses fewer than need values, and any that is not finite.
func finites(op, what string, x []float64, need int) error {
	if len(x) < need {
		return errorf(op, "%d %ss, at least %d needed", len(x), what, need)
	}
	for i, v := range x {
		if !statistics.Finite(v) {
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

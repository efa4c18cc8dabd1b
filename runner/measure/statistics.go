package measure

import (
	"math"

	"gonum.org/v1/gonum/stat"
	"gonum.org/v1/gonum/stat/distuv"

	"fullthrow/reports/yield"
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
	Confidence float64 `unit:"1" default:"0.95" range:"(0,1)" help:"of the intervals"`
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
	c := o.Confidence
	if err := finites(op, "value", values, 1); err != nil {
		return SummaryResult{}, err
	}
	none := Interval{nan, nan}
	r := SummaryResult{Count: len(values), SD: nan, Median: median(values), Autocorrelation: lag1(values), MeanInterval: none, SDInterval: none}
	r.Min, r.Max = extremes(values)
	var sd float64
	r.Mean, sd = meanSD(values)
	if r.Min == r.Max { // rounding must not make constant values scatter
		r.Mean, sd = r.Min, 0
	}
	if r.Count > 1 {
		df := float64(r.Count - 1)
		r.SD = sd
		half := tQuantile(df, c) * sd / math.Sqrt(float64(r.Count))
		r.MeanInterval = Interval{r.Mean - half, r.Mean + half}
		chi := distuv.ChiSquared{K: df}
		r.SDInterval = Interval{sd * math.Sqrt(df/chi.Quantile((1+c)/2)), sd * math.Sqrt(df/chi.Quantile((1-c)/2))}
	}
	return r, nil
}

// tQuantile is the factor of a two-sided interval by Student's t.
func tQuantile(df, confidence float64) float64 {
	return distuv.StudentsT{Mu: 0, Sigma: 1, Nu: df}.Quantile((1 + confidence) / 2)
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
	switch len(x) {
	case 0:
		return nan, nan
	case 1:
		return x[0], 0
	}
	mean, variance := stat.MeanVariance(x, nil)
	return mean, math.Sqrt(variance)
}

// lag1 is the lag-1 autocorrelation about the mean as NIST StRD defines it; 0
// for constant data and for fewer than two.
func lag1(x []float64) float64 { return yield.LagOne(x) }

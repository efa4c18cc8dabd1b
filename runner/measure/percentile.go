package measure

import (
	"math"
	"slices"

	"fullthrow/reports/statistics"
)

// PercentileResult is a percentile of values, in their unit.
type PercentileResult struct {
	Value float64 `unit:"values" help:"by rank p(N+1)" why:"fewer values than needed"`
	// By order statistics, at a confidence of at least Confidence.
	Interval   Interval `unit:"values" help:"of the population's percentile, whatever its distribution"`
	Confidence float64  `unit:"%" help:"of the interval"`
	Count      int      `help:"values"`
	Needed     int      `help:"values from which on value is given"`
}

// PercentileOptions for [Percentile].
type PercentileOptions struct {
	Confidence float64 `unit:"%" default:"95" range:"[50,100)" help:"of the interval"`
}

// Percentile is the value below which percent of 100 lie, by the definition of
// e-Handbook 7.2.6.2: rank p(N+1) among the sorted values, interpolated.
// Spreadsheets mostly use p(N-1)+1 and differ in the tails.
//
// With few values the rank lies beyond the last (or before the first) and there
// is nothing to interpolate: the 99th needs 99 values, the 95th 19, the median
// one. Below that Value is NaN, which no limit passes.
//
// Special inputs: no value, NaN, an infinite value, a percent not between 0 and
// 100 are errors.
func Percentile(values []float64, percent float64, o PercentileOptions) (PercentileResult, error) {
	const op = "percentile"
	o, err := complete(op, o)
	if err != nil {
		return PercentileResult{}, err
	}
	c := o.Confidence / 100
	if !(percent > 0 && percent < 100) {
		return PercentileResult{}, errorf(op, "percent is %v, it must lie between 0 and 100", percent)
	}
	if err := finites(op, "value", values, 1); err != nil {
		return PercentileResult{}, err
	}
	p := percent / 100
	sorted := slices.Clone(values)
	slices.Sort(sorted)
	n := len(sorted)
	r := PercentileResult{Value: enough(sorted, p), Count: n, Needed: statistics.QuantileNeeds(p),
		Confidence: o.Confidence}

	r.Interval.Low, r.Interval.High = statistics.QuantileInterval(sorted, p, c)
	return r, nil
}

// enough is the quantile where there are enough values for it, NaN elsewhere.
func enough(sorted []float64, p float64) float64 {
	if len(sorted) < statistics.QuantileNeeds(p) {
		return nan
	}
	return statistics.Quantile(sorted, p)
}

// Bin is one bar of a histogram: values from From on, below To.
type Bin struct {
	From  float64 `unit:"values"`
	To    float64 `unit:"values" help:"not included"`
	Count int     `help:"values in it"`
}

// HistogramOptions for [Histogram].
type HistogramOptions struct {
	// Not given: 2 IQR/cbrt(n) (Freedman and Diaconis), rounded to 1, 2 or 5 times a power
	// of ten.
	BinWidth float64 `unit:"values" range:"[0,)" help:"not given: by the spread of the values"`
}

const maxBins = 200

// Histogram counts values in bins of equal width, whose edges are multiples of
// the width; empty bins between the first and the last are listed too.
//
// Special inputs: no value, NaN, an infinite value, a width below 0 or one that
// makes more than 200 bins are errors; constant values fill a single bin.
func Histogram(values []float64, o HistogramOptions) ([]Bin, error) {
	const op = "histogram"
	if err := finites(op, "value", values, 1); err != nil {
		return nil, err
	}
	o, err := complete(op, o)
	if err != nil {
		return nil, err
	}
	low, high := extremes(values)
	width := o.BinWidth
	if width == 0 {
		sorted := slices.Clone(values)
		slices.Sort(sorted)
		width = binWidth(sorted)
	}
	first, last := math.Floor(low/width), math.Floor(high/width)
	if bins := last - first + 1; !(bins <= maxBins) {
		return nil, errorf(op, "a width of %v makes %v bins, at most %d", width, bins, maxBins)
	}
	list := make([]Bin, int(last-first)+1)
	for i := range list {
		list[i].From, list[i].To = (first+float64(i))*width, (first+float64(i)+1)*width
	}
	for _, v := range values {
		list[int(math.Floor(v/width)-first)].Count++
	}
	return list, nil
}

// binWidth is a round width that suits sorted values and never makes more than
// maxBins of them.
func binWidth(sorted []float64) float64 {
	n := float64(len(sorted))
	low, high := sorted[0], sorted[len(sorted)-1]
	width := 2 * (statistics.Quantile(sorted, 0.75) - statistics.Quantile(sorted, 0.25)) / math.Cbrt(n)
	// Far outliers must not make thousands of bins, nor values that a
	// subtraction cannot tell apart.
	width = max(width, (high-low)/50, (math.Abs(low)+math.Abs(high))*1e-14)
	if !(width > 0) || math.IsInf(width, 0) {
		return max(1, math.Abs(high), math.Abs(low))
	}
	ten := math.Pow(10, math.Floor(math.Log10(width)))
	for _, m := range []float64{1, 2, 5, 10} {
		if m*ten >= width {
			return m * ten
		}
	}
	return 10 * ten
}

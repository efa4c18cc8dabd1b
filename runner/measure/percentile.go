package measure

import (
	"math"
	"slices"
	"sort"

	"gonum.org/v1/gonum/stat/distuv"
)

// PercentileResult is a percentile of values, in their unit.
type PercentileResult struct {
	Value float64 `unit:"values" help:"by rank p(N+1)" why:"fewer values than needed"`
	// By order statistics, at a confidence of at least Confidence.
	Interval   Interval `unit:"values" help:"of the population's percentile, whatever its distribution"`
	Confidence float64  `unit:"1" help:"of the interval"`
	Count      int      `help:"values"`
	Needed     int      `help:"values from which on value is given"`
}

// PercentileOptions for [Percentile].
type PercentileOptions struct {
	Confidence float64 `unit:"1" default:"0.95" range:"(0,1)" help:"of the interval"`
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
	c := o.Confidence
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
	r := PercentileResult{Value: enough(sorted, p), Count: n, Needed: needed(p), Confidence: c}

	// The number of values below the percentile is binomial(n, p); with l of
	// them below at most (1-c)/2 of the time, the l-th value is a lower end.
	below := distuv.Binomial{N: float64(n), P: p}
	tail := (1 - c) / 2
	r.Interval = Interval{math.Inf(-1), math.Inf(1)}
	if l := sort.Search(n, func(l int) bool { return below.CDF(float64(l)) > tail }); l > 0 {
		r.Interval.Low = sorted[l-1]
	}
	if u := sort.Search(n, func(u int) bool { return 1-below.CDF(float64(u)) <= tail }); u < n {
		r.Interval.High = sorted[u]
	}
	return r, nil
}

// percentile is that of sorted values for 0 < p < 1, by rank p(N+1),
// interpolated; ranks below the first or above the last value give that value.
// NaN for no values.
func percentile(sorted []float64, p float64) float64 {
	n := len(sorted)
	if n == 0 {
		return nan
	}
	rank := p * float64(n+1)
	k := math.Floor(rank)
	switch {
	case k < 1:
		return sorted[0]
	case k >= float64(n):
		return sorted[n-1]
	}
	i := int(k)
	return sorted[i-1] + (rank-k)*(sorted[i]-sorted[i-1])
}

// enough is percentile where there are enough values for it, NaN elsewhere.
func enough(sorted []float64, p float64) float64 {
	if len(sorted) < needed(p) {
		return nan
	}
	return percentile(sorted, p)
}

// needed is how many values put the rank p(N+1) within 1..N.
func needed(p float64) int {
	tail := math.Min(p, 1-p)
	return max(1, int(math.Ceil(1/tail-1-1e-9)))
}

// median of values in any order; NaN for none.
func median(x []float64) float64 {
	s := slices.Clone(x)
	slices.Sort(s)
	return percentile(s, 0.5)
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
	width := 2 * (percentile(sorted, 0.75) - percentile(sorted, 0.25)) / math.Cbrt(n)
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

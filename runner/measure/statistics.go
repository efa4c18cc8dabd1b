package measure

import (
	"math"
	"slices"

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
	r := SummaryResult{Count: len(values), Median: statistics.Median(values), Autocorrelation: statistics.LagOne(
		values), MeanInterval: none, SDInterval: none}
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

// LineResult is the straight line of least squares through points.
type LineResult struct {
	_ struct{} `why:"two points, or a constant, show no scatter"`

	Intercept   float64 `unit:"y"`
	Slope       float64 `unit:"y/x"`
	InterceptSD float64 `unit:"y" help:"standard deviation of the intercept"`
	SlopeSD     float64 `unit:"y/x" help:"standard deviation of the slope"`
	ResidualSD  float64 `unit:"y" help:"n - 2"`
	RSquared    float64 `unit:"1" help:"not for a constant y"`
	F           float64 `unit:"1" help:"regression against residual; infinite for points on the line"`
	Freedom     int     `help:"degrees of freedom of the residual, n - 2"`
}

// Pairs are values of two quantities that belong together.
type Pairs struct {
	X []float64 `unit:"x"`
	Y []float64 `unit:"y"`
}

// Line fits y = Intercept + Slope x. It needs at least two points, as many y as
// x, all finite, and not all x the same.
func Line(p Pairs) (LineResult, error) {
	const op = "line"
	x, y := p.X, p.Y
	if len(x) != len(y) {
		return LineResult{}, errorf(op, "%d x for %d y", len(x), len(y))
	}
	for _, v := range [][]float64{x, y} {
		if err := finites(op, "value", v, 2); err != nil {
			return LineResult{}, err
		}
	}
	if low, high := extremes(x); low == high {
		return LineResult{}, errorf(op, "all x are %v", low)
	}
	l, err := statistics.FitLine(x, y)
	if err != nil {
		return LineResult{}, errorf(op, "%w", err)
	}
	r := LineResult{
		Intercept: l.Intercept, Slope: l.Slope, InterceptSD: l.InterceptSD, SlopeSD: l.SlopeSD,
		ResidualSD: l.ResidualSD, RSquared: l.RSquared, F: nan, Freedom: l.Freedom,
	}
	if low, high := extremes(y); low == high {
		r.RSquared = nan
	}
	switch {
	case l.Freedom == 0:
		r.InterceptSD, r.SlopeSD, r.ResidualSD = nan, nan, nan
	case l.F != nil:
		r.F = *l.F
	case l.RegressionSS > 0: // points on the line
		r.F = math.Inf(1)
	}
	return r, nil
}

// OneWayResult is a one-way analysis of variance.
type OneWayResult struct {
	_ struct{} `why:"all values are the same, or there is no scatter"`

	BetweenFreedom int     `help:"degrees"`
	WithinFreedom  int     `help:"degrees"`
	BetweenSS      float64 `unit:"values2" help:"sum of squares"`
	WithinSS       float64 `unit:"values2" help:"sum of squares"`
	BetweenMS      float64 `unit:"values2" help:"mean square"`
	WithinMS       float64 `unit:"values2" help:"mean square"`
	F              float64 `unit:"1" help:"between_ms over within_ms"`
	P              float64 `unit:"1" help:"chance of an F this large if the groups were alike"`
	RSquared       float64 `unit:"1"`
	ResidualSD     float64 `unit:"values"`
}

// OneWay asks whether groups of values have one mean: units, stations, days. It
// needs two groups, none empty, and one value more than groups; all finite.
// Groups without any scatter but different means have F +Inf and P 0.
func OneWay(groups [][]float64) (OneWayResult, error) {
	const op = "one way"
	if len(groups) < 2 {
		return OneWayResult{}, errorf(op, "%d groups, at least 2 needed", len(groups))
	}
	total := 0
	for _, g := range groups {
		if err := finites(op, "value", g, 1); err != nil {
			return OneWayResult{}, err
		}
		total += len(g)
	}
	r := OneWayResult{BetweenFreedom: len(groups) - 1, WithinFreedom: total - len(groups)}
	if r.WithinFreedom < 1 {
		return OneWayResult{}, errorf(op, "%d values in %d groups, at least one more needed", total, len(groups))
	}
	// Differences from one value keep the digits of data far from zero, also in
	// the means.
	var moments []statistics.Moments
	for _, g := range groups {
		d := make([]float64, len(g))
		for i, v := range g {
			d[i] = v - groups[0][0]
		}
		m, _ := statistics.MomentsOf(d)
		moments = append(moments, m)
	}
	v, err := statistics.AnalyseVariance(moments)
	if err != nil {
		return OneWayResult{}, errorf(op, "%w", err)
	}
	r.BetweenSS, r.WithinSS, r.BetweenMS, r.WithinMS = v.BetweenSS, v.WithinSS, v.BetweenMS, v.WithinMS
	r.RSquared, r.ResidualSD = v.RSquared, v.ResidualSD
	r.F, r.P = nan, nan
	switch {
	case v.F != nil:
		r.F, r.P = *v.F, *v.P
	case v.BetweenSS > 0:
		r.F, r.P = math.Inf(1), 0
	default:
		r.RSquared = nan // all values are the same
	}
	return r, nil
}

package measure

import (
	"math"

	"fullthrow/reports/statistics"
)

// LineResult is the straight line of least squares through points.
type LineResult struct {
	Intercept, Slope     float64
	InterceptSD, SlopeSD float64 // standard deviations of the two; NaN for two points
	ResidualSD           float64 // n - 2; NaN for two points
	RSquared             float64 // NaN where y is constant
	F                    float64 // regression against residual; +Inf for points on the line
	Freedom              int     // degrees of freedom of the residual, n - 2
}

// Line fits y = Intercept + Slope x. It needs at least two points, as many y as
// x, all finite, and not all x the same.
func Line(x, y []float64) (LineResult, error) {
	const op = "line"
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
	nan := math.NaN()
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
	BetweenFreedom, WithinFreedom int
	BetweenSS, WithinSS           float64 // sums of squares
	BetweenMS, WithinMS           float64 // mean squares
	F                             float64 // BetweenMS / WithinMS; NaN where all values are the same
	P                             float64 // chance of an F this large if the groups were alike
	RSquared                      float64
	ResidualSD                    float64
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
	r.F, r.P = math.NaN(), math.NaN()
	switch {
	case v.F != nil:
		r.F, r.P = *v.F, *v.P
	case v.BetweenSS > 0:
		r.F, r.P = math.Inf(1), 0
	default:
		r.RSquared = math.NaN() // all values are the same
	}
	return r, nil
}

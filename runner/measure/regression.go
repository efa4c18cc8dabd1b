package measure

import (
	"math"

	"fullthrow/reports/statistics"
)

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

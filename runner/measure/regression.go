package measure

import (
	"math"

	"gonum.org/v1/gonum/stat"
	"gonum.org/v1/gonum/stat/distuv"
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
//
// Both are taken from their means before anything is squared, which keeps the
// digits of data far from zero.
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
	n := float64(len(x))
	mx, my := stat.Mean(x, nil), stat.Mean(y, nil)
	dx, dy := make([]float64, len(x)), make([]float64, len(y))
	for i := range x {
		dx[i], dy[i] = x[i]-mx, y[i]-my
	}
	var sxx, syy float64
	for i := range dx {
		sxx += dx[i] * dx[i]
		syy += dy[i] * dy[i]
	}
	if low, high := extremes(x); low == high || sxx == 0 {
		return LineResult{}, errorf(op, "all x are %v", low)
	}
	var r LineResult
	residual, c := 0.0, 0.0
	c, r.Slope = stat.LinearRegression(dx, dy, nil, false)
	for i := range dx {
		e := dy[i] - c - r.Slope*dx[i]
		residual += e * e
	}
	r.Intercept = my + c - r.Slope*mx
	r.Freedom = len(x) - 2
	regression := r.Slope * r.Slope * sxx
	r.RSquared = math.NaN()
	if low, high := extremes(y); low != high {
		r.RSquared = regression / (regression + residual)
	}
	ms := residual / float64(r.Freedom) // NaN for two points
	if r.Freedom == 0 {
		ms = math.NaN()
	}
	r.ResidualSD = math.Sqrt(ms)
	r.F = regression / ms
	r.SlopeSD = math.Sqrt(ms / sxx)
	r.InterceptSD = math.Sqrt(ms * (1/n + mx*mx/sxx))
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
	// Differences from one value keep the digits of data far from zero.
	origin, sum := groups[0][0], 0.0
	means := make([]float64, len(groups))
	for i, g := range groups {
		for _, v := range g {
			means[i] += v - origin
		}
		sum += means[i]
		means[i] /= float64(len(g))
	}
	grand := sum / float64(total)
	for i, g := range groups {
		r.BetweenSS += float64(len(g)) * (means[i] - grand) * (means[i] - grand)
		for _, v := range g {
			d := v - origin - means[i]
			r.WithinSS += d * d
		}
	}
	r.BetweenMS = r.BetweenSS / float64(r.BetweenFreedom)
	r.WithinMS = r.WithinSS / float64(r.WithinFreedom)
	r.ResidualSD = math.Sqrt(r.WithinMS)
	r.RSquared = r.BetweenSS / (r.BetweenSS + r.WithinSS)
	r.F = r.BetweenMS / r.WithinMS
	switch {
	case math.IsNaN(r.F):
		r.P = math.NaN()
	case math.IsInf(r.F, 1):
		r.P = 0
	default:
		r.P = distuv.F{D1: float64(r.BetweenFreedom), D2: float64(r.WithinFreedom)}.Survival(r.F)
	}
	return r, nil
}

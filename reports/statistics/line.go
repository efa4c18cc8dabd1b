package statistics

import (
	"fmt"
	"math"
	"slices"
)

// Line is the straight line of least squares through points, y = Intercept +
// Slope x.
type Line struct {
	N           int     `json:"n"`
	Intercept   float64 `json:"intercept"`
	Slope       float64 `json:"slope"`
	InterceptSD float64 `json:"intercept_sd"` // standard deviations of the two; 0 where Freedom is 0
	SlopeSD     float64 `json:"slope_sd"`
	ResidualSD  float64 `json:"residual_sd"` // n - 2; 0 where Freedom is 0
	Freedom     int     `json:"freedom"`     // n - 2
	RSquared    float64 `json:"r_squared"`   // 0 where y is constant

	RegressionSS float64 `json:"regression_ss"`
	ResidualSS   float64 `json:"residual_ss"`
	ResidualMS   float64 `json:"residual_ms"`
	// F is regression against residual, P the chance of a larger one were the
	// slope 0. Nil where no scatter is left to measure by: two points, points
	// on the line, y constant.
	F *float64 `json:"f,omitempty"`
	P *float64 `json:"p,omitempty"`

	MeanX, MeanY, SXX float64   `json:"-"` // SXX is the sum of squares of x about its mean
	Residuals         []float64 `json:"-"` // of the points used, in order
}

// FitLine fits a line. Points of which x or y is NaN or infinite are left out.
// Fewer than two points, as many x as y not given, and one x only are errors.
//
// Both are taken from their means before anything is squared, which keeps the
// digits of values far from zero.
func FitLine(x, y []float64) (Line, error) {
	if len(x) != len(y) {
		return Line{}, fmt.Errorf("line: %d x for %d y", len(x), len(y))
	}
	var xs, ys []float64
	for i := range x {
		if Finite(x[i]) && Finite(y[i]) {
			xs, ys = append(xs, x[i]), append(ys, y[i])
		}
	}
	if len(xs) < 2 {
		return Line{}, fmt.Errorf("line: %d points, at least 2 needed", len(xs))
	}
	if slices.Min(xs) == slices.Max(xs) {
		return Line{}, fmt.Errorf("line: all %d points have x %v", len(xs), xs[0])
	}
	n := float64(len(xs))
	mx, my := meanAbout(xs[0], xs), meanAbout(ys[0], ys)
	l := Line{N: len(xs), MeanX: xs[0] + mx, MeanY: ys[0] + my, Freedom: len(xs) - 2}
	var sxy, syy float64
	for i := range xs {
		dx, dy := xs[i]-xs[0]-mx, ys[i]-ys[0]-my
		l.SXX += dx * dx
		sxy += dx * dy
		syy += dy * dy
	}
	flat := slices.Min(ys) == slices.Max(ys)
	if flat {
		sxy, syy = 0, 0
	}
	if !(l.SXX > 0) || math.IsInf(l.SXX, 1) {
		return Line{}, fmt.Errorf("line: x from %v to %v cannot be squared", slices.Min(xs), slices.Max(xs))
	}
	l.Slope = sxy / l.SXX
	l.Intercept = l.MeanY - l.Slope*l.MeanX
	l.Residuals = make([]float64, len(xs))
	for i := range xs {
		e := (ys[i] - ys[0] - my) - l.Slope*(xs[i]-xs[0]-mx)
		if flat {
			e = 0
		}
		l.Residuals[i] = e
		l.ResidualSS += e * e
	}
	l.RegressionSS = l.Slope * l.Slope * l.SXX
	if !flat {
		l.RSquared = l.RegressionSS / (l.RegressionSS + l.ResidualSS)
	}
	if l.Freedom == 0 {
		return l, nil
	}
	l.ResidualMS = l.ResidualSS / float64(l.Freedom)
	l.ResidualSD = math.Sqrt(l.ResidualMS)
	l.SlopeSD = math.Sqrt(l.ResidualMS / l.SXX)
	l.InterceptSD = math.Sqrt(l.ResidualMS * (1/n + l.MeanX*l.MeanX/l.SXX))
	// What rounding leaves of y is no scatter.
	if l.ResidualSS > 1e-26*syy && l.ResidualSS > 0 {
		f := l.RegressionSS / l.ResidualMS
		p := RatioTail(f, 1, float64(l.Freedom))
		l.F, l.P = &f, &p
	}
	return l, nil
}

// At is the line at x.
func (l Line) At(x float64) float64 { return l.MeanY + l.Slope*(x-l.MeanX) }

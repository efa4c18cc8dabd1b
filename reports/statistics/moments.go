package statistics

import (
	"math"
	"slices"
)

// Moments sum up values: enough for their mean and variance, and to join those
// of several lists.
type Moments struct {
	N    int64   `json:"n"`
	Mean float64 `json:"mean"`
	M2   float64 `json:"-"` // sum of squared differences from Mean
	Min  float64 `json:"min"`
	Max  float64 `json:"max"`
}

// MomentsOf sums up values, without those that are NaN or infinite; dropped is
// how many those are. No value: all 0.
//
// The mean is taken from the first value on and the squares from the mean, so
// that values far from zero keep their digits (NIST StRD, NumAcc4). Constant
// values have M2 exactly 0.
func MomentsOf(values []float64) (m Moments, dropped int) {
	x := FiniteOnly(values)
	dropped = len(values) - len(x)
	m.N = int64(len(x))
	if len(x) == 0 {
		return m, dropped
	}
	m.Min, m.Max = slices.Min(x), slices.Max(x)
	offset := meanAbout(x[0], x)
	m.Mean = x[0] + offset
	var sum float64 // of differences from the mean; nought but for rounding
	for _, v := range x {
		d := v - x[0] - offset
		m.M2 += d * d
		sum += d
	}
	m.M2 -= sum * sum / float64(len(x))
	if m.Min == m.Max { // rounding must not make constant values scatter
		m.Mean, m.M2 = m.Min, 0
	}
	return m, dropped
}

// Variance is with n - 1; NaN below two values.
func (m Moments) Variance() float64 {
	if m.N < 2 {
		return math.NaN()
	}
	return max(0, m.M2) / float64(m.N-1)
}

// SD is the standard deviation, the root of [Moments.Variance].
func (m Moments) SD() float64 { return math.Sqrt(m.Variance()) }

// Mean is that of values, all finite, taken from the first on; NaN for none.
func Mean(x []float64) float64 {
	if len(x) == 0 {
		return math.NaN()
	}
	return x[0] + meanAbout(x[0], x)
}

// MeanSD are the mean and the standard deviation (n - 1) of values: the latter
// NaN below two, both for none and where one is not finite.
func MeanSD(x []float64) (mean, sd float64) {
	m, dropped := MomentsOf(x)
	if len(x) == 0 || dropped > 0 {
		return math.NaN(), math.NaN()
	}
	return m.Mean, m.SD()
}

// meanAbout is the mean of x less origin.
func meanAbout(origin float64, x []float64) float64 {
	var sum float64
	for _, v := range x {
		sum += v - origin
	}
	return sum / float64(len(x))
}

// Finite says that v is neither NaN nor infinite.
func Finite(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }

// FiniteOnly is x itself where all of it is finite.
func FiniteOnly(x []float64) []float64 {
	bad := func(v float64) bool { return !Finite(v) }
	if !slices.ContainsFunc(x, bad) {
		return x
	}
	return slices.DeleteFunc(slices.Clone(x), bad)
}

// LagOne is the lag-1 autocorrelation about the mean as NIST StRD defines it:
// how alike neighbours are. 0 for constant values and for fewer than two.
func LagOne(x []float64) float64 {
	if len(x) < 2 {
		return 0
	}
	offset := meanAbout(x[0], x)
	var num, den, last float64
	constant := true
	for i, v := range x {
		d := v - x[0] - offset
		den += d * d
		if i > 0 {
			num += d * last
		}
		last = d
		constant = constant && v == x[0]
	}
	if den == 0 || constant {
		return 0
	}
	return num / den
}

package statistics

import (
	"errors"
	"fmt"
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

// OneWay is a one-way analysis of variance: whether groups (stations, lots,
// days) have one mean, and how much of the spread lies between them.
type OneWay struct {
	BetweenFreedom int64   `json:"between_freedom"`
	WithinFreedom  int64   `json:"within_freedom"`
	BetweenSS      float64 `json:"between_ss"` // sums of squares
	WithinSS       float64 `json:"within_ss"`
	BetweenMS      float64 `json:"between_ms"` // mean squares
	WithinMS       float64 `json:"within_ms"`
	// F is BetweenMS / WithinMS, P the chance of a larger one if the groups
	// were alike. Nil where no group scatters.
	F *float64 `json:"f,omitempty"`
	P *float64 `json:"p,omitempty"`
	// share of the sum of squares between groups; 0 where all values are the same
	RSquared   float64 `json:"r_squared"`
	ResidualSD float64 `json:"residual_sd"`

	// WithinVariance and BetweenVariance are the variance of units of one group
	// and of the groups' true means: (BetweenMS - WithinMS) / n, at least 0,
	// where n is the size of groups, or for unequal ones what stands for it
	// (e-Handbook 7.4.5.1 for equal ones; n0 = (N - sum n²/N) / (k - 1)).
	WithinVariance  float64 `json:"within_variance"`
	BetweenVariance float64 `json:"between_variance"`

	size float64 // n0
}

// AnalyseVariance compares the means of groups, of which only Moments are
// needed (e-Handbook 7.4.3.3). Groups without a value are left out. Fewer than
// two groups, and no value more than groups, are errors.
func AnalyseVariance(groups []Moments) (OneWay, error) {
	var total, squares, k float64
	var sum float64
	origin := math.NaN()
	for _, g := range groups {
		if g.N < 1 {
			continue
		}
		if math.IsNaN(origin) {
			origin = g.Mean
		}
		n := float64(g.N)
		k++
		total += n
		squares += n * n
		sum += n * (g.Mean - origin)
	}
	if k < 2 {
		return OneWay{}, fmt.Errorf("analysis of variance: %v groups with values, at least 2 needed", k)
	}
	if total-k < 1 {
		return OneWay{}, errors.New("analysis of variance: one value in each group, at least one more needed")
	}
	r := OneWay{BetweenFreedom: int64(k) - 1, WithinFreedom: int64(total - k)}
	grand := sum / total
	for _, g := range groups {
		if g.N < 1 {
			continue
		}
		d := g.Mean - origin - grand
		r.BetweenSS += float64(g.N) * d * d
		r.WithinSS += max(0, g.M2)
	}
	r.BetweenMS = r.BetweenSS / (k - 1)
	r.WithinMS = r.WithinSS / (total - k)
	r.ResidualSD = math.Sqrt(r.WithinMS)
	if all := r.BetweenSS + r.WithinSS; all > 0 {
		r.RSquared = r.BetweenSS / all
	}
	r.size = (total - squares/total) / (k - 1)
	r.WithinVariance = r.WithinMS
	r.BetweenVariance = max(0, (r.BetweenMS-r.WithinMS)/r.size)
	if r.WithinSS > 0 {
		f := r.BetweenMS / r.WithinMS
		p := RatioTail(f, k-1, total-k)
		r.F, r.P = &f, &p
	}
	return r, nil
}

// BetweenShare is BetweenVariance of the sum of both variances, with the
// interval of F: exact for equal groups of normal values, near for others. NaN
// where nothing scatters, and for the interval where no group does.
func (r OneWay) BetweenShare(confidence float64) (share, low, high float64) {
	share, low, high = math.NaN(), math.NaN(), math.NaN()
	if v := r.BetweenVariance + r.WithinVariance; v > 0 {
		share = r.BetweenVariance / v
	}
	if r.F == nil {
		return share, low, high
	}
	end := func(p float64) float64 {
		x := *r.F / RatioQuantile(p, float64(r.BetweenFreedom), float64(r.WithinFreedom))
		return min(1, max(0, (x-1)/(x+r.size-1)))
	}
	tail := (1 - confidence) / 2
	return share, end(1 - tail), end(tail)
}

package statistics

import (
	"errors"
	"fmt"
	"math"
)

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

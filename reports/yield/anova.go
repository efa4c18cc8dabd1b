package yield

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
	F          *float64 `json:"f,omitempty"`
	P          *float64 `json:"p,omitempty"`
	RSquared   float64  `json:"r_squared"` // share of the sum of squares between groups; 0 where all values are the same
	ResidualSD float64  `json:"residual_sd"`

	// WithinVariance and BetweenVariance are the variance of units of one group
	// and of the groups' true means: (BetweenMS - WithinMS) / n, at least 0,
	// where n is the size of groups, or for unequal ones what stands for it
	// (e-Handbook 7.4.5.1 for equal ones; n0 = (N - sum n²/N) / (k - 1)).
	WithinVariance  float64 `json:"within_variance"`
	BetweenVariance float64 `json:"between_variance"`
	// BetweenShare is BetweenVariance of the sum of both, with the interval of
	// F: exact for equal groups of normal values, near for others. NaN where
	// nothing scatters.
	BetweenShare Estimate `json:"between_share"`
}

// MethodVariance is the interval of a share of variance by the ratio F.
const MethodVariance = "analysis of variance"

// AnalyseVariance compares the means of groups, of which only Moments are
// needed. Groups without a value are left out. Fewer than two groups, and no
// value more than groups, are errors.
func AnalyseVariance(groups []Moments) (OneWay, error) { return analyseVariance(groups, 0) }

func analyseVariance(groups []Moments, confidence float64) (OneWay, error) {
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
	n0 := (total - squares/total) / (k - 1)
	r.WithinVariance = r.WithinMS
	r.BetweenVariance = max(0, (r.BetweenMS-r.WithinMS)/n0)
	nan := math.NaN()
	r.BetweenShare = Estimate{Value: nan, Low: nan, High: nan, Confidence: usualConfidence(confidence), Method: MethodVariance}
	if v := r.BetweenVariance + r.WithinVariance; v > 0 {
		r.BetweenShare.Value = r.BetweenVariance / v
	}
	if !(r.WithinSS > 0) {
		return r, nil
	}
	f := r.BetweenMS / r.WithinMS
	p := ratioTail(f, k-1, total-k)
	r.F, r.P = &f, &p
	share := func(q float64) float64 {
		x := f / q
		return min(1, max(0, (x-1)/(x+n0-1)))
	}
	tail := (1 - r.BetweenShare.Confidence) / 2
	r.BetweenShare.Low = share(ratioQuantile(1-tail, k-1, total-k))
	r.BetweenShare.High = share(ratioQuantile(tail, k-1, total-k))
	return r, nil
}

// KruskalWallis asks by ranks whether groups lie alike: H with ties corrected,
// and its p by chi-square, near for groups of five and more. Groups without a
// value are left out, as are NaN and infinite values. Fewer than two groups, or
// all values the same: ok is false.
func KruskalWallis(groups [][]float64) (h, p float64, ok bool) {
	var all []float64
	var sizes []int
	for _, g := range groups {
		if g = finiteOnly(g); len(g) > 0 {
			all = append(all, g...)
			sizes = append(sizes, len(g))
		}
	}
	if len(sizes) < 2 {
		return 0, 0, false
	}
	ranks, ties := midranks(all)
	n := float64(len(all))
	correction := 1 - ties/(n*n*n-n)
	if !(correction > 0) {
		return 0, 0, false
	}
	at := 0
	for _, size := range sizes {
		var sum float64
		for _, r := range ranks[at : at+size] {
			sum += r - (n+1)/2
		}
		at += size
		h += sum * sum / float64(size)
	}
	h *= 12 / (n * (n + 1)) / correction
	return h, chiTail(h, float64(len(sizes)-1)), true
}

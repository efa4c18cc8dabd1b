package yield

import (
	"fmt"
	"math"
	"sort"
	"sync"

	"gonum.org/v1/gonum/stat/distuv"
)

// outerShare is what a normal distribution has beyond 3 sigma on one side.
var outerShare = sync.OnceValue(func() float64 { return normalUpper(3) })

// PercentileStudy is capability without a normal distribution: as ISO 22514-2
// has it, from memory (Clements 1989 the same with percentiles of a fitted
// curve). In place of mean and mean -+ 3 sigma stand the median and the points
// with 0.135 % below and above, as the values themselves have them.
type PercentileStudy struct {
	Median float64 `json:"median"`
	// Low and High are the 0.135 % and 99.865 % points, with the interval that
	// the ranks of values give, whatever the distribution. Where there are too
	// few values for one (below about 2700) its end is missing, and below 741
	// the points are the smallest and largest value: then the indices say at
	// most.
	Low  Estimate `json:"low"`
	High Estimate `json:"high"`

	Pp  *Estimate `json:"pp,omitempty"`
	Ppl *Estimate `json:"ppl,omitempty"`
	Ppu *Estimate `json:"ppu,omitempty"`
	Ppk *Estimate `json:"ppk,omitempty"`

	AtMost  bool   `json:"at_most,omitempty"` // too few values: the true indices are probably lower
	Caution string `json:"caution,omitempty"`
}

// fewestForPercentiles is how many values it takes that one is expected beyond
// the 0.135 % point.
const fewestForPercentiles = 741

// quantile is the share point p of sorted values at rank p (n + 1), between
// the neighbours in proportion (e-Handbook 7.2.6.2); beyond the ends the ends.
func quantile(sorted []float64, p float64) float64 {
	n := len(sorted)
	rank := p * float64(n+1)
	k := int(math.Floor(rank))
	switch {
	case k < 1:
		return sorted[0]
	case k >= n:
		return sorted[n-1]
	}
	return sorted[k-1] + (rank-float64(k))*(sorted[k]-sorted[k-1])
}

// quantileEstimate is a share point with the interval between the values of
// such ranks that the number of values below the true point lies between them
// with the confidence given. An end for which there are too few values is
// infinite.
func quantileEstimate(sorted []float64, p, confidence float64) Estimate {
	n := len(sorted)
	e := Estimate{Value: quantile(sorted, p), Low: math.Inf(-1), High: math.Inf(1), Confidence: confidence, Method: MethodRank}
	below := distuv.Binomial{N: float64(n), P: p}
	tail := (1 - confidence) / 2
	// The value of rank k (from 1) is above the true point if fewer than k
	// values are below it.
	low := sort.Search(n, func(k int) bool { return below.CDF(float64(k)) > tail })           // smallest k whose P(below <= k) exceeds tail
	high := sort.Search(n+1, func(k int) bool { return below.CDF(float64(k)) >= 1-tail }) + 1 // smallest rank with P(below >= rank) <= tail
	if low >= 1 {
		e.Low = sorted[low-1]
	}
	if high <= n {
		e.High = sorted[high-1]
	}
	return e
}

// newPercentileStudy studies sorted values, at least two and not all the same.
func newPercentileStudy(sorted []float64, spec Spec, confidence float64) *PercentileStudy {
	t := &PercentileStudy{
		Median: quantile(sorted, 0.5),
		Low:    quantileEstimate(sorted, outerShare(), confidence),
		High:   quantileEstimate(sorted, 1-outerShare(), confidence),
	}
	// The interval is that of the outer points; the median is far surer.
	index := func(room, reach, reachLow, reachHigh float64) *Estimate {
		if !(reach > 0) {
			return nil // half the values and more are the same
		}
		e := &Estimate{Value: room / reach, Low: math.Inf(-1), High: math.Inf(1), Confidence: confidence, Method: MethodRank}
		ends := []float64{math.NaN(), math.NaN()}
		if reachHigh > 0 && !math.IsInf(reachHigh, 0) {
			ends[0] = room / reachHigh
		}
		if reachLow > 0 && !math.IsInf(reachLow, 0) {
			ends[1] = room / reachLow
		}
		if room < 0 { // outside the limit: a longer reach brings it nearer to 0
			ends[0], ends[1] = ends[1], ends[0]
		}
		if !math.IsNaN(ends[0]) {
			e.Low = ends[0]
		}
		if !math.IsNaN(ends[1]) {
			e.High = ends[1]
		}
		return e
	}
	if l := spec.Lower; l != nil {
		t.Ppl = index(t.Median-*l, t.Median-t.Low.Value, t.Median-t.Low.High, t.Median-t.Low.Low)
	}
	if u := spec.Upper; u != nil {
		t.Ppu = index(*u-t.Median, t.High.Value-t.Median, t.High.Low-t.Median, t.High.High-t.Median)
	}
	if t.Ppl != nil && t.Ppu != nil {
		t.Pp = index(*spec.Upper-*spec.Lower, t.High.Value-t.Low.Value, t.High.Low-t.Low.High, t.High.High-t.Low.Low)
	}
	t.Ppk = smaller(t.Ppl, t.Ppu)
	n := len(sorted)
	switch {
	case n < fewestForPercentiles:
		t.AtMost = true
		t.Caution = fmt.Sprintf("%d values do not reach the 0.135 %% and 99.865 %% points (%d are needed that one is expected beyond): the smallest and largest value stand in for them, and the true indices are probably lower.", n, fewestForPercentiles)
	case math.IsInf(t.Low.Low, 0) || math.IsInf(t.High.High, 0):
		t.Caution = fmt.Sprintf("%d values are few for the 0.135 %% and 99.865 %% points: how far out these may lie cannot be told (about 2700 are needed).", n)
	}
	return t
}

// smaller is the estimate with the smaller value; nil counts for nothing.
func smaller(a, b *Estimate) *Estimate {
	if a == nil || b != nil && b.Value < a.Value {
		return b
	}
	return a
}

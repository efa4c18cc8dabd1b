package yield

import (
	"math"
	"sync"

	"fullthrow/reports/statistics"
)

// outerShare is what a normal distribution has beyond 3 sigma on one side.
var outerShare = sync.OnceValue(func() float64 { return statistics.NormalUpper(3) })

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

	AtMost  bool    `json:"at_most,omitempty"` // too few values: the true indices are probably lower
	Caution *Remark `json:"caution,omitempty"`
}

// fewestForPercentiles is how many values it takes that one is expected beyond
// the 0.135 % point.
const fewestForPercentiles = 741

// usualForPercentiles is from about how many values on both ends of the outer
// points have an interval.
const usualForPercentiles = 2700

// quantileEstimate is a share point with the interval that ranks give it.
func quantileEstimate(sorted []float64, p, confidence float64) Estimate {
	low, high := statistics.QuantileInterval(sorted, p, confidence)
	return Estimate{Value: statistics.Quantile(sorted, p), Low: low, High: high, Confidence: confidence,
		Method: MethodRank}
}

// newPercentileStudy studies sorted values, at least two and not all the same.
func newPercentileStudy(sorted []float64, spec Spec, confidence float64) *PercentileStudy {
	t := &PercentileStudy{
		Median: statistics.Quantile(sorted, 0.5),
		Low:    quantileEstimate(sorted, outerShare(), confidence),
		High:   quantileEstimate(sorted, 1-outerShare(), confidence),
	}
	// The interval is that of the outer points; the median is far surer.
	index := func(room, reach, reachLow, reachHigh float64) *Estimate {
		if !(reach > 0) {
			return nil // half the values and more are the same
		}
		e := &Estimate{Value: room / reach, Low: math.Inf(-1), High: math.Inf(1), Confidence: confidence,
			Method: MethodRank}
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
		c := remark(PercentilesBeyond, n, fewestForPercentiles)
		t.Caution = &c
	case math.IsInf(t.Low.Low, 0) || math.IsInf(t.High.High, 0):
		c := remark(PercentilesRough, n, usualForPercentiles)
		t.Caution = &c
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

package yield

import (
	"fmt"
	"math"
	"sync"

	"gonum.org/v1/gonum/integrate/quad"

	"fullthrow/reports/statistics"
)

// Spec is what a reading may be. Values on a limit are within.
type Spec struct {
	Lower  *float64 `json:"lower,omitempty"`
	Upper  *float64 `json:"upper,omitempty"`
	Target *float64 `json:"target,omitempty"` // nil: the middle, where there are both limits
}

// Indices are the plain formulas of capability for a mean and a standard
// deviation, NaN where a limit is missing or sigma is not above 0: Cp, Cpl, Cpu,
// Cpk, Cpm (Taguchi) and k. Whether Cp or Pp is their name depends on sigma.
type Indices struct{ Cp, Cpl, Cpu, Cpk, Cpm, K float64 }

// NewIndices computes them (e-Handbook 6.1.6).
func NewIndices(mean, sigma float64, spec Spec) Indices {
	nan := math.NaN()
	x := Indices{nan, nan, nan, nan, nan, nan}
	if !(sigma > 0) || !statistics.Finite(mean) || math.IsInf(sigma, 0) {
		return x
	}
	if spec.Lower != nil {
		x.Cpl = (mean - *spec.Lower) / (3 * sigma)
		x.Cpk = x.Cpl
	}
	if spec.Upper != nil {
		x.Cpu = (*spec.Upper - mean) / (3 * sigma)
		if !(x.Cpk < x.Cpu) {
			x.Cpk = x.Cpu
		}
	}
	if spec.Lower != nil && spec.Upper != nil {
		width, middle := *spec.Upper-*spec.Lower, *spec.Lower+(*spec.Upper-*spec.Lower)/2
		x.Cp = width / (6 * sigma)
		x.K = math.Abs(middle-mean) / (width / 2)
		if spec.Target != nil {
			middle = *spec.Target
		}
		x.Cpm = width / (6 * math.Hypot(sigma, mean-middle))
	}
	return x
}

// CpInterval is the interval of Cp, Pp or Cpm where sigma has freedom degrees of
// freedom: chi squared. Nothing usable gives 0 and +Inf.
func CpInterval(cp, freedom, confidence float64) (low, high float64) {
	if !(freedom > 0) || math.IsNaN(cp) || !(confidence > 0 && confidence < 1) {
		return 0, math.Inf(1)
	}
	tail := (1 - confidence) / 2
	return cp * math.Sqrt(statistics.ChiSquareQuantile(tail, freedom)/freedom),
		cp * math.Sqrt(statistics.ChiSquareQuantile(1-tail, freedom)/freedom)
}

// CpkInterval is Bissell's interval of Cpk, or of an index of one side, for n
// values where sigma has freedom degrees of freedom:
// Cpk -+ z sqrt(1/(9n) + Cpk^2 / (2 freedom)). Nothing usable gives -Inf and
// +Inf.
func CpkInterval(cpk, n, freedom, confidence float64) (low, high float64) {
	if !(freedom > 0) || !(n > 0) || math.IsNaN(cpk) || !(confidence > 0 && confidence < 1) {
		return math.Inf(-1), math.Inf(1)
	}
	half := statistics.NormalQuantile((1+confidence)/2) * math.Sqrt(1/(9*n)+cpk*cpk/(2*freedom))
	return cpk - half, cpk + half
}

// CpmFreedom is Boyles' degrees of freedom of Cpm.
func CpmFreedom(n, mean, sigma, target float64) float64 {
	x := square((mean - target) / sigma)
	return n * square(1+x) / (1 + 2*x)
}

// OutsideNormal is the share of a normal distribution below and above limits.
func OutsideNormal(mean, sigma float64, spec Spec) (below, above float64) {
	if spec.Lower != nil {
		below = statistics.NormalUpper((mean - *spec.Lower) / sigma)
	}
	if spec.Upper != nil {
		above = statistics.NormalUpper((*spec.Upper - mean) / sigma)
	}
	return below, above
}

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

// MostRange is the largest subgroup for which [NewConstants] gives constants,
// and for which a range is charted at all: from about ten values on a range
// wastes what it leaves out, and a standard deviation is the better measure.
const MostRange = 25

// Constants are those of control charts for subgroups of N values from a normal
// distribution with a standard deviation sigma. They are computed, not looked
// up: C4 from the Gamma function, RangeMean and RangeSD by integrating the
// distribution of the range, to 1e-9 or better; printed tables are these
// rounded to three decimals, some of them wrongly in the last (D4 of 2, 3 and
// 5, E2 of 2).
type Constants struct {
	N         int
	C4        float64 // mean of the standard deviation s / sigma
	RangeMean float64 // d2: mean of the range / sigma
	RangeSD   float64 // d3: standard deviation of the range / sigma

	A2     float64 // limits of means from the mean range: 3 / (d2 sqrt n)
	A3     float64 // limits of means from the mean s: 3 / (c4 sqrt n)
	B3, B4 float64 // limits of s from the mean s: 1 -+ 3 sqrt(1 - c4^2) / c4, not below 0
	D3, D4 float64 // limits of the range from the mean range: 1 -+ 3 d3 / d2, not below 0
	E2     float64 // limits of single values from the mean range: 3 / d2
}

// NewConstants computes the constants for subgroups of n values, 2 to
// [MostRange]; another n is an error. It takes some tenths of a millisecond,
// but for n = 2, which is in closed form.
func NewConstants(n int) (Constants, error) {
	if n < 2 || n > MostRange {
		return Constants{}, fmt.Errorf("constants of a control chart: subgroups of %d: only 2 to %d", n, MostRange)
	}
	c := Constants{N: n, C4: C4(n)}
	if n == 2 { // the range is |difference|: a half-normal distribution
		c.RangeMean, c.RangeSD = 2/math.Sqrt(math.Pi), math.Sqrt(2-4/math.Pi)
	} else {
		c.RangeMean = rangeMean(n)
		c.RangeSD = math.Sqrt(rangeSquare(n) - c.RangeMean*c.RangeMean)
	}
	c.derive()
	return c, nil
}

func (c *Constants) derive() {
	root := math.Sqrt(float64(c.N))
	c.A2 = 3 / (c.RangeMean * root)
	c.A3 = 3 / (c.C4 * root)
	b := 3 * math.Sqrt(1-c.C4*c.C4) / c.C4
	c.B3, c.B4 = max(0, 1-b), 1+b
	d := 3 * c.RangeSD / c.RangeMean
	c.D3, c.D4 = max(0, 1-d), 1+d
	c.E2 = 3 / c.RangeMean
}

// Printed are the constants rounded to three decimals (C4 to four), as in
// printed tables: for comparing with figures that were worked out with those.
func (c Constants) Printed() Constants {
	c.C4 = math.Round(c.C4*1e4) / 1e4
	for _, v := range []*float64{&c.RangeMean, &c.RangeSD, &c.A2, &c.A3, &c.B3, &c.B4, &c.D3, &c.D4, &c.E2} {
		*v = math.Round(*v*1000) / 1000
	}
	return c
}

// C4 is the mean of the standard deviation (with n - 1) of n normal values, as
// a share of sigma: sqrt(2/(n-1)) Gamma(n/2) / Gamma((n-1)/2). Below 2 it is
// NaN.
func C4(n int) float64 {
	if n < 2 {
		return math.NaN()
	}
	a, _ := math.Lgamma(float64(n) / 2)
	b, _ := math.Lgamma(float64(n-1) / 2)
	return math.Sqrt(2/float64(n-1)) * math.Exp(a-b)
}

// rangeMean is d2: the integral of 1 - Phi^n - (1-Phi)^n over the whole line
// (Tippett 1925). A sum over equal steps converges faster than any power of the
// step here, since the function is smooth and dies out at both ends.
func rangeMean(n int) float64 {
	const step = 1.0 / 16
	sum := 0.0
	for x := -9.0; x <= 9; x += step {
		upper := statistics.NormalUpper(x)
		sum += -math.Expm1(float64(n)*math.Log1p(-upper)) - math.Pow(upper, float64(n))
	}
	return sum * step
}

// rangeSquare is the mean square of the range: the integral of 2 w (1 - F(w))
// over w > 0, where F(w) = n integral phi(x) (Phi(x+w) - Phi(x))^(n-1) dx is
// the distribution of the range (Hartley 1942).
func rangeSquare(n int) float64 {
	grid := rangeGrid()
	return quad.Fixed(func(w float64) float64 { return 2 * w * grid.beyond(n, w) }, 0, 16, 64, nil, 0)
}

// rangeBeyond is the chance that the range of n standard normal values exceeds
// w.
func rangeBeyond(n int, w float64) float64 { return rangeGrid().beyond(n, w) }

// rangeSteps are places of the smallest value, with the weight and the upper
// share of the normal distribution there.
type rangeSteps []struct{ x, weight, upper float64 }

func rangeGrid() rangeSteps {
	const step = 1.0 / 8
	var all rangeSteps
	for x := -9.0; x <= 7; x += step {
		all = append(all, struct{ x, weight, upper float64 }{x, step / math.Sqrt(2*math.Pi) * math.Exp(-x*x/2),
			statistics.NormalUpper(x)})
	}
	return all
}

func (g rangeSteps) beyond(n int, w float64) float64 {
	sum := 0.0
	for _, s := range g {
		sum += s.weight * math.Pow(s.upper-statistics.NormalUpper(s.x+w), float64(n-1))
	}
	return 1 - float64(n)*sum
}

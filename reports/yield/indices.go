package yield

import (
	"math"

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
	if !(sigma > 0) || !isFinite(mean) || math.IsInf(sigma, 0) {
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

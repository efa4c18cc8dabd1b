package limits

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/integrate/quad"

	"fullthrow/reports"
	"fullthrow/reports/statistics"
)

// Conformance is the probability that the measurand lies within the limits
// when its estimate is y with standard uncertainty u, both in one unit, and its
// distribution normal (JCGM 106:2012, 7.2 to 7.4). A nil limit is none; both
// nil gives 1. u = 0 gives 0 or 1. It is NaN for a negative or non-finite u and
// for a non-finite y.
func Conformance(y, u float64, lower, upper *float64) float64 {
	if math.IsNaN(y) || math.IsInf(y, 0) || math.IsNaN(u) || math.IsInf(u, 0) || u < 0 {
		return math.NaN()
	}
	if u == 0 {
		if lower != nil && y < *lower || upper != nil && y > *upper {
			return 0
		}
		return 1
	}
	phi := statistics.NormalLower
	switch {
	case lower == nil && upper == nil:
		return 1
	case lower == nil:
		return phi((*upper - y) / u)
	case upper == nil:
		return phi((y - *lower) / u)
	}
	// In the tail that is small: a difference of two numbers near 1 would lose
	// the digits of readings far outside.
	a, b := (*lower-y)/u, (*upper-y)/u
	if a > 0 {
		a, b = -b, -a
	}
	return math.Max(0, phi(b)-phi(a))
}

// conformance is that of a judged reading, nil where it has no meaning: no
// uncertainty stated, no range, a value known from one side only.
func conformance(x float64, r reports.Reading) *float64 {
	if r.Limit == nil || r.Bound != "" || r.Uncertainty <= 0 || r.Limit.Lower == nil && r.Limit.Upper == nil {
		return nil
	}
	p := Conformance(x, r.Uncertainty/2, r.Limit.Lower, r.Limit.Upper)
	if math.IsNaN(p) {
		return nil
	}
	return &p
}

// Process is how a quantity is distributed over the units made; the
// distributions of gonum's distuv are such.
type Process interface {
	Prob(x float64) float64 // density
	CDF(x float64) float64
	Mean() float64
	StdDev() float64
}

// Risk of deciding wrongly, over all units made (JCGM 106:2012, 9.5): joint
// probabilities, not those among the accepted or the rejected.
type Risk struct {
	Consumer float64 // a unit does not conform and is accepted
	Producer float64 // a unit conforms and is rejected
}

// GlobalRisk is what a limit with a guard band w lets through, and what it
// costs, for a process and a normal measurement of standard uncertainty u, all
// in one unit. Units are accepted from lower + w to upper - w; w = 0 is simple
// acceptance. A nil limit is none; both nil, a u that is negative, and anything
// not finite are errors. u = 0 is a perfect measurement.
func GlobalRisk(p Process, u float64, lower, upper *float64, w float64) (Risk, error) {
	mean, sd := p.Mean(), p.StdDev()
	for _, v := range []float64{u, w, mean, sd} {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return Risk{}, fmt.Errorf("limits: global risk: %v among uncertainty, guard band and process", v)
		}
	}
	if lower == nil && upper == nil || u < 0 || sd <= 0 || lower != nil && upper != nil && *lower >= *upper {
		return Risk{}, fmt.Errorf("limits: global risk: it needs a limit, an uncertainty of 0 or more and a process " +
			"that varies")
	}
	bottom, top := math.Inf(-1), math.Inf(1)
	from, to := bottom, top // accepted
	if lower != nil {
		bottom, from = *lower, *lower+w
	}
	if upper != nil {
		top, to = *upper, *upper-w
	}
	share := func(a, b float64) float64 { // of units between a and b
		if a >= b {
			return 0
		}
		below := 0.0
		if !math.IsInf(a, -1) {
			below = p.CDF(a)
		}
		if math.IsInf(b, 1) {
			return 1 - below
		}
		return p.CDF(b) - below
	}
	conforming := share(bottom, top)
	if from >= to {
		return Risk{Producer: conforming}, nil
	}
	if u == 0 {
		inside := share(math.Max(from, bottom), math.Min(to, top))
		return Risk{Consumer: share(from, to) - inside, Producer: conforming - inside}, nil
	}
	accepted := func(x float64) float64 {
		a, b := (from-x)/u, (to-x)/u
		if a > 0 {
			a, b = -b, -a
		}
		return statistics.NormalLower(b) - statistics.NormalLower(a)
	}
	const far = 12 // standard deviations beyond which nothing counts
	integral := func(a, b float64, f func(float64) float64) float64 {
		a, b = math.Max(a, mean-60*sd), math.Min(b, mean+60*sd)
		if !(a < b) {
			return 0
		}
		pieces := int(math.Min(5000, math.Ceil(2*(b-a)/math.Min(u, sd))))
		sum, step := 0.0, (b-a)/float64(pieces)
		for i := range pieces {
			sum += quad.Fixed(func(x float64) float64 { return p.Prob(x) * f(x) }, a+float64(i)*step,
				a+float64(i+1)*step, 16, quad.Legendre{}, 0)
		}
		return sum
	}
	var r Risk
	if upper != nil {
		r.Consumer += integral(top, to+far*u, accepted)
		r.Producer += integral(math.Max(bottom, to-far*u), top, func(x float64) float64 {
			return statistics.NormalLower(
				(x - to) / u)
		})
	}
	if lower != nil {
		r.Consumer += integral(from-far*u, bottom, accepted)
		r.Producer += integral(bottom, math.Min(top, from+far*u),
			func(x float64) float64 { return statistics.NormalLower((from - x) / u) })
	}
	return r, nil
}

// GuardBand is the narrowest guard band that keeps the consumer's risk at or
// below risk: the w to state as guard = w / U in a limits file. 0 where simple
// acceptance does. What [GlobalRisk] refuses and a risk not between 0 and 1 are
// errors.
func GuardBand(p Process, u float64, lower, upper *float64, risk float64) (float64, error) {
	if !(risk > 0 && risk < 1) {
		return 0, fmt.Errorf("limits: guard band: risk is %v, it must lie between 0 and 1", risk)
	}
	at := func(w float64) (float64, error) {
		r, err := GlobalRisk(p, u, lower, upper, w)
		return r.Consumer, err
	}
	r, err := at(0)
	if err != nil || r <= risk {
		return 0, err
	}
	low, high := 0.0, u
	for {
		if r, _ = at(high); r <= risk {
			break
		}
		low, high = high, 2*high
	}
	for range 60 {
		m := (low + high) / 2
		if r, _ = at(m); r <= risk {
			high = m
		} else {
			low = m
		}
	}
	return high, nil
}

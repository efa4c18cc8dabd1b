package yield

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/integrate/quad"

	"fullthrow/reports/statistics"
)

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

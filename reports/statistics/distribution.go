package statistics

import (
	"math"

	"gonum.org/v1/gonum/mathext"
	"gonum.org/v1/gonum/stat/distuv"
)

// NormalUpper is the share of a normal distribution above z. It keeps its
// digits far out.
func NormalUpper(z float64) float64 { return 0.5 * math.Erfc(z/math.Sqrt2) }

// NormalLower is the share of a normal distribution below z.
func NormalLower(z float64) float64 { return NormalUpper(-z) }

// NormalTail is the chance of a z at least as far from 0, both sides.
func NormalTail(z float64) float64 { return math.Erfc(math.Abs(z) / math.Sqrt2) }

// NormalQuantile is the z below which a share p of a normal distribution lies.
func NormalQuantile(p float64) float64 { return distuv.UnitNormal.Quantile(p) }

// NormalFactor is the factor of a two-sided interval by the normal distribution.
func NormalFactor(confidence float64) float64 { return NormalQuantile((1 + confidence) / 2) }

// StudentTail is the chance of a t at least as far from 0, both sides.
func StudentTail(t, freedom float64) float64 {
	if math.IsInf(freedom, 1) {
		return NormalTail(t)
	}
	return mathext.RegIncBeta(freedom/2, 0.5, freedom/(freedom+t*t))
}

// StudentFactor is the factor of a two-sided interval by Student's t.
func StudentFactor(freedom, confidence float64) float64 {
	if freedom > 1e7 {
		return NormalFactor(confidence)
	}
	return distuv.StudentsT{Mu: 0, Sigma: 1, Nu: freedom}.Quantile((1 + confidence) / 2)
}

// RatioTail is the chance of a larger F with d1 and d2 degrees of freedom. It
// keeps its digits where the chance is small, which 1 - CDF does not.
func RatioTail(f, d1, d2 float64) float64 {
	return mathext.RegIncBeta(d2/2, d1/2, d2/(d2+d1*f))
}

// RatioQuantile is the F below which a share p of all lies: the smaller beta
// tail is inverted, which keeps its digits.
func RatioQuantile(p, d1, d2 float64) float64 {
	if p < 0.5 {
		return 1 / RatioQuantile(1-p, d2, d1)
	}
	x := betaQuantile(d2/2, d1/2, 1-p)
	return d2 * (1 - x) / (d1 * x)
}

// ChiSquareTail is the chance of a larger chi-square.
func ChiSquareTail(x, freedom float64) float64 { return mathext.GammaIncRegComp(freedom/2, x/2) }

// ChiSquareQuantile is the chi-square below which a share p of all lies.
func ChiSquareQuantile(p, freedom float64) float64 { return 2 * mathext.GammaIncRegInv(freedom/2, p) }

// betaQuantile is the p quantile of the beta distribution, gonum's sharpened by
// Newton steps on the same distribution's integral.
func betaQuantile(a, b, p float64) float64 {
	x := mathext.InvRegIncBeta(a, b, p)
	for range 3 {
		if !(x > 0 && x < 1) {
			return x
		}
		density := math.Exp((a-1)*math.Log(x) + (b-1)*math.Log1p(-x) - mathext.Lbeta(a, b))
		step := (mathext.RegIncBeta(a, b, x) - p) / density
		if math.IsNaN(step) || !(x-step > 0 && x-step < 1) || math.Abs(step) > 0.01*x {
			return x
		}
		x -= step
		if math.Abs(step) <= 1e-15*x {
			break
		}
	}
	return x
}

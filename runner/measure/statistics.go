package measure

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/mathext"
	"gonum.org/v1/gonum/stat"
)

// meanSD is the mean and the standard deviation (n - 1). One value: SD 0; none:
// both NaN.
func meanSD(x []float64) (mean, sd float64) {
	switch len(x) {
	case 0:
		return math.NaN(), math.NaN()
	case 1:
		return x[0], 0
	}
	mean, variance := stat.MeanVariance(x, nil)
	return mean, math.Sqrt(variance)
}

// lag1 is the lag-1 autocorrelation about the mean as NIST StRD defines it; 0
// for constant data and for none. Differences from the first value keep the
// digits of data with a large mean.
func lag1(x []float64) float64 {
	if len(x) == 0 {
		return 0
	}
	var mean float64
	for _, v := range x {
		mean += v - x[0]
	}
	mean /= float64(len(x))
	var num, den, last float64
	for i, v := range x {
		d := v - x[0] - mean
		den += d * d
		if i > 0 {
			num += d * last
		}
		last = d
	}
	if den == 0 {
		return 0
	}
	return num / den
}

// percentile is that of sorted values for 0 < p < 1, by the definition of
// e-Handbook 7.2.6.2: rank p(N+1), interpolated; ranks below the first or above
// the last value give that value. (Spreadsheets use p(N-1)+1 and differ in the
// tails.) NaN for no values.
func percentile(sorted []float64, p float64) float64 {
	n := len(sorted)
	if n == 0 {
		return math.NaN()
	}
	rank := p * float64(n+1)
	k := math.Floor(rank)
	switch {
	case k < 1:
		return sorted[0]
	case k >= float64(n):
		return sorted[n-1]
	}
	i := int(k)
	return sorted[i-1] + (rank-k)*(sorted[i]-sorted[i-1])
}

// median of values in any order; NaN for none.
func median(x []float64) float64 {
	s := slices.Clone(x)
	slices.Sort(s)
	return percentile(s, 0.5)
}

// ClopperPearson is the exact two-sided confidence interval of a proportion for
// x events in n trials (Clopper and Pearson 1934; e-Handbook 7.2.4.1), as
// fractions. Its upper end at confidence 0.90 is the one-sided 95 % bound. x
// below 0 or above n, n below 1, or a confidence not between 0 and 1 gives
// 0 and 1: nothing is known.
func ClopperPearson(x, n int, confidence float64) (lower, upper float64) {
	if n < 1 || x < 0 || x > n || !(confidence > 0 && confidence < 1) {
		return 0, 1
	}
	a := (1 - confidence) / 2
	lower, upper = 0, 1
	if x > 0 {
		lower = mathext.InvRegIncBeta(float64(x), float64(n-x+1), a)
	}
	if x < n {
		upper = mathext.InvRegIncBeta(float64(x+1), float64(n-x), 1-a)
	}
	return lower, upper
}

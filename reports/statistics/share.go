package statistics

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/mathext"
)

// Wilson is the score interval of a share without continuity correction, for x
// of n (Wilson 1927; e-Handbook 7.2.4.1), as shares of 1. Numbers need not be
// whole: they may be effective ones. n not above 0, x not within 0 and n, NaN,
// an infinite n, or a confidence not between 0 and 1 gives 0 and 1: nothing is
// known.
func Wilson(x, n, confidence float64) (low, high float64) {
	if !trials(x, n) || !(confidence > 0 && confidence < 1) {
		return 0, 1
	}
	z := NormalFactor(confidence)
	p := x / n
	middle := (p + z*z/(2*n)) / (1 + z*z/n)
	half := z / (1 + z*z/n) * math.Sqrt(p*(1-p)/n+z*z/(4*n*n))
	low, high = max(0, middle-half), min(1, middle+half)
	if x == 0 { // exactly, not but for rounding
		low = 0
	}
	if x == n {
		high = 1
	}
	return low, high
}

// ClopperPearson is the exact interval of a share for x of n (Clopper and
// Pearson 1934; e-Handbook 7.2.4.1), as shares of 1. Its ends at confidence
// 0.90 are the one-sided 95 % bounds. Inputs as for [Wilson].
func ClopperPearson(x, n, confidence float64) (low, high float64) {
	if !(confidence > 0 && confidence < 1) {
		return 0, 1
	}
	tail := (1 - confidence) / 2
	return exactLow(x, n, tail), exactHigh(x, n, tail)
}

// AtLeast is the share that is reached with the confidence given: the exact
// one-sided lower bound of x of n. Inputs as for [Wilson]; what cannot be used
// gives 0.
func AtLeast(x, n, confidence float64) float64 {
	if !(confidence > 0 && confidence < 1) {
		return 0
	}
	return exactLow(x, n, 1-confidence)
}

// AtMost is the share that is not exceeded with the confidence given: the
// exact one-sided upper bound of x of n. Inputs as for [Wilson]; what cannot be
// used gives 1.
func AtMost(x, n, confidence float64) float64 {
	if !(confidence > 0 && confidence < 1) {
		return 1
	}
	return exactHigh(x, n, 1-confidence)
}

func trials(x, n float64) bool { return n > 0 && !math.IsInf(n, 1) && x >= 0 && x <= n }

func exactLow(x, n, tail float64) float64 {
	if !trials(x, n) || x == 0 {
		return 0
	}
	return betaQuantile(x, n-x+1, tail)
}

func exactHigh(x, n, tail float64) float64 {
	if !trials(x, n) || x == n {
		return 1
	}
	return 1 - betaQuantile(n-x, x+1, tail) // the tail that keeps its digits
}

// Newcombe is the interval of p1 - p2 for x1 of n1 against x2 of n2, made of
// two Wilson intervals (Newcombe 1998, method 10; it stays within -1..+1 and
// needs no large numbers), as shares of 1. Inputs as for [Wilson]; what cannot
// be used gives -1 and 1.
func Newcombe(x1, n1, x2, n2, confidence float64) (low, high float64) {
	if !trials(x1, n1) || !trials(x2, n2) || !(confidence > 0 && confidence < 1) {
		return -1, 1
	}
	p1, p2 := x1/n1, x2/n2
	l1, u1 := Wilson(x1, n1, confidence)
	l2, u2 := Wilson(x2, n2, confidence)
	d := p1 - p2
	return d - math.Hypot(p1-l1, u2-p2), d + math.Hypot(u1-p1, p2-l2)
}

// Poisson is the exact interval of the expected count where count were seen
// (Garwood 1936). A count below 0, NaN or infinite, or a confidence not between
// 0 and 1 gives 0 and +Inf.
func Poisson(count, confidence float64) (low, high float64) {
	if !(count >= 0) || math.IsInf(count, 1) || !(confidence > 0 && confidence < 1) {
		return 0, math.Inf(1)
	}
	tail := (1 - confidence) / 2
	if count > 0 {
		low = mathext.GammaIncRegInv(count, tail)
	}
	return low, mathext.GammaIncRegCompInv(count+1, tail)
}

// FisherExact is the probability that two groups would differ at least as much
// as x1 of n1 and x2 of n2 do if nothing told them apart but chance: Fisher's
// exact test, two-sided, which adds up every division of the same total that is
// no more probable than the one seen (the definition that statistics software
// uses; doubling one tail, as some books do, gives another figure).
//
// A group of nothing, and nothing or everything in both, gives 1. Counts that
// cannot be give NaN.
func FisherExact(x1, n1, x2, n2 int64) float64 {
	if n1 < 0 || n2 < 0 || x1 < 0 || x2 < 0 || x1 > n1 || x2 > n2 {
		return math.NaN()
	}
	total, found := n1+n2, x1+x2
	least, most := max(0, found-n2), min(n1, found)
	if least == most {
		return 1
	}
	// Relative to the likeliest division, from which probabilities fall on both
	// sides.
	mode := int64(math.Floor((float64(n1) + 1) * (float64(found) + 1) / (float64(total) + 2)))
	mode = min(max(mode, least), most)
	up := func(k int64) float64 { // p(k+1) / p(k)
		return float64(n1-k) / float64(k+1) * (float64(found-k) / float64(n2-found+k+1))
	}
	seen := 1.0
	for k := mode; k < x1; k++ {
		seen *= up(k)
	}
	for k := mode; k > x1; k-- {
		seen /= up(k - 1)
	}
	if seen < 1e-300 {
		return 0
	}
	seen *= 1 + 1e-7 // as probable, but for rounding
	sum, tail := 0.0, 0.0
	walk := func(k, step int64, p float64) {
		for k >= least && k <= most && p > 1e-300 && (p > 1e-17*tail || tail == 0) {
			sum += p
			if p <= seen {
				tail += p
			}
			if step > 0 {
				p *= up(k)
			} else if k > least {
				p /= up(k - 1)
			}
			k += step
		}
	}
	walk(mode, 1, 1)
	if mode > least {
		walk(mode-1, -1, 1/up(mode-1))
	}
	return min(1, tail/sum)
}

// ConfidenceError is a confidence that [Confidence] refuses.
type ConfidenceError struct{ Percent float64 }

func (e *ConfidenceError) Error() string {
	return fmt.Sprintf("confidence is %v %%, it must lie from 50 to under 100", e.Percent)
}

// Hint says what to write, if a share was given for per cent.
func (e *ConfidenceError) Hint() string {
	if e.Percent > 0 && e.Percent < 1 {
		return fmt.Sprintf("it is given in per cent: write %.6g for %.6[1]g %%", 100*e.Percent)
	}
	return ""
}

// Confidence reads a confidence as people give it, in per cent: from 50 to
// under 100. It is answered as a share of 1. Anything else, a share (0.95) too,
// is a [ConfidenceError].
func Confidence(percent float64) (share float64, err error) {
	if !(percent >= 50 && percent < 100) {
		return 0, &ConfidenceError{percent}
	}
	return percent / 100, nil
}

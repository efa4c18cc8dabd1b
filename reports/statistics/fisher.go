package statistics

import "math"

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

package statistics

import (
	"cmp"
	"math"
	"slices"
	"sort"

	"gonum.org/v1/gonum/stat/distuv"
)

// Quantile is the value below which a share p (0 to 1) of sorted values lies, at
// rank p(N+1), interpolated (e-Handbook 7.2.6.2); ranks below the first or above
// the last value give that value. Spreadsheets mostly use p(N-1)+1 and differ in
// the tails. NaN for no values.
func Quantile(sorted []float64, p float64) float64 {
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

// Median of values in any order; NaN for none.
func Median(x []float64) float64 {
	s := slices.Clone(x)
	slices.Sort(s)
	return Quantile(s, 0.5)
}

// QuantileNeeds is how many values put the rank p(N+1) within 1..N: the 99th
// percentile needs 99, the 95th 19, the median one.
func QuantileNeeds(p float64) int {
	tail := math.Min(p, 1-p)
	return max(1, int(math.Ceil(1/tail-1-1e-9)))
}

// QuantileInterval lies between two of the sorted values and holds the quantile
// of the population with at least the confidence given, whatever its
// distribution (order statistics, by the binomial distribution). An end for
// which there are too few values is infinite.
func QuantileInterval(sorted []float64, p, confidence float64) (low, high float64) {
	low, high = math.Inf(-1), math.Inf(1)
	l, u := QuantileRanks(len(sorted), p, confidence)
	if l > 0 {
		low = sorted[l-1]
	}
	if u > 0 {
		high = sorted[u-1]
	}
	return low, high
}

// QuantileRanks are the ranks, 1 the smallest, of the values of n between which
// [QuantileInterval] lies; 0 for an end that n values cannot bound. The number
// of values below the quantile is binomial(n, p): with l of them below at most
// (1 - confidence)/2 of the time, the l-th value is a lower end.
func QuantileRanks(n int, p, confidence float64) (low, high int) {
	below := distuv.Binomial{N: float64(n), P: p}
	tail := (1 - confidence) / 2
	low = sort.Search(n, func(k int) bool { return below.CDF(float64(k)) > tail })
	high = sort.Search(n, func(k int) bool { return below.CDF(float64(k)) >= 1-tail }) + 1
	if high > n {
		high = 0
	}
	return low, high
}

// Ranks are the ranks of x, 1 first, equal values sharing the mean of theirs;
// ties is the sum of t^3 - t over groups of t equal values.
func Ranks(x []float64) (ranks []float64, ties float64) {
	order := make([]int, len(x))
	for i := range order {
		order[i] = i
	}
	slices.SortFunc(order, func(a, b int) int { return cmp.Compare(x[a], x[b]) })
	ranks = make([]float64, len(x))
	for i := 0; i < len(order); {
		j := i + 1
		for j < len(order) && x[order[j]] == x[order[i]] {
			j++
		}
		for _, k := range order[i:j] {
			ranks[k] = float64(i+j+1) / 2
		}
		t := float64(j - i)
		ties += t*t*t - t
		i = j
	}
	return ranks, ties
}

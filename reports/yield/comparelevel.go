package yield

import (
	"math"
	"slices"

	"fullthrow/reports/statistics"
)

// Methods of comparing the level of a reading in two groups.
const (
	// MethodWelch is the difference of means by Welch's t, which lets the
	// groups scatter differently (e-Handbook 7.3.1).
	MethodWelch = "Welch"
	// MethodShift is how far the values of one group must be moved to lie like
	// those of the other (Hodges and Lehmann), with the rank test of Mann and
	// Whitney: neither asks for normal values nor minds a few far out.
	MethodShift = "Mann-Whitney, Hodges-Lehmann"
	// MethodSingle sets a single value against the mean and spread of the
	// other group (Student's t with the group's spread).
	MethodSingle = "one against a group"
	// MethodPopulation sets the difference of two single values against what
	// two units picked from a population differ by.
	MethodPopulation = "two against a population"
)

// LevelDifference is where group B reads against group A.
type LevelDifference struct {
	// Difference is B less A, in the reading's unit, with its interval; Low and
	// High are NaN where there is none. Each interval is that of its reading
	// taken alone: it is not widened for the number of readings.
	Difference Estimate `json:"difference"`
	// Mean is the difference of means by Welch, also where Difference is a
	// shift; its value is NaN where it cannot be had.
	Mean Estimate `json:"mean"`
	// Why says why this method was used, or why none could be.
	Why *Remark `json:"why,omitempty"`
	// Shape is what speaks against means and standard deviations; [TooFewForRanks]
	// in Why says that means are compared all the same.
	Shape *Remark `json:"shape,omitempty"`
	// Higher is the share of pairs, one of each group, in which B reads higher,
	// equal ones counted half; given with MethodShift.
	Higher *float64 `json:"higher,omitempty"`
	// Spreads is Difference in spreads: standard deviations of the groups, or
	// of the population; NaN where none is known, null in JSON.
	Spreads Estimate `json:"spreads"`
	// Test is nil where none is possible.
	Test *Test `json:"test,omitempty"`
	// Population is how many units are behind MethodPopulation.
	Population int64 `json:"population,omitempty"`
}

// WelchDifference is the mean of b less that of a with its interval, the t and
// the degrees of freedom by Welch and Satterthwaite. Fewer than two values in a
// group, and groups that both do not scatter, give a Value alone, the rest NaN;
// no value in a group gives NaN.
func WelchDifference(a, b Moments, confidence float64) (d Estimate, t, df float64) {
	nan := math.NaN()
	d = Estimate{Value: nan, Low: nan, High: nan, Confidence: usualConfidence(confidence), Method: MethodWelch}
	if a.N < 1 || b.N < 1 {
		return d, nan, nan
	}
	d.Value = b.Mean - a.Mean
	va, vb := a.Variance()/float64(a.N), b.Variance()/float64(b.N)
	se := math.Sqrt(va + vb)
	if !(se > 0) {
		return d, nan, nan
	}
	df = (va + vb) * (va + vb) / (va*va/float64(a.N-1) + vb*vb/float64(b.N-1))
	half := statistics.StudentFactor(df, d.Confidence) * se
	d.Low, d.High = d.Value-half, d.Value+half
	return d, d.Value / se, df
}

// mostExact is the number of values up to which the rank test counts out every
// way of dealing them to two groups.
const mostExact = 30

// RankShift compares b with a by ranks: the shift of Hodges and Lehmann (the
// median of all differences b - a) with its interval, the U of b (pairs in
// which b is higher, equal ones half) and the p of Mann and Whitney, two-sided.
//
// Up to 30 values p is exact, ties included; beyond, normal with ties and
// continuity corrected. The interval counts pairs as for values without ties,
// which with ties is on the safe side; with so few values that even a complete
// separation is not unlikely enough, Low and High are NaN. No value in a group:
// all NaN. All values the same: shift 0, p 1. NaN and infinite values are left
// out.
func RankShift(a, b []float64, confidence float64) (shift Estimate, u, p float64) {
	nan := math.NaN()
	shift = Estimate{Value: nan, Low: nan, High: nan, Confidence: usualConfidence(confidence), Method: MethodShift}
	a, b = slices.Clone(statistics.FiniteOnly(a)), slices.Clone(statistics.FiniteOnly(b))
	if len(a) == 0 || len(b) == 0 {
		return shift, nan, nan
	}
	slices.Sort(a)
	slices.Sort(b)
	ranks, w, ties := mergedRanks(a, b)
	na, nb := len(a), len(b)
	n, pairs := float64(na+nb), int64(na)*int64(nb)
	u = w - float64(nb)*float64(nb+1)/2
	middle := float64(pairs) / 2
	var least int64 // pairs to leave out at each end
	alpha := 1 - shift.Confidence
	if na+nb <= mostExact {
		p = exactRankTest(ranks, nb, w)
		plain := make([]float64, na+nb)
		for i := range plain {
			plain[i] = float64(i + 1)
		}
		least = exactLeast(plain, nb, alpha/2)
	} else {
		sd := math.Sqrt(float64(pairs) / 12 * (n + 1 - ties/(n*(n-1))))
		p = 1
		if d := math.Abs(u-middle) - 0.5; sd > 0 && d > 0 {
			p = statistics.NormalTail(d / sd)
		}
		plain := math.Sqrt(float64(pairs) * (n + 1) / 12)
		least = int64(math.Floor(middle - statistics.NormalFactor(shift.Confidence)*plain + 0.5))
	}
	shift.Value = (kthDifference(a, b, (pairs+1)/2) + kthDifference(a, b, pairs/2+1)) / 2
	if least >= 1 {
		shift.Low, shift.High = kthDifference(a, b, least), kthDifference(a, b, pairs+1-least)
	}
	return shift, u, p
}

// rankSums counts in how many ways k of the ranks have each sum. Sums are
// doubled, midranks being halves.
func rankSums(ranks []float64, k int) (ways []float64) {
	most := 0
	for _, r := range ranks {
		most += int(2 * r)
	}
	by := make([][]float64, k+1) // how many are taken, sum
	for i := range by {
		by[i] = make([]float64, most+1)
	}
	by[0][0] = 1
	for i, r := range ranks {
		step := int(2 * r)
		for taken := min(i, k-1); taken >= 0; taken-- {
			from, to := by[taken], by[taken+1]
			for s := most - step; s >= 0; s-- {
				to[s+step] += from[s]
			}
		}
	}
	return by[k]
}

// exactRankTest is twice the chance of a rank sum of k values at least as far
// out on the side where w lies.
func exactRankTest(ranks []float64, k int, w float64) float64 {
	var all, below, above float64
	for s, ways := range rankSums(ranks, k) {
		all += ways
		if float64(s) <= 2*w {
			below += ways
		}
		if float64(s) >= 2*w {
			above += ways
		}
	}
	return min(1, 2*min(below, above)/all)
}

// exactLeast is the greatest number l such that the chance of a U below l is at
// most tail.
func exactLeast(ranks []float64, k int, tail float64) int64 {
	ways := rankSums(ranks, k)
	var all, below float64
	for _, w := range ways {
		all += w
	}
	lowest := k * (k + 1) // doubled rank sum where U is 0
	least := int64(0)
	for s := lowest; s < len(ways); s += 2 {
		below += ways[s]
		if below > tail*all {
			break
		}
		least++
	}
	return least
}

// mergedRanks are the midranks of two sorted lists together, the sum w of those
// of b, and the sum of t^3 - t over groups of t equal values.
func mergedRanks(a, b []float64) (ranks []float64, w, ties float64) {
	ranks = make([]float64, 0, len(a)+len(b))
	for i, j := 0, 0; i < len(a) || j < len(b); {
		var v float64
		if j == len(b) || i < len(a) && a[i] <= b[j] {
			v = a[i]
		} else {
			v = b[j]
		}
		i0, j0 := i, j
		for i < len(a) && a[i] == v {
			i++
		}
		for j < len(b) && b[j] == v {
			j++
		}
		rank := float64(i0+j0+i+j+1) / 2
		for range i - i0 + j - j0 {
			ranks = append(ranks, rank)
		}
		w += rank * float64(j-j0)
		t := float64(i - i0 + j - j0)
		ties += t*t*t - t
	}
	return ranks, w, ties
}

// kthDifference is the k-th smallest (1 first) of all differences b - a of
// sorted values. It bisects the numbers themselves (counting how many
// differences are no larger takes one walk through both) until so few are left
// that they can be written out.
func kthDifference(a, b []float64, k int64) float64 {
	atMost := func(d float64) int64 {
		var count int64
		j := 0
		for _, v := range a {
			for j < len(b) && b[j]-v <= d {
				j++
			}
			count += int64(j)
		}
		return count
	}
	// The k-th lies above low, of which under differences are no larger, and
	// is no larger than high.
	low, high := inOrder(math.Nextafter(b[0]-a[len(a)-1], math.Inf(-1))), inOrder(b[len(b)-1]-a[0])
	under, upto := int64(0), int64(len(a))*int64(len(b))
	few := int64(len(a) + len(b))
	for high-low > 1 && upto-under > few {
		middle := low + (high-low)/2
		if n := atMost(fromOrder(middle)); n >= k {
			high, upto = middle, n
		} else {
			low, under = middle, n
		}
	}
	if high-low == 1 {
		return fromOrder(high)
	}
	left := make([]float64, 0, upto-under)
	from, to := fromOrder(low), fromOrder(high)
	j := 0
	for _, v := range a {
		for j < len(b) && b[j]-v <= from {
			j++
		}
		for _, w := range b[j:] {
			if w-v > to {
				break
			}
			left = append(left, w-v)
		}
	}
	slices.Sort(left)
	return left[k-under-1]
}

// inOrder maps numbers to whole numbers in the same order.
func inOrder(v float64) uint64 {
	if v == 0 {
		v = 0 // no sign
	}
	bits := math.Float64bits(v)
	if bits>>63 == 1 {
		return ^bits
	}
	return bits | 1<<63
}

func fromOrder(bits uint64) float64 {
	if bits>>63 == 1 {
		return math.Float64frombits(bits &^ (1 << 63))
	}
	return math.Float64frombits(^bits)
}

// shapeOf says why the mean and standard deviation of sorted values do not tell
// enough of them; nil where nothing speaks against it, and of fewer than four.
//
// Far out is beyond three times the distance of the quartiles from them
// (Tukey's outer fences: of normal values, two in a million). Lopsided is a
// skewness beyond 1 that is beyond three times its own standard deviation too.
func shapeOf(sorted []float64) *Remark {
	n := len(sorted)
	if n < 4 || sorted[0] == sorted[n-1] {
		return nil
	}
	q1, q3 := statistics.Quantile(sorted, 0.25), statistics.Quantile(sorted, 0.75)
	far := 0
	for _, v := range sorted {
		if v < q1-3*(q3-q1) || v > q3+3*(q3-q1) {
			far++
		}
	}
	switch {
	case q1 == q3:
		return &Remark{Code: HalfAlike}
	case far > 0:
		r := remark(FarOut, far)
		return &r
	}
	var m2, m3 float64
	mean := statistics.Mean(sorted)
	for _, v := range sorted {
		d := v - mean
		m2 += d * d
		m3 += d * d * d
	}
	m2, m3 = m2/float64(n), m3/float64(n)
	if skew := math.Abs(m3) / math.Pow(m2, 1.5); skew > max(1, 3*math.Sqrt(6/float64(n))) {
		return &Remark{Code: Lopsided}
	}
	return nil
}

// compareLevel picks the method and compares. a and b have at least one value;
// Values are sorted.
func compareLevel(a, b Sample, population *Moments, confidence float64) LevelDifference {
	nan := math.NaN()
	unknown := Estimate{Value: nan, Low: nan, High: nan, Confidence: confidence}
	l := LevelDifference{Spreads: unknown}
	var t, df float64
	l.Mean, t, df = WelchDifference(a.Moments, b.Moments, confidence)
	l.Difference = l.Mean
	spread := math.Sqrt((a.Moments.Variance() + b.Moments.Variance()) / 2)
	switch {
	case a.N == 1 && b.N == 1:
		l.Mean = unknown
		l.Difference.Method = MethodPopulation
		l.because(NoPopulation)
		if population == nil || population.N < 2 || !(population.M2 > 0) {
			return l
		}
		l.Population = population.N
		spread = math.Sqrt(population.Variance())
		l.because(AgainstPopulation, population.N)
		l.Test = &Test{P: statistics.StudentTail(l.Difference.Value/(spread*math.Sqrt2), float64(population.N-1))}
	case a.N == 1 || b.N == 1:
		group := a.Moments
		if a.N == 1 {
			group = b.Moments
		}
		l.Mean = unknown
		l.Difference.Method = MethodSingle
		l.because(AgainstGroup, group.N)
		spread = math.Sqrt(group.Variance())
		if !(spread > 0) {
			l.because(GroupFlat)
			return l
		}
		se := spread * math.Sqrt(1+1/float64(group.N))
		half := statistics.StudentFactor(float64(group.N-1), confidence) * se
		l.Difference.Low, l.Difference.High = l.Difference.Value-half, l.Difference.Value+half
		l.Test = &Test{P: statistics.StudentTail(l.Difference.Value/se, float64(group.N-1))}
	case spread == 0:
		// Both constant: the ranks are known without the values.
		l.because(GroupsFlat)
		l.Difference.Method = MethodShift
		l.Difference.Low, l.Difference.High = l.Difference.Value, l.Difference.Value
		p := 1.0
		if l.Difference.Value != 0 {
			p = min(1, 2*math.Exp(-logChoose(a.N+b.N, a.N)))
		}
		l.Test = &Test{P: p}
		return l
	default:
		l.Test = &Test{P: statistics.StudentTail(t, df)}
		l.robust(a, b, confidence)
	}
	if spread > 0 {
		l.Spreads.Value, l.Spreads.Low, l.Spreads.High = l.Difference.Value/spread, l.Difference.Low/spread,
			l.Difference.High/spread
	}
	return l
}

// robust goes over to ranks where the values ask for it and are there.
func (l *LevelDifference) robust(a, b Sample, confidence float64) {
	if int64(len(a.Values)) != a.N || int64(len(b.Values)) != b.N {
		return
	}
	for _, s := range []Sample{a, b} {
		if l.Shape = shapeOf(s.Values); l.Shape != nil {
			break
		}
	}
	if l.Shape == nil {
		return
	}
	shift, u, p := RankShift(a.Values, b.Values, confidence)
	if math.IsNaN(shift.Low) {
		l.because(TooFewForRanks)
		return
	}
	higher := u / (float64(a.N) * float64(b.N))
	l.Difference, l.Higher, l.Test = shift, &higher, &Test{P: p}
}

func (l *LevelDifference) because(code Code, args ...any) {
	r := remark(code, args...)
	l.Why = &r
}

// logChoose is the logarithm of n over k.
func logChoose(n, k int64) float64 {
	a, _ := math.Lgamma(float64(n) + 1)
	b, _ := math.Lgamma(float64(k) + 1)
	c, _ := math.Lgamma(float64(n-k) + 1)
	return a - b - c
}

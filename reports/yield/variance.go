package yield

import (
	"cmp"
	"math"
	"slices"
	"strconv"

	"gonum.org/v1/gonum/mathext"
	"gonum.org/v1/gonum/stat/distuv"
)

// MomentsOf sums up values, without those that are NaN or infinite; dropped is
// how many those are. No value: N 0 and all else 0.
//
// The mean is taken from the first value on and the squares from the mean, so
// that values far from zero keep their digits (NIST StRD, NumAcc4).
func MomentsOf(name, unit string, values []float64) (m Moments, dropped int) {
	x := finiteOnly(values)
	dropped = len(values) - len(x)
	m = Moments{Name: name, Unit: unit, N: int64(len(x))}
	if len(x) == 0 {
		return m, dropped
	}
	m.Min, m.Max = slices.Min(x), slices.Max(x)
	offset := meanFrom(x[0], x)
	m.Mean = x[0] + offset
	var sum float64 // of differences from the mean; nought but for rounding
	for _, v := range x {
		d := v - x[0] - offset
		m.M2 += d * d
		sum += d
	}
	m.M2 -= sum * sum / float64(len(x))
	if m.Min == m.Max { // rounding must not make constant values scatter
		m.Mean, m.M2 = m.Min, 0
	}
	return m, dropped
}

// meanFrom is the mean of x less origin.
func meanFrom(origin float64, x []float64) float64 {
	var sum float64
	for _, v := range x {
		sum += v - origin
	}
	return sum / float64(len(x))
}

// momentVariance is the variance (n - 1); NaN below two values.
func momentVariance(m Moments) float64 {
	if m.N < 2 {
		return math.NaN()
	}
	return max(0, m.M2) / float64(m.N-1)
}

// finiteOnly is x itself where all of it is finite.
func finiteOnly(x []float64) []float64 {
	bad := func(v float64) bool { return math.IsNaN(v) || math.IsInf(v, 0) }
	if !slices.ContainsFunc(x, bad) {
		return x
	}
	return slices.DeleteFunc(slices.Clone(x), bad)
}

// LagOne is the lag-1 autocorrelation about the mean as NIST StRD defines it:
// how alike neighbours are. 0 for constant values and for fewer than two.
func LagOne(x []float64) float64 {
	if len(x) < 2 {
		return 0
	}
	offset := meanFrom(x[0], x)
	var num, den, last float64
	constant := true
	for i, v := range x {
		d := v - x[0] - offset
		den += d * d
		if i > 0 {
			num += d * last
		}
		last = d
		constant = constant && v == x[0]
	}
	if den == 0 || constant {
		return 0
	}
	return num / den
}

// sortedQuantile is that of sorted values by rank p(N+1), interpolated
// (e-Handbook 7.2.6.2); NaN for none.
func sortedQuantile(sorted []float64, p float64) float64 {
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

// midranks are the ranks of x, 1 first, equal values sharing the mean of theirs;
// ties is the sum of t^3 - t over groups of t equal values.
func midranks(x []float64) (ranks []float64, ties float64) {
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

// studentTail is the chance of a t at least as far from 0, both sides.
func studentTail(t, df float64) float64 {
	if math.IsInf(df, 1) {
		return normalTail(t)
	}
	return mathext.RegIncBeta(df/2, 0.5, df/(df+t*t))
}

// studentFactor is the factor of a two-sided interval by Student's t.
func studentFactor(df, confidence float64) float64 {
	if df > 1e7 {
		return normalFactor(confidence)
	}
	return distuv.StudentsT{Mu: 0, Sigma: 1, Nu: df}.Quantile((1 + confidence) / 2)
}

// normalTail is the chance of a z at least as far from 0, both sides.
func normalTail(z float64) float64 { return math.Erfc(math.Abs(z) / math.Sqrt2) }

func normalFactor(confidence float64) float64 {
	return distuv.UnitNormal.Quantile((1 + confidence) / 2)
}

// ratioTail is the chance of a larger F. It keeps its digits where the chance
// is small, which 1 - CDF does not.
func ratioTail(f, d1, d2 float64) float64 {
	return mathext.RegIncBeta(d2/2, d1/2, d2/(d2+d1*f))
}

// ratioQuantile is the F below which a share p of all lies: the smaller beta
// tail is inverted, which keeps its digits.
func ratioQuantile(p, d1, d2 float64) float64 {
	if p < 0.5 {
		return 1 / ratioQuantile(1-p, d2, d1)
	}
	x := betaQuantile(d2/2, d1/2, 1-p)
	return d2 * (1 - x) / (d1 * x)
}

// chiTail is the chance of a larger chi-square.
func chiTail(x, df float64) float64 { return mathext.GammaIncRegComp(df/2, x/2) }

// Say writes a value for people, with the unit's symbol.
type Say func(value float64, unit string) string

// plainSay writes three digits and the unit as it is.
func plainSay(v float64, unit string) string {
	text := sayDigits(v, 3)
	if unit == "" || unit == "1" {
		return text
	}
	return text + " " + unit
}

func (s Say) orPlain() Say {
	if s == nil {
		return plainSay
	}
	return s
}

// sayDigits rounds to so many significant digits, without exponent for sizes
// people meet.
func sayDigits(v float64, digits int) string {
	if a := math.Abs(v); a != 0 && (a < 1e-4 || a >= 1e7) {
		return strconv.FormatFloat(v, 'g', digits, 64)
	}
	rounded, err := strconv.ParseFloat(strconv.FormatFloat(v, 'e', digits-1, 64), 64)
	if err != nil {
		rounded = v
	}
	return strconv.FormatFloat(rounded, 'f', -1, 64)
}

// sayShare writes a share for people: 0.034 is "3.4 %".
func sayShare(x float64) string {
	digits := 2
	if math.Abs(x) >= 0.9995 || math.Abs(x) >= 0.95 && math.Abs(x) < 1 {
		digits = 3
	}
	return sayDigits(100*x, digits) + " %"
}

// sayPoints is a difference of two shares, in words "3.3 points".
func sayPoints(x float64) string { return sayDigits(100*x, 2) + " points" }

// sayChance writes a probability: "3.4 %", "less than 0.1 %".
func sayChance(p float64) string {
	if p < 0.001 {
		return "less than 0.1 %"
	}
	return sayShare(p)
}

package yield

import (
	"cmp"
	"math"
	"slices"

	"fullthrow/reports/statistics"
)

// Methods of comparing spreads and shares.
const (
	// MethodBonett is the interval of a ratio of standard deviations that
	// reckons with heavy tails (Bonett 2006).
	MethodBonett = "Bonett"
	// MethodBrownForsythe tests spreads by distances from the median (Brown and
	// Forsythe 1974; Levene's test with medians, e-Handbook 1.3.5.10).
	MethodBrownForsythe = "Brown-Forsythe"
)

// SpreadDifference is how much group B scatters against group A.
type SpreadDifference struct {
	A float64 `json:"a"` // standard deviations, n - 1
	B float64 `json:"b"`
	// Ratio is B / A by standard deviations; without interval where the values
	// one by one are not at hand or fewer than five, NaN where A does not
	// scatter.
	Ratio Estimate `json:"ratio"`
	Test  *Test    `json:"test,omitempty"` // Brown-Forsythe; nil without values
}

// compareSpread is nil where a group has fewer than two values.
func compareSpread(a, b Sample, confidence float64) *SpreadDifference {
	if a.N < 2 || b.N < 2 {
		return nil
	}
	s := &SpreadDifference{A: math.Sqrt(a.Moments.Variance()), B: math.Sqrt(b.Moments.Variance())}
	nan := math.NaN()
	s.Ratio = Estimate{Value: nan, Low: nan, High: nan, Confidence: confidence, Method: MethodBonett}
	if s.A > 0 {
		s.Ratio.Value = s.B / s.A
	}
	if int64(len(a.Values)) != a.N || int64(len(b.Values)) != b.N {
		return s
	}
	s.Ratio = SpreadRatio(a.Values, b.Values, confidence)
	if _, p, ok := BrownForsythe([][]float64{a.Values, b.Values}); ok {
		s.Test = &Test{P: p}
	}
	return s
}

// SpreadRatio is the standard deviation of b by that of a, with the interval of
// Bonett 2006: by the scatter of the logarithms of the variances, with the
// kurtosis of both groups together taken about trimmed means. Fewer than five
// values in a group, or one that does not scatter: no interval; NaN where a
// does not scatter. NaN and infinite values are left out.
func SpreadRatio(a, b []float64, confidence float64) Estimate {
	nan := math.NaN()
	e := Estimate{Value: nan, Low: nan, High: nan, Confidence: usualConfidence(confidence), Method: MethodBonett}
	ma, _ := MomentsOf("", "", a)
	mb, _ := MomentsOf("", "", b)
	if ma.N < 2 || mb.N < 2 || !(ma.M2 > 0) {
		return e
	}
	e.Value = math.Sqrt(mb.Variance() / ma.Variance())
	if ma.N < 5 || mb.N < 5 || !(mb.M2 > 0) {
		return e
	}
	z := statistics.NormalFactor(e.Confidence)
	var fourth float64
	for _, x := range [][]float64{a, b} {
		x = statistics.FiniteOnly(x)
		m := trimmedMean(x, 0.5/math.Sqrt(float64(len(x)-4)))
		for _, v := range x {
			d := (v - m) * (v - m)
			fourth += d * d
		}
	}
	na, nb := float64(ma.N), float64(mb.N)
	kurtosis := (na + nb) * fourth / ((ma.M2 + mb.M2) * (ma.M2 + mb.M2))
	se := math.Sqrt((kurtosis-(na-3)/na)/(na-1) + (kurtosis-(nb-3)/nb)/(nb-1))
	small := (nb / (nb - z)) / (na / (na - z)) // for few values
	e.Low = e.Value * math.Sqrt(small*math.Exp(-z*se))
	e.High = e.Value * math.Sqrt(small*math.Exp(z*se))
	return e
}

// trimmedMean leaves out a share of the values, at each end.
func trimmedMean(x []float64, share float64) float64 {
	s := slices.Clone(x)
	slices.Sort(s)
	k := min(int(share*float64(len(s))), (len(s)-1)/2)
	s = s[k : len(s)-k]
	return statistics.Mean(s)
}

// BrownForsythe asks whether groups scatter alike: an analysis of variance of
// the distances from each group's median. It needs two groups of at least two
// values and some scatter of these distances; else ok is false. NaN and
// infinite values are left out.
func BrownForsythe(groups [][]float64) (w, p float64, ok bool) {
	var distances []statistics.Moments
	for _, g := range groups {
		g = statistics.FiniteOnly(g)
		if len(g) < 2 {
			return 0, 0, false
		}
		sorted := slices.Clone(g)
		slices.Sort(sorted)
		median := statistics.Quantile(sorted, 0.5)
		for i, v := range g {
			sorted[i] = math.Abs(v - median)
		}
		m, _ := statistics.MomentsOf(sorted)
		distances = append(distances, m)
	}
	r, err := statistics.AnalyseVariance(distances)
	if err != nil || r.F == nil {
		return 0, 0, false
	}
	return *r.F, *r.P, true
}

// ShareDifference is a share of failures, or a yield, in two groups.
type ShareDifference struct {
	A          Share    `json:"a"`
	B          Share    `json:"b"`
	Difference Estimate `json:"difference"` // B less A, by Newcombe
	// Test is Fisher's exact one; nil where all or none fail in both groups,
	// and there is nothing to tell.
	Test *Test `json:"test,omitempty"`
}

// CompareShares compares xa of na with xb of nb. A count that cannot be gives a
// share that is not known, and no test.
func CompareShares(xa, na, xb, nb int64, confidence float64) ShareDifference {
	c := usualConfidence(confidence)
	s := ShareDifference{A: NewShare(xa, na, c), B: NewShare(xb, nb, c)}
	s.Difference = Estimate{Value: s.B.Value - s.A.Value, Confidence: c, Method: MethodNewcombe}
	s.Difference.Low, s.Difference.High = statistics.Newcombe(float64(xb), float64(nb), float64(xa), float64(na), c)
	if s.A.Known() && s.B.Known() && xa+xb > 0 && xa+xb < na+nb {
		s.Test = &Test{P: statistics.FisherExact(xa, na, xb, nb)}
	}
	return s
}

// Correction says how chances are corrected for the number of questions asked
// at once: of 60 readings that do not differ, three would seem to, each taken
// alone at 95 %.
type Correction string

// The corrections.
const (
	// Holm keeps the chance that any difference claimed is none below 1 -
	// confidence (Holm 1979). The default.
	Holm Correction = "holm"
	// BenjaminiHochberg keeps the share of differences claimed that are none
	// below 1 - confidence on average (Benjamini and Hochberg 1995): it finds
	// more, for a first look.
	BenjaminiHochberg Correction = "benjamini-hochberg"
	// NoCorrection takes each question alone.
	NoCorrection Correction = "none"
)

// Adjust corrects p-values of questions asked at once, in their order: what is
// below 1 - confidence afterwards counts. NaN stays NaN and is not counted as a
// question. Any other correction than those named is taken for Holm's.
func Adjust(p []float64, c Correction) []float64 {
	out := slices.Clone(p)
	var order []int
	for i, v := range p {
		if !math.IsNaN(v) {
			order = append(order, i)
		}
	}
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(p[a], p[b]) })
	m := float64(len(order))
	switch c {
	case NoCorrection:
	case BenjaminiHochberg:
		least := 1.0
		for k := len(order) - 1; k >= 0; k-- {
			least = min(least, m/float64(k+1)*p[order[k]])
			out[order[k]] = least
		}
	default:
		greatest := 0.0
		for k, i := range order {
			greatest = max(greatest, min(1, (m-float64(k))*p[i]))
			out[i] = greatest
		}
	}
	return out
}

// Test is the answer to "could chance alone do this?".
type Test struct {
	P        float64 `json:"p"`        // chance of a difference at least this large if there were none
	Adjusted float64 `json:"adjusted"` // the same, corrected for the number of questions asked
}

// correct fills in Adjusted; tests that are nil are no questions.
func correct(tests []*Test, c Correction) (asked int) {
	tests = slices.DeleteFunc(tests, func(t *Test) bool { return t == nil })
	p := make([]float64, len(tests))
	for i, t := range tests {
		p[i] = t.P
	}
	for i, a := range Adjust(p, c) {
		tests[i].Adjusted = a
	}
	return len(tests)
}

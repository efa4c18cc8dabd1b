package yield

import "fullthrow/reports/statistics"

// OneWay is [statistics.OneWay] with the share of the spread that lies between
// groups.
type OneWay struct {
	statistics.OneWay
	// BetweenShare is BetweenVariance of the sum of both variances
	// ([statistics.OneWay.BetweenShare]). NaN where nothing scatters.
	BetweenShare Estimate `json:"between_share"`
}

// MethodVariance is the interval of a share of variance by the ratio F.
const MethodVariance = "analysis of variance"

// AnalyseVariance is [statistics.AnalyseVariance] of readings, at the confidence
// given for the share between.
func AnalyseVariance(groups []Moments, confidence float64) (OneWay, error) {
	var plain []statistics.Moments
	for _, g := range groups {
		plain = append(plain, g.Moments)
	}
	v, err := statistics.AnalyseVariance(plain)
	if err != nil {
		return OneWay{}, err
	}
	r := OneWay{v, Estimate{Confidence: usualConfidence(confidence), Method: MethodVariance}}
	r.BetweenShare.Value, r.BetweenShare.Low, r.BetweenShare.High = v.BetweenShare(r.BetweenShare.Confidence)
	return r, nil
}

// KruskalWallis asks by ranks whether groups lie alike: H with ties corrected,
// and its p by chi-square, near for groups of five and more. Groups without a
// value are left out, as are NaN and infinite values. Fewer than two groups, or
// all values the same: ok is false.
func KruskalWallis(groups [][]float64) (h, p float64, ok bool) {
	var all []float64
	var sizes []int
	for _, g := range groups {
		if g = statistics.FiniteOnly(g); len(g) > 0 {
			all = append(all, g...)
			sizes = append(sizes, len(g))
		}
	}
	if len(sizes) < 2 {
		return 0, 0, false
	}
	ranks, ties := statistics.Ranks(all)
	n := float64(len(all))
	correction := 1 - ties/(n*n*n-n)
	if !(correction > 0) {
		return 0, 0, false
	}
	at := 0
	for _, size := range sizes {
		var sum float64
		for _, r := range ranks[at : at+size] {
			sum += r - (n+1)/2
		}
		at += size
		h += sum * sum / float64(size)
	}
	h *= 12 / (n * (n + 1)) / correction
	return h, statistics.ChiSquareTail(h, float64(len(sizes)-1)), true
}

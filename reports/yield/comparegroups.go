package yield

import (
	"cmp"
	"math"
	"slices"

	"fullthrow/reports/statistics"
)

// Keyed is one reading of one of several groups.
type Keyed struct {
	Key string // "LQ-1"
	Sample
}

// GroupComparison is one reading in several groups: stations, lots, nests.
type GroupComparison struct {
	Name string `json:"name"` // check.reading
	Unit string `json:"unit"`
	// Groups by how far they lie off, the farthest first.
	Groups []GroupOffset `json:"groups"`
	// Variance is nil where there are not two groups with a value more than
	// groups; State says so.
	Variance *OneWay `json:"variance,omitempty"`
	// Ranks is the test of Kruskal and Wallis, which does not mind values far
	// out or lopsided; nil without values one by one.
	Ranks  *RankTest `json:"ranks,omitempty"`
	Spread *Test     `json:"spread,omitempty"` // Brown-Forsythe; nil without values
	// UseRanks says why the ranks are to be believed rather than the analysis of
	// variance, and RanksFor of which group; nil if they need not.
	UseRanks *Remark    `json:"use_ranks,omitempty"`
	RanksFor string     `json:"ranks_for,omitempty"`
	State    GroupState `json:"state"`
	Differ   bool       `json:"differ"` // beyond chance
	Cautions []Remark   `json:"cautions,omitempty"`
}

// GroupState is what can be said of several groups.
type GroupState string

// The states.
const (
	GroupsEmpty  GroupState = "empty"  // none has a value
	GroupsOne    GroupState = "alone"  // only one has: nothing to compare it with
	GroupsSingle GroupState = "single" // one value in each: nothing can be told from chance
	GroupsSame   GroupState = "same"   // all values are
	GroupsApart  GroupState = "apart"  // they differ, and none of them scatters
	GroupsAlike  GroupState = "alike"  // no difference beyond chance
	GroupsDiffer GroupState = "differ" // beyond chance
)

// RankTest is the result of Kruskal and Wallis.
type RankTest struct {
	H       float64 `json:"h"`
	Freedom int     `json:"freedom"`
	P       float64 `json:"p"`
}

// GroupOffset is how one group lies against the others.
type GroupOffset struct {
	Key string `json:"key"`
	SideFigures
	// Offset is the group's mean less the mean of the other groups' means, each
	// group counting alike, with its interval (Welch and Satterthwaite); Low
	// and High NaN where it or all the others have a single value.
	Offset Estimate `json:"offset"`
	// Test is corrected for the number of groups; nil where none is possible.
	Test *Test `json:"test,omitempty"`
	// Share is Offset as a share of the width between both limits; NaN without.
	Share Estimate `json:"share"`
}

// CompareGroups compares one reading in several groups. Groups without a value
// are left out; with fewer than two groups, or one value in each, it says that
// nothing can be compared. Limits are those of the first group that has both.
func CompareGroups(groups []Keyed, o CompareOptions) GroupComparison {
	c := usualConfidence(o.Confidence)
	groups = slices.DeleteFunc(slices.Clone(groups), func(g Keyed) bool { return g.N < 1 })
	for i := range groups {
		groups[i].Sample = inOrderOfSize(groups[i].Sample)
	}
	var r GroupComparison
	if len(groups) == 0 {
		r.State = GroupsEmpty
		return r
	}
	r.Name, r.Unit = groups[0].Name, groups[0].Unit
	var moments []Moments
	var values [][]float64
	width := math.NaN()
	for _, g := range groups {
		moments = append(moments, g.Moments)
		if int64(len(g.Values)) == g.N {
			values = append(values, g.Values)
			if why := shapeOf(g.Values); why != nil && r.UseRanks == nil {
				r.UseRanks, r.RanksFor = why, g.Key
			}
		}
		if math.IsNaN(width) && g.Lower != nil && g.Upper != nil && *g.Upper > *g.Lower {
			width = *g.Upper - *g.Lower
		}
	}
	if v, err := AnalyseVariance(moments, c); err == nil {
		r.Variance = &v
	}
	if len(values) == len(groups) {
		if h, p, ok := KruskalWallis(values); ok {
			r.Ranks = &RankTest{H: h, Freedom: len(values) - 1, P: p}
		}
		if _, p, ok := BrownForsythe(values); ok {
			r.Spread = &Test{P: p, Adjusted: p}
		}
	} else {
		r.UseRanks, r.RanksFor = nil, ""
	}
	var tests []*Test
	for i, g := range groups {
		off := GroupOffset{Key: g.Key, SideFigures: sideFigures(g.Sample)}
		off.Offset, off.Test = groupOffset(moments, i, c)
		off.Share = off.Offset.over(width)
		r.Groups = append(r.Groups, off)
		tests = append(tests, off.Test)
	}
	correct(tests, o.Correction)
	slices.SortStableFunc(r.Groups, func(a, b GroupOffset) int {
		return cmp.Compare(math.Abs(b.Offset.Value), math.Abs(a.Offset.Value))
	})
	r.conclude(c)
	return r
}

// groupOffset compares the mean of one group with that of the others.
func groupOffset(groups []Moments, i int, confidence float64) (Estimate, *Test) {
	nan := math.NaN()
	e := Estimate{Value: nan, Low: nan, High: nan, Confidence: confidence, Method: MethodWelch}
	others := float64(len(groups) - 1)
	if others < 1 {
		return e, nil
	}
	var mean, variance, freedom float64
	for j, g := range groups {
		weight := -1 / others
		if j == i {
			weight = 1
		}
		mean += weight * (g.Mean - groups[i].Mean)
		v := weight * weight * g.Variance() / float64(g.N)
		variance += v
		if v > 0 {
			freedom += v * v / float64(g.N-1)
		}
	}
	e.Value = mean
	if !(variance > 0) { // NaN where a group has one value
		return e, nil
	}
	df, se := variance*variance/freedom, math.Sqrt(variance)
	half := statistics.StudentFactor(df, confidence) * se
	e.Low, e.High = mean-half, mean+half
	return e, &Test{P: statistics.StudentTail(mean/se, df)}
}

// conclude says what can be said.
func (r *GroupComparison) conclude(confidence float64) {
	switch {
	case len(r.Groups) < 2:
		r.State = GroupsOne
		return
	case r.Variance == nil:
		r.State = GroupsSingle
		return
	case r.Variance.F == nil && r.Variance.BetweenSS == 0:
		r.State = GroupsSame
		return
	case r.Variance.F == nil:
		r.State, r.Differ = GroupsApart, true
		return
	}
	p := *r.Variance.P
	if r.UseRanks != nil && r.Ranks != nil {
		p = r.Ranks.P
	}
	r.State = GroupsAlike
	if r.Differ = p <= 1-confidence; r.Differ {
		r.State = GroupsDiffer
	}
	if len(r.Groups) < 5 {
		r.Cautions = append(r.Cautions, remark(FewGroups, len(r.Groups)))
	}
	r.Cautions = append(r.Cautions, remark(MixUnknown))
	if r.Spread != nil && r.Spread.P <= 1-confidence {
		r.Cautions = append(r.Cautions, remark(ScatterDiffers))
	}
}

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

package yield

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

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
	// groups; then Text says so.
	Variance *OneWay `json:"variance,omitempty"`
	// Ranks is the test of Kruskal and Wallis, which does not mind values far
	// out or lopsided; nil without values one by one.
	Ranks  *RankTest `json:"ranks,omitempty"`
	Spread *Test     `json:"spread,omitempty"` // Brown-Forsythe; nil without values
	// UseRanks says in words why the ranks are to be believed rather than the
	// analysis of variance; "" if they need not.
	UseRanks string   `json:"use_ranks,omitempty"`
	Differ   bool     `json:"differ"` // beyond chance
	Text     string   `json:"text"`
	Cautions []string `json:"cautions,omitempty"`
}

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
	say := o.Say.orPlain()
	groups = slices.DeleteFunc(slices.Clone(groups), func(g Keyed) bool { return g.N < 1 })
	for i := range groups {
		groups[i].Sample = inOrderOfSize(groups[i].Sample)
	}
	var r GroupComparison
	if len(groups) == 0 {
		r.Text = "No group has a value: nothing can be compared."
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
			if why := shapeOf(g.Values); why != "" && r.UseRanks == "" {
				r.UseRanks = g.Key + ": " + why
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
		r.UseRanks = ""
	}
	var tests []*Test
	for i, g := range groups {
		off := GroupOffset{Key: g.Key, SideFigures: sideFigures(g.Sample)}
		off.Offset, off.Test = groupOffset(moments, i, c)
		e := off.Offset
		off.Share = Estimate{Value: e.Value / width, Low: e.Low / width, High: e.High / width, Confidence: c, Method: e.Method}
		r.Groups = append(r.Groups, off)
		tests = append(tests, off.Test)
	}
	correct(tests, o.Correction)
	slices.SortStableFunc(r.Groups, func(a, b GroupOffset) int {
		return cmp.Compare(math.Abs(b.Offset.Value), math.Abs(a.Offset.Value))
	})
	r.words(say, c)
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

func (r *GroupComparison) words(say Say, confidence float64) {
	var keys []string
	for _, g := range r.Groups {
		keys = append(keys, g.Key)
	}
	switch {
	case len(r.Groups) < 2:
		r.Text = fmt.Sprintf("%s: only %s has values, there is nothing to compare it with.", r.Name, keys[0])
		return
	case r.Variance == nil:
		r.Text = fmt.Sprintf("%s: one value in each of %s; nothing can be told from chance.", r.Name, strings.Join(keys, ", "))
		return
	case r.Variance.F == nil && r.Variance.BetweenSS == 0:
		r.Text = fmt.Sprintf("%s: all values are the same.", r.Name)
		return
	case r.Variance.F == nil:
		r.Differ = true
		r.Text = fmt.Sprintf("%s: the groups differ, and none of them scatters.", r.Name)
		return
	}
	p := *r.Variance.P
	if r.UseRanks != "" && r.Ranks != nil {
		p = r.Ranks.P
	}
	r.Differ = p <= 1-confidence
	share := r.Variance.BetweenShare
	if !r.Differ {
		r.Text = fmt.Sprintf("%s: %d groups do not differ beyond chance; of the spread %s may lie between them, at most %s.",
			r.Name, len(r.Groups), sayShare(share.Value), sayShare(share.High))
	} else {
		r.Text = fmt.Sprintf("%s: %s of the spread lies between groups and not within them (%s to %s)",
			r.Name, sayShare(share.Value), sayShare(share.Low), sayShare(share.High))
		g := r.Groups[0]
		how := "above"
		if g.Offset.Value < 0 {
			how = "below"
		}
		others := "the others"
		if len(r.Groups) == 2 {
			others = r.Groups[1].Key
		}
		r.Text += fmt.Sprintf("; %s reads %s %s %s", g.Key, say(math.Abs(g.Offset.Value), r.Unit), how, others)
		if low, high := g.Offset.Low, g.Offset.High; low < high {
			if g.Offset.Value < 0 {
				low, high = -high, -low
			}
			r.Text += " (" + say(low, r.Unit) + " to " + say(high, r.Unit) + ")"
		}
		if v := math.Abs(g.Share.Value); !math.IsNaN(v) {
			r.Text += ", " + sayShare(v) + " of the limits' width"
		}
		r.Text += "."
	}
	if len(r.Groups) < 5 {
		r.Cautions = append(r.Cautions, fmt.Sprintf("From %d groups the share between groups is known only roughly: see its interval.", len(r.Groups)))
	}
	r.Cautions = append(r.Cautions, "This holds a group to blame only if all groups got the same mix of units.")
	if r.Spread != nil && r.Spread.P <= 1-confidence {
		r.Cautions = append(r.Cautions, "The groups do not scatter alike.")
	}
}

package yield

import (
	"math"
	"time"

	"fullthrow/reports/statistics"
)

// Against says what a group is compared with.
type Against string

// What a group may be compared with.
const (
	AgainstRest Against = "rest" // all other groups together
)

// TrendResult is first-pass yield group by group, and which groups differ by
// more than chance.
type TrendResult struct {
	Whole      Share        `json:"whole"` // first-pass yield of all groups together
	Points     []TrendPoint `json:"points"`
	Against    Against      `json:"against"`
	Confidence float64      `json:"confidence"`
	Compared   int          `json:"compared"` // how many comparisons were made
	Differ     int          `json:"differ"`   // how many of the groups differ by more than chance
}

// TrendPoint is one group.
type TrendPoint struct {
	Key       string    `json:"key"`
	Start     time.Time `json:"start,omitzero"`
	Counts    Counts    `json:"counts"`
	FirstPass Share     `json:"first_pass"`
	// Other is the first-pass yield of what the group is compared with, and
	// Difference the group's less that one, with its interval (Newcombe 1998);
	// the interval is for this group by itself, not corrected for many.
	Other      Share    `json:"other"`
	Difference Estimate `json:"difference"`
	// Chance is the probability that two like groups differ so much
	// ([FisherExact]); Corrected is the same for so many comparisons
	// ([HolmBonferroni]). NaN where there was nothing to compare.
	Chance    Probability `json:"chance"`
	Corrected Probability `json:"corrected"`
	// Differs is -1 if the group is lower and +1 if it is higher than Other by
	// more than chance, else 0: not shown to differ, which is not the same as
	// shown to be equal.
	Differs int `json:"differs"`
}

// TrendOptions for [Trend].
type TrendOptions struct {
	Confidence float64 // [DefaultConfidence] if not given
}

// Trend gives the first-pass yield of each group, in the order given, nothing
// smoothed, and compares it.
//
// A group differs where Corrected is at most 1 - confidence: then the chance of
// naming even one group wrongly, if all are alike, is at most that, however
// many groups there are. The test is exact and errs on the side of silence.
//
// Special inputs: a group without units has a yield that is not known and is not
// compared; nor is one that has nothing to be compared with.
func Trend(groups []Group, o TrendOptions) TrendResult {
	o.Confidence = usualConfidence(o.Confidence)
	whole := Sum(groups)
	r := TrendResult{Whole: NewShare(whole.FirstPassed, whole.Units, o.Confidence), Against: AgainstRest,
		Confidence: o.Confidence}
	var chances []float64
	var compared []int
	withUnits := 0
	for i, g := range groups {
		other := whole.Minus(g.Counts)
		p := TrendPoint{
			Key: g.Key, Start: g.Start, Counts: g.Counts,
			FirstPass: NewShare(g.Counts.FirstPassed, g.Counts.Units, o.Confidence),
			Other:     NewShare(other.FirstPassed, other.Units, o.Confidence),
			Chance:    Probability(math.NaN()), Corrected: Probability(math.NaN()),
			Difference: unknownEstimate(-1, 1, o.Confidence, MethodNewcombe),
		}
		if p.FirstPass.Known() {
			withUnits++
		}
		if a, b := p.FirstPass, p.Other; a.Known() && b.Known() {
			d := &p.Difference
			d.Value = a.Value - b.Value
			d.Low, d.High = statistics.Newcombe(float64(a.Count), float64(a.Of), float64(b.Count), float64(b.Of),
				o.Confidence)
			chances = append(chances, statistics.FisherExact(a.Count, a.Of, b.Count, b.Of))
			compared = append(compared, i)
		}
		r.Points = append(r.Points, p)
	}
	r.Compared = len(chances)
	corrected := HolmBonferroni(chances)
	if withUnits == 2 { // each is the other's rest: one comparison
		r.Compared, corrected = 1, chances
	}
	for j, i := range compared {
		p := &r.Points[i]
		p.Chance, p.Corrected = Probability(chances[j]), Probability(corrected[j])
		if corrected[j] <= 1-o.Confidence {
			r.Differ++
			p.Differs = 1
			if p.Difference.Value < 0 {
				p.Differs = -1
			}
		}
	}
	return r
}

// HolmBonferroni corrects the probabilities of many tests, in their order, so
// that the chance of even one false alarm among them stays what is accepted for
// one (Holm 1979, Scandinavian Journal of Statistics 6, 65-70). They need not be
// independent. NaN stays NaN and counts as no test.
func HolmBonferroni(p []float64) []float64 { return Adjust(p, Holm) }

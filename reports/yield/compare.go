package yield

import (
	"cmp"
	"math"
	"slices"

	"fullthrow/reports/statistics"
)

// Sample is one reading of one group. Moments alone are enough for means; the
// values one by one allow ranks and the comparison of spreads.
type Sample struct {
	Moments
	Values []float64 `json:"-"` // all N of them, or nil
	// Dropped is how many values were left out, not being finite.
	Dropped int `json:"dropped,omitempty"`
	// LimitChanged says that not all values were judged by the same limit.
	LimitChanged bool `json:"limit_changed,omitempty"`
}

// SampleOf takes in a series: values that are not finite are left out, points
// judged "fail" counted as failed.
func SampleOf(s Series) Sample {
	out := Sample{LimitChanged: s.LimitChanged, Values: statistics.FiniteOnly(s.Values())}
	out.Moments, out.Dropped = MomentsOf(s.Name, s.Unit, out.Values)
	out.Dropped = len(s.Points) - len(out.Values)
	out.Lower, out.Upper = s.Lower, s.Upper
	for _, p := range s.Points {
		if p.Verdict == "fail" {
			out.Failed++
		}
	}
	return out
}

// Side is one of two groups: a unit, a lot, a station, a revision, a product.
type Side struct {
	Name   string  // as people call it: "lot 24A"
	Counts *Counts // nil: yields are not compared
	// Readings by name. What has no value in one side counts as not there.
	Readings []Sample
}

// CompareOptions for [Compare] and [CompareGroups]. The zero value is usable.
type CompareOptions struct {
	Confidence float64    // of intervals, and of what counts as a difference; 0.95 if not between 0 and 1
	Correction Correction // for many readings; Holm if not given
	// Population is the spread single units are set against: Moments of many
	// units, by reading.
	Population []Moments
}

// Comparison is two groups side by side.
type Comparison struct {
	A          string     `json:"a"` // names
	B          string     `json:"b"`
	Confidence float64    `json:"confidence"`
	Correction Correction `json:"correction"`
	Questions  int        `json:"questions"` // tests that were corrected together
	// Yield compares first-pass yields; nil where no counts were given. It is a
	// question of its own and not corrected.
	Yield *ShareDifference `json:"yield,omitempty"`
	// Readings that are in both, the most important difference first: those
	// that fail more or less often, then those that lie or scatter otherwise,
	// the largest share of their limit first, then those without a limit, the
	// largest share of their spread first; then the rest, the least likely
	// first; then those of which nothing can be said.
	Readings []Difference `json:"readings"`
	OnlyA    []string     `json:"only_a,omitempty"` // readings with values there only
	OnlyB    []string     `json:"only_b,omitempty"`
	Differ   int          `json:"differ"`   // readings that differ beyond chance
	Untested int          `json:"untested"` // readings of which that cannot be told
	Cautions []Remark     `json:"cautions,omitempty"`
}

// Difference is one reading in both groups.
type Difference struct {
	Name  string          `json:"name"` // check.reading
	Unit  string          `json:"unit"`
	A     SideFigures     `json:"a"`
	B     SideFigures     `json:"b"`
	Level LevelDifference `json:"level"`
	// Spread is nil where a group has a single value.
	Spread  *SpreadDifference `json:"spread,omitempty"`
	Failing ShareDifference   `json:"failing"`
	// Limit is the difference against the limits; nil without a limit.
	Limit *LimitEffect `json:"limit,omitempty"`
	// Differs lists what is beyond chance, the number of questions reckoned
	// with: "failing", "level", "spread".
	Differs  []Differing `json:"differs,omitempty"`
	Cautions []Remark    `json:"cautions,omitempty"`
}

// Differing is what may differ.
type Differing string

// What may differ.
const (
	DiffersFailing Differing = "failing"
	DiffersLevel   Differing = "level"
	DiffersSpread  Differing = "spread"
)

// SideFigures are those of one reading in one group.
type SideFigures struct {
	N      int64    `json:"n"`
	Mean   float64  `json:"mean"`
	SD     *float64 `json:"sd,omitempty"`     // n - 1; nil for one value
	Median *float64 `json:"median,omitempty"` // nil without values one by one
	Min    float64  `json:"min"`
	Max    float64  `json:"max"`
	Failed int64    `json:"failed"`
}

// LimitEffect is what a difference of level does against the limits of A, or of
// B where A has none.
type LimitEffect struct {
	Lower *float64 `json:"lower,omitempty"`
	Upper *float64 `json:"upper,omitempty"`
	// Of is what Share is a share of: "width" between two limits, or "room"
	// between the mean of A and its only limit.
	Of string `json:"of"`
	// Share is the difference, B less A, as a share of that; NaN where A's mean
	// lies at or beyond its only limit, or the limits have no width.
	Share Estimate `json:"share"`
	// Toward is the limit B lies nearer to: "lower" or "upper", "" without a
	// difference. Inward says that B lies nearer to the middle all the same, or
	// farther from the only limit.
	Toward string `json:"toward,omitempty"`
	Inward bool   `json:"inward,omitempty"`
	// Changed says that the limits of A and B are not the same.
	Changed bool `json:"changed,omitempty"`
}

// Compare sets two groups side by side, reading by reading.
//
// Level, spread and share failing of all readings are questions asked at once:
// their chances are corrected together, so that 60 readings that are alike do
// not yield three differences. Intervals are of each reading alone.
//
// Special inputs: a side without any reading has all the other's listed as only
// there; one value each is set against Population; one value against many,
// against the spread of the many; values that do not scatter are compared by
// ranks; NaN and infinite Values are left out beforehand by [SampleOf] (a
// Sample whose Values do not number N is taken by its Moments). Of two samples
// with the same name the first counts.
func Compare(a, b Side, o CompareOptions) Comparison {
	c := Comparison{A: cmp.Or(a.Name, "A"), B: cmp.Or(b.Name, "B"), Confidence: usualConfidence(o.Confidence),
		Correction: o.Correction}
	if c.Correction != BenjaminiHochberg && c.Correction != NoCorrection {
		c.Correction = Holm
	}
	if a.Counts != nil && b.Counts != nil {
		y := CompareShares(a.Counts.FirstPassed, a.Counts.Units, b.Counts.FirstPassed, b.Counts.Units, c.Confidence)
		if y.Test != nil {
			y.Test.Adjusted = y.Test.P
		}
		c.Yield = &y
	}
	inB := byName(b.Readings)
	inA := byName(a.Readings)
	populations := map[string]*Moments{}
	for i, m := range o.Population {
		populations[m.Name] = &o.Population[i]
	}
	var tests []*Test
	for _, s := range distinct(a.Readings) {
		other, ok := inB[s.Name]
		if !ok {
			c.OnlyA = append(c.OnlyA, s.Name)
			continue
		}
		d := compareSamples(s, other, populations[s.Name], c.Confidence)
		c.Readings = append(c.Readings, d)
		tests = append(tests, d.tests()...)
	}
	for _, s := range distinct(b.Readings) {
		if _, ok := inA[s.Name]; !ok {
			c.OnlyB = append(c.OnlyB, s.Name)
		}
	}
	c.Questions = correct(tests, c.Correction)
	for i := range c.Readings {
		d := &c.Readings[i]
		d.decide(1 - c.Confidence)
		if len(d.Differs) > 0 {
			c.Differ++
		}
		if d.Level.Test == nil {
			c.Untested++
		}
	}
	slices.SortStableFunc(c.Readings, moreImportant)
	c.Cautions = c.cautions()
	return c
}

// distinct leaves out samples without a value, and later ones of a name.
func distinct(samples []Sample) []Sample {
	seen := map[string]bool{}
	var out []Sample
	for _, s := range samples {
		if s.N > 0 && !seen[s.Name] {
			seen[s.Name] = true
			out = append(out, s)
		}
	}
	return out
}

func byName(samples []Sample) map[string]Sample {
	out := map[string]Sample{}
	for _, s := range distinct(samples) {
		out[s.Name] = s
	}
	return out
}

func compareSamples(a, b Sample, population *Moments, confidence float64) Difference {
	a, b = inOrderOfSize(a), inOrderOfSize(b)
	d := Difference{
		Name: a.Name, Unit: cmp.Or(a.Unit, b.Unit), A: sideFigures(a), B: sideFigures(b),
		Level:   compareLevel(a, b, population, confidence),
		Spread:  compareSpread(a, b, confidence),
		Failing: CompareShares(a.Failed, a.N, b.Failed, b.N, confidence),
	}
	d.Limit = limitEffect(a, b, d.Level.Difference)
	if a.Unit != b.Unit && a.Unit != "" && b.Unit != "" {
		d.Cautions = append(d.Cautions, remark(UnitsDiffer, a.Unit, b.Unit))
		d.Level.Test, d.Limit, d.Spread = nil, nil, nil
	}
	if d.Limit != nil && d.Limit.Changed {
		d.Cautions = append(d.Cautions, remark(LimitsDiffer))
	}
	if a.LimitChanged || b.LimitChanged {
		d.Cautions = append(d.Cautions, remark(LimitChanged))
	}
	if n := a.Dropped + b.Dropped; n > 0 {
		d.Cautions = append(d.Cautions, remark(Dropped, n))
	}
	return d
}

// inOrderOfSize has its values sorted, once for all that is asked of them, and
// none where they are not the N of the moments.
func inOrderOfSize(s Sample) Sample {
	if int64(len(s.Values)) != s.N {
		s.Values = nil
		return s
	}
	s.Values = slices.Clone(s.Values)
	slices.Sort(s.Values)
	return s
}

// sideFigures are those of a sample with sorted values.
func sideFigures(s Sample) SideFigures {
	f := SideFigures{N: s.N, Mean: s.Mean, Min: s.Min, Max: s.Max, Failed: s.Failed}
	if s.N > 1 {
		sd := math.Sqrt(s.Moments.Variance())
		f.SD = &sd
	}
	if int64(len(s.Values)) == s.N {
		median := statistics.Quantile(s.Values, 0.5)
		f.Median = &median
	}
	return f
}

func limitEffect(a, b Sample, d Estimate) *LimitEffect {
	e := &LimitEffect{Lower: a.Lower, Upper: a.Upper}
	if a.Lower == nil && a.Upper == nil {
		e.Lower, e.Upper = b.Lower, b.Upper
	} else {
		e.Changed = !sameBound(a.Lower, b.Lower) || !sameBound(a.Upper, b.Upper)
	}
	var scale float64
	switch {
	case e.Lower != nil && e.Upper != nil:
		e.Of = "width"
		scale = *e.Upper - *e.Lower
	case e.Upper != nil:
		e.Of = "room"
		scale = *e.Upper - a.Mean
	case e.Lower != nil:
		e.Of = "room"
		scale = a.Mean - *e.Lower
	default:
		return nil
	}
	if !(scale > 0) {
		scale = math.NaN()
	}
	e.Share = d.over(scale)
	switch {
	case d.Value > 0:
		e.Toward = "upper"
		e.Inward = e.Upper == nil
	case d.Value < 0:
		e.Toward = "lower"
		e.Inward = e.Lower == nil
	}
	if e.Of == "width" && e.Toward != "" {
		middle := *e.Lower + scale/2
		e.Inward = math.Abs(a.Mean+d.Value-middle) < math.Abs(a.Mean-middle)
	}
	return e
}

func sameBound(a, b *float64) bool {
	return a == nil && b == nil || a != nil && b != nil && *a == *b
}

func (d *Difference) tests() []*Test {
	tests := []*Test{d.Level.Test, d.Failing.Test}
	if d.Spread != nil {
		tests = append(tests, d.Spread.Test)
	}
	return tests
}

// decide says what is beyond chance.
func (d *Difference) decide(alpha float64) {
	names := []Differing{DiffersLevel, DiffersFailing, DiffersSpread}
	for i, t := range d.tests() {
		if t != nil && t.Adjusted <= alpha {
			d.Differs = append(d.Differs, names[i])
		}
	}
	slices.Sort(d.Differs)
}

// Has says that something of the reading differs beyond chance.
func (d Difference) Has(what Differing) bool { return slices.Contains(d.Differs, what) }

// weight is the order of importance: the rank first, then the size within it.
func (d Difference) weight() (rank int, size float64) {
	share := math.NaN()
	if d.Limit != nil && d.Has(DiffersLevel) {
		share = math.Abs(d.Limit.Share.Value)
	}
	// A spread that grows pushes both edges out by three standard deviations.
	if d.Limit != nil && d.Limit.Of == "width" && d.Spread != nil && d.Has(DiffersSpread) {
		edge := 3 * math.Abs(d.Spread.B-d.Spread.A) / (*d.Limit.Upper - *d.Limit.Lower)
		if !(share >= edge) && !math.IsInf(edge, 1) {
			share = edge
		}
	}
	switch {
	case d.Has(DiffersFailing):
		return 0, math.Abs(d.Failing.Difference.Value)
	case len(d.Differs) > 0 && !math.IsNaN(share):
		return 1, share
	case len(d.Differs) > 0:
		size := math.Abs(d.Level.Spreads.Value)
		if math.IsNaN(size) {
			size = 0
		}
		return 2, size
	case d.Level.Test == nil:
		return 4, 0
	}
	return 3, -d.LeastP()
}

// LeastP is the smallest chance of any test of the reading, before it was
// corrected; 1 without any.
func (d Difference) LeastP() float64 {
	least := 1.0
	for _, t := range d.tests() {
		if t != nil {
			least = min(least, t.P)
		}
	}
	return least
}

func (c Comparison) cautions() []Remark {
	var out []Remark
	few := int64(math.MaxInt64)
	singles := false
	for _, d := range c.Readings {
		few = min(few, d.A.N, d.B.N)
		singles = singles || d.A.N == 1 || d.B.N == 1
	}
	switch {
	case len(c.Readings) == 0:
		return nil
	case singles:
		return append(out, remark(SingleValue))
	case few < 8:
		out = append(out, remark(FewInGroup, few))
	}
	return append(out, remark(CauseUnknown))
}

func moreImportant(a, b Difference) int {
	ra, sa := a.weight()
	rb, sb := b.weight()
	return cmp.Or(cmp.Compare(ra, rb), cmp.Compare(sb, sa))
}

package yield

import (
	"fmt"
	"math"
	"time"

	"fullthrow/reports/statistics"
)

// Tally is one point of a chart of counts.
type Tally struct {
	Label string    `json:"label"`
	Start time.Time `json:"start,omitzero"`
	Count int64     `json:"count"` // units failed, or defects
	Of    int64     `json:"of"`    // units; for the c chart 1 each
}

// FailedTallies are how many units failed first, of how many, group by group:
// for p, np and p'. Groups without a unit are left out.
func FailedTallies(groups []Group) []Tally {
	return tallies(groups, func(c Counts) int64 { return c.Units - c.FirstPassed })
}

// DefectTallies are the failed checks in first runs, per unit: for u and u'.
func DefectTallies(groups []Group) []Tally {
	return tallies(groups, func(c Counts) int64 { return c.Defects })
}

func tallies(groups []Group, count func(Counts) int64) []Tally {
	var all []Tally
	for _, g := range groups {
		if g.Counts.Units > 0 {
			all = append(all, Tally{Label: g.Key, Start: g.Start, Count: count(g.Counts), Of: g.Counts.Units})
		}
	}
	return all
}

// NewCountChart makes a control chart of counts: p, np, c, u, p-prime or
// u-prime. Limits go by the size of each point (e-Handbook 6.3.3); what they
// would have below 0, or above 1, is cut off.
//
// Of the rules only those are applied that suit counts: a point beyond the
// limits and runs on one side (Western Electric 1 and 4; Nelson 1 to 4).
//
// Points of nothing are left out, with a caution; it is an error where fewer
// than 2 are left, a count is below 0 or (p, np) more than all, or nothing, or
// everything, failed and there is no baseline.
//
// p' and u' are Laney's (Quality Engineering 14, 2002, 531-537, from memory):
// the limits of p and u widened by sigma of the standardised points, taken from
// their moving range; with large groups chance alone explains so little of the
// difference between groups that p and u signal at nearly every one.
func NewCountChart(kind ChartKind, points []Tally, o ChartOptions) (ControlChart, error) {
	b, err := begin(kind, o)
	if err != nil {
		return ControlChart{}, err
	}
	if err := b.tally(points); err != nil {
		return ControlChart{}, b.fail(err)
	}
	return b.finish(), nil
}

// counting is what tells the charts of counts apart.
type counting struct {
	of    PanelOf
	share bool // of units: a unit fails once, binomial; else Poisson
	total bool // of counts, not counts per unit
	laney bool
}

func countings() map[ChartKind]counting {
	return map[ChartKind]counting{
		ChartP:      {of: PanelShareFailed, share: true},
		ChartNP:     {of: PanelFailed, share: true, total: true},
		ChartC:      {of: PanelDefects, total: true},
		ChartU:      {of: PanelPerUnit},
		ChartPPrime: {of: PanelShareFailed, share: true, laney: true},
		ChartUPrime: {of: PanelPerUnit, laney: true},
	}
}

// sd is the standard deviation that chance gives a point of n units.
func (c counting) sd(centre, n float64) float64 {
	if c.share {
		return math.Sqrt(centre * (1 - centre) / n)
	}
	return math.Sqrt(centre / n)
}

func (b *chartBuilder) tally(points []Tally) error {
	c, ok := countings()[b.Kind]
	if !ok {
		return fmt.Errorf("there is no such chart of counts")
	}
	var kept []Tally
	for _, p := range points {
		if p.Count < 0 || c.share && p.Count > p.Of {
			return because(CannotBe, p.Label, p.Count, p.Of)
		}
		if b.Kind == ChartC && p.Of > 0 {
			p.Of = 1
		}
		if p.Of > 0 {
			kept = append(kept, p)
			b.groups = append(b.groups, Subgroup{Label: p.Label, Start: p.Start})
		}
	}
	if n := len(points) - len(kept); n > 0 {
		b.caution(NoUnits, n)
	}
	if len(kept) < 2 && (b.o.Baseline == nil || len(kept) == 0) {
		return because(TooFewPoints, len(kept))
	}
	base := kept
	if b.o.First > len(kept) {
		return because(FirstBeyond, b.o.First, len(kept))
	} else if b.o.First > 0 {
		base = kept[:b.o.First]
	}
	var count, of int64
	for _, p := range base {
		count, of = count+p.Count, of+p.Of
	}
	made := Baseline{Centre: float64(count) / float64(of)}
	if c.laney {
		made.Sigma = c.spread(base, made.Centre)
	}
	b.limitsFrom(made, len(base))
	centre := b.Baseline.Centre
	widen := 1.0
	switch {
	case centre < 0 || c.share && centre > 1:
		return fmt.Errorf("the baseline's centre, %v, cannot be", centre)
	case centre == 0:
		return because(NoneFailed)
	case c.share && centre == 1:
		return because(AllFailed)
	case c.laney:
		if widen = b.Baseline.Sigma; !(widen > 0) {
			return because(NoSpread)
		}
	}
	b.countPanel(c, kept, widen)
	b.checkCounts(c, kept)
	return nil
}

// countPanel draws the points and their limits.
func (b *chartBuilder) countPanel(c counting, points []Tally, widen float64) {
	centre := b.Baseline.Centre
	panel := Panel{Of: c.of, Unit: "1", Share: c.share && !c.total, Centre: centre}
	var sigmas []float64
	for _, p := range points {
		n, times := float64(p.Of), 1.0
		if c.total {
			times = n
		}
		s := widen * c.sd(centre, n) * times
		q := ControlPoint{X: p.Label, Time: p.Start, N: int(p.Of), Value: float64(p.Count) / n * times,
			Centre: centre * times}
		q.Lower, q.Upper = max(0, q.Centre-3*s), q.Centre+3*s
		if c.share {
			q.Upper = min(times, q.Upper)
		}
		panel.Points = append(panel.Points, q)
		sigmas = append(sigmas, s)
		if c.total {
			panel.Centre = q.Centre
		}
	}
	b.panel(panel, sigmas, b.o.Rules.forCounts()...)
}

// spread is Laney's sigma z: of points standardised by what chance gives them,
// from the mean of their moving ranges.
func (c counting) spread(points []Tally, centre float64) float64 {
	z := make([]float64, len(points))
	for i, p := range points {
		z[i] = (float64(p.Count)/float64(p.Of) - centre) / c.sd(centre, float64(p.Of))
	}
	return statistics.Mean(movingRanges(z)) / twoValues(false).RangeMean
}

// checkCounts cautions where the chart's model of chance does not fit: too few
// expected for limits of 3 sigma, or points that vary more, or less, than
// chance.
func (b *chartBuilder) checkCounts(c counting, points []Tally) {
	centre := b.Baseline.Centre
	least := math.Inf(1)
	var square2 float64
	for _, p := range points {
		n := float64(p.Of)
		expected := n * centre
		if c.share {
			expected = min(expected, n*(1-centre))
		}
		least = min(least, expected)
		square2 += square((float64(p.Count)/n - centre) / c.sd(centre, n))
	}
	if least < 5 {
		b.caution(FewExpected, least)
	}
	freedom := float64(len(points) - 1)
	if b.o.Baseline != nil {
		freedom++
	}
	if c.laney || freedom < 1 {
		return
	}
	more := statistics.ChiSquareTail(square2, freedom) // chance of points that differ more
	times := math.Sqrt(square2 / freedom)
	switch {
	case more < 0.001 && times > 1.1 && b.Kind != ChartC && b.Kind != ChartNP:
		prime := ChartPPrime
		if !c.share {
			prime = ChartUPrime
		}
		b.caution(MoreThanChanceWide, times, prime)
	case more < 0.001 && times > 1.1:
		b.caution(MoreThanChance, times)
	case 1-more < 0.001:
		b.caution(LessThanChance, times)
	}
}

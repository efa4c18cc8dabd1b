package yield

import (
	"fmt"
	"math"
	"slices"

	"fullthrow/reports/statistics"
)

// spread is how the short-term spread within subgroups is measured and charted.
type spread interface {
	panel() PanelOf
	// of is the spread of one subgroup of two values at least.
	of(values []float64) float64
	// estimate gives, for subgroups of n: what to divide the spread by to get
	// sigma, and the weight of that (1 / its variance, sigma 1).
	estimate(n int) (divisor, weight float64, err error)
	// limits of the spread, and half the width of those of a mean, as multiples of sigma.
	limits(n int) (lower, centre, upper, half float64)
	// chance that the spread of a subgroup of n lies beyond its limits.
	chance(n int) float64
}

// rangeSpread goes by the range R: d2, d3, A2, D3, D4.
type rangeSpread struct {
	printed   bool
	constants map[int]Constants
}

func (rangeSpread) panel() PanelOf              { return PanelRange }
func (rangeSpread) of(values []float64) float64 { return spanOf(values) }

func (r rangeSpread) estimate(n int) (float64, float64, error) {
	c, ok := r.constants[n]
	if !ok {
		var err error
		if c, err = NewConstants(n); err != nil {
			return 0, 0, because(SubgroupTooLarge, n, MostRange)
		}
		if r.printed {
			c = c.Printed()
		}
		r.constants[n] = c
	}
	return c.RangeMean, square(c.RangeMean / c.RangeSD), nil
}

func (r rangeSpread) limits(n int) (lower, centre, upper, half float64) {
	c := r.constants[n]
	return c.D3 * c.RangeMean, c.RangeMean, c.D4 * c.RangeMean, c.A2 * c.RangeMean
}

func (r rangeSpread) chance(n int) float64 {
	lower, _, upper, _ := r.limits(n)
	return rangeBeyond(n, upper) + 1 - rangeBeyond(n, lower)
}

// sdSpread goes by the standard deviation s: c4, A3, B3, B4.
type sdSpread struct{ printed bool }

func (sdSpread) panel() PanelOf { return PanelSD }

func (sdSpread) of(values []float64) float64 {
	_, s := statistics.MeanSD(values)
	return s
}

func (d sdSpread) c4(n int) float64 {
	if d.printed {
		return math.Round(C4(n)*1e4) / 1e4
	}
	return C4(n)
}

func (d sdSpread) estimate(n int) (float64, float64, error) {
	c4 := d.c4(n)
	return c4, c4 * c4 / (1 - c4*c4), nil
}

func (d sdSpread) limits(n int) (lower, centre, upper, half float64) {
	c := Constants{N: n, C4: d.c4(n), RangeMean: math.NaN()}
	c.derive()
	if d.printed {
		c = c.Printed()
	}
	return c.B3 * c.C4, c.C4, c.B4 * c.C4, c.A3 * c.C4
}

func (d sdSpread) chance(n int) float64 {
	lower, _, upper, _ := d.limits(n)
	freedom := float64(n - 1)
	return 1 - statistics.ChiSquareTail(lower*lower*freedom, freedom) + statistics.ChiSquareTail(upper*upper*freedom,
		freedom)
}

// withinSigma is sigma within subgroups by s, the subgroups' estimates weighted
// by how sure each is (for subgroups of one size the plain mean), and the
// degrees of freedom that a variance as sure as it would have. Subgroups of one
// value say nothing. NaN if none says anything.
func withinSigma(groups []Subgroup, s spread) (sigma, freedom float64, err error) {
	var sum, weights float64
	for _, g := range groups {
		n := len(g.Values)
		if n < 2 {
			continue
		}
		divisor, weight, err := s.estimate(n)
		if err != nil {
			return 0, 0, err
		}
		sum += weight * s.of(g.Values) / divisor
		weights += weight
	}
	// The variance of sigma is 1/weights of sigma squared; that of a standard
	// deviation with nu degrees of freedom is about 1/(2 nu) of it.
	return sum / weights, weights / 2, nil
}

// means is the X-bar chart with ranges or standard deviations (e-Handbook
// 6.3.2.1).
func (b *chartBuilder) means(s spread) error {
	sigma, _, err := withinSigma(b.groups, s) // of all first: it learns every size
	if err != nil {
		return err
	}
	if len(b.base) < len(b.groups) {
		if sigma, _, err = withinSigma(b.base, s); err != nil {
			return err
		}
	}
	if math.IsNaN(sigma) && b.o.Baseline == nil {
		return because(OnlySingles)
	}
	var all []float64
	for _, g := range b.base {
		all = append(all, g.Values...)
	}
	b.limitsFrom(Baseline{Centre: statistics.Mean(all), Sigma: sigma}, len(b.base))
	centre, sigma := b.Baseline.Centre, b.Baseline.Sigma
	if !(sigma > 0) {
		return because(NoSpread)
	}
	first := len(b.groups[0].Values)
	ofSize := false
	middles := Panel{Of: PanelMean, Unit: b.Unit, Centre: centre}
	within := Panel{Of: s.panel(), Unit: b.Unit}
	var sigmas []float64
	chance := 0.0
	chances := map[int]float64{}
	for _, g := range b.groups {
		n := len(g.Values)
		ofSize = ofSize || n != first
		half := 3.0
		if n > 1 {
			lower, mid, upper, h := s.limits(n)
			half = h
			p := pointOf(g, s.of(g.Values), mid*sigma, 0)
			p.Lower, p.Upper = lower*sigma, upper*sigma
			within.Points = append(within.Points, p)
			within.Centre = p.Centre
			if _, ok := chances[n]; !ok {
				chances[n] = s.chance(n)
			}
			chance += chances[n]
		}
		middles.Points = append(middles.Points, pointOf(g, statistics.Mean(g.Values), centre, half*sigma))
		sigmas = append(sigmas, half*sigma/3)
	}
	if ofSize {
		b.caution(SizesDiffer)
		within.Centre = sigma
	}
	b.panel(middles, sigmas)
	if len(within.Points) > 0 {
		b.beyondLimits(within, chance, func(h RuleHit) RuleCode {
			if h.Side == SideBelow {
				return RuleSpreadClose
			}
			return RuleSpreadWide
		})
	}
	b.effect(centre, sigma)
	return nil
}

// effect says how large the differences between subgroups are: with large
// subgroups limits are so narrow that what matters little breaks a rule too.
func (b *chartBuilder) effect(centre, sigma float64) {
	var between, values float64
	for _, g := range b.groups {
		n := float64(len(g.Values))
		between += n * square(statistics.Mean(g.Values)-centre)
		values += n
	}
	k := float64(len(b.groups))
	extra := (between - k*sigma*sigma) / values // variance of the subgroups' true means
	if values/k < 10 || len(b.ControlChart.Rules) == 0 || extra < 0 {
		return
	}
	share := math.Sqrt(extra) / sigma
	code := MeansDiffer
	if share < 0.3 {
		code = MeansDifferLittle
	}
	b.caution(code, Quantity{math.Sqrt(extra), b.Unit}, share)
}

func square(v float64) float64 { return v * v }

func spanOf(values []float64) float64 {
	low, high := values[0], values[0]
	for _, v := range values[1:] {
		low, high = min(low, v), max(high, v)
	}
	return high - low
}

// twoValues are the constants of a range of two.
func twoValues(printed bool) Constants {
	c, _ := NewConstants(2) // never an error
	if printed {
		c = c.Printed()
	}
	return c
}

// singles are the values of subgroups of one.
func singles(groups []Subgroup) ([]float64, error) {
	x := make([]float64, len(groups))
	for i, g := range groups {
		if len(g.Values) != 1 {
			return nil, because(NotSingle, g.Label, len(g.Values))
		}
		x[i] = g.Values[0]
	}
	return x, nil
}

// movingRanges are the differences of each value from the one before, without
// sign.
func movingRanges(x []float64) []float64 {
	r := make([]float64, 0, len(x))
	for i := 1; i < len(x); i++ {
		r = append(r, math.Abs(x[i]-x[i-1]))
	}
	return r
}

// individuals is the I-MR chart (e-Handbook 6.3.2.2): centre -+ 3 MRbar / d2,
// ranges up to D4 MRbar.
func (b *chartBuilder) individuals() error {
	x, err := singles(b.groups)
	if err != nil {
		return err
	}
	c := twoValues(b.o.PrintedConstants)
	base := x[:len(b.base)]
	b.limitsFrom(Baseline{Centre: statistics.Mean(base), Sigma: statistics.Mean(movingRanges(base)) / c.RangeMean},
		len(base))
	centre, sigma := b.Baseline.Centre, b.Baseline.Sigma
	if !(sigma > 0) {
		return because(NoSpread)
	}
	values := Panel{Of: PanelValue, Unit: b.Unit, Centre: centre}
	moving := Panel{Of: PanelMoving, Unit: b.Unit, Centre: c.RangeMean * sigma}
	values.Points, moving.Points = make([]ControlPoint, 0, len(x)), make([]ControlPoint, 0, len(x))
	for i, g := range b.groups {
		values.Points = append(values.Points, pointOf(g, x[i], centre, 3*sigma))
		if i > 0 {
			p := pointOf(g, math.Abs(x[i]-x[i-1]), moving.Centre, 0)
			p.Lower, p.Upper = c.D3*moving.Centre, c.D4*moving.Centre
			p.Members = append(append([]int(nil), b.groups[i-1].Members...), g.Members...)
			p.N = 2
			moving.Points = append(moving.Points, p)
		}
	}
	b.panel(values, slices.Repeat([]float64{sigma}, len(x)))
	if len(moving.Points) > 0 {
		chance := float64(len(moving.Points)) * 2 * statistics.NormalUpper(c.D4*c.RangeMean/math.Sqrt2)
		b.beyondLimits(moving, chance, func(RuleHit) RuleCode { return RuleStep })
	}
	return nil
}

// pointOf is a point with limits so far from its centre.
func pointOf(g Subgroup, value, centre, half float64) ControlPoint {
	return ControlPoint{
		X: g.Label, Time: g.Start, N: len(g.Values), Members: g.Members,
		Value: value, Centre: centre, Lower: centre - half, Upper: centre + half,
	}
}

// EWMAOptions are those of a weighted mean of the newest values.
type EWMAOptions struct {
	// Lambda is the weight of the newest point, above 0 and up to 1; 0 means
	// 0.2. Smaller finds smaller steps, later.
	Lambda float64
	// Limit is how many sigma of the weighted mean the limits are away; 0
	// means 3.
	Limit float64
	// Asymptotic has the limits that hold in the long run from the first point
	// on (e-Handbook 6.3.2.4); otherwise they begin narrow and widen, as the
	// variance of the weighted mean really does, and an early step is not
	// overlooked.
	Asymptotic bool
}

// ewma is the chart of e_i = lambda x_i + (1 - lambda) e_(i-1) from the target
// on. Limits are exact, with the number of values of each point, unless
// asymptotic ones are asked for, which take the mean number.
//
// With lambda 0.2 and limits of 3 a false alarm comes about every 560 points, and
// a lasting step of one sigma is found after about 10 (Lucas & Saccucci 1990,
// from memory; a test simulates it).
func (b *chartBuilder) ewma() error {
	lambda, limit := b.o.EWMA.Lambda, b.o.EWMA.Limit
	if lambda == 0 {
		lambda = 0.2
	}
	if limit == 0 {
		limit = 3
	}
	if !(lambda > 0 && lambda <= 1) || !(limit > 0) || !statistics.Finite(limit) {
		return fmt.Errorf("lambda must be above 0 and up to 1, and the limit above 0")
	}
	if err := b.shortTerm(); err != nil {
		return err
	}
	start, sigma := b.target(), b.Baseline.Sigma
	p := Panel{Of: PanelEWMA, Unit: b.Unit, Centre: start}
	values := 0
	for _, g := range b.groups {
		values += len(g.Values)
	}
	each := sigma * sigma * float64(len(b.groups)) / float64(values) // variance of a point's mean
	e, variance := start, 0.0
	for _, g := range b.groups {
		e = lambda*statistics.Mean(g.Values) + (1-lambda)*e
		if b.o.EWMA.Asymptotic {
			variance = lambda / (2 - lambda) * each
		} else {
			variance = lambda*lambda*sigma*sigma/float64(len(g.Values)) + (1-lambda)*(1-lambda)*variance
		}
		p.Points = append(p.Points, pointOf(g, e, start, limit*math.Sqrt(variance)))
	}
	b.beyondLimits(p, float64(len(p.Points))*2*statistics.NormalUpper(limit),
		func(RuleHit) RuleCode { return RuleEWMA })
	return nil
}

// shortTerm takes centre and sigma of single values: from moving ranges where
// points are single values, else from the standard deviations within
// subgroups.
func (b *chartBuilder) shortTerm() error {
	var all []float64
	for _, g := range b.base {
		all = append(all, g.Values...)
	}
	var sigma float64
	if x, err := singles(b.base); err == nil {
		sigma = statistics.Mean(movingRanges(x)) / twoValues(b.o.PrintedConstants).RangeMean
	} else {
		if sigma, _, err = withinSigma(b.base, sdSpread{printed: b.o.PrintedConstants}); err != nil {
			return err
		}
	}
	b.limitsFrom(Baseline{Centre: statistics.Mean(all), Sigma: sigma}, len(b.base))
	if !(b.Baseline.Sigma > 0) {
		return because(NoSpread)
	}
	return nil
}

// target is the middle that is aimed at.
func (b *chartBuilder) target() float64 {
	if b.o.Target != nil {
		return *b.o.Target
	}
	return b.Baseline.Centre
}

// CUSUMOptions are those of a chart of summed differences.
type CUSUMOptions struct {
	// Allowance is k, in sigma of a point: half the step to be found. 0 means
	// 0.5, for a step of one sigma.
	Allowance float64
	// Decision is h, in sigma of a point: a sum beyond it is a signal. 0 means
	// 5.
	Decision float64
}

// cusum is the tabular CUSUM (e-Handbook 6.3.2.3): one panel sums what lies
// above the target and its allowance, the other what lies below, each starting
// anew at 0. Where subgroups differ in size, both are in sigma of a point.
//
// With allowance 0.5 and decision 5 a false alarm comes about every 465 points
// and a lasting step of one sigma is found after 10.4; with 4.77, 370 and 10
// (from memory, Montgomery, Introduction to Statistical Quality Control).
func (b *chartBuilder) cusum() error {
	k, h := b.o.CUSUM.Allowance, b.o.CUSUM.Decision
	if k == 0 {
		k = 0.5
	}
	if h == 0 {
		h = 5
	}
	if !(k > 0) || !(h > 0) || !statistics.Finite(k) || !statistics.Finite(h) {
		return fmt.Errorf("allowance and decision must be above 0")
	}
	if err := b.shortTerm(); err != nil {
		return err
	}
	target, sigma := b.target(), b.Baseline.Sigma
	n, unit := len(b.groups[0].Values), b.Unit
	scale := sigma / math.Sqrt(float64(n)) // sigma of a point, in the unit of the panels
	size := func(Subgroup) float64 { return 1 }
	for _, g := range b.groups {
		if len(g.Values) != n {
			b.caution(SumsInSigma)
			unit, scale = "sigma", 1
			size = func(g Subgroup) float64 { return sigma / math.Sqrt(float64(len(g.Values))) }
			break
		}
	}
	for _, side := range []struct {
		name HitSide
		of   PanelOf
		sign float64
	}{{SideAbove, PanelSumAbove, 1}, {SideBelow, PanelSumBelow, -1}} {
		p := Panel{Of: side.of, Unit: unit}
		sum := 0.0
		began := make([]int, len(b.groups)) // where the sum last left 0
		for i, g := range b.groups {
			next := sum + side.sign*(statistics.Mean(g.Values)-target)/size(g) - k*scale
			switch {
			case sum == 0 || i == 0:
				began[i] = i
			default:
				began[i] = began[i-1]
			}
			sum = max(0, next)
			q := pointOf(g, sum, 0, 0)
			q.Upper = h * scale
			p.Points = append(p.Points, q)
		}
		// The chance that a sum is beyond h at a given time, as that of the
		// largest sum of a falling random walk, with Siegmund's correction for
		// overshoot (1985, from memory).
		chance := float64(len(p.Points)) * math.Exp(-2*k*(h+0.583))
		b.beyondLimits(p, chance, func(RuleHit) RuleCode { return RuleSum })
		for i := range b.ControlChart.Rules {
			if hit := &b.ControlChart.Rules[i]; hit.Panel == len(b.Panels)-1 {
				first, from := hit.First, began[hit.First]
				moved := k*scale + p.Points[first].Value/float64(first-from+1)
				hit.From, hit.Side, hit.Size = from, side.name, math.Abs(moved*size(b.groups[first]))
			}
		}
	}
	return nil
}

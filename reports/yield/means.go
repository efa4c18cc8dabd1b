package yield

import (
	"math"

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

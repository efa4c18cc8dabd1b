package yield

import (
	"fmt"
	"math"

	"fullthrow/reports/statistics"
)

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
	if !(lambda > 0 && lambda <= 1) || !(limit > 0) || !isFinite(limit) {
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

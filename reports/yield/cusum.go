package yield

import (
	"fmt"
	"math"

	"fullthrow/reports/statistics"
)

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
	if !(k > 0) || !(h > 0) || !isFinite(k) || !isFinite(h) {
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

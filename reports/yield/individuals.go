package yield

import (
	"math"

	"fullthrow/reports/statistics"
)

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
	b.panel(values, same(sigma, len(x)))
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

func same(v float64, n int) []float64 {
	all := make([]float64, n)
	for i := range all {
		all[i] = v
	}
	return all
}

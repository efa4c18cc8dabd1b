package measure

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"fullthrow/reports/statistics"
)

// SweepPoint is what was lost at one attenuation.
type SweepPoint struct {
	Attenuation float64 `unit:"dB"`
	Lost        int     `help:"packets"`
	Sent        int     `help:"packets"`
}

func (p SweepPoint) Fault() string {
	if !statistics.Finite(p.Attenuation) || p.Sent < 1 || p.Lost < 0 || p.Lost > p.Sent {
		return fmt.Sprintf("%d lost of %d sent at %v dB", p.Lost, p.Sent, p.Attenuation)
	}
	return ""
}

// SweepOptions for [Sweep].
type SweepOptions struct {
	ErrorRate  float64 `unit:"%" default:"1" range:"(0,50]" help:"of packets lost, whose attenuation is wanted"`
	Confidence float64 `unit:"%" default:"95" range:"[50,100)" help:"of the interval"`
	Shape      string  `default:"logistic" help:"of the curve: logistic or probit"`
}

// SweepResult is the attenuation at which a link reaches an error rate.
type SweepResult struct {
	_ struct{} `why:"the edge lies beyond the sweep, or between two points"`

	Attenuation float64 `unit:"dB" help:"with a bound, the end of the sweep beyond which it lies"`
	// At the confidence asked for.
	Bound string `help:"more: even the last point loses less; less: even the first loses more"`
	// Widened where the points scatter more than independent losses would; an end may be
	// infinite.
	Interval     Interval `unit:"dB" help:"of attenuation, by profile likelihood"`
	Uncertainty  float64  `unit:"dB" help:"half the interval, as expanded uncertainty"`
	EdgeWidth    float64  `unit:"dB" help:"from 10 % to 90 % lost"`
	Floor        float64  `unit:"%" help:"lost whatever the attenuation, as fitted"`
	Dispersion   float64  `unit:"1" help:"scatter of the points over that of independent losses; 1 or more"`
	Attenuations int      `help:"different ones"`
}

// Sweep finds the attenuation of a given error rate, by default 1 %, from
// counts at several attenuations. It fits floor + (1 - floor) F(a + b dB) by
// greatest likelihood, F logistic or normal: a link has a steep edge, and
// before it a small loss that does not depend on distance.
//
// Points at one attenuation are added up, in any order. An edge that lies wholly
// between two points (nothing lost, everything lost) is found with the interval
// between them. Special inputs: fewer than 3 or more than 500 attenuations, counts that cannot
// be, an attenuation not finite, a rate not between 0 and 50 % are errors; a
// sweep that never or always loses more than the rate has a Bound.
func Sweep(points []SweepPoint, o SweepOptions) (SweepResult, error) {
	const op = "sweep"
	o, err := complete(op, o)
	if err != nil {
		return SweepResult{}, err
	}
	c := o.Confidence / 100
	if o.Shape != "logistic" && o.Shape != "probit" {
		return SweepResult{}, errorf(op, "shape is %q: logistic or probit", o.Shape)
	}
	r := response{target: o.ErrorRate / 100, floor: true, probit: o.Shape == "probit"}
	sorted := slices.Clone(points)
	slices.SortStableFunc(sorted, func(a, b SweepPoint) int { return cmp.Compare(a.Attenuation, b.Attenuation) })
	for _, p := range sorted {
		if fault := p.Fault(); fault != "" {
			return SweepResult{}, errorf(op, "%s", fault)
		}
		if n := len(r.x); n == 0 || p.Attenuation > r.x[n-1] {
			r.x, r.events, r.trials = append(r.x, p.Attenuation), append(r.events, 0), append(r.trials, 0)
		}
		n := len(r.x) - 1
		r.events[n] += float64(p.Lost)
		r.trials[n] += float64(p.Sent)
	}
	n := len(r.x)
	if n < 3 {
		return SweepResult{}, errorf(op, "%d attenuations, at least 3 needed", n)
	}
	if n > maxSettings {
		return SweepResult{}, errorf(op, "%d attenuations, at most %d", n, maxSettings)
	}
	out := missing[SweepResult]()
	out.Dispersion, out.Attenuations = 1, n
	_, most := statistics.ClopperPearson(r.events[n-1], r.trials[n-1], c)
	least, _ := statistics.ClopperPearson(r.events[0], r.trials[0], c)
	switch {
	case most < r.target:
		out.Attenuation, out.Bound, out.Interval = r.x[n-1], "more", Interval{r.x[n-1], math.Inf(1)}
		return out, nil
	case least > r.target:
		out.Attenuation, out.Bound, out.Interval = r.x[0], "less", Interval{math.Inf(-1), r.x[0]}
		return out, nil
	}
	f := r.fit(c)
	out.Attenuation, out.Interval, out.Dispersion, out.Floor = f.at, f.interval, f.dispersion, 100*f.floor
	out.EdgeWidth = (r.inverse(0.9) - r.inverse(0.1)) / f.slope
	if half := max(f.interval.High-f.at, f.at-f.interval.Low); statistics.Finite(half) {
		out.Uncertainty = half
	}
	return out, nil
}

package measure

import (
	"math"
	"slices"

	"fullthrow/reports/statistics"
)

// SweepPoint is what was lost at one attenuation.
type SweepPoint struct {
	Attenuation float64 // dB
	Lost, Sent  int     // packets
}

// SweepOptions for [Sweep].
type SweepOptions struct {
	Rate       float64 // % of packets lost whose attenuation is wanted; 1 if not given
	Confidence float64 // %, of the interval; 95 if not given
	Curve      string  // "logistic" (if not given) or "probit"
}

// SweepResult is the attenuation at which a link reaches an error rate.
type SweepResult struct {
	// Attenuation in dB. Where Bound is not "", the end of the sweep that it
	// lies beyond.
	Attenuation float64
	// Bound is "more" where even the highest attenuation loses less than the
	// rate (at the confidence asked for), "less" where the lowest loses more.
	Bound string
	// Interval by profile likelihood, in dB, widened where the points scatter
	// more than independent losses would; an end may be infinite.
	Interval    Interval
	Uncertainty float64 // half the interval, as expanded uncertainty, dB; NaN with a bound or an open interval
	Width       float64 // dB from 10 % to 90 % lost; NaN with a bound
	Floor       float64 // % lost whatever the attenuation, as fitted
	Dispersion  float64 // scatter of the points over that of independent losses; 1 or more
	Points      int     // different attenuations
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
	c, err := confidence(op, o.Confidence)
	if err != nil {
		return SweepResult{}, err
	}
	if o.Rate == 0 {
		o.Rate = 1
	}
	if !(o.Rate > 0 && o.Rate <= 50) {
		return SweepResult{}, errorf(op, "rate is %v %%, it must lie between 0 and 50", o.Rate)
	}
	if o.Curve != "" && o.Curve != "logistic" && o.Curve != "probit" {
		return SweepResult{}, errorf(op, "curve is %q: logistic or probit", o.Curve)
	}
	r := response{target: o.Rate / 100, floor: true, probit: o.Curve == "probit"}
	sorted := slices.Clone(points)
	slices.SortStableFunc(sorted, func(a, b SweepPoint) int {
		switch {
		case a.Attenuation < b.Attenuation:
			return -1
		case a.Attenuation > b.Attenuation:
			return 1
		}
		return 0
	})
	for _, p := range sorted {
		if !finite(p.Attenuation) || p.Sent < 1 || p.Lost < 0 || p.Lost > p.Sent {
			return SweepResult{}, errorf(op, "%d of %d lost at %v dB", p.Lost, p.Sent, p.Attenuation)
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
	nan := math.NaN()
	out := SweepResult{Uncertainty: nan, Width: nan, Floor: nan, Dispersion: 1, Points: n}
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
	out.Width = (r.inverse(0.9) - r.inverse(0.1)) / f.slope
	if half := max(f.interval.High-f.at, f.at-f.interval.Low); finite(half) {
		out.Uncertainty = half
	}
	return out, nil
}

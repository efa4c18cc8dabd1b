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

// DistanceOptions says over which path an attenuation is to be turned into a
// distance.
type DistanceOptions struct {
	Frequency float64 `unit:"Hz" range:"(0,)" help:"of the link"`
	// From the transmitter's antenna terminal to the receiver's.
	BenchLoss   float64 `unit:"dB" help:"of the bench besides its attenuator: cables, coupler, chamber"`
	AntennaGain float64 `unit:"dB" help:"of both antennas together in use, dBi"`
	Wood        float64 `unit:"m" range:"[0,)" help:"of the path that lie in woodland"`
	// The most that woodland can add is A1 f^alpha dB (f in MHz). What is taken where
	// nothing is given (Rio de Janeiro; the last grows with the frequency) is an example:
	// woods differ by several times that.
	WoodA1       float64 `unit:"dB" range:"[0,)" help:"A1 of ITU-R P.833; not given: 0.18"`
	WoodAlpha    float64 `unit:"1" range:"[0,)" help:"alpha of ITU-R P.833; not given: 0.752"`
	WoodSpecific float64 `unit:"dB/m" range:"[0,)" help:"of the first metres of woodland; not given: 0.05 at 900 MHz"`
}

// DistanceResult is the equivalent distance of an attenuation.
type DistanceResult struct {
	Distance  float64 `unit:"m" help:"between the antennas"`
	FreeSpace float64 `unit:"dB" help:"of the path loss due to distance (ITU-R P.525)"`
	Woodland  float64 `unit:"dB" help:"of it due to woodland (ITU-R P.833)"`
	FarField  bool    `help:"ten wavelengths or more; nearer, neither formula holds"`
}

const lightSpeed = 299792458.0 // m/s

// Distance is how far apart the two antennas would be in use for the same level
// at the receiver as with this attenuation (dB) on the bench: attenuation +
// BenchLoss + AntennaGain = free-space loss + woodland. The free-space loss is
// 20 lg(4 pi d f / c) of ITU-R P.525, exactly: the rounded "32.4" form is 0.048
// dB lower. Neither ground reflection nor fading is in it, so that the reach
// over ground is shorter.
//
// A loss that is not finite, a frequency not above 0, a negative Wood, and
// woodland figures below 0 are errors.
func Distance(attenuation float64, o DistanceOptions) (DistanceResult, error) {
	o, err := o.complete("distance", attenuation)
	if err != nil {
		return DistanceResult{}, err
	}
	loss := attenuation + o.BenchLoss + o.AntennaGain
	// Free space alone is the longest it can be; the woodland's most, less.
	inverse := func(loss float64) float64 { return math.Pow(10, loss/20) * lightSpeed / (4 * math.Pi * o.Frequency) }
	high := inverse(loss)
	low := inverse(loss - o.woodland(o.Wood))
	for range 200 {
		m := math.Sqrt(low * high)
		if !(m > low && m < high) {
			break
		}
		if o.pathLoss(m) < loss {
			low = m
		} else {
			high = m
		}
	}
	d := math.Sqrt(low * high)
	if !statistics.Finite(d) || d <= 0 {
		return DistanceResult{}, errorf("distance", "%v dB has no distance", loss)
	}
	return o.at(d), nil
}

// Attenuation is what the bench's attenuator must be set to, in dB, for the
// level of a distance in m; the other direction of [Distance]. It is negative
// where the bench itself already loses more.
func Attenuation(distance float64, o DistanceOptions) (float64, error) {
	o, err := o.complete("attenuation", distance)
	if err != nil {
		return 0, err
	}
	if distance <= 0 {
		return 0, errorf("attenuation", "distance is %v m", distance)
	}
	return o.pathLoss(distance) - o.BenchLoss - o.AntennaGain, nil
}

func (o DistanceOptions) complete(op string, of float64) (DistanceOptions, error) {
	if !statistics.Finite(of) {
		return o, errorf(op, "it is asked for %v", of)
	}
	return complete(op, o)
}

func (o DistanceOptions) at(d float64) DistanceResult {
	return DistanceResult{
		Distance: d, FreeSpace: o.freeSpace(d), Woodland: o.woodland(min(d, o.Wood)),
		FarField: d >= 10*lightSpeed/o.Frequency,
	}
}

func (o DistanceOptions) pathLoss(d float64) float64 {
	return o.freeSpace(d) + o.woodland(min(d, o.Wood))
}

func (o DistanceOptions) freeSpace(d float64) float64 {
	return 20 * math.Log10(4*math.Pi*d*o.Frequency/lightSpeed)
}

// woodland is the excess of d m of wood with one terminal in it:
// Am (1 - exp(-d gamma / Am)), Am = A1 f^alpha (ITU-R P.833-10, from memory).
func (o DistanceOptions) woodland(d float64) float64 {
	if d <= 0 {
		return 0
	}
	mega := o.Frequency / 1e6
	a1, alpha, specific := o.WoodA1, o.WoodAlpha, o.WoodSpecific
	if a1 == 0 && alpha == 0 {
		a1, alpha = 0.18, 0.752
	}
	if specific == 0 {
		specific = 0.05 * math.Pow(mega/900, 0.752)
	}
	most := a1 * math.Pow(mega, alpha)
	if most <= 0 {
		return 0
	}
	return -most * math.Expm1(-d*specific/most)
}

package measure

import (
	"math"

	"fullthrow/drivers"
)

// SettlingOptions say what counts as settled.
type SettlingOptions struct {
	SettledWithin float64 `unit:"%" default:"2" range:"[0,)" help:"of the final value: so near counts as settled"`
	Band          float64 `unit:"capture" range:"[0,)" help:"the same in the capture's unit; the wider of the two counts"`
}

// SettlingResult describes how a quantity comes to rest, in the unit of the
// capture.
type SettlingResult struct {
	Final       float64 `unit:"capture" help:"mean of the last quarter"`
	Uncertainty float64 `unit:"capture" help:"of final, expanded (k = 2), as steady gives it"`
	// Noise of the last quarter widens the band, four standard deviations.
	Time      float64 `unit:"s" help:"until it was in the band for good" why:"not before the last quarter of the capture"`
	Overshoot float64 `unit:"capture" help:"beyond final, seen from the first sample; 0 if none"`
	Settled   bool
}

// Settling measures a capture of one channel and at least 16 samples.
//
// Special inputs: an empty or short capture, NaN or infinite samples, and
// options below 0 or not finite are errors; a constant capture (clipped, too)
// has Time 0; one that still drifts in its last quarter is not settled, and its
// Time infinite.
func Settling(s drivers.Samples, o SettlingOptions) (SettlingResult, error) {
	x, err := one("settling", s, 16)
	if err != nil {
		return SettlingResult{}, err
	}
	o, err = complete("settling", o)
	if err != nil {
		return SettlingResult{}, err
	}
	quarter := len(x) - len(x)/4
	tail := s
	tail.Values = x[quarter:]
	steady, err := Steady(tail)
	if err != nil {
		return SettlingResult{}, err
	}
	r := SettlingResult{Final: steady.Mean, Uncertainty: steady.Uncertainty}
	// Of what drifts only the scatter about the drift is noise.
	noise := math.Sqrt(max(0, steady.SD*steady.SD-steady.Drift*steady.Drift/12))
	band := max(o.SettledWithin/100*math.Abs(r.Final), o.Band)
	drifts := math.Abs(steady.Drift) > max(2*band, 2*steady.Uncertainty)
	band = max(band, 4*noise)
	last := -1
	for i, v := range x[:quarter] {
		if math.Abs(v-r.Final) > band {
			last = i
		}
	}
	r.Settled = !drifts && last < quarter-1
	r.Time = math.Inf(1)
	if r.Settled {
		r.Time = float64(last+1) / s.Rate
	}
	up := x[0] <= r.Final
	for _, v := range x {
		d := v - r.Final
		if !up {
			d = -d
		}
		r.Overshoot = max(r.Overshoot, d)
	}
	if r.Overshoot <= 4*noise {
		r.Overshoot = 0
	}
	return r, nil
}

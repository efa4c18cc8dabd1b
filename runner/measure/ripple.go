package measure

import (
	"math"

	"fullthrow/drivers"
)

// RippleOptions choose the band in which the dominant frequency is sought.
type RippleOptions struct {
	Lowest  float64 `unit:"Hz" range:"[0,)" help:"of the band of the tone; not given: three periods in the capture"`
	Highest float64 `unit:"Hz" range:"[0,)" help:"of that band; not given: 0.48 of the sample rate"`
}

// RippleResult describes what lies on a steady value, in the unit of the
// capture. A straight drift is taken away first.
type RippleResult struct {
	Mean       float64 `unit:"capture"`
	RMS        float64 `unit:"capture" help:"of all that is not the mean or the drift"`
	PeakToPeak float64 `unit:"capture"`
	Frequency  float64 `unit:"Hz" help:"of the strongest tone in the band" why:"no tone stands out"`
	Amplitude  float64 `unit:"capture" help:"peak, of that tone; 0 if there is none"`
	Share      float64 `unit:"%" help:"of the ripple's power that is this tone's; small: mere noise"`
}

// Ripple measures a capture of one channel and at least 32 samples. The tone
// is found under a Hann window.
//
// Special inputs: an empty or short capture, NaN or infinite samples, and a
// band without room are errors; a constant capture has RMS 0 and Frequency NaN;
// a clipped one is measured as it is.
func Ripple(s drivers.Samples, o RippleOptions) (RippleResult, error) {
	x, err := one("ripple", s, 32)
	if err != nil {
		return RippleResult{}, err
	}
	o, err = complete("ripple", o)
	if err != nil {
		return RippleResult{}, err
	}
	length := float64(len(x)) / s.Rate
	if o.Lowest == 0 {
		o.Lowest = 3 / length
	}
	if o.Highest == 0 {
		o.Highest = 0.48 * s.Rate
	}
	if !(o.Lowest > 0 && o.Lowest < o.Highest && o.Highest <= s.Rate/2) {
		return RippleResult{}, errorf("ripple", "the band from %v to %v Hz is not within 0 to %v Hz", o.Lowest,
			o.Highest, s.Rate/2)
	}
	r := RippleResult{Frequency: nan}
	low, high := extremes(x)
	if low == high {
		r.Mean = x[0]
		return r, nil
	}
	r.Mean, _ = meanSD(x)
	middle := float64(len(x)-1) / 2
	var slope, way float64
	for i, v := range x {
		k := float64(i) - middle
		slope += k * (v - r.Mean)
		way += k * k
	}
	slope /= way
	y := make([]float64, len(x))
	var squares float64
	for i, v := range x {
		y[i] = v - r.Mean - slope*(float64(i)-middle)
		squares += y[i] * y[i]
	}
	r.RMS = math.Sqrt(squares / float64(len(y)))
	low, high = extremes(y)
	r.PeakToPeak = high - low
	// A straight line leaves rounding only.
	if r.RMS <= 1e-13*(math.Abs(r.Mean)+math.Abs(slope)*middle) {
		return r, nil
	}
	spectrum := newSpectrum(y, s.Rate)
	defer spectrum.release()
	if k := spectrum.peak(o.Lowest, o.Highest); k >= 0 {
		t := spectrum.tone(k)
		r.Frequency, r.Amplitude = t.frequency, t.amplitude
		r.Share = 100 * min(1, t.amplitude*t.amplitude/2/(r.RMS*r.RMS))
	}
	return r, nil
}

package measure

import (
	"math"

	"fullthrow/drivers"
	"fullthrow/reports/statistics"
)

// SteadyResult describes a quantity that should stand still. All values but
// Settled are in the unit of the capture.
type SteadyResult struct {
	Mean       float64 `unit:"capture"`
	SD         float64 `unit:"capture" help:"standard deviation of the samples (n - 1)"`
	Min        float64 `unit:"capture"`
	Max        float64 `unit:"capture"`
	PeakToPeak float64 `unit:"capture" help:"max - min"`
	// Of scatter, with its autocorrelation (batch means; below 40 samples a first-order
	// model), and of drift, where it stands out of the scatter. The instrument's calibration
	// is not in it.
	Uncertainty float64 `unit:"capture" help:"of the mean, expanded (k = 2), as far as the capture shows it"`
	Drift       float64 `unit:"capture" help:"from beginning to end, by the line of least squares"`
	// Scatter explains five standard errors.
	Settled bool `help:"the four quarters have one mean, but for scatter or 2 %"`
}

// Steady measures a capture of one channel and at least 2 samples. Special
// inputs: a constant capture (clipped, too) has SD, Uncertainty and Drift 0 and
// is Settled; an empty capture or a single sample, and NaN or infinite samples,
// are errors.
func Steady(s drivers.Samples) (SteadyResult, error) {
	x, err := one("steady", s, 2)
	if err != nil {
		return SteadyResult{}, err
	}
	var r SteadyResult
	r.Mean, r.SD = meanSD(x)
	r.Min, r.Max = extremes(x)
	r.PeakToPeak = r.Max - r.Min
	if r.PeakToPeak == 0 {
		r.Mean, r.SD, r.Settled = x[0], 0, true
		return r, nil
	}

	// Means of batches carry the autocorrelation of what is inside them.
	batches := 20
	points := batchMeans(x, batches)
	if len(x) < 2*batches {
		points, batches = x, len(x)
	}
	at := make([]float64, batches) // -1/2 .. +1/2 of the capture
	for i := range at {
		at[i] = (float64(i)+0.5)/float64(batches) - 0.5
	}
	_, r.Drift = leastSquares(at, points)
	rest := make([]float64, batches)
	for i := range rest {
		rest[i] = points[i] - r.Drift*at[i]
	}
	_, sd := meanSD(rest)
	if batches == len(x) {
		// Too few samples for batches: widen by the first-order model.
		rho := math.Max(0, math.Min(0.95, statistics.LagOne(rest)))
		sd *= math.Sqrt((1 + rho) / (1 - rho))
	}
	standard := sd / math.Sqrt(float64(batches))
	u2 := standard * standard
	// The slope of scatter alone has sqrt(12) times the error of the mean.
	if math.Abs(r.Drift) > 2*math.Sqrt(12)*standard {
		u2 += r.Drift * r.Drift / 12 // the mean lies anywhere on the slope
	}
	r.Uncertainty = 2 * math.Sqrt(u2)

	if len(x) >= 8 {
		low, high := extremes(batchMeans(x, 4))
		r.Settled = high-low <= math.Max(0.02*math.Abs(r.Mean), 5*2*standard)
	} else {
		r.Settled = r.PeakToPeak <= 0.02*math.Abs(r.Mean)
	}
	return r, nil
}

// Started tells whether the unit runs, judged by the current it draws: the mean
// of the capture's second half above threshold (in the capture's unit).
func Started(s drivers.Samples, threshold float64) (bool, error) {
	x, err := one("started", s, 2)
	if err != nil {
		return false, err
	}
	if !statistics.Finite(threshold) {
		return false, errorf("started", "threshold is %v", threshold)
	}
	return statistics.Mean(x[len(x)/2:]) > threshold, nil
}

// batchMeans divides x into n runs of equal length (the last may be longer).
func batchMeans(x []float64, n int) []float64 {
	if len(x) < n {
		return x
	}
	means := make([]float64, n)
	size := len(x) / n
	for i := range means {
		end := (i + 1) * size
		if i == n-1 {
			end = len(x)
		}
		means[i] = statistics.Mean(x[i*size : end])
	}
	return means
}

func extremes(x []float64) (low, high float64) {
	low, high = x[0], x[0]
	for _, v := range x[1:] {
		low, high = min(low, v), max(high, v)
	}
	return low, high
}

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

package measure

import (
	"math"

	"gonum.org/v1/gonum/floats"

	"fullthrow/drivers"
)

// LevelOptions choose what is measured.
type LevelOptions struct {
	Channel int     `help:"of the capture, from 1; not given: 1"`
	Mix     bool    `help:"take the mean of all channels"`
	Silence float64 `unit:"dB" help:"a quieter capture is silent; not given: -80, in Pa 20"`
}

// LevelResult is how loud a capture is. Levels are in dB: in a capture in Pa
// sound pressure levels (re 20 µPa), else re the rms of a sine of amplitude 1.
type LevelResult struct {
	RMS       float64 `unit:"capture" help:"about dc"`
	Peak      float64 `unit:"capture" help:"largest distance from dc"`
	Crest     float64 `unit:"1" help:"peak over rms, 1.414 for a sine; 0 for a constant capture"`
	Level     float64 `unit:"dB" help:"of rms, unweighted"`
	LevelA    float64 `unit:"dB" help:"A-weighted (IEC 61672-1)"`
	LevelC    float64 `unit:"dB" help:"C-weighted (IEC 61672-1)"`
	PeakLevel float64 `unit:"dB" help:"of peak: in Pa re 20 µPa, else re 1 (full scale)"`
	DC        float64 `unit:"capture" help:"the mean"`
	Clipped   bool    `help:"the tops are cut off: the true level is higher"`
	Silent    bool    `help:"level is below silence"`
}

// Level measures a capture of at least 64 samples as a whole (time-average
// level). Weighting is done in the spectrum, so it is as exact as the spectrum
// is fine: within 0.01 dB from 60 Hz up in a capture of 2 s, 0.16 dB high at
// 10 Hz, where the curve is steep; a longer capture is finer. The first and last
// 0.2 s count less in LevelA - Level and LevelC - Level, or all but the middle
// of a capture shorter than 0.4 s.
//
// A capture scaled by a factor has levels moved by it; an offset moves DC only;
// played backwards it measures the same.
//
// Special inputs: a constant capture has -200 dB everywhere and is Silent. Empty,
// one sample, fewer than 64, NaN, infinite and samples beyond 1e150 are errors. A
// clipped capture is measured and marked Clipped.
func Level(s drivers.Samples, o LevelOptions) (LevelResult, error) {
	o, err := complete("level", o)
	if err != nil {
		return LevelResult{}, err
	}
	w, err := waveformOf("level", s, o.Channel, o.Mix, o.Silence, 64)
	if err != nil {
		return LevelResult{}, err
	}
	low, high := extremes(w.x)
	r := LevelResult{RMS: w.rms, Peak: max(high, -low), DC: w.mean, Clipped: w.clipped, Silent: w.silent}
	r.Level = level(math.Sqrt2*r.RMS, s.Unit)
	r.PeakLevel = decibel(r.Peak)
	if s.Unit == "Pa" {
		r.PeakLevel = decibel(r.Peak / referencePressure)
	}
	r.LevelA, r.LevelC = floorLevel, floorLevel
	if r.RMS > 0 {
		r.Crest = r.Peak / r.RMS
		a, c := weightedShare(w.x, s.Rate)
		r.LevelA = level(math.Sqrt2*r.RMS*math.Sqrt(a), s.Unit)
		r.LevelC = level(math.Sqrt2*r.RMS*math.Sqrt(c), s.Unit)
	}
	return r, nil
}

const (
	levelTaper  = 0.2     // s, over which each end of a stretch rises and falls
	levelLength = 6 << 14 // samples at most
)

// weightedShare is the A- and C-weighted power of x over its power, taken in
// stretches that overlap by their tapers (a quarter of a sine, so that the
// squares of two that meet add up to one). A capture of up to two seconds at
// 48 kHz is one stretch.
func weightedShare(x []float64, rate float64) (a, c float64) {
	n := len(x)
	edge := int(min(levelTaper*rate, float64(n/2), levelLength/4))
	count := 1
	if n > levelLength {
		count = int(math.Ceil(float64(n-edge) / float64(levelLength-edge)))
		n = min(levelLength, edge+int(math.Ceil(float64(len(x)-edge)/float64(count))))
	}
	rise := make([]float64, edge)
	for i := range rise {
		rise[i] = math.Sin(math.Pi / 2 * (float64(i) + 0.5) / float64(edge))
	}
	var all float64
	length, pool := transformLength(transformAbove(n))
	p := takePlan(length, pool)
	defer plans[pool].put(p)
	p.weights.set(rate, length)
	for i := range count {
		from := 0
		if count > 1 {
			from = i * (len(x) - n) / (count - 1)
		}
		p.pack(x[from:from+n], rise)
		p.fft.power(p.power, nil, nil)
		// The other bins stand for their images too.
		p.power[0] /= 2
		p.power[len(p.power)-1] /= 2
		all += floats.Sum(p.power)
		a += floats.Dot(p.power, p.weights.a)
		c += floats.Dot(p.power, p.weights.c)
	}
	if all == 0 {
		return 0, 0
	}
	a1k, c1k := powerWeights(1000)
	return a / all / a1k, c / all / c1k
}

// pack makes x, with its ends rising and falling, and zeros after it, ready for
// the transform.
func (p *plan) pack(x, rise []float64) {
	z := p.fft.x
	clear(z[copy(z, x):])
	for i, w := range rise {
		z[i] *= w
		z[len(x)-1-i] *= w
	}
}

// weighting is the power weights of each bin.
type weighting struct {
	rate float64
	a, c []float64
}

func (w *weighting) set(rate float64, n int) {
	if w.rate == rate && len(w.a) == n/2+1 {
		return
	}
	*w = weighting{rate, make([]float64, n/2+1), make([]float64, n/2+1)}
	for k := range w.a {
		w.a[k], w.c[k] = powerWeights(float64(k) * rate / float64(n))
	}
}

// Poles of the weighting filters, Hz (IEC 61672-1, annex E).
const (
	pole1 = 20.598997
	pole2 = 107.65265
	pole3 = 737.86223
	pole4 = 12194.217
)

// powerWeights is the gain in power of A- and C-weighting at f Hz, without their
// normalisation to 1 at 1 kHz.
func powerWeights(f float64) (a, c float64) {
	f2 := f * f
	c = pole4 * pole4 * f2 / ((f2 + pole1*pole1) * (f2 + pole4*pole4))
	c *= c
	return c * f2 * f2 / ((f2 + pole2*pole2) * (f2 + pole3*pole3)), c
}

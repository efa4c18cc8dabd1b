package measure

import (
	"math"

	"gonum.org/v1/gonum/floats"

	"fullthrow/drivers"
	"fullthrow/reports/statistics"
)

// Levels are in dB. In a capture in Pa 0 dB is 20 µPa rms (sound pressure
// level, IEC 61672-1); in any other unit it is the rms of a sine of amplitude 1,
// for a capture in fractions of full scale the loudest sine there can be (AES17).
const (
	referencePressure = 20e-6 // Pa

	// Below these levels a capture is Silent: -80 dB is a few steps of a 16-bit
	// converter, 20 dB SPL is quieter than a quiet room.
	silenceFullScale = -80.0
	silencePressure  = 20.0
)

// waveform is one channel of a capture made ready.
type waveform struct {
	x       []float64 // about its mean; the caller's own
	mean    float64
	rms     float64 // about the mean
	clipped bool
	silent  bool
}

// waveformOf takes channel ch (1 first, 0: 1) of a capture, or the mean of all.
// silence is the level below which it counts as silent (0: the usual one).
func waveformOf(op string, s drivers.Samples, ch int, average bool, silence float64, need int) (waveform, error) {
	var w waveform
	if !average || s.Channels < 2 {
		x, err := mono(op, s, ch, need)
		if err != nil {
			return w, err
		}
		w.clipped = clipped(x, s.Unit)
		if s.Channels == 1 {
			x = append([]float64(nil), x...)
		}
		w.x = x
	} else {
		if ch != 0 {
			return w, errorf(op, "channel %d asked for, and the average of all channels", ch)
		}
		w.x = make([]float64, s.Count())
		for c := 1; c <= s.Channels; c++ {
			x, err := mono(op, s, c, need)
			if err != nil {
				return w, err
			}
			w.clipped = w.clipped || clipped(x, s.Unit)
			floats.AddScaled(w.x, 1/float64(s.Channels), x)
		}
	}
	// Twice: the mean of the differences takes the rounding out of the first.
	for range 2 {
		m := floats.Sum(w.x) / float64(len(w.x))
		floats.AddConst(-m, w.x)
		w.mean += m
	}
	w.rms = math.Sqrt(floats.Dot(w.x, w.x) / float64(len(w.x)))
	if !statistics.Finite(w.rms) {
		return waveform{}, errorf(op, "samples are too large to be squared")
	}
	w.silent = silent(w.rms, s.Unit, silence)
	return w, nil
}

func silent(rms float64, unit string, silence float64) bool {
	if silence == 0 {
		silence = silenceFullScale
		if unit == "Pa" {
			silence = silencePressure
		}
	}
	return level(math.Sqrt2*rms, unit) < silence
}

// clipped tells whether the tops of a sound are cut off. In a capture in
// fractions of full scale: three samples in a row at full scale, at least
// twice. In any other unit, where full scale is not known: at least two flat
// stretches of three or more equal samples at the largest or the smallest value
// with steep edges, more than eight times the smallest step of the capture,
// which the top of a sine in few bits does not have.
func clipped(x []float64, unit string) bool {
	if unit == "1" {
		runs, run := 0, 0
		for _, v := range x {
			if math.Abs(v) < 0.9999 {
				run = 0
				continue
			}
			if run++; run == 3 {
				runs++
			}
		}
		return runs >= 2
	}
	if len(x) == 0 {
		return false
	}
	low, high := extremes(x)
	step := math.Inf(1)
	for i := 2; i < len(x); i++ {
		// Second differences are whole steps too, and small where a sound rises
		// steeply; what is smaller than 1e-9 of the range is rounding.
		for _, d := range [2]float64{math.Abs(x[i] - x[i-1]), math.Abs(x[i] - 2*x[i-1] + x[i-2])} {
			if d > 1e-9*(high-low) && d < step {
				step = d
			}
		}
	}
	runs := 0
	for i := 0; i < len(x); {
		v, from := x[i], i
		for i < len(x) && x[i] == v {
			i++
		}
		if i-from < 3 || v != low && v != high || from == 0 || i == len(x) {
			continue
		}
		if min(math.Abs(x[from-1]-v), math.Abs(x[i]-v)) > 8*step {
			runs++
		}
	}
	return runs >= 2
}

// level is an amplitude (peak) in dB, at least floorLevel.
func level(amplitude float64, unit string) float64 {
	if unit == "Pa" {
		amplitude /= math.Sqrt2 * referencePressure
	}
	return decibel(amplitude)
}

// floorLevel stands for silence, so that a level is always a number.
const floorLevel = -200.0

// decibel is a ratio of amplitudes in dB, from -200 to 200.
func decibel(ratio float64) float64 {
	if !(ratio > 0) {
		return floorLevel
	}
	return math.Min(-floorLevel, math.Max(floorLevel, 20*math.Log10(ratio)))
}

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

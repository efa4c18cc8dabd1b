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

package measure

import (
	"math"

	"fullthrow/drivers"
)

// LevelOptions choose what is measured.
type LevelOptions struct {
	Channel int     // 1 first (0: 1)
	Average bool    // the mean of all channels instead of one
	Silence float64 // dB; a quieter capture is Silent (0: -80, in a capture in Pa 20)
}

// LevelResult is how loud a capture is. Levels are in dB: in a capture in Pa
// sound pressure levels (re 20 µPa), else re the rms of a sine of amplitude 1.
type LevelResult struct {
	RMS       float64 // about DC, in the unit of the capture
	Peak      float64 // largest distance from DC, in the unit of the capture
	Crest     float64 // Peak over RMS, 1.414 for a sine; 0 for a constant capture
	Level     float64 // dB, of RMS, unweighted
	LevelA    float64 // dB, A-weighted (IEC 61672-1)
	LevelC    float64 // dB, C-weighted (IEC 61672-1)
	PeakLevel float64 // dB, of Peak: re 20 µPa in a capture in Pa, else re 1 (full scale)
	DC        float64 // mean, in the unit of the capture
	Clipped   bool    // the tops are cut off: the true level is higher
	Silent    bool    // Level is below Silence
}

// Level measures a capture of at least 64 samples as a whole (time-average
// level). Weighting is exact at every frequency, being done in the spectrum, in
// stretches of up to 0.68 s under Hann's window; captures shorter than that read
// tones below 50 Hz, where the curves are steep, up to some dB high. Sounds in the
// first and last half stretch count less in LevelA - Level and LevelC - Level.
//
// A capture scaled by a factor has levels moved by it; an offset moves DC only;
// played backwards it measures the same.
//
// Special inputs: a constant capture has -200 dB everywhere and is Silent. Empty,
// one sample, fewer than 64, NaN, infinite and samples beyond 1e150 are errors. A
// clipped capture is measured and marked Clipped.
func Level(s drivers.Samples, o LevelOptions) (LevelResult, error) {
	w, err := waveformOf("level", s, o.Channel, o.Average, o.Silence, 64)
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

// weightedShare is the A- and C-weighted power of x over its power.
func weightedShare(x []float64, rate float64) (a, c float64) {
	n, _ := transformLength(min(len(x), max(64, int(0.6827*rate))))
	// Stretches overlap by two thirds or more, so that Hann's window, squared,
	// adds up evenly.
	count := 1
	if len(x) > n {
		count += int(math.Ceil(3 * float64(len(x)-n) / float64(n)))
	}
	var power []float64
	var width float64
	for i := range count {
		from := 0
		if count > 1 {
			from = i * (len(x) - n) / (count - 1)
		}
		sp := newSpectrum(x[from:from+n], rate)
		if power == nil {
			power, width = make([]float64, len(sp.power)), sp.width
		}
		for k, p := range sp.power {
			power[k] += p
		}
		sp.release()
	}
	// Hann's window spreads a tone over its lobe, with a standard deviation of
	// 1/√3 bins in power; half of that squared times the second derivative is
	// what it adds where the curves bend.
	spread := width / math.Sqrt(3)
	const bent = 64 // bins
	var all float64
	for k, p := range power {
		if k == 0 {
			continue // what is left of the offset
		}
		f := float64(k) * width
		wa, wc := weights(f)
		wa, wc = wa*wa, wc*wc
		if k < bent {
			a0, c0 := weights(math.Abs(f - spread))
			a1, c1 := weights(f + spread)
			wa = max(0, wa-(a0*a0+a1*a1-2*wa)/2)
			wc = max(0, wc-(c0*c0+c1*c1-2*wc)/2)
		}
		all += p
		a += p * wa
		c += p * wc
	}
	if all == 0 {
		return 0, 0
	}
	return a / all, c / all
}

// Poles of the weighting filters, Hz (IEC 61672-1, annex E).
const (
	pole1 = 20.598997
	pole2 = 107.65265
	pole3 = 737.86223
	pole4 = 12194.217
)

// weights is the gain of A- and C-weighting at f Hz, 1 at 1 kHz.
func weights(f float64) (a, c float64) {
	a, c = rawWeights(f)
	ra, rc := rawWeights(1000)
	return a / ra, c / rc
}

func rawWeights(f float64) (a, c float64) {
	f2 := f * f
	c = pole4 * pole4 * f2 / ((f2 + pole1*pole1) * (f2 + pole4*pole4))
	return c * f2 / math.Sqrt((f2+pole2*pole2)*(f2+pole3*pole3)), c
}

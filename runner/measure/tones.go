package measure

import (
	"math"
	"slices"

	"fullthrow/drivers"
)

// TonesOptions choose what is looked for.
type TonesOptions struct {
	MostTones int     `default:"5" range:"[1,1000]" help:"at most so many tones"`
	Channel   int     `help:"of the capture, from 1; not given: 1"`
	Mix       bool    `help:"take the mean of all channels"`
	Lowest    float64 `unit:"Hz" default:"20" range:"(0,)" help:"nothing below is looked at"`
	Highest   float64 `unit:"Hz" range:"[0,)" help:"nor above; not given: 0.49 of the sample rate"`
	Window    string  `help:"hann, hamming, blackman, blackman-harris, flat-top, hft70, hft90d, hft95, rectangular"`
	Silence   float64 `unit:"dB" help:"a quieter capture is silent; not given: -80, in Pa 20"`
}

// Tone is one sine in a capture.
type Tone struct {
	Frequency float64 `unit:"Hz"`
	Amplitude float64 `unit:"capture" help:"peak"`
	Level     float64 `unit:"dB" help:"re a full-scale sine, in Pa re 20 µPa rms"`
}

// TonesResult lists the strongest tones.
type TonesResult struct {
	Tones []Tone `help:"strongest first"`
	// A tone less than some 15 dB above it may be chance.
	NoiseFloor float64 `unit:"dB" help:"median of the spectrum, as the level that a tone would need to equal it"`
	DC         float64 `unit:"capture" help:"the offset"`
	Clipped    bool    `help:"the tops are cut off"`
	Silent     bool    `help:"the whole capture is quieter than silence"`
}

// Tones finds the strongest spectral lines of a capture of at least 64 samples
// (the transform takes the middle of a length 4, 5 or 6 times a power of two).
// Without a Window of its own choice, each line that is steady is then fitted as
// a sine over the whole capture, the others taken out; with one, frequency and
// level come from the two largest bins alone. Tones nearer than the window's
// main lobe (Hann: four bins, 4 * rate / samples) to a stronger one are not told
// apart.
//
// A capture scaled by a factor has the same tones with levels moved by it; an
// offset moves DC only; played backwards it has the same tones.
//
// Special inputs: silence and a constant capture give no tones, the lowest
// level, -200 dB, and Silent; an offset is no tone. Empty, one sample, fewer than
// 64, NaN, infinite and samples beyond 1e150 are errors. A clipped capture is
// measured and marked Clipped.
func Tones(s drivers.Samples, o TonesOptions) (TonesResult, error) {
	const op = "tones"
	o, err := complete(op, o)
	if err != nil {
		return TonesResult{}, err
	}
	wave, err := waveformOf(op, s, o.Channel, o.Mix, o.Silence, 64)
	if err != nil {
		return TonesResult{}, err
	}
	if o.Highest == 0 {
		o.Highest = 0.49 * s.Rate
	}
	if o.Lowest >= o.Highest {
		return TonesResult{}, errorf(op, "asked for tones from %v to %v Hz", o.Lowest, o.Highest)
	}
	window, err := windowNamed(op, o.Window)
	if err != nil {
		return TonesResult{}, err
	}
	sp := newWindowed(wave.x, s.Rate, window)
	defer sp.release()
	_, middle := sp.floor()
	r := TonesResult{NoiseFloor: level(sp.amplitude(middle), s.Unit), DC: wave.mean, Clipped: wave.clipped,
		Silent: wave.silent}
	lobe := float64(max(4, 2*len(window.a)))
	var found []tone
	for _, k := range sp.peaks(o.Lowest, o.Highest, 4*o.MostTones+8, nil) {
		t := sp.tone(k)
		near := slices.ContainsFunc(found,
			func(other tone) bool { return math.Abs(other.frequency-t.frequency) < lobe*sp.width })
		// What rounding leaves of a constant is no tone.
		if near || len(found) == o.MostTones || t.amplitude <= 1e-15*(math.Abs(wave.mean)+wave.rms) {
			continue
		}
		found = append(found, t)
	}
	if o.Window == "" {
		fitEach(wave.x, s.Rate, found)
	}
	slices.SortStableFunc(found, func(a, b tone) int { return compareDown(a.amplitude, b.amplitude) })
	for _, t := range found {
		r.Tones = append(r.Tones, Tone{t.frequency, t.amplitude, level(t.amplitude, s.Unit)})
	}
	return r, nil
}

func compareDown(a, b float64) int {
	switch {
	case a > b:
		return -1
	case a < b:
		return 1
	}
	return 0
}

// refined is how many of the strongest tones are fitted.
const refined = 8

// fitEach fits sines to the strongest of the tones found, each to what the others
// leave of x, which it uses up. A tone whose fit lies elsewhere is not steady
// and stays as it is.
func fitEach(x []float64, rate float64, found []tone) {
	found = found[:min(len(found), refined)]
	fits := make([]sinusoid, len(found))
	for pass := range 3 {
		for i, t := range found {
			if pass > 0 && fits[i].omega == 0 {
				continue // not steady
			}
			omega := 2 * math.Pi * t.frequency / rate
			if pass > 0 {
				omega = fits[i].omega
				fits[i].add(x, 1)
			}
			fit, ok := fit4(x, omega)
			if a := fit.amplitude(); !ok || math.Abs(a-t.amplitude) > 0.2*t.amplitude {
				fits[i] = sinusoid{}
				continue
			}
			fits[i] = fit
			fit.add(x, -1)
		}
	}
	for i, fit := range fits {
		if fit.omega > 0 {
			found[i] = tone{fit.omega * rate / (2 * math.Pi), fit.amplitude()}
		}
	}
}

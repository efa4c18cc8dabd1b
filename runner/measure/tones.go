package measure

import (
	"math"
	"slices"

	"fullthrow/drivers"
)

// TonesOptions choose what is looked for.
type TonesOptions struct {
	Count   int     // at most so many tones, up to 1000 (0: 5)
	Channel int     // 1 first (0: 1)
	Average bool    // the mean of all channels instead of one
	Lowest  float64 // Hz; nothing below is looked at (0: 20)
	Highest float64 // Hz; nothing above is looked at (0: 0.49 of the sample rate)
	// Window: "hann" (also ""), "hamming", "blackman", "blackman-harris",
	// "flat-top", "hft70", "hft90d", "hft95" or "rectangular".
	Window  string
	Silence float64 // dB; a quieter capture is Silent (0: -80, in a capture in Pa 20)
}

// Tone is one sine in a capture.
type Tone struct {
	Frequency float64 // Hz
	Amplitude float64 // peak, in the unit of the capture
	Level     float64 // dB re a full-scale sine; re 20 µPa rms in a capture in Pa
}

// TonesResult lists the strongest tones.
type TonesResult struct {
	Tones []Tone // strongest first; steady over the capture, or their frequency and level are averages
	// NoiseFloor is the median over frequency of the spectrum, as the level a
	// tone would need to equal it: a tone less than some 15 dB above it may be
	// chance.
	NoiseFloor float64
	DC         float64 // the offset, in the unit of the capture
	Clipped    bool    // the tops are cut off
	Silent     bool    // the whole capture is quieter than Silence
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
	wave, err := waveformOf(op, s, o.Channel, o.Average, o.Silence, 64)
	if err != nil {
		return TonesResult{}, err
	}
	if o.Count == 0 {
		o.Count = 5
	}
	if o.Lowest == 0 {
		o.Lowest = 20
	}
	if o.Highest == 0 {
		o.Highest = 0.49 * s.Rate
	}
	if o.Count < 0 || o.Count > 1000 || !(o.Lowest > 0 && o.Lowest < o.Highest && finite(o.Highest)) {
		return TonesResult{}, errorf(op, "asked for %d tones from %v to %v Hz", o.Count, o.Lowest, o.Highest)
	}
	window, err := windowNamed(op, o.Window)
	if err != nil {
		return TonesResult{}, err
	}
	sp := newWindowed(wave.x, s.Rate, window)
	defer sp.release()
	_, middle := sp.floor()
	r := TonesResult{NoiseFloor: level(sp.amplitude(middle), s.Unit), DC: wave.mean, Clipped: wave.clipped, Silent: wave.silent}
	lobe := float64(max(4, 2*len(window.a)))
	var found []tone
	for _, k := range sp.peaks(o.Lowest, o.Highest, 4*o.Count+8, nil) {
		t := sp.tone(k)
		near := slices.ContainsFunc(found, func(other tone) bool { return math.Abs(other.frequency-t.frequency) < lobe*sp.width })
		// What rounding leaves of a constant is no tone.
		if near || len(found) == o.Count || t.amplitude <= 1e-15*(math.Abs(wave.mean)+wave.rms) {
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

package measure

import (
	"math"
	"slices"

	"fullthrow/drivers"
)

// TonesOptions choose what is looked for.
type TonesOptions struct {
	Count   int     // at most so many tones (0: 5)
	Channel int     // 1 first (0: 1)
	Lowest  float64 // Hz; nothing below is looked at (0: 20)
	Highest float64 // Hz; nothing above is looked at (0: 0.49 of the sample rate)
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
	// tone would need to equal it: a tone less than some 12 dB above it may be
	// chance.
	NoiseFloor float64
}

// Tones finds the strongest spectral lines of a capture of at least 64 samples
// (the transform takes the middle of a length 4, 5 or 6 times a power of two).
// Tones nearer than four bins (4 * rate / samples) to a stronger one are not
// told apart. Special inputs: silence gives no tones and the lowest level,
// -200 dB; a constant offset is no tone.
func Tones(s drivers.Samples, o TonesOptions) (TonesResult, error) {
	x, err := mono("tones", s, o.Channel, 64)
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
	if o.Count < 0 || !(o.Lowest > 0 && o.Lowest < o.Highest && finite(o.Highest)) {
		return TonesResult{}, errorf("tones", "asked for %d tones from %v to %v Hz", o.Count, o.Lowest, o.Highest)
	}
	sp := newSpectrum(x, s.Rate)
	defer sp.release()
	sorted := slices.Clone(sp.power)
	slices.Sort(sorted)
	r := TonesResult{NoiseFloor: level(4*math.Sqrt(sorted[len(sorted)/2])/float64(sp.n), s.Unit)}
	for _, k := range sp.peaks(o.Lowest, o.Highest, 4*o.Count+8, nil) {
		t := sp.tone(k)
		near := slices.ContainsFunc(r.Tones, func(other Tone) bool { return math.Abs(other.Frequency-t.frequency) < 4*sp.width })
		if near || len(r.Tones) == o.Count || t.amplitude <= 0 {
			continue
		}
		r.Tones = append(r.Tones, Tone{t.frequency, t.amplitude, level(t.amplitude, s.Unit)})
	}
	return r, nil
}

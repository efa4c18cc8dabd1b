package measure

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/floats"

	"fullthrow/drivers"
)

// ToneOptions say which tone is meant.
type ToneOptions struct {
	Frequency       float64 `unit:"Hz" range:"[0,)" help:"the intended tone; not given: the strongest"`
	PitchTolerance  float64 `unit:"cent" default:"100" range:"(0,1200]" help:"how far from frequency the tone may be"`
	HighestHarmonic int     `default:"10" range:"[2,100]" help:"the highest that counts as a harmonic"`
	MostForeign     int     `default:"5" range:"[0,1000]" help:"at most so many foreign tones are listed"`
	Lowest          float64 `unit:"Hz" default:"20" range:"(0,)" help:"nothing is looked for below"`
	Highest         float64 `unit:"Hz" range:"[0,)" help:"nor above; not given: 0.49 of the sample rate"`
	Silence         float64 `unit:"dB" help:"a quieter capture is silent; not given: -80, in Pa 20"`
	Channel         int     `help:"of the capture, from 1; not given: 1"`
	Mix             bool    `help:"take the mean of all channels"`
}

// Harmonic is one harmonic of a tone.
type Harmonic struct {
	Number    int     `help:"2 is twice the frequency of the tone"`
	Frequency float64 `unit:"Hz"`
	Level     float64 `unit:"dB" help:"relative to the tone"`
}

// ForeignTone is a tone that is neither the intended one nor one of its
// harmonics.
type ForeignTone struct {
	Frequency float64 `unit:"Hz"`
	Level     float64 `unit:"dB" help:"relative to the intended tone"`
}

// ToneResult describes one steady tone. Every number is finite, so that a unit
// without the tone fails its limits instead of leaving them unjudged: what a
// field holds then is said there.
type ToneResult struct {
	Found     bool    `help:"a tone is there: 15 dB out of the noise, within pitch_tolerance"`
	Frequency float64 `unit:"Hz" help:"0 without a tone"`
	Cents     float64 `unit:"cent" help:"against the intended frequency; 0 without that, 1200 without a tone"`
	Amplitude float64 `unit:"capture" help:"peak; 0 without a tone"`
	Level     float64 `unit:"dB" help:"re a full-scale sine, in Pa re 20 µPa rms; -200 without a tone"`
	THD       float64 `unit:"%" help:"harmonics over tone and harmonics (THD_R, IEC 60268-3); 100 without a tone"`
	THDF      float64 `unit:"%" help:"harmonics over the tone alone (THD_F, IEEE Std 1241); 100 without a tone"`
	THDN      float64 `unit:"%" help:"all but the tone over all, up to half the sample rate; 100 without a tone"`
	SINAD     float64 `unit:"dB" help:"the tone over all else (IEEE Std 1241); -200 without a tone, 200 at most"`
	SNR       float64 `unit:"dB" help:"as sinad, the harmonics left out as well"`
	// log2(2/(√12 rms)) of all but tone and offset.
	ENOB             float64       `unit:"bit" help:"effective bits (IEEE Std 1241) of a capture in full scale; else 0"`
	SFDR             float64       `unit:"dB" help:"the tone over the largest line besides it; -200 without a tone"`
	NoiseFloor       float64       `unit:"dB" help:"median of what is left, as the level of a tone that equals it"`
	Harmonics        []Harmonic    `help:"from the second on"`
	Foreign          []ForeignTone `help:"standing out of the noise, strongest first"`
	ForeignLevel     float64       `unit:"dB" help:"of the strongest line that is no harmonic; 0 without a tone"`
	ForeignFrequency float64       `unit:"Hz" help:"where that line is; 0 without a tone"`
	DC               float64       `unit:"capture" help:"the offset"`
	Clipped          bool          `help:"the tops are cut off: nothing else can be trusted"`
	Silent           bool          `help:"the whole capture is quieter than silence"`
}

const (
	// guard is how near to the tone or a harmonic, in bins, nothing is taken for
	// foreign: Hann's main lobe has two bins on either side, and an unsteady
	// tone is wider.
	guard = 5.0
	// weakest is the level relative to the tone below which nothing is foreign:
	// no converter reaches it, rounding does.
	weakest = -150.0
)

// SteadyTone measures one tone that sounds through the whole of a capture of at
// least 64 samples and four periods of it. Frequency, amplitude and offset are
// those of the four-parameter fit of IEEE Std 1057 (see [Sine]), with the
// harmonics, fitted at its exact multiples, taken out first; harmonics above
// half the sample rate do not exist. Foreign tones nearer than five bins
// (5 * rate / samples) to the tone or a harmonic are not told from it.
//
// A capture scaled by a factor has the same figures with levels moved by it; an
// offset moves DC only; played backwards it measures the same.
//
// Special inputs: empty, one sample, too short (see above), NaN, infinite and
// samples beyond 1e150 are errors. A constant capture is Silent, without a tone,
// with its value as DC. Noise alone has no tone. A clipped capture is measured
// and marked Clipped.
func SteadyTone(s drivers.Samples, o ToneOptions) (ToneResult, error) {
	const op = "tone"
	o, err := complete(op, o)
	if err != nil {
		return ToneResult{}, err
	}
	w, err := waveformOf(op, s, o.Channel, o.Mix, o.Silence, 64)
	if err != nil {
		return ToneResult{}, err
	}
	if err := o.check(s.Rate); err != nil {
		return ToneResult{}, err
	}
	if need := 4 * s.Rate / o.Frequency; o.Frequency > 0 && float64(len(w.x)) < need {
		return ToneResult{}, errorf(op, "capture has %d samples, at least %.0f (4 periods of %v Hz) needed", len(w.x),
			math.Ceil(need), o.Frequency)
	}
	r := ToneResult{DC: w.mean, Clipped: w.clipped, Silent: w.silent,
		Level: floorLevel, THD: 100, THDF: 100, THDN: 100, SINAD: floorLevel, SNR: floorLevel, SFDR: floorLevel}
	if o.Frequency > 0 {
		r.Cents = 1200
	}

	low, high := o.Lowest, o.Highest
	if o.Frequency > 0 {
		low, high = max(low, o.Frequency*math.Exp2(-o.PitchTolerance/1200)),
			min(high, o.Frequency*math.Exp2(o.PitchTolerance/1200))
	}
	low = max(low, 4*s.Rate/float64(len(w.x)))
	start := w.seek(s.Rate, low, high, &r, s.Unit)
	if start <= 0 {
		return r, nil
	}
	p := newPartials(w.x, 2*math.Pi*start/s.Rate, o.HighestHarmonic)
	if p == nil {
		return r, nil
	}
	r.Found = true
	r.Frequency = p.tone.omega * s.Rate / (2 * math.Pi)
	if o.Frequency > 0 {
		r.Cents = cents(r.Frequency, o.Frequency)
	}
	r.Amplitude = p.tone.amplitude()
	r.Level = level(r.Amplitude, s.Unit)
	r.DC += p.tone.c

	var energy, largest float64
	for i, h := range p.harmonics {
		a := h.amplitude()
		energy += a * a
		largest = max(largest, a)
		r.Harmonics = append(r.Harmonics, Harmonic{i + 2, float64(i+2) * r.Frequency, decibel(a / r.Amplitude)})
	}
	tone2 := r.Amplitude * r.Amplitude
	r.THDF = 100 * math.Sqrt(energy/tone2)
	r.THD = 100 * math.Sqrt(energy/(tone2+energy))
	rest := p.rest * p.rest
	r.THDN = 100 * math.Sqrt(rest/(tone2/2+rest))
	r.SINAD = ratioLevel(r.Amplitude/math.Sqrt2, p.rest)
	r.SNR = ratioLevel(r.Amplitude/math.Sqrt2, p.noise)
	if s.Unit == "1" && p.rest > 0 {
		r.ENOB = math.Max(0, math.Log2(2/(math.Sqrt(12)*p.rest)))
	}
	r.foreign(p.residual, s, o)
	r.SFDR = ratioLevel(r.Amplitude, max(largest, r.Amplitude*math.Pow(10, r.ForeignLevel/20)))
	return r, nil
}

// check fills in what depends on the capture, and checks what does.
func (o *ToneOptions) check(rate float64) error {
	if o.Highest == 0 {
		o.Highest = 0.49 * rate
	}
	switch {
	case o.Frequency >= rate/2:
		return errorf("tone", "frequency is %v Hz, the capture reaches to %v Hz", o.Frequency, rate/2)
	case o.Lowest >= o.Highest:
		return errorf("tone", "asked for tones from %v to %v Hz", o.Lowest, o.Highest)
	}
	return nil
}

// seek finds the strongest line between two frequencies, 0 if none stands out,
// and notes the noise floor. A line that is clear already in the middle sixth of
// a long capture saves the transform of the whole: thirty dB out of the noise,
// its frequency is known to some hundredths of a bin there, and so within the
// main lobe of the whole.
func (w *waveform) seek(rate, low, high float64, r *ToneResult, unit string) float64 {
	const clear = 1000
	if n := len(w.x); n >= 6*1024 {
		from := (n - n/6) / 2
		if f := w.line(w.x[from:from+n/6], rate, low, high, clear, r, unit); f > 0 {
			return f
		}
	}
	return w.line(w.x, rate, low, high, clearance, r, unit)
}

func (w *waveform) line(x []float64, rate, low, high, clearance float64, r *ToneResult, unit string) float64 {
	sp := newSpectrum(x, rate)
	defer sp.release()
	blocks, middle := sp.floor()
	r.NoiseFloor = level(sp.amplitude(middle), unit)
	for _, k := range sp.peaks(low-sp.width, high+sp.width, 8, nil) {
		t := sp.tone(k)
		// What rounding leaves of a constant is no tone.
		if t.frequency >= low && t.frequency <= high && sp.power[k] > clearance*blocks[k/floorBlock] &&
			t.amplitude > 1e-12*(math.Abs(w.mean)+w.rms) {
			return t.frequency
		}
	}
	return 0
}

// partials is a tone with its harmonics, and what they leave.
type partials struct {
	tone      sinusoid
	harmonics []sinusoid // from the second on
	residual  []float64
	rest      float64 // rms without the tone
	noise     float64 // rms without the tone and its harmonics
}

// newPartials fits a tone near omega (radians per sample) and its harmonics to
// number top; nil if no tone can be fitted.
func newPartials(x []float64, omega float64, top int) *partials {
	p := &partials{residual: make([]float64, len(x))}
	buffer := make([]float64, len(x))
	var ok bool
	if p.tone, ok = fit4(x, omega); !ok {
		return nil
	}
	// The tone is fitted to what the harmonics leave, the harmonics to what the
	// tone leaves; each disturbs the other little, and twice is enough.
	for range 2 {
		p.fitHarmonics(x, buffer, top)
		copy(buffer, x)
		var energy float64
		for _, h := range p.harmonics {
			h.add(buffer, -1)
			energy += h.a*h.a + h.b*h.b
		}
		if energy < 1e-20*(p.tone.a*p.tone.a+p.tone.b*p.tone.b) {
			break
		}
		better, ok := fit4(buffer, p.tone.omega)
		if !ok {
			return nil
		}
		p.tone = better
	}
	p.fitHarmonics(x, buffer, top)
	n := float64(len(x))
	p.rest = math.Sqrt(floats.Dot(p.residual, p.residual) / n)
	for _, h := range p.harmonics {
		h.add(p.residual, -1)
	}
	p.noise = math.Sqrt(floats.Dot(p.residual, p.residual) / n)
	return p
}

// fitHarmonics leaves in residual what the tone leaves, and fits the harmonics
// to that.
func (p *partials) fitHarmonics(x, buffer []float64, top int) {
	copy(p.residual, x)
	p.tone.add(p.residual, -1)
	floats.AddConst(-p.tone.c, p.residual)
	p.harmonics = p.harmonics[:0]
	for h := 2; h <= top; h++ {
		// Within two bins of half the rate a harmonic meets its own image.
		if omega := float64(h) * p.tone.omega; omega < math.Pi*(1-4/float64(len(x))) {
			p.harmonics = append(p.harmonics, sinusoid{omega: omega})
		}
	}
	hannInto(buffer, p.residual)
	if !fitTogether(buffer, p.harmonics) {
		p.harmonics = p.harmonics[:0]
	}
}

// foreign looks for tones in the residual.
func (r *ToneResult) foreign(residual []float64, s drivers.Samples, o ToneOptions) {
	sp := newSpectrum(residual, s.Rate)
	defer sp.release()
	blocks, middle := sp.floor()
	r.NoiseFloor = level(sp.amplitude(middle), s.Unit)
	r.ForeignLevel = floorLevel
	skip := make([]bool, len(sp.power))
	for h := 1; h <= o.HighestHarmonic && float64(h)*r.Frequency < s.Rate/2; h++ {
		at := float64(h) * r.Frequency / sp.width
		for k := max(0, int(math.Ceil(at-guard))); k <= int(at+guard) && k < len(skip); k++ {
			skip[k] = true
		}
	}
	var taken []float64
	for i, k := range sp.peaks(o.Lowest, o.Highest, 4*o.MostForeign+8, skip) {
		t := sp.tone(k)
		l := decibel(t.amplitude / r.Amplitude)
		if i == 0 {
			r.ForeignLevel, r.ForeignFrequency = l, t.frequency
		}
		near := slices.ContainsFunc(taken, func(f float64) bool { return math.Abs(f-t.frequency) < 4*sp.width })
		if l < weakest || near || len(r.Foreign) == o.MostForeign || sp.power[k] <= clearance*blocks[k/floorBlock] {
			continue
		}
		taken = append(taken, t.frequency)
		r.Foreign = append(r.Foreign, ForeignTone{t.frequency, l})
	}
}

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

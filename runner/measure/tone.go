package measure

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/floats"

	"fullthrow/drivers"
)

// ToneOptions say which tone is meant.
type ToneOptions struct {
	Frequency float64 // Hz, of the intended tone (0: the strongest; if it is strong, in the middle sixth)
	Within    float64 // cent; how far from Frequency it is looked for (0: 100, a semitone)
	Harmonics int     // the highest harmonic that counts as one, 2 to 100 (0: 10)
	Foreign   int     // at most so many foreign tones are listed (0: 5)
	Lowest    float64 // Hz; no tone, harmonic or foreign tone is looked for below (0: 20)
	Highest   float64 // Hz; nor above (0: 0.49 of the sample rate)
	Silence   float64 // dB; a quieter capture is Silent (0: -80, in a capture in Pa 20)
	Channel   int     // 1 first (0: 1)
	Average   bool    // the mean of all channels instead of one
}

// Harmonic is one harmonic of a tone.
type Harmonic struct {
	Number    int     // 2 is twice the frequency of the tone
	Frequency float64 // Hz
	Level     float64 // dB relative to the tone
}

// ForeignTone is a tone that is neither the intended one nor one of its
// harmonics.
type ForeignTone struct {
	Frequency float64 // Hz
	Level     float64 // dB relative to the intended tone
}

// ToneResult describes one steady tone. Every number is finite, so that a unit
// without the tone fails its limits instead of leaving them unjudged: what a
// field holds then is said there.
type ToneResult struct {
	// Found: a tone is there, standing out of the noise around it by 15 dB, and
	// within Within of Frequency.
	Found     bool
	Frequency float64 // Hz; 0 without a tone
	Cents     float64 // against Frequency of the options; 0 without that, 1200 without a tone
	Amplitude float64 // peak, in the unit of the capture; 0 without a tone
	Level     float64 // dB re a full-scale sine; re 20 µPa rms in a capture in Pa; -200 without a tone

	// THD is the rms of the harmonics over that of tone and harmonics together
	// (THD_R, IEC 60268-3), 0 to 1, as everywhere in this package. THDF is over
	// the tone alone (THD_F, IEEE Std 1241). 1 without a tone.
	THD, THDF float64
	// THDN is the rms of all but the tone and the offset over that of all but
	// the offset, 0 to 1, up to half the sample rate; 1 without a tone.
	THDN float64
	// SINAD is the rms of the tone over that of all else but the offset, in dB
	// (IEEE Std 1057, 1241); SNR leaves out the harmonics as well. -200 without
	// a tone, 200 if nothing is left.
	SINAD, SNR float64
	// ENOB is the effective number of bits, log2(2/(√12 rms)) of all but tone
	// and offset (IEEE Std 1241), in a capture in fractions of full scale; 0 in
	// any other, and without a tone.
	ENOB float64
	// SFDR is the tone over the largest single line besides it, harmonic,
	// foreign tone or noise, in dB; -200 without a tone.
	SFDR float64
	// NoiseFloor is the median over frequency of what tone and harmonics leave,
	// as the level a tone would need to equal it (dB as Level).
	NoiseFloor float64

	Harmonics []Harmonic    // from the second on
	Foreign   []ForeignTone // standing out of the noise by 15 dB and less than 150 dB below the tone, strongest first
	// ForeignLevel and ForeignFrequency are those of the strongest line that is
	// neither the tone nor a harmonic, be it only noise. 0 without a tone.
	ForeignLevel, ForeignFrequency float64

	DC      float64 // the offset, in the unit of the capture
	Clipped bool    // the tops are cut off: nothing above can be trusted
	Silent  bool    // the whole capture is quieter than Silence
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
	w, err := waveformOf(op, s, o.Channel, o.Average, o.Silence, 64)
	if err != nil {
		return ToneResult{}, err
	}
	if err := o.complete(s.Rate); err != nil {
		return ToneResult{}, err
	}
	if need := 4 * s.Rate / o.Frequency; o.Frequency > 0 && float64(len(w.x)) < need {
		return ToneResult{}, errorf(op, "capture has %d samples, at least %.0f (4 periods of %v Hz) needed", len(w.x), math.Ceil(need), o.Frequency)
	}
	r := ToneResult{DC: w.mean, Clipped: w.clipped, Silent: w.silent,
		Level: floorLevel, THD: 1, THDF: 1, THDN: 1, SINAD: floorLevel, SNR: floorLevel, SFDR: floorLevel}
	if o.Frequency > 0 {
		r.Cents = 1200
	}

	low, high := o.Lowest, o.Highest
	if o.Frequency > 0 {
		low, high = max(low, o.Frequency*math.Exp2(-o.Within/1200)), min(high, o.Frequency*math.Exp2(o.Within/1200))
	}
	low = max(low, 4*s.Rate/float64(len(w.x)))
	start := w.seek(s.Rate, low, high, &r, s.Unit)
	if start <= 0 {
		return r, nil
	}
	p := newPartials(w.x, 2*math.Pi*start/s.Rate, o.Harmonics)
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
	r.THDF = math.Sqrt(energy / tone2)
	r.THD = math.Sqrt(energy / (tone2 + energy))
	rest := p.rest * p.rest
	r.THDN = math.Sqrt(rest / (tone2/2 + rest))
	r.SINAD = ratioLevel(r.Amplitude/math.Sqrt2, p.rest)
	r.SNR = ratioLevel(r.Amplitude/math.Sqrt2, p.noise)
	if s.Unit == "1" && p.rest > 0 {
		r.ENOB = math.Max(0, math.Log2(2/(math.Sqrt(12)*p.rest)))
	}
	r.foreign(p.residual, s, o)
	r.SFDR = ratioLevel(r.Amplitude, max(largest, r.Amplitude*math.Pow(10, r.ForeignLevel/20)))
	return r, nil
}

// complete fills in what is not given and checks the rest.
func (o *ToneOptions) complete(rate float64) error {
	if o.Within == 0 {
		o.Within = 100
	}
	if o.Harmonics == 0 {
		o.Harmonics = harmonics
	}
	if o.Foreign == 0 {
		o.Foreign = 5
	}
	if o.Lowest == 0 {
		o.Lowest = 20
	}
	if o.Highest == 0 {
		o.Highest = 0.49 * rate
	}
	switch {
	case o.Frequency != 0 && !(o.Frequency > 0 && o.Frequency < rate/2):
		return errorf("tone", "frequency is %v Hz, the capture reaches to %v Hz", o.Frequency, rate/2)
	case !(o.Within > 0 && o.Within <= 1200):
		return errorf("tone", "within is %v cent", o.Within)
	case o.Harmonics < 2 || o.Harmonics > 100:
		return errorf("tone", "harmonics is %d, from 2 to 100 can be", o.Harmonics)
	case o.Foreign < 0 || o.Foreign > 1000:
		return errorf("tone", "%d foreign tones asked for, up to 1000 can be", o.Foreign)
	case !(o.Lowest > 0 && o.Lowest < o.Highest && finite(o.Highest)):
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
		if t.frequency >= low && t.frequency <= high && sp.power[k] > clearance*blocks[k/floorBlock] && t.amplitude > 1e-12*(math.Abs(w.mean)+w.rms) {
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
	for h := 1; h <= o.Harmonics && float64(h)*r.Frequency < s.Rate/2; h++ {
		at := float64(h) * r.Frequency / sp.width
		for k := max(0, int(math.Ceil(at-guard))); k <= int(at+guard) && k < len(skip); k++ {
			skip[k] = true
		}
	}
	var taken []float64
	for i, k := range sp.peaks(o.Lowest, o.Highest, 4*o.Foreign+8, skip) {
		t := sp.tone(k)
		l := decibel(t.amplitude / r.Amplitude)
		if i == 0 {
			r.ForeignLevel, r.ForeignFrequency = l, t.frequency
		}
		near := slices.ContainsFunc(taken, func(f float64) bool { return math.Abs(f-t.frequency) < 4*sp.width })
		if l < weakest || near || len(r.Foreign) == o.Foreign || sp.power[k] <= clearance*blocks[k/floorBlock] {
			continue
		}
		taken = append(taken, t.frequency)
		r.Foreign = append(r.Foreign, ForeignTone{t.frequency, l})
	}
}

package measure

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"

	"fullthrow/drivers"
)

// figures are the results of all functions of sound, in a form that can be
// compared: levels move with scale, the rest does not.
type figures struct {
	levels, rest []float64
	dc           []float64
}

func figuresOf(t *testing.T, s drivers.Samples, ch int, average bool) figures {
	t.Helper()
	var f figures
	a := steadyTone(t, s, ToneOptions{Channel: ch, Mix: average})
	f.levels = append(f.levels, a.Level, a.NoiseFloor)
	f.rest = append(f.rest, a.Frequency, a.THD, a.THDF, a.THDN, a.SINAD, a.SNR, a.SFDR, a.ForeignLevel, a.ForeignFrequency)
	f.dc = append(f.dc, a.DC)
	b, err := Tones(s, TonesOptions{MostTones: 3, Channel: ch, Mix: average})
	require.NoError(t, err)
	for _, tone := range b.Tones {
		f.levels = append(f.levels, tone.Level)
		f.rest = append(f.rest, tone.Frequency)
	}
	f.dc = append(f.dc, b.DC)
	c, err := Level(s, LevelOptions{Channel: ch, Mix: average})
	require.NoError(t, err)
	f.levels = append(f.levels, c.Level, c.LevelA, c.LevelC, c.PeakLevel)
	f.rest = append(f.rest, c.Crest)
	f.dc = append(f.dc, c.DC)
	d, err := Sine(s, SineOptions{Channel: ch, Mix: average})
	require.NoError(t, err)
	f.rest = append(f.rest, d.Frequency, d.SINAD)
	f.dc = append(f.dc, d.DC)
	return f
}

func (f figures) compare(t *testing.T, name string, g figures, moved, offset, tolerance float64) {
	t.Helper()
	require.Len(t, g.levels, len(f.levels), name)
	for i := range f.levels {
		within(t, name+": level", g.levels[i], f.levels[i]+moved, tolerance)
	}
	require.Len(t, g.rest, len(f.rest), name)
	for i := range f.rest {
		within(t, name+": figure", g.rest[i], f.rest[i], tolerance*max(1, math.Abs(f.rest[i])))
	}
	for i := range f.dc {
		within(t, name+": DC", g.dc[i], f.dc[i]*math.Pow(10, moved/20)+offset, 1e-9)
	}
}

// mixture is a tone with a harmonic, a foreign tone and noise.
func mixture(rng *rand.Rand, n int) []float64 {
	x := make([]float64, n)
	f := 300 + 3000*rng.Float64()
	sine(x, 48000, f, 0.2, 6*rng.Float64())
	sine(x, 48000, 2*f, 0.01, 6*rng.Float64())
	sine(x, 48000, 2.61*f, 0.004, 6*rng.Float64())
	for i := range x {
		x[i] += 0.03 + 1e-4*rng.NormFloat64()
	}
	return x
}

// Scale moves levels, an offset only DC, time may run backwards, and a channel
// is found by its number wherever it stands; equal channels average to
// themselves.
func TestSoundProperties(t *testing.T) {
	rng := rand.New(rand.NewPCG(8, 8))
	for range 20 {
		// A transform's length and a Level of whole stretches, so that the part
		// that is left out is the same in both directions.
		n := []int{4096, 12288, 24576}[rng.IntN(3)]
		x := mixture(rng, n)
		s := samples(48000, "1", x)
		want := figuresOf(t, s, 0, false)

		change := func(f func(i int, v float64) float64) drivers.Samples {
			y := make([]float64, n)
			for i, v := range x {
				y[i] = f(i, v)
			}
			return samples(48000, "1", y)
		}
		want.compare(t, "half", figuresOf(t, change(func(_ int, v float64) float64 { return v / 2 }), 0, false), -20*math.Log10(2), 0, 1e-9)
		want.compare(t, "scaled", figuresOf(t, change(func(_ int, v float64) float64 { return v * 0.37 }), 0, false), 20*math.Log10(0.37), 0, 1e-6)
		want.compare(t, "offset", figuresOf(t, change(func(_ int, v float64) float64 { return v + 0.25 }), 0, false), 0, 0.25, 1e-6)
		// Reversed the periodic window lies one sample elsewhere.
		want.compare(t, "reversed", figuresOf(t, change(func(i int, _ float64) float64 { return x[n-1-i] }), 0, false), 0, 0, 0.02)

		other := mixture(rng, n)
		both := samples(48000, "1", make([]float64, 2*n))
		both.Channels = 2
		equal := samples(48000, "1", make([]float64, 3*n))
		equal.Channels = 3
		for i, v := range x {
			both.Values[2*i], both.Values[2*i+1] = other[i], v
			equal.Values[3*i], equal.Values[3*i+1], equal.Values[3*i+2] = v, v, v
		}
		before := slices.Clone(both.Values)
		require.Equal(t, want, figuresOf(t, both, 2, false), "second channel")
		require.Equal(t, before, both.Values, "the capture is left alone")
		want.compare(t, "average", figuresOf(t, equal, 0, true), 0, 0, 1e-6)
		a := figuresOf(t, both, 0, true)
		for i, v := range x {
			both.Values[2*i], both.Values[2*i+1] = v, other[i]
		}
		a.compare(t, "order of channels", figuresOf(t, both, 0, true), 0, 0, 1e-6)
		require.Equal(t, want, figuresOf(t, both, 1, false), "first channel")
	}
}

// The tune of channel 2, of an average, with an offset; played backwards its
// notes are those of the score backwards.
func TestTuneProperties(t *testing.T) {
	one := plain().play()
	n := one.Count()
	want, err := Tune(one, TuneOptions{Score: score})
	require.NoError(t, err)

	stereo := samples(48000, "1", make([]float64, 2*n))
	stereo.Channels = 2
	for i, v := range one.Values {
		stereo.Values[2*i] = 0.001 * math.Sin(float64(i))
		stereo.Values[2*i+1] = v
	}
	got, err := Tune(stereo, TuneOptions{Score: score, Channel: 2})
	require.NoError(t, err)
	require.Equal(t, want, got)
	for i, v := range one.Values {
		stereo.Values[2*i], stereo.Values[2*i+1] = v+0.1, v+0.1
	}
	got, err = Tune(stereo, TuneOptions{Score: score, Mix: true})
	require.NoError(t, err)
	require.Equal(t, counts(want), counts(got))
	within(t, "level", got.Level, want.Level, 1e-9)
	within(t, "THD", got.THD, want.THD, 1e-7)
	within(t, "DC", got.DC, want.DC+0.1, 1e-9)
	_, err = Tune(stereo, TuneOptions{Score: score, Mix: true, Channel: 1})
	require.EqualError(t, err, "measure: tune: channel 1 asked for, and the average of all channels")

	back, backScore := slices.Clone(one.Values), slices.Clone(score)
	slices.Reverse(back)
	slices.Reverse(backScore)
	got, err = Tune(samples(48000, "1", back), TuneOptions{Score: backScore})
	require.NoError(t, err)
	require.Equal(t, counts(want), counts(got))
	for i, w := range want.Notes {
		g := got.Notes[len(got.Notes)-1-i]
		within(t, "start", g.Start, float64(n)/48000-w.Start-w.Length, 0.002)
		within(t, "length", g.Length, w.Length, 0.002)
		within(t, "pitch", g.Pitch, w.Pitch, 0.05)
		within(t, "level", g.Level, w.Level, 0.05)
	}

	silence, err := Tune(samples(48000, "1", make([]float64, 48000)), TuneOptions{Score: score})
	require.NoError(t, err)
	require.True(t, silence.Silent)
	require.False(t, want.Silent)
}

// Equal temperament: the pitch of MIDI note m is 440 * 2^((m-69)/12) Hz
// [re-computed].
func TestPublishedPitch(t *testing.T) {
	for m, hz := range map[float64]float64{21: 27.5, 45: 110, 57: 220, 60: 261.625565, 69: 440, 72: 523.251131, 81: 880, 84: 1046.502261, 108: 4186.009045, 83.21309485: 1000, 100.40860774: 2700} {
		within(t, "cents", cents(hz, 440), 100*(m-69), 1e-5)
	}
	within(t, "1 kHz above B5", cents(1000, 987.766603), 21.309, 1e-3)
}

func TestClipped(t *testing.T) {
	wave := func(f, amplitude, limit, step float64) []float64 {
		x := make([]float64, 4800)
		for i := range x {
			v := amplitude * math.Sin(2*math.Pi*f*float64(i)/48000+0.1)
			if step > 0 {
				v = step * math.Round(v/step)
			}
			x[i] = max(-limit, min(limit, v))
		}
		return x
	}
	const bit = 1. / 32768
	for _, c := range []struct {
		name string
		x    []float64
		unit string
		want bool
	}{
		{"full scale, 16 bits", wave(1000, 1.2, 1-bit, bit), "1", true},
		{"just full scale", wave(1000, 0.99, 1, bit), "1", false},
		{"cut off below full scale", wave(1000, 0.7, 0.5, bit), "1", false}, // not the converter
		{"in Pa", wave(1000, 24, 20, 20*bit), "Pa", true},
		{"in V, no steps", wave(1000, 3, 2.5, 0), "V", true},
		{"in Pa, not cut off", wave(1000, 19, 20, 20*bit), "Pa", false},
		{"low tone in few bits", wave(100, 10*bit, 1, bit), "Pa", false},
		{"low tone", wave(60, 0.5, 1, bit), "Pa", false},
		{"constant", make([]float64, 100), "Pa", false},
		{"empty", nil, "Pa", false},
	} {
		if got := clipped(c.x, c.unit); got != c.want {
			t.Errorf("%s: clipped is %v", c.name, got)
		}
	}
}

// Flags and offset are in every result.
func TestConditionOfCapture(t *testing.T) {
	x := make([]float64, 9600)
	for i := range x {
		x[i] = max(-20, min(20, 30*math.Sin(2*math.Pi*997*float64(i)/48000)))
	}
	s := samples(48000, "Pa", x)
	a := steadyTone(t, s, ToneOptions{})
	b, err := Tones(s, TonesOptions{})
	require.NoError(t, err)
	c, err := Level(s, LevelOptions{})
	require.NoError(t, err)
	d, err := Tune(s, TuneOptions{Score: score})
	require.NoError(t, err)
	require.Equal(t, []bool{true, true, true, true}, []bool{a.Clipped, b.Clipped, c.Clipped, d.Clipped})
	require.Equal(t, []bool{false, false, false, false}, []bool{a.Silent, b.Silent, c.Silent, d.Silent})
	require.Equal(t, 0.0, a.ENOB, "full scale is not known")
}

// A long capture with very many sounds: work in proportion, and the tone under
// all of them is still found.
func TestTuneManySounds(t *testing.T) {
	p := plain()
	rng := rand.New(rand.NewPCG(6, 6))
	p.score, p.foreign, p.gap = nil, 0.1, 0.03
	for range 120 {
		p.score = append(p.score, Note{300 * math.Exp2(3*rng.Float64()), 0.06})
	}
	p.length = 120*0.09 + 0.6
	r, err := Tune(p.play(), TuneOptions{Score: p.score})
	require.NoError(t, err)
	require.Equal(t, "found 120 missing 0 wrong 0 extra 0", counts(r))
	require.True(t, r.ForeignSteady)
	within(t, "frequency", r.ForeignFrequency, 3900, 5)
	within(t, "level", r.ForeignLevel, -20, 1)
}

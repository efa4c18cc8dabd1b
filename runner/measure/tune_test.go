package measure

import (
	"fmt"
	"math"
	"math/rand/v2"
	"sync"
	"testing"

	"github.com/stretchr/testify/require"

	"fullthrow/drivers"
	"fullthrow/reports/statistics"
)

var score = []Note{{1047, 0.15}, {1319, 0.15}, {1568, 0.15}, {2093, 0.30}}

// player makes the sound of a tune.
type player struct {
	score      []Note
	begin, gap float64
	level      float64
	harmonics  []float64 // 2nd, 3rd, ... relative to the note
	noise      float64
	foreign    float64 // relative to the note, only while notes sound
	foreignHz  float64
	drone      float64 // of full scale, always
	gains      []float64
	length     float64
	seed       uint64
}

func plain() player {
	return player{score: score, begin: 0.3, gap: 0.03, level: 0.25, harmonics: []float64{0.02, 0.01, 0.004}, noise: 0.0015,
		foreignHz: 3900, length: 2.2, seed: 1}
}

func (p player) play() drivers.Samples {
	const rate = 48000.0
	x := make([]float64, int(p.length*rate))
	at := p.begin
	for n, note := range p.score {
		gain := p.level
		if n < len(p.gains) {
			gain *= p.gains[n]
		}
		for i := int(math.Ceil(at * rate)); i < len(x) && float64(i) < (at+note.Length)*rate; i++ {
			t := float64(i)/rate - at
			v := math.Sin(2 * math.Pi * note.Pitch * t)
			for h, a := range p.harmonics {
				v += a * math.Sin(2*math.Pi*note.Pitch*float64(h+2)*t)
			}
			v += p.foreign * math.Sin(2*math.Pi*p.foreignHz*t)
			x[i] += gain * v * math.Min(1, math.Min(t, note.Length-t)/0.005)
		}
		at += note.Length + p.gap
	}
	rng := rand.New(rand.NewPCG(p.seed, 7))
	for i := range x {
		x[i] += p.noise*rng.NormFloat64() + p.drone*math.Sin(2*math.Pi*p.foreignHz*float64(i)/rate)
		x[i] = math.Max(-1, math.Min(1, x[i]))
	}
	return samples(rate, "1", x)
}

func hear(t *testing.T, p player) TuneResult {
	t.Helper()
	r, err := Tune(p.play(), TuneOptions{Score: score})
	require.NoError(t, err)
	for _, v := range []float64{r.WorstCents, r.WorstLength, r.Level, r.WeakestLevel, r.THD, r.ForeignLevel, r.ForeignFrequency, r.NoiseFloor} {
		require.True(t, statistics.Finite(v), "%+v", r)
	}
	return r
}

func counts(r TuneResult) string {
	return fmt.Sprintf("found %d missing %d wrong %d extra %d", r.Right, r.Missing, r.Wrong, r.Extra)
}

func TestTunePlain(t *testing.T) {
	for seed := range uint64(20) {
		p := plain()
		p.seed = seed
		r := hear(t, p)
		require.Equal(t, "found 4 missing 0 wrong 0 extra 0", counts(r))
		at := p.begin
		for i, n := range r.Notes {
			within(t, "start", n.Start, at+0.0025, 0.001)
			within(t, "length", n.Length, score[i].Length-0.005, 0.002)
			within(t, "pitch", n.Pitch, score[i].Pitch, 0.05)
			within(t, "level", n.Level, 20*math.Log10(0.25), 0.05)
			within(t, "THD", n.THD, 100*math.Sqrt(0.02*0.02+0.01*0.01+0.004*0.004), 0.1)
			at += score[i].Length + p.gap
		}
		within(t, "worst cents", r.WorstCents, 0, 0.1)
		within(t, "worst length", r.WorstLength, 0.5/0.15, 1)
		if r.ForeignSteady || r.ForeignLevel > -55 {
			t.Errorf("a plain tune has a foreign tone of %v dB at %v Hz", r.ForeignLevel, r.ForeignFrequency)
		}
		require.False(t, r.Clipped)
		within(t, "noise floor", r.NoiseFloor, 20*math.Log10(0.0015*math.Sqrt2), 1)
	}
}

func TestTuneForeignTone(t *testing.T) {
	for _, hz := range []float64{2700, 3800, 3860, 3900, 3957, 4020, 5000, 9000} {
		for _, dB := range []float64{-40, -30, -20, -10, -3} {
			p := plain()
			p.foreign, p.foreignHz = math.Pow(10, dB/20), hz
			r := hear(t, p)
			name := fmt.Sprintf("%v Hz, %v dB", hz, dB)
			require.Equal(t, "found 4 missing 0 wrong 0 extra 0", counts(r), name)
			require.True(t, r.ForeignSteady, name)
			within(t, name+": frequency", r.ForeignFrequency, hz, 2)
			within(t, name+": level", r.ForeignLevel, dB, 1)
			within(t, name+": worst cents", r.WorstCents, 0, 0.5)
		}
	}
}

// A foreign tone louder than the notes, and one that never stops.
func TestTuneLoudForeignTone(t *testing.T) {
	p := plain()
	p.foreign, p.level = 2, 0.1
	r := hear(t, p)
	require.Equal(t, "found 4 missing 0 wrong 0 extra 0", counts(r))
	require.True(t, r.ForeignSteady)
	within(t, "level", r.ForeignLevel, 6.02, 1)
	within(t, "frequency", r.ForeignFrequency, 3900, 2)

	p = plain()
	p.drone = 0.05
	r = hear(t, p)
	require.Equal(t, "found 4 missing 0 wrong 0 extra 0", counts(r))
	require.True(t, r.ForeignSteady)
	within(t, "level of a drone", r.ForeignLevel, 20*math.Log10(0.05/0.25), 1)
}

func TestTuneDefects(t *testing.T) {
	tests := []struct {
		name string
		with func(p *player)
		want string
		also func(t *testing.T, r TuneResult)
	}{
		{"missing first", func(p *player) { p.gains = []float64{0} }, "found 3 missing 1 wrong 0 extra 0", func(t *testing.T, r TuneResult) {
			require.Equal(t, 1200.0, r.WorstCents)
			require.GreaterOrEqual(t, r.WorstLength, 100.0)
			require.Equal(t, 2, r.Notes[0].Number)
		}},
		{"missing third", func(p *player) { p.gains = []float64{1, 1, 0, 1} }, "found 3 missing 1 wrong 0 extra 0", nil},
		{"missing last", func(p *player) { p.gains = []float64{1, 1, 1, 0} }, "found 3 missing 1 wrong 0 extra 0", nil},
		{"semitone up", func(p *player) {
			p.score = []Note{score[0], {1319 * math.Exp2(1.0/12), 0.15}, score[2], score[3]}
		}, "found 3 missing 0 wrong 1 extra 0", func(t *testing.T, r TuneResult) { within(t, "cents", r.WorstCents, 100, 0.5) }},
		{"semitone down, foreign tone", func(p *player) {
			p.score = []Note{{1047 * math.Exp2(-1.0/12), 0.15}, score[1], score[2], score[3]}
			p.foreign = 0.3
		}, "found 3 missing 0 wrong 1 extra 0", func(t *testing.T, r TuneResult) { require.True(t, r.ForeignSteady) }},
		{"one extra", func(p *player) { p.score = append(append([]Note{}, score...), Note{900, 0.15}) }, "found 4 missing 0 wrong 0 extra 1", nil},
		{"weak note", func(p *player) { p.gains = []float64{1, 1, 0.2, 1} }, "found 4 missing 0 wrong 0 extra 0", func(t *testing.T, r TuneResult) {
			within(t, "weakest", r.WeakestLevel, 20*math.Log10(0.05), 0.1)
		}},
		{"weak", func(p *player) { p.level = 0.01 }, "found 4 missing 0 wrong 0 extra 0", func(t *testing.T, r TuneResult) {
			within(t, "level", r.Level, -40, 0.2)
		}},
		{"distorted", func(p *player) { p.harmonics = []float64{0.2, 0.15, 0.05} }, "found 4 missing 0 wrong 0 extra 0", func(t *testing.T, r TuneResult) {
			d := math.Sqrt(0.2*0.2 + 0.15*0.15 + 0.05*0.05)
			within(t, "THD", r.THD, 100*d/math.Sqrt(1+d*d), 0.5)
		}},
		{"slow", func(p *player) {
			p.score = nil
			for _, n := range score {
				p.score = append(p.score, Note{n.Pitch, n.Length * 1.2})
			}
			p.gap *= 1.2
		}, "found 4 missing 0 wrong 0 extra 0", func(t *testing.T, r TuneResult) { within(t, "length", r.WorstLength, 19, 2) }},
		{"no gaps", func(p *player) { p.gap = 0 }, "found 4 missing 0 wrong 0 extra 0", nil},
		{"silent", func(p *player) { p.level = 0 }, "found 0 missing 4 wrong 0 extra 0", func(t *testing.T, r TuneResult) {
			require.Less(t, r.Level, -45.0)
			require.Equal(t, []float64{1200, 100, 100, 0, 0}, []float64{r.WorstCents, r.WorstLength, r.THD, r.ForeignLevel, r.ForeignFrequency})
		}},
		{"overdriven", func(p *player) { p.level = 1.5 }, "found 4 missing 0 wrong 0 extra 0", func(t *testing.T, r TuneResult) {
			require.True(t, r.Clipped)
		}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			p := plain()
			tt.with(&p)
			r := hear(t, p)
			require.Equal(t, tt.want, counts(r))
			if tt.also != nil {
				tt.also(t, r)
			}
		})
	}
}

func TestTuneSpecialInputs(t *testing.T) {
	ok := plain().play()
	for name, c := range map[string]struct {
		s drivers.Samples
		o TuneOptions
	}{
		"empty":     {samples(48000, "1", nil), TuneOptions{Score: score}},
		"NaN":       {samples(48000, "1", append([]float64{math.NaN()}, ok.Values...)), TuneOptions{Score: score}},
		"no score":  {ok, TuneOptions{}},
		"too long":  {ok, TuneOptions{Score: make([]Note, 1001)}},
		"pitch":     {ok, TuneOptions{Score: []Note{{30000, 0.1}}}},
		"length":    {ok, TuneOptions{Score: []Note{{1000, 0}}}},
		"start":     {ok, TuneOptions{Score: score, Skip: 10}},
		"within":    {ok, TuneOptions{Score: score, PitchTolerance: -1}},
		"slow rate": {samples(1000, "1", make([]float64, 1000)), TuneOptions{Score: []Note{{100, 0.1}}}},
	} {
		_, err := Tune(c.s, c.o)
		require.ErrorContains(t, err, "measure: tune: ", name)
	}
	_, err := Tune(samples(48000, "1", []float64{0, 0, 0}), TuneOptions{Score: score})
	require.EqualError(t, err, "measure: tune: capture has 3 samples, at least 2400 needed")

	r, err := Tune(samples(48000, "1", make([]float64, 48000)), TuneOptions{Score: score})
	require.NoError(t, err)
	require.Equal(t, -200.0, r.Level, "digital silence")
	require.Equal(t, 4, r.Missing)

	// A click before Start is passed over; the tune after it is not.
	x := plain().play()
	for i := range 2400 {
		x.Values[i+100] = 0.9 * math.Sin(float64(i))
	}
	r, err = Tune(x, TuneOptions{Score: score, Skip: 0.1})
	require.NoError(t, err)
	require.Equal(t, "found 4 missing 0 wrong 0 extra 0", counts(r))
	r, err = Tune(x, TuneOptions{Score: score})
	require.NoError(t, err)
	require.Equal(t, 1, r.Extra)
}

// Half as loud is 6 dB less everywhere and changes nothing else; in Pa the
// level is a sound pressure level.
func TestTuneScale(t *testing.T) {
	a := plain().play()
	b := plain().play()
	for i := range b.Values {
		b.Values[i] /= 2
	}
	ra, err := Tune(a, TuneOptions{Score: score})
	require.NoError(t, err)
	rb, err := Tune(b, TuneOptions{Score: score})
	require.NoError(t, err)
	half := 20 * math.Log10(2)
	within(t, "level", rb.Level, ra.Level-half, 1e-9)
	within(t, "noise floor", rb.NoiseFloor, ra.NoiseFloor-half, 1e-9)
	within(t, "foreign", rb.ForeignLevel, ra.ForeignLevel, 1e-9)
	within(t, "THD", rb.THD, ra.THD, 1e-7)
	within(t, "length", rb.WorstLength, ra.WorstLength, 1e-7)
	a.Unit = "Pa"
	rp, err := Tune(a, TuneOptions{Score: score})
	require.NoError(t, err)
	within(t, "SPL", rp.Level, 20*math.Log10(0.25/math.Sqrt2/20e-6), 0.05)
}

func BenchmarkTune(b *testing.B) {
	s := plain().play()
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Tune(s, TuneOptions{Score: score}); err != nil {
			b.Fatal(err)
		}
	}
}

// Calls side by side share plans but not results.
func TestTuneSideBySide(t *testing.T) {
	want := hear(t, plain())
	got := make([]TuneResult, 8)
	var wg sync.WaitGroup
	for i := range got {
		wg.Go(func() {
			r, err := Tune(plain().play(), TuneOptions{Score: score})
			if err == nil {
				got[i] = r
			}
		})
	}
	wg.Wait()
	for _, r := range got {
		require.Equal(t, want, r)
	}
}

// A rate that a file's header made up is an error, not more memory than there is.
func TestTuneAtAnAbsurdRate(t *testing.T) {
	for _, rate := range []float64{0xFFFFFFFF, 1e9, 1e12, 1e300} {
		s := drivers.Samples{Rate: rate, Channels: 1, Unit: "1", Values: make([]float64, 48000)}
		for i := range s.Values {
			s.Values[i] = math.Sin(float64(i))
		}
		_, err := Tune(s, TuneOptions{Score: []Note{{Pitch: 1000, Length: 0.1}}})
		if err == nil {
			t.Errorf("rate %g: no error", rate)
		}
	}
}

package measure

import (
	"math"
	"slices"

	"fullthrow/drivers"
	"fullthrow/reports/statistics"
)

// Note is one note of a score.
type Note struct {
	Pitch  float64 `unit:"Hz"`
	Length float64 `unit:"s"`
}

// TuneOptions say what should be heard.
type TuneOptions struct {
	Score          []Note  `help:"what should be heard, 1 to 1000 notes in order: 1047:0.15,1319:0.15"`
	Skip           float64 `unit:"s" range:"[0,)" help:"passed over at the beginning of the capture"`
	PitchTolerance float64 `unit:"cent" default:"50" range:"(0,)" help:"a note further from its pitch is a wrong one"`
	Channel        int     `help:"of the capture, from 1; not given: 1"`
	Mix            bool    `help:"take the mean of all channels"`
	Silence        float64 `unit:"dB" help:"a quieter capture is silent; not given: -80, in Pa 20"`
}

// NoteFound is one note that was heard.
type NoteFound struct {
	Start       float64 `unit:"s" help:"where the sound reaches half its amplitude"`
	Length      float64 `unit:"s" help:"between the half amplitudes"`
	Pitch       float64 `unit:"Hz"`
	Level       float64 `unit:"dB" help:"of the fundamental, re a full-scale sine, in Pa re 20 µPa rms"`
	THD         float64 `unit:"%" help:"harmonics 2 to 10 over all (THD_R, IEC 60268-3)"`
	Number      int     `help:"of the note in the score, from 1; 0: an extra note"`
	Cents       float64 `unit:"cent" help:"pitch against the score's; 0 for an extra note"`
	LengthError float64 `unit:"%" help:"length against the score's, 10 is a tenth too long; 0 for an extra note"`
}

// TuneResult compares what was heard with the score. Every number is finite,
// so that a silent unit fails its limits instead of leaving them unjudged: what
// a field holds when no note was heard is said there.
type TuneResult struct {
	Notes       []NoteFound `help:"as they were heard"`
	Right       int         `help:"notes of the score heard with the right pitch"`
	Missing     int         `help:"notes of the score not heard at all"`
	Wrong       int         `help:"notes heard in place of one of the score with another pitch"`
	Extra       int         `help:"notes beyond those of the score"`
	WorstCents  float64     `unit:"cent" help:"largest distance from the score, without sign, at most 1200: missing"`
	WorstLength float64     `unit:"%" help:"largest error of a length, without sign; 100 or more: missing"`
	// With no note: the loudest 5 ms.
	Level        float64 `unit:"dB" help:"of the notes, averaged by energy, re a full-scale sine, in Pa re 20 µPa rms"`
	WeakestLevel float64 `unit:"dB" help:"of the weakest note heard; with no note as level"`
	THD          float64 `unit:"%" help:"of the worst note; 100 with no note"`
	// Of a tone present under most notes if there is one (ForeignSteady), else of the
	// strongest candidate in what the notes leave.
	ForeignLevel     float64 `unit:"dB" help:"of the strongest tone that is no note, relative to the note; 0 with no note"`
	ForeignFrequency float64 `unit:"Hz" help:"0 with no note"`
	ForeignSteady    bool    `help:"the foreign tone is there under most notes"`
	Clipped          bool    `help:"the tops are cut off, anywhere in the capture"`
	Silent           bool    `help:"even the loudest 5 ms are quieter than silence"`
	DC               float64 `unit:"capture" help:"the offset"`
	NoiseFloor       float64 `unit:"dB" help:"rms of the quietest tenth of the capture, as level"`
}

const (
	tuneBlock  = 0.005 // s, of the envelope
	candidates = 6     // for a foreign tone, of each note
	harmonics  = 10
	// longestScore bounds the work of laying score and sounds side by side, which
	// is one step for every pair of them.
	longestScore = 1000
)

// Tune listens for a score in a capture of at least 50 ms. Notes are told apart
// by gaps of 15 ms or more, or, where sound goes on for longer than any note of
// the score, by a change of pitch.
//
// A capture scaled by a factor has the same notes with levels moved by it; an
// offset moves DC only; played backwards it has the notes of the score played
// backwards, up to the half millisecond in which edges are placed.
//
// Special inputs: silence and a constant capture are a result, all notes
// missing. Empty, one sample, less than 50 ms, NaN, infinite and samples beyond
// 1e150 are errors. A clipped capture is measured and marked Clipped.
func Tune(s drivers.Samples, o TuneOptions) (TuneResult, error) {
	need := 64
	if s.Rate > 0 { // else the rate itself is an error; a capture is never so long as the bound
		need = max(need, int(math.Ceil(0.05*min(s.Rate, 1e12))))
	}
	o, err := complete("tune", o)
	if err != nil {
		return TuneResult{}, err
	}
	w, err := waveformOf("tune", s, o.Channel, o.Mix, o.Silence, need)
	if err != nil {
		return TuneResult{}, err
	}
	x := w.x
	if s.Rate < 2000 {
		return TuneResult{}, errorf("tune", "rate is %v samples/s, at least 2000 needed", s.Rate)
	}
	if len(o.Score) == 0 {
		return TuneResult{}, errorf("tune", "the score has no notes")
	}
	if len(o.Score) > longestScore {
		return TuneResult{}, errorf("tune", "the score has %d notes, up to %d can be", len(o.Score), longestScore)
	}
	shortest, longest := math.Inf(1), 0.0
	for i, n := range o.Score {
		if !(n.Pitch > 0 && n.Pitch < 0.45*s.Rate) || !(n.Length > 0) || math.IsInf(n.Length, 0) {
			return TuneResult{}, errorf("tune", "note %d of the score has pitch %v Hz and length %v s", i+1, n.Pitch,
				n.Length)
		}
		shortest, longest = min(shortest, n.Length), max(longest, n.Length)
	}
	if o.Skip*s.Rate > float64(len(x)) {
		return TuneResult{}, errorf("tune", "skip is %v s, the capture is shorter", o.Skip)
	}
	l := listener{x: x, rate: s.Rate, unit: s.Unit, skip: int(o.Skip * s.Rate)}
	l.envelope()
	for _, n := range l.segments(max(0.02, min(0.04, shortest/4)), longest) {
		l.notes = append(l.notes, sounded{from: n[0], to: n[1]})
	}
	for i := range l.notes {
		l.edges(i)
		l.analyse(i)
	}
	defer l.release()
	l.findDrone(o.Score)
	l.align(o.Score)
	l.findForeign()
	r := l.result(o)
	r.DC, r.Clipped, r.Silent = w.mean, w.clipped, silent(l.peak, s.Unit, o.Silence)
	return r, nil
}

// sounded is one stretch of sound and what is in it.
type sounded struct {
	from, to   int     // samples
	start, end float64 // s, at half amplitude
	spectrum   spectrum
	tone       tone // the note itself
	thd        float64
	score      int // 1 first, 0 none
	strongest  []tone
	residual   []tone // candidates for a foreign tone, strongest first
	background float64
}

type listener struct {
	x     []float64
	rate  float64
	unit  string
	skip  int       // samples passed over
	block int       // samples
	rms   []float64 // of each block
	floor float64   // rms of the quietest tenth
	peak  float64   // rms of the loudest block
	notes []sounded
	drone float64 // Hz, 0 none: a tone under every note that is no note

	foreign       tone // amplitude relative to the note
	foreignSteady bool
}

func (l *listener) release() {
	for _, n := range l.notes {
		if n.spectrum.plan != nil {
			n.spectrum.release()
		}
	}
}

func (l *listener) envelope() {
	l.block = max(1, int(tuneBlock*l.rate))
	n := len(l.x) / l.block
	l.rms = make([]float64, n)
	for b := range l.rms {
		l.rms[b] = rms(l.x[b*l.block : (b+1)*l.block])
	}
	sorted := slices.Clone(l.rms)
	slices.Sort(sorted)
	l.floor = sorted[len(sorted)/10]
	for _, v := range l.rms[min(n-1, l.skip/l.block):] {
		l.peak = max(l.peak, v)
	}
}

func rms(x []float64) float64 {
	var sum float64
	for _, v := range x {
		sum += v * v
	}
	return math.Sqrt(sum / float64(len(x)))
}

// segments finds stretches of sound, in samples: blocks above a threshold that
// lies half-way (in dB) between floor and peak, but not more than 26 dB below
// the peak nor less than 10 dB above the floor.
func (l *listener) segments(shortest, longest float64) [][2]int {
	if l.peak <= 0 || l.peak < 3.2*l.floor {
		return nil
	}
	threshold := max(math.Sqrt(max(l.floor, 1e-9*l.peak)*l.peak), 0.05*l.peak, 3.2*l.floor)
	threshold = min(threshold, 0.5*l.peak)
	const gap = 3 // blocks
	var out [][2]int
	first, last := -1, -1
	closeSegment := func() {
		if first < 0 {
			return
		}
		from, to := first*l.block, (last+1)*l.block
		length := float64(to-from) / l.rate
		switch {
		case length > 1.5*longest:
			out = append(out, l.split(from, to, shortest)...)
		case length >= shortest:
			out = append(out, [2]int{from, to})
		}
		first = -1
	}
	for b := l.skip / l.block; b < len(l.rms); b++ {
		if l.rms[b] < threshold {
			continue
		}
		if first >= 0 && b-last > gap {
			closeSegment()
		}
		if first < 0 {
			first = b
		}
		last = b
	}
	closeSegment()
	return out
}

// split divides a long stretch where its strongest tone changes by more than a
// quarter tone from one 20 ms to the next.
func (l *listener) split(from, to int, shortest float64) [][2]int {
	size := max(64, int(0.02*l.rate))
	var out [][2]int
	start, last := from, 0.0
	for at := from; at+size <= to; at += size {
		sp := newSpectrum(l.x[at:at+size], l.rate)
		var f float64
		if k := sp.peak(100, 0.45*l.rate); k > 0 {
			f = sp.tone(k).frequency
		}
		sp.release()
		if last > 0 && f > 0 && math.Abs(cents(f, last)) > 50 {
			if float64(at-start)/l.rate >= shortest {
				out = append(out, [2]int{start, at})
			}
			start = at
		}
		last = f
	}
	if float64(to-start)/l.rate >= shortest {
		out = append(out, [2]int{start, to})
	}
	return out
}

func cents(f, g float64) float64 { return 1200 * math.Log2(f/g) }

// edges places the start and end of note i where the sound passes half its
// steady amplitude, in steps of half a millisecond.
func (l *listener) edges(i int) {
	n := &l.notes[i]
	var inside []float64
	for b := n.from / l.block; b < n.to/l.block && b < len(l.rms); b++ {
		inside = append(inside, l.rms[b])
	}
	half := statistics.Median(inside) / 2
	step := max(1, int(0.0005*l.rate))
	width := max(2, int(0.003*l.rate))
	low, high := max(0, n.from-2*l.block), min(len(l.x), n.to+2*l.block)
	if i > 0 {
		low = max(low, l.notes[i-1].to)
	}
	if i+1 < len(l.notes) {
		high = min(high, l.notes[i+1].from)
	}
	edge := func(begin, end, step int, fallback int) float64 {
		before := -1.0
		for at := begin; (step > 0 && at < end) || (step < 0 && at > end); at += step {
			a, b := max(0, at-width/2), min(len(l.x), at+width/2)
			if b-a < 2 {
				continue
			}
			v := rms(l.x[a:b])
			if v >= half {
				if before < 0 {
					break
				}
				return (float64(at) - float64(step)*(v-half)/(v-before)) / l.rate
			}
			before = v
		}
		return float64(fallback) / l.rate
	}
	middle := (n.from + n.to) / 2
	n.start = edge(low, middle, step, n.from)
	n.end = edge(high, middle, -step, n.to)
}

// analyse transforms the steady part of note i.
func (l *listener) analyse(i int) {
	n := &l.notes[i]
	from, to := int(n.start*l.rate), int(n.end*l.rate)
	margin := min(int(0.01*l.rate), (to-from)/4)
	from, to = max(0, from+margin), min(len(l.x), to-margin)
	if to-from < 16 {
		from, to = n.from, n.to
	}
	n.spectrum = newSpectrum(l.x[from:to], l.rate)
	for _, k := range n.spectrum.peaks(80, 0.49*l.rate, 12, nil) {
		n.strongest = append(n.strongest, n.spectrum.tone(k))
	}
}

// pitch chooses which tone of a stretch of sound is the note, given the pitch
// it should have (0: unknown): a tone within a semitone of that, if it is not
// 26 dB weaker than the strongest; else the strongest that is no drone.
func (l *listener) pitch(n *sounded, want float64) tone {
	var strongest tone
	for _, t := range n.strongest {
		if l.drone > 0 && math.Abs(cents(t.frequency, l.drone)) < 20 && math.Abs(cents(t.frequency, want)) > 50 {
			continue
		}
		strongest = t
		break
	}
	if want > 0 {
		if k := n.spectrum.peak(want*math.Exp2(-1.0/12), want*math.Exp2(1.0/12)); k > 0 {
			t := n.spectrum.tone(k)
			local := n.spectrum.power[k] >= n.spectrum.power[k-1] && n.spectrum.power[k] >= n.spectrum.power[k+1]
			if local && t.amplitude > 0.05*strongest.amplitude {
				return t
			}
		}
	}
	return strongest
}

// align puts stretches and score side by side with the least total cost: pitch
// distance in semitones up to 6 for a pair, 4 for a note left out on either
// side.
func (l *listener) align(score []Note) {
	n, m := len(l.notes), len(score)
	const skip = 4.0
	heard := make([][]tone, n)
	for i := range heard {
		heard[i] = make([]tone, m)
	}
	pair := func(i, j int) float64 {
		heard[i][j] = l.pitch(&l.notes[i], score[j].Pitch)
		if heard[i][j].frequency <= 0 {
			return 6
		}
		return min(6, math.Abs(cents(heard[i][j].frequency, score[j].Pitch))/100)
	}
	cost := make([][]float64, n+1)
	for i := range cost {
		cost[i] = make([]float64, m+1)
		for j := range cost[i] {
			switch {
			case i == 0:
				cost[i][j] = skip * float64(j)
			case j == 0:
				cost[i][j] = skip * float64(i)
			default:
				cost[i][j] = min(cost[i-1][j-1]+pair(i-1, j-1), cost[i-1][j]+skip, cost[i][j-1]+skip)
			}
		}
	}
	for i, j := n, m; i > 0; {
		switch {
		case j > 0 && cost[i][j] == cost[i-1][j-1]+pair(i-1, j-1):
			i, j = i-1, j-1
			l.notes[i].score, l.notes[i].tone = j+1, heard[i][j]
		case j == 0 || cost[i][j] == cost[i-1][j]+skip:
			i--
			l.notes[i].tone = l.pitch(&l.notes[i], 0)
		default:
			j--
		}
	}
}

func (l *listener) result(o TuneOptions) TuneResult {
	r := TuneResult{NoiseFloor: level(math.Sqrt2*l.floor, l.unit), Missing: len(o.Score)}
	r.Level = level(math.Sqrt2*l.peak, l.unit)
	r.WeakestLevel = r.Level
	if len(l.notes) == 0 {
		r.THD, r.WorstCents, r.WorstLength = 100, 1200, 100
		return r
	}
	var energy float64
	r.WeakestLevel = math.Inf(1)
	for _, n := range l.notes {
		f := NoteFound{Start: n.start, Length: n.end - n.start, Pitch: n.tone.frequency,
			Level: level(n.tone.amplitude, l.unit), THD: 100 * n.thd, Number: n.score}
		energy += n.tone.amplitude * n.tone.amplitude
		r.WeakestLevel = min(r.WeakestLevel, f.Level)
		r.THD = max(r.THD, f.THD)
		if n.score == 0 {
			r.Extra++
		} else {
			want := o.Score[n.score-1]
			r.Missing--
			f.Cents = -1200
			if f.Pitch > 0 {
				f.Cents = cents(f.Pitch, want.Pitch)
			}
			f.LengthError = 100 * (f.Length/want.Length - 1)
			r.WorstCents = max(r.WorstCents, min(1200, math.Abs(f.Cents)))
			r.WorstLength = max(r.WorstLength, math.Abs(f.LengthError))
			if math.Abs(f.Cents) > o.PitchTolerance {
				r.Wrong++
			} else {
				r.Right++
			}
		}
		r.Notes = append(r.Notes, f)
	}
	r.Level = level(math.Sqrt(energy/float64(len(l.notes))), l.unit)
	if r.Missing > 0 {
		r.WorstCents, r.WorstLength = 1200, max(100, r.WorstLength)
	}
	r.ForeignFrequency, r.ForeignSteady = l.foreign.frequency, l.foreignSteady
	r.ForeignLevel = decibel(l.foreign.amplitude)
	return r
}

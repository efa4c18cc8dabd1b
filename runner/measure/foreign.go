package measure

import (
	"cmp"
	"math"
	"slices"
)

// findDrone looks for a tone as strong as the notes that stays while the notes
// change: it must not be taken for them.
func (l *listener) findDrone(score []Note) {
	if len(l.notes) < 3 {
		return
	}
	for _, t := range l.notes[0].strongest {
		if slices.ContainsFunc(score, func(n Note) bool { return math.Abs(cents(t.frequency, n.Pitch)) < 50 }) {
			continue
		}
		under := 0
		for _, n := range l.notes {
			if len(n.strongest) == 0 {
				continue
			}
			if slices.ContainsFunc(n.strongest, func(u tone) bool {
				return math.Abs(u.frequency-t.frequency) < max(0.005*t.frequency, 2*n.spectrum.width) &&
					u.amplitude > 0.1*n.strongest[0].amplitude
			}) {
				under++
			}
		}
		if under == len(l.notes) {
			l.drone = t.frequency
			return
		}
	}
}

// findForeign takes each note and its harmonics out of its spectrum and looks
// for tones in the rest, and among those for one that lies under most notes.
func (l *listener) findForeign() {
	for i := range l.notes {
		l.residue(&l.notes[i])
	}
	var all []tone
	for _, n := range l.notes {
		all = append(all, n.residual...)
	}
	var strongest, steadiest tone
	for _, c := range all {
		if c.amplitude > strongest.amplitude {
			strongest = c
		}
	}
	for _, c := range suspects(all) {
		if t, ok := l.lies(c.frequency); ok && (!l.foreignSteady || t.amplitude > steadiest.amplitude) {
			steadiest, l.foreignSteady = t, true
		}
	}
	l.foreign = strongest
	if l.foreignSteady {
		l.foreign = steadiest
	}
}

// suspected is how many tones at most are looked for under every note, so that
// a long capture full of sounds takes time in proportion to its length.
const suspected = 64

// suspects chooses those tones that have most others within half a percent of
// their frequency, each frequency once if there are many.
func suspects(all []tone) []tone {
	if len(all) <= suspected {
		return all
	}
	slices.SortFunc(all, func(a, b tone) int { return cmp.Compare(a.frequency, b.frequency) })
	type crowd struct {
		tone
		others int
	}
	var crowds []crowd
	from, to := 0, 0
	for _, t := range all {
		for all[from].frequency < 0.995*t.frequency {
			from++
		}
		for to < len(all) && all[to].frequency <= 1.005*t.frequency {
			to++
		}
		c := crowd{t, to - from}
		if n := len(crowds); n > 0 && t.frequency < 1.0025*crowds[n-1].frequency {
			if c.others > crowds[n-1].others {
				crowds[n-1] = c
			}
			continue
		}
		crowds = append(crowds, c)
	}
	slices.SortStableFunc(crowds, func(a, b crowd) int {
		return cmp.Or(-cmp.Compare(a.others, b.others), -cmp.Compare(a.amplitude, b.amplitude))
	})
	var out []tone
	for _, c := range crowds[:min(len(crowds), suspected)] {
		out = append(out, c.tone)
	}
	return out
}

// lies measures a tone of frequency f under the notes; it is ok if it is there
// under at least two and three quarters of those where it could be seen.
func (l *listener) lies(f float64) (t tone, ok bool) {
	var energy float64
	under, visible := 0, 0
	for i := range l.notes {
		n := &l.notes[i]
		tolerance := max(0.005*f, 2*n.spectrum.width)
		if masked(n, f, tolerance) {
			continue
		}
		visible++
		for _, u := range n.residual {
			if math.Abs(u.frequency-f) <= tolerance && u.amplitude > 4*n.background {
				under++
				energy += u.amplitude * u.amplitude
				break
			}
		}
	}
	if under < 2 || 4*under < 3*visible {
		return tone{}, false
	}
	return tone{f, math.Sqrt(energy / float64(under))}, true
}

// masked tells whether a frequency lies so near to the note or one of its
// harmonics that a tone there could not be seen.
func masked(n *sounded, f, tolerance float64) bool {
	if n.tone.frequency <= 0 {
		return true
	}
	h := math.Max(1, math.Round(f/n.tone.frequency))
	return math.Abs(f-h*n.tone.frequency) <= 5*n.spectrum.width+tolerance
}

// residue measures harmonics and collects what else is there, relative to the
// note.
func (l *listener) residue(n *sounded) {
	sp, f := n.spectrum, n.tone.frequency
	if f <= 0 || n.tone.amplitude <= 0 {
		n.thd = 1
		return
	}
	skip := make([]bool, len(sp.power))
	var energy float64
	for h := 1; float64(h)*f < 0.5*l.rate; h++ {
		at := float64(h) * f / sp.width
		wide := 5.0 // the main lobe of a Hann window has 2 bins on either side
		if h == 1 {
			wide = 8
		}
		for k := max(0, int(at-wide)); k <= int(at+wide)+1 && k < len(skip); k++ {
			skip[k] = true
		}
		if h > 1 && h <= harmonics {
			if k := sp.peak((at-1.5)*sp.width, (at+1.5)*sp.width); k > 0 {
				a := sp.tone(k).amplitude
				energy += a * a
			}
		}
	}
	n.thd = math.Sqrt(energy / (energy + n.tone.amplitude*n.tone.amplitude))
	for _, k := range sp.peaks(80, 0.48*l.rate, candidates, skip) {
		t := sp.tone(k)
		t.amplitude /= n.tone.amplitude
		n.residual = append(n.residual, t)
	}
	var rest []float64
	for k, s := range skip {
		if !s {
			rest = append(rest, sp.power[k])
		}
	}
	if len(rest) > 0 {
		slices.Sort(rest)
		n.background = sp.amplitude(rest[len(rest)/2]) / n.tone.amplitude
	}
}

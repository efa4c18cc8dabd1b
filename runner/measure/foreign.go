package measure

import (
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
				return math.Abs(u.frequency-t.frequency) < max(0.005*t.frequency, 2*n.spectrum.width) && u.amplitude > 0.1*n.strongest[0].amplitude
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
	type group struct {
		tone
		under, visible int
	}
	var best group
	for _, n := range l.notes {
		for _, c := range n.residual {
			g := group{tone: c}
			var energy, weight float64
			for _, other := range l.notes {
				tolerance := max(0.005*c.frequency, 2*other.spectrum.width)
				if masked(&other, c.frequency, tolerance) {
					continue
				}
				g.visible++
				for _, u := range other.residual {
					if math.Abs(u.frequency-c.frequency) <= tolerance && u.amplitude > 4*other.background {
						g.under++
						energy += u.amplitude * u.amplitude
						weight++
						break
					}
				}
			}
			if weight > 0 {
				g.amplitude = math.Sqrt(energy / weight)
			}
			steady := g.under >= 2 && 4*g.under >= 3*g.visible
			if steady && (!l.foreignSteady || g.amplitude > best.amplitude) {
				best, l.foreignSteady = g, true
			}
			if !l.foreignSteady && c.amplitude > best.amplitude {
				best = group{tone: c}
			}
		}
	}
	l.foreign = best.tone
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
		n.background = 4 * math.Sqrt(rest[len(rest)/2]) / float64(sp.n) / n.tone.amplitude
	}
}

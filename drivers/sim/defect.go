package sim

import (
	"fmt"
	"math"
	"math/rand/v2"
	"reflect"
	"slices"
)

// Defect is one thing that can be wrong with a handset.
type Defect struct {
	Name    string // "foreign-tone"
	About   string // what is wrong, for people
	Check   string // the check of the stock plan that must catch it
	Reading string // the reading of that check expected outside its limit; * stands for the stick axis or switch
	Part    string // part of the handset: power, sounder, sticks, switches, antenna

	apply func(h *Handset, severity float64, rng *rand.Rand)
}

// Apply gives h the defect. Severity 1 is clearly bad, 0 changes nothing,
// between them the error grows with severity; beyond 1 it goes on growing
// where that makes sense. Defects that are or are not there (dead, stuck) take
// any severity > 0 as there. rng chooses the stick, the note, the switch.
func (d Defect) Apply(h *Handset, severity float64, rng *rand.Rand) {
	if severity > 0 {
		d.apply(h, severity, rng)
	}
}

// Graded says whether severity matters: a dead unit is dead at any severity.
func (d Defect) Graded() bool {
	make := func(severity float64) Handset {
		h := Good(newRand(1, 1))
		d.Apply(&h, severity, newRand(2, 2))
		return h
	}
	return !reflect.DeepEqual(make(0.5), make(1))
}

// DefectNamed finds a defect by its name.
func DefectNamed(name string) (Defect, error) {
	all := append(Defects(), faceDefects()...)
	if i := slices.IndexFunc(all, func(d Defect) bool { return d.Name == name }); i >= 0 {
		return all[i], nil
	}
	names := make([]string, len(all))
	for i, d := range all {
		names[i] = d.Name
	}
	return Defect{}, fmt.Errorf("no defect %q (known: %v)", name, names)
}

// stick makes a defect of one stick axis chosen by rng.
func stick(f func(g *Gimbal, s float64, rng *rand.Rand)) func(*Handset, float64, *rand.Rand) {
	return func(h *Handset, s float64, rng *rand.Rand) { f(&h.Gimbals[rng.IntN(4)], s, rng) }
}

// note makes a defect of one note chosen by rng.
func note(f func(n *Note, s float64, rng *rand.Rand)) func(*Handset, float64, *rand.Rand) {
	return func(h *Handset, s float64, rng *rand.Rand) {
		t := slices.Clone(h.Sounder.Tune)
		if len(t) > 0 {
			f(&t[rng.IntN(len(t))], s, rng)
		}
		h.Sounder.Tune = t
	}
}

// either is +1 or -1.
func either(rng *rand.Rand) float64 {
	if rng.IntN(2) == 0 {
		return -1
	}
	return 1
}

// Defects lists every defect the simulation knows, in the order of the plan.
func Defects() []Defect {
	return []Defect{
		// Power.
		{"leakage", "draws too much when switched off", "standby", "current", "power",
			func(h *Handset, s float64, _ *rand.Rand) { h.Power.Leakage += 40e-6 * s }},
		{"high-inrush", "draws too large a surge when switched on", "inrush", "peak", "power",
			func(h *Handset, s float64, _ *rand.Rand) { h.Power.Inrush += 0.55 * s }},
		{"dead", "does not start at all", "running", "current", "power",
			func(h *Handset, _ float64, _ *rand.Rand) { h.Power.Starts = false }},
		{"excess-current", "draws too much while running", "running", "current", "power",
			func(h *Handset, s float64, _ *rand.Rand) { h.Power.Running += 0.045 * s }},
		{"low-current", "draws too little while running: a part does not work", "running", "current", "power",
			func(h *Handset, s float64, _ *rand.Rand) {
				h.Power.Running -= min(0.040*s, 0.9*h.Power.Running)
			}},
		{"slow-restart", "hangs when switched off and on again: the restart node's bleeder has the wrong value",
			"restart", "shortest_off", "power",
			func(h *Handset, s float64, _ *rand.Rand) { h.Power.Node.Ohm *= math.Pow(25, s) }},

		// Sounder.
		{"foreign-tone", "a steady foreign tone lies on every note: a self-oscillating sounder", "tune",
			"foreign_level", "sounder",
			func(h *Handset, s float64, rng *rand.Rand) {
				h.Sounder.Foreign = 0.3 * s
				h.Sounder.ForeignHz = bounded(rng, 3900, 120)
			}},
		{"weak-sound", "the whole tune is too soft", "tune", "weakest", "sounder",
			func(h *Handset, s float64, _ *rand.Rand) { h.Sounder.Level *= math.Pow(10, -20*s/20) }},
		{"distorted-sound", "the tune rattles: strong harmonics", "tune", "distortion", "sounder",
			func(h *Handset, s float64, _ *rand.Rand) {
				h.Sounder.Harmonic[0] += 0.30 * s
				h.Sounder.Harmonic[1] += 0.18 * s
				h.Sounder.Harmonic[2] += 0.08 * s
			}},
		{"wrong-note", "one note is out of tune", "tune", "pitch", "sounder",
			note(func(n *Note, s float64, rng *rand.Rand) { n.Hz *= math.Pow(2, either(rng)*s/12) })},
		{"missing-note", "one note is missing", "tune", "missing", "sounder",
			note(func(n *Note, _ float64, _ *rand.Rand) { n.Gain = 0 })},
		{"weak-note", "one note is too soft", "tune", "weakest", "sounder",
			note(func(n *Note, s float64, _ *rand.Rand) { n.Gain *= math.Pow(10, -20*s/20) })},
		{"slow-tempo", "the tune is played too slowly: the clock is wrong", "tune", "length", "sounder",
			func(h *Handset, s float64, _ *rand.Rand) { h.Sounder.Tempo /= 1 + 0.30*s }},
		{"silent", "no sound at all", "tune", "notes", "sounder",
			func(h *Handset, _ float64, _ *rand.Rand) { h.Sounder.Level = 0 }},

		// Sticks, moved.
		{"stick-play", "play between the stick's shaft and its sensor", "sticks", "*_hysteresis", "sticks",
			stick(func(g *Gimbal, s float64, _ *rand.Rand) { g.Play += 0.035 * s })},
		{"stick-dead-band", "nothing changes around the stick's centre", "sticks", "*_dead_band", "sticks",
			stick(func(g *Gimbal, s float64, _ *rand.Rand) { g.DeadBand += min(0.05*s, 0.5) })},
		{"stick-non-linear", "the stick's sensor is not linear", "sticks", "*_non_linearity", "sticks",
			stick(func(g *Gimbal, s float64, rng *rand.Rand) { g.Taper += either(rng) * 0.14 * s })},
		{"stick-short-end", "the stick does not reach its end points", "sticks", "*_end", "sticks",
			stick(func(g *Gimbal, s float64, _ *rand.Rand) { g.Gain *= max(0.1, 1-0.20*s) })},
		{"stick-not-following", "the channel does not follow the stick", "sticks", "*_follows", "sticks",
			stick(func(g *Gimbal, _ float64, rng *rand.Rand) {
				g.Stuck, g.StuckAt = true, bounded(rng, 0, 0.02)
			})},
		{"stick-dirty-spot", "the stick's sensor loses contact at one angle", "sticks", "*_dropouts", "sticks",
			stick(func(g *Gimbal, s float64, rng *rand.Rand) {
				at := either(rng) * (0.15 + 0.65*rng.Float64())
				g.Spots = append(slices.Clone(g.Spots), Spot{At: at, Width: 0.06 * s, Chance: min(1, 0.5+0.4*s)})
			})},

		// Sticks, let go.
		{"stick-off-centre", "the stick's centre is off", "centre", "*_offset", "sticks",
			stick(func(g *Gimbal, s float64, rng *rand.Rand) { g.Offset += either(rng) * 0.09 * s })},
		{"stick-sticky", "the stick does not spring back to one place", "centre", "*_spread", "sticks",
			stick(func(g *Gimbal, s float64, _ *rand.Rand) { g.Friction += 0.04 * s })},
		{"stick-wiggle", "the stick's value wanders although nobody touches it", "centre", "*_wiggle", "sticks",
			stick(func(g *Gimbal, s float64, _ *rand.Rand) { g.Wiggle += 0.03 * s })},
		{"stick-noise", "the stick's value is noisy", "centre", "*_noise", "sticks",
			stick(func(g *Gimbal, s float64, _ *rand.Rand) { g.Noise += 0.012 * s })},

		// Switches.
		{"switch-stuck", "a switch does nothing", "switches", "*_moves", "switches",
			func(h *Handset, _ float64, rng *rand.Rand) {
				w := &h.Switches[rng.IntN(4)]
				w.Stuck, w.StuckOn = true, rng.IntN(4) == 0
			}},
		{"switch-intermittent", "a switch loses contact now and then", "switches", "*_bounces", "switches",
			func(h *Handset, s float64, rng *rand.Rand) {
				h.Switches[rng.IntN(4)].Intermit = min(0.9, 0.5*s)
			}},

		// Radio.
		{"no-link", "transmits nothing", "link", "near_error_rate", "antenna",
			func(h *Handset, _ float64, _ *rand.Rand) { h.Link.Transmits = false }},
		{"link-lossy", "loses packets however near the receiver is", "link", "near_error_rate", "antenna",
			func(h *Handset, s float64, _ *rand.Rand) { h.Link.Floor = min(1, h.Link.Floor+0.12*s) }},
		{"low-power", "transmits too weakly: loses packets when far away", "link", "far_error_rate", "antenna",
			func(h *Handset, s float64, _ *rand.Rand) { h.Link.Power -= 24 * s }},
		{"burst-loss", "loses packets in bursts", "link", "far_longest_gap", "antenna",
			func(h *Handset, s float64, _ *rand.Rand) {
				h.Link.Enter, h.Link.Leave, h.Link.InBurst = min(1, 0.030*s), 0.08, 0.95
			}},
		{"slow-latency", "answers too late", "latency", "mean", "antenna",
			func(h *Handset, s float64, _ *rand.Rand) { h.Latency.Fixed += 0.020 * s }},
		{"latency-jitter", "now and then answers much too late", "latency", "spread", "antenna",
			func(h *Handset, s float64, _ *rand.Rand) {
				h.Latency.Outlier, h.Latency.OutlierSpread = min(1, 0.30*s), 0.070
			}},
	}
}

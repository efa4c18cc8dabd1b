package sim

import (
	"math"
	"reflect"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
)

// the checks of the stock plan
var checks = []string{"standby", "inrush", "tune", "running", "sticks", "centre", "switches", "link", "latency", "restart"}

func TestDefectList(t *testing.T) {
	all := Defects()
	if len(all) < 24 {
		t.Errorf("%d defects, want 24 at least", len(all))
	}
	seen, covered := map[string]bool{}, map[string]bool{}
	word := regexp.MustCompile(`^[a-z]+(-[a-z]+)*$`)
	for _, d := range all {
		if seen[d.Name] || !word.MatchString(d.Name) || d.About == "" || d.Part == "" || d.Reading == "" {
			t.Errorf("defect %+v: name taken or odd, or something is missing", d)
		}
		if !slices.Contains(checks, d.Check) {
			t.Errorf("%s: no check %q", d.Name, d.Check)
		}
		seen[d.Name], covered[d.Check] = true, true
		good := Good(newRand(1, 1))
		for _, severity := range []float64{0, -1, math.NaN()} {
			h := good
			d.Apply(&h, severity, newRand(2, 2))
			if !reflect.DeepEqual(h, good) {
				t.Errorf("%s of severity %v changes the handset", d.Name, severity)
			}
		}
		h := Good(newRand(1, 1))
		d.Apply(&h, 1, newRand(2, 2))
		if reflect.DeepEqual(h, good) {
			t.Errorf("%s changes nothing", d.Name)
		}
		if again := Good(newRand(1, 1)); !reflect.DeepEqual(again, good) {
			t.Errorf("%s reaches into another handset", d.Name)
		}
	}
	for _, c := range checks {
		if !covered[c] {
			t.Errorf("no defect for check %s", c)
		}
	}
	if _, err := DefectNamed("tired"); err == nil || !strings.Contains(err.Error(), "foreign-tone") {
		t.Errorf("unknown defect: %v, want the known names", err)
	}
}

// broken is an ideal handset with one defect on a bench, switched on for a
// second.
func broken(t *testing.T, name string) *rig {
	t.Helper()
	d, err := DefectNamed(name)
	if err != nil {
		t.Fatal(err)
	}
	h := ideal()
	d.Apply(&h, 1, newRand(3, 3))
	r := newRig(t, 1)
	r.bench.Load(h)
	r.on()
	return r
}

// sweep moves every stick over its whole way and returns, per channel, the
// largest and smallest value and the largest jump between frames.
func sweep(r *rig) (lo, hi, jump [4]int) {
	r.close(relayClutch)
	r.wait(0.6)
	r.ask(Sticks, "G1 X12 Y12 Z12 A12 F5000")
	r.ask(Sticks, "G1 X-12 Y-12 Z-12 A-12 F1440")
	f := r.frames(3)
	for c := range 4 {
		lo[c], hi[c] = 2047, 0
		for i, x := range f {
			lo[c], hi[c] = min(lo[c], x.raw[c]), max(hi[c], x.raw[c])
			if i > 0 {
				jump[c] = max(jump[c], x.raw[c]-f[i-1].raw[c], f[i-1].raw[c]-x.raw[c])
			}
		}
	}
	return lo, hi, jump
}

// What each defect does can be heard or read on the wires.
func TestDefectsShow(t *testing.T) {
	mean := func(v []float64) (m float64) {
		for _, x := range v {
			m += x / float64(len(v))
		}
		return m
	}
	rms := func(v []float64) (m float64) {
		for _, x := range v {
			m += x * x / float64(len(v))
		}
		return math.Sqrt(m)
	}
	current := func(r *rig) float64 { r.wait(0.1); return mean(r.samples(Meter, "CURR", 1e-3, 200)) }
	tune := func(r *rig) []float64 { return r.samples(Microphone, "VOLT", 1.0/48000, 72000) }
	lost := func(r *rig, dB string) (share float64) {
		r.wait(0.6)
		r.ask(Attenuator, "INP:ATT "+dB+";:SYST:ERR?")
		f := r.frames(7)
		for _, x := range f {
			if x.lost {
				share++
			}
		}
		return share / float64(len(f))
	}
	known := map[string]bool{} // not shown yet
	for _, d := range Defects() {
		known[d.Name] = true
	}
	between := func(t *testing.T, got, lo, hi float64) {
		t.Helper()
		if !(got >= lo && got <= hi) {
			t.Errorf("got %v, want %v to %v", got, lo, hi)
		}
	}
	largest := func(v [4]int) float64 { return float64(max(v[0], v[1], v[2], v[3])) }
	// rest lets go from both sides and returns the values in the end.
	rest := func(r *rig) (a, b [16]int, f []sbus) {
		r.wait(0.6)
		for i, side := range []string{"12", "-12"} {
			r.close(relayClutch)
			r.ask(Sticks, strings.ReplaceAll("G1 X# Y# Z# A# F5000", "#", side))
			r.ask(Sticks, "G4 P0")
			r.open(relayClutch)
			r.wait(0.4)
			f = r.frames(2)
			if i == 0 {
				a = f[len(f)-1].raw
			} else {
				b = f[len(f)-1].raw
			}
		}
		return a, b, f
	}
	apart := func(a, b [16]int) (d float64) {
		for i := range 4 {
			d = max(d, math.Abs(float64(a[i]-b[i])))
		}
		return d
	}
	wander := func(f []sbus) (d float64) {
		for i := range f {
			d = max(d, apart(f[i].raw, f[0].raw))
		}
		return d
	}
	intervals := func(r *rig) (sum, most float64) {
		r.wait(0.6)
		for range 100 {
			v := parse(t, r.ask(Board, "MEAS:TINT?"))
			sum, most = sum+v/100, max(most, v)
		}
		return sum, most
	}
	for name, show := range map[string]func(t *testing.T, r *rig){
		"leakage": func(t *testing.T, r *rig) {
			r.open(relayPower)
			between(t, current(r), 45e-6, 52e-6)
		},
		"high-inrush": func(t *testing.T, r *rig) {
			r.open(relayPower)
			r.wait(3)
			r.send(Meter, "FORM REAL,32;:SENS:CURR:RANG 3;:SENS:SWE:TINT 1E-4;POIN 500;:INIT;:FETC:ARR:CURR?")
			r.close(relayPower)
			between(t, slices.Max(r.collect(Meter, 1e-4, 500)), 1.2, 1.3)
		},
		"dead":           func(t *testing.T, r *rig) { between(t, current(r), 0, 1e-3) },
		"excess-current": func(t *testing.T, r *rig) { between(t, current(r), 0.160, 0.166) },
		"low-current":    func(t *testing.T, r *rig) { between(t, current(r), 0.076, 0.080) },
		"slow-restart": func(t *testing.T, r *rig) {
			for _, c := range []struct {
				off   float64
				state string
			}{{10, "hung"}, {59, "hung"}, {61, "running"}} {
				r.open(relayPower)
				r.wait(c.off)
				r.close(relayPower)
				if got := r.bench.State().Handset; got != c.state {
					t.Errorf("after %v s off: %s, want %s", c.off, got, c.state)
				}
			}
		},
		"foreign-tone": func(t *testing.T, r *rig) {
			v := tune(r)
			// Between two notes nothing, in a note the tone near 3.9 kHz.
			best := 0.0
			for hz := 3700.0; hz < 4100; hz += 5 {
				best = max(best, tone(v[14400:18240], hz)) // 0.30 s to 0.38 s
			}
			between(t, best, 0.9*0.3*0.12, 1.1*0.3*0.12)
		},
		"weak-sound": func(t *testing.T, r *rig) {
			between(t, slices.Max(tune(r)), 0.010, 0.014)
		},
		"distorted-sound": func(t *testing.T, r *rig) {
			v := tune(r)[14400:19200]
			between(t, tone(v, 2094)/tone(v, 1047), 0.29, 0.34)
		},
		"wrong-note": func(t *testing.T, r *rig) {
			v, right := tune(r), 0
			at := 0.25
			for _, n := range ideal().Sounder.Tune {
				if a := int((at + 0.01) * 48000); tone(v[a:a+4800], n.Hz) > 0.1 {
					right++
				}
				at += n.Seconds + 0.03
			}
			between(t, float64(right), 3, 3)
		},
		"missing-note": func(t *testing.T, r *rig) { between(t, sounding(tune(r)), 3, 3) },
		"weak-note":    func(t *testing.T, r *rig) { between(t, sounding(tune(r)), 3, 3) },
		"slow-tempo": func(t *testing.T, r *rig) {
			v := tune(r) // ends at 0.25 + 1.3 * 0.84 s
			between(t, rms(v[int(1.25*48000):int(1.3*48000)]), 0.07, 0.1)
		},
		"silent": func(t *testing.T, r *rig) { between(t, rms(tune(r)), 0, 1e-6) },
		"stick-play": func(t *testing.T, r *rig) {
			a, b, _ := rest(r)
			between(t, apart(a, b), 27, 31) // 0.035 * 819.2 = 28.7
		},
		"stick-dead-band": func(t *testing.T, r *rig) {
			r.close(relayClutch)
			r.ask(Sticks, "G1 X0.5 Y0.5 Z0.5 A0.5 F600") // 4.2 % of the throw
			r.wait(1)
			f := r.frames(0.05)
			raw := f[len(f)-1].raw
			if slices.Min(raw[:4]) != centreRaw || slices.Max(raw[:4]) != 1026 {
				t.Errorf("got %v, want one of four still at the centre", raw[:4])
			}
		},
		"stick-non-linear": func(t *testing.T, r *rig) {
			r.close(relayClutch)
			r.ask(Sticks, "G1 X6.928 Y6.928 Z6.928 A6.928 F600") // 1/sqrt 3
			r.wait(1.5)
			f := r.frames(0.05)
			raw := f[len(f)-1].raw
			between(t, math.Abs(float64(slices.Max(raw[:4])-slices.Min(raw[:4]))), 113, 117) // 0.14 * 819.2 = 114.7
		},
		"stick-short-end": func(t *testing.T, r *rig) {
			lo, hi, _ := sweep(r)
			between(t, largest(lo), 335, 338) // 992 - 0.8 * 819.2
			between(t, float64(min(hi[0], hi[1], hi[2], hi[3])), 1646, 1649)
		},
		"stick-not-following": func(t *testing.T, r *rig) {
			lo, hi, _ := sweep(r)
			for i := range 4 {
				hi[i] = lo[i] - hi[i]
			}
			between(t, largest(hi), 0, 0) // one did not move
		},
		"stick-dirty-spot": func(t *testing.T, r *rig) {
			_, _, jump := sweep(r)
			between(t, largest(jump), 100, 2000)
		},
		"stick-off-centre": func(t *testing.T, r *rig) {
			a, _, _ := rest(r)
			between(t, apart(a, [16]int{992, 992, 992, 992}), 73, 75) // 0.09 * 819.2
		},
		"stick-sticky": func(t *testing.T, r *rig) {
			a, b, _ := rest(r)
			between(t, apart(a, b), 0.6*65, 66) // 2 * 0.04 * 819.2 at most
		},
		"stick-wiggle": func(t *testing.T, r *rig) { _, _, f := rest(r); between(t, wander(f), 12, 50) },
		"stick-noise":  func(t *testing.T, r *rig) { _, _, f := rest(r); between(t, wander(f), 15, 80) },
		"switch-stuck": func(t *testing.T, r *rig) {
			for i := range 4 {
				r.close(relaySwitch + i)
			}
			r.wait(0.6)
			on := r.frames(0.05)[3].raw
			for i := range 4 {
				r.open(relaySwitch + i)
			}
			r.wait(0.1)
			off := r.frames(0.05)[3].raw
			moved := 0
			for i := 4; i < 8; i++ {
				if on[i] != off[i] {
					moved++
				}
			}
			between(t, float64(moved), 3, 3)
		},
		"switch-intermittent": func(t *testing.T, r *rig) {
			for i := range 4 {
				r.close(relaySwitch + i)
			}
			r.wait(0.6)
			changes := 0
			f := r.frames(1)
			for i := 1; i < len(f); i++ {
				if f[i].raw != f[i-1].raw {
					changes++
				}
			}
			between(t, float64(changes), 5, 45)
		},
		"no-link":    func(t *testing.T, r *rig) { between(t, lost(r, "0"), 0.999, 1) },
		"link-lossy": func(t *testing.T, r *rig) { between(t, lost(r, "0"), 0.09, 0.15) },
		"low-power": func(t *testing.T, r *rig) {
			between(t, lost(r, "30"), 0, 0)
			between(t, lost(r, "60"), 0.9, 1)
		},
		"burst-loss":   func(t *testing.T, r *rig) { between(t, lost(r, "0"), 0.15, 0.4) },
		"slow-latency": func(t *testing.T, r *rig) { m, _ := intervals(r); between(t, m, 0.0325, 0.0345) },
		"latency-jitter": func(t *testing.T, r *rig) {
			_, most := intervals(r)
			between(t, most, 0.05, 0.09)
		},
	} {
		t.Run(name, func(t *testing.T) { show(t, broken(t, name)) })
		delete(known, name)
	}
	for name := range known {
		t.Errorf("%s is not shown", name)
	}
}

func parse(t *testing.T, s string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(s, 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// tone is the amplitude of v at hz, with a Hann window.
func tone(v []float64, hz float64) float64 {
	var re, im, sum float64
	for i, x := range v {
		w := 1 - math.Cos(2*math.Pi*float64(i)/float64(len(v)))
		s, c := math.Sincos(2 * math.Pi * hz * float64(i) / 48000)
		re, im, sum = re+w*x*c, im+w*x*s, sum+w
	}
	return 2 * math.Hypot(re, im) / sum
}

// sounding counts the notes of the tune louder than half the usual level.
func sounding(v []float64) (n float64) {
	at := 0.25
	for _, note := range ideal().Sounder.Tune {
		if a := int((at + 0.02) * 48000); slices.Max(v[a:a+4800]) > 0.06 {
			n++
		}
		at += note.Seconds + 0.03
	}
	return n
}

package sim

import (
	"math/rand/v2"
	"time"
)

// axisNames are those of the stick axes, channel 1 first.
var axisNames = [4]string{"left_x", "left_y", "right_x", "right_y"}

// switchNames are those of the switches, channel 5 first.
var switchNames = [4]string{"SA", "SB", "SC", "SD"}

// Handset is one unit under test: physics by the fields, no behaviour of its
// own. The zero value is a handset with everything missing; [Good] draws a
// good one.
type Handset struct {
	Seed     uint64 // of everything random in its captures
	Power    Power
	Sounder  Sounder
	Gimbals  [4]Gimbal // left_x, left_y, right_x, right_y
	Switches [4]Switch // SA, SB, SC, SD
	Link     Link
	Latency  Latency
	Firmware string // its version, as the console says it; "" 2.7.1
	Face     Face   // what a camera sees
}

// Power is what the supply and the meter see.
//
// The restart node is a capacitor that keeps the processor's reset circuit
// charged: V(t) = V0 e^(-t/RC) while the handset is off. Switched on before the
// node has fallen below the threshold, the handset hangs.
type Power struct {
	Starts    bool    // false: does not start at all
	Node      RC      // the restart node
	Threshold float64 // V; starts only if the node is below
	Least     float64 // V; below this supply voltage the handset is off
	Leakage   float64 // A, switched off
	Hung      float64 // A, switched on without having started
	Running   float64 // A
	Inrush    float64 // A, peak above the current that follows
	InrushTau float64 // s, decay of the inrush
	Ripple    float64 // A, amplitude of the ripple while running
	RippleHz  float64 // Hz
	Noise     float64 // A, standard deviation while running
}

// RC is a resistor that discharges a capacitor.
type RC struct{ Ohm, Farad float64 }

// Sounder plays the tune after a start.
type Sounder struct {
	Tune     []Note
	Begin    float64 // s after power-on
	Gap      float64 // s between notes
	Tempo    float64 // 1 = as written, 2 = twice as fast
	Level    float64 // amplitude, fraction of full scale
	Harmonic [3]float64
	// Harmonic are the amplitudes of the 2nd, 3rd and 4th harmonic relative to
	// the note.
	Foreign   float64 // amplitude relative to the note of a self-oscillation lying on every note
	ForeignHz float64
	Floor     float64 // standard deviation of the noise heard, fraction of full scale
	Attack    float64 // s, rise and fall of each note
}

// Note is one note of a tune. Gain scales its level: 0 is a missing note.
type Note struct {
	Hz, Seconds, Gain float64
}

// Gimbal is one axis of a stick, from the shaft to the channel value. All but
// Spot.Chance, Offset's sign and StuckAt are amounts of error: 0 is ideal.
type Gimbal struct {
	Play     float64 // full width of the backlash between shaft and potentiometer
	Friction float64 // how far from the centre the spring leaves the stick, at most
	Return   float64 // s, time constant of the spring's return
	Offset   float64 // of the centre, signed
	Gain     float64 // 1 = full throw gives 100 %
	Taper    float64 // largest deviation from the straight line between the ends
	DeadBand float64 // half width around the centre without any change
	Noise    float64 // standard deviation per frame
	Wiggle   float64 // amplitude of a slow random wander
	Stuck    bool    // does not follow
	StuckAt  float64
	Spots    []Spot
}

// Spot is a dirty place on the track: within ± Width/2 of At the wiper loses
// contact, in a share of Chance of the frames, and the value falls to the low
// end.
type Spot struct{ At, Width, Chance float64 }

// Switch is a two-position switch.
type Switch struct {
	Stuck      bool
	StuckOn    bool    // where it is stuck
	Intermit   float64 // share of 20 ms slots in which a pressed switch loses contact
	bounceSeed uint64
}

// Link is the radio link to the fixture's receiver.
//
// Level at the receiver = Power - Loss - attenuator. A packet is lost with
// probability 1/(1+e^((level-Sensitivity)/Slope)) or Floor, whichever is
// greater, and in addition in the bad state of a two-state chain
// (Gilbert-Elliott): Enter and Leave are the chances per packet of going into
// the bad state and out of it, InBurst the loss there.
type Link struct {
	Transmits   bool
	Begin       float64 // s after power-on
	Power       float64 // dBm
	Loss        float64 // dB, coupling of the fixture
	Sensitivity float64 // dBm at which half the packets are lost
	Slope       float64 // dB
	Floor       float64
	Enter       float64
	Leave       float64
	InBurst     float64
}

// Latency is the time from a change at an input to the frame that carries it:
// Fixed + uniform(0, Spread), and with probability Outlier another
// uniform(0, OutlierSpread). The uniform part is the phase between sampling and
// frame.
type Latency struct {
	Fixed, Spread          float64 // s
	Outlier, OutlierSpread float64 // share, s
}

// draw is the latency of counter n, in s.
func (l Latency) draw(key, n uint64) float64 {
	v := l.Fixed + l.Spread*unit(key, 3*n)
	if l.Outlier > 0 && unit(key, 3*n+1) < l.Outlier {
		v += l.OutlierSpread * unit(key, 3*n+2)
	}
	return v
}

// tune is the start-up tune of the invented product: C6 E6 G6 C7.
func tune() []Note {
	return []Note{{1047, 0.150, 1}, {1319, 0.150, 1}, {1568, 0.150, 1}, {2093, 0.300, 1}}
}

// Good draws a handset within normal production tolerances: nominal values
// with normal errors that never go beyond the span named beside them.
//
//	restart node        20 kohm ± 1 %, 100 uF ± 5 %: starts after 2.26 to 2.56 s off
//	leakage             9 uA ± 1.5 uA          hung 6 mA ± 1 mA
//	running             118 mA ± 4 mA          ripple 1.5 mA ± 0.4 mA at 1.1 kHz
//	inrush              0.62 A ± 0.05 A above running, decays in 2 ms ± 0.2 ms
//	sound level         0.12 ± 0.015           harmonics 2 %, 1 %, 0.4 % ± 30 %
//	tempo, notes        ± 0.2 %, ± 0.1 %       noise floor 0.0015
//	play                0.3 % ± 0.15 %         friction 0.1 % ± 0.05 %
//	centre              ± 0.8 %                end points ± 1 %
//	taper               0 ± 0.8 %              noise 0.05 % ± 0.02 %
//	link                20 dBm ± 1 dB, 50 dB of coupling ± 1 dB, half the packets lost at -104 dBm ± 1 dB
//	latency             10 to 17 ms, mean 13.5 ms ± 0.3 ms
func Good(rng *rand.Rand) Handset { return good(rng, 1) }

// good scales every span by scale.
func good(rng *rand.Rand, scale float64) Handset {
	around := func(mean, span float64) float64 { return bounded(rng, mean, span*scale) }
	positive := func(mean, span float64) float64 { return max(0, around(mean, span)) }
	h := Handset{
		Seed: rng.Uint64(),
		Power: Power{
			Starts:    true,
			Node:      RC{Ohm: around(20e3, 200), Farad: around(100e-6, 5e-6)},
			Threshold: 1.11,
			Least:     2.5,
			Leakage:   positive(9e-6, 1.5e-6),
			Hung:      positive(6e-3, 1e-3),
			Running:   positive(0.118, 0.004),
			Inrush:    positive(0.62, 0.05),
			InrushTau: positive(2e-3, 0.2e-3),
			Ripple:    positive(1.5e-3, 0.4e-3),
			RippleHz:  around(1100, 30),
			Noise:     positive(0.3e-3, 0.1e-3),
		},
		Sounder: Sounder{
			Tune:      tune(),
			Begin:     around(0.25, 0.005),
			Gap:       0.030,
			Tempo:     around(1, 0.002),
			Level:     positive(0.12, 0.015),
			Harmonic:  [3]float64{positive(0.02, 0.006), positive(0.01, 0.003), positive(0.004, 0.001)},
			ForeignHz: 3900,
			Floor:     positive(0.0015, 0.0003),
			Attack:    0.005,
		},
		Link: Link{
			Transmits:   true,
			Begin:       around(0.5, 0.02),
			Power:       around(20, 1),
			Loss:        around(50, 1),
			Sensitivity: around(-104, 1),
			Slope:       0.6,
			Leave:       1,
		},
		Latency: Latency{Fixed: around(0.010, 0.0003), Spread: 0.007},
	}
	detune := around(1, 0.001) // one oscillator for all notes
	for i := range h.Sounder.Tune {
		h.Sounder.Tune[i].Hz *= detune
		h.Sounder.Tune[i].Gain = around(1, 0.05)
	}
	for i := range h.Gimbals {
		h.Gimbals[i] = Gimbal{
			Play:     positive(0.003, 0.0015),
			Friction: positive(0.001, 0.0005),
			Return:   around(0.020, 0.003),
			Offset:   around(0, 0.008),
			Gain:     around(1, 0.010),
			Taper:    around(0, 0.008),
			Noise:    positive(0.0005, 0.0002),
		}
	}
	for i := range h.Switches {
		h.Switches[i].bounceSeed = rng.Uint64()
	}
	return h
}

// seconds converts a time since the bench began.
func seconds(t time.Duration) float64 { return float64(t) * 1e-9 }

// duration is the nearest time to s seconds.
func duration(s float64) time.Duration { return time.Duration(s*1e9 + 0.5) }

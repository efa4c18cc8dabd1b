package sim

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"
)

// RC discharge: v = V0 e^(-t/RC), t = RC ln(V0/V); numbers re-computed from
// the closed forms.
func TestRC(t *testing.T) {
	tau := RC{10e3, 100e-6} // 1 s
	bleeder := RC{100, 4700e-6}
	for _, c := range []struct {
		name      string
		got, want float64
	}{
		{"5 V to 2.5 V", tau.Falls(5, 2.5), 0.693147181},
		{"5 V to 1.0 V", tau.Falls(5, 1), 1.609437912},
		{"left after 1 tau", tau.Voltage(1, 1), 0.36787944},
		{"left after 5 tau", tau.Voltage(1, 5), 0.00673795},
		{"12 V to 2 V through 100 ohm", bleeder.Falls(12, 2), 0.842126951},
		{"restart node, 20 kohm", RC{20e3, 100e-6}.Falls(3.7, 1.11), 2 * 1.203972804},
		{"restart node, 500 kohm", RC{500e3, 100e-6}.Falls(3.7, 1.11), 60.1986402},
	} {
		if math.Abs(c.got-c.want) > 1e-8*math.Max(1, c.want) {
			t.Errorf("%s: got %.9f, want %.9f", c.name, c.got, c.want)
		}
	}
	for _, c := range []struct {
		name      string
		got, want float64
	}{
		{"already below", tau.Falls(1, 2), 0},
		{"never reaches 0", tau.Falls(1, 0), math.Inf(1)},
		{"nothing to fall", tau.Falls(0, 0), 0},
		{"before the start", tau.Voltage(3, -1), 3},
		{"no capacitor", RC{}.Voltage(3, 1), 0},
	} {
		if c.got != c.want {
			t.Errorf("%s: got %v, want %v", c.name, c.got, c.want)
		}
	}
}

func TestPlayOperator(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	for range 200 {
		width := 0.2 * rng.Float64()
		up, down := playOperator{Width: width}, playOperator{Width: width}
		// Hysteresis on a full loop is the width, everywhere inside.
		up.Move(-1)
		down.Move(1)
		for i := range 101 {
			x := -1 + width + (2-2*width)*float64(i)/100
			down2 := down
			if got := down2.Move(x) - up.Move(x); math.Abs(got-width) > 1e-12 && i > 0 && i < 100 {
				t.Fatalf("width %v: hysteresis %v at %v", width, got, x)
			}
		}
		// Monotone in the input, never farther than half the width, and
		// independent of the rate: a way in steps ends where a jump ends.
		a, b := playOperator{Width: width}, playOperator{Width: width}
		x := 0.0
		for range 100 {
			target := 2*rng.Float64() - 1
			before, out := a.Out, 0.0
			for k := range 7 {
				last := a.Out
				out = a.Move(x + (target-x)*float64(k+1)/7)
				if (out-last)*(target-x) < 0 {
					t.Fatalf("output turned back on the way from %v to %v", x, target)
				}
			}
			if got := b.Move(target); math.Abs(got-out) > 1e-12 {
				t.Fatalf("jump to %v gives %v, steps %v", target, got, out)
			}
			if math.Abs(out-target) > width/2+1e-12 {
				t.Fatalf("output %v too far from %v", out, target)
			}
			if math.Abs(target-x) <= 0 && out != before {
				t.Fatal("moved without cause")
			}
			x = target
		}
	}
}

func TestGimbalOutput(t *testing.T) {
	nz := &noise{table: make([]float32, noiseSize)}
	for _, c := range []struct {
		name    string
		g       Gimbal
		p, want float64
	}{
		{"straight", Gimbal{Gain: 1}, 0.3, 0.3},
		{"short end", Gimbal{Gain: 0.9}, 1, 0.9},
		{"centre off", Gimbal{Gain: 1, Offset: -0.05}, 0, -0.05},
		{"dead band inside", Gimbal{Gain: 1, DeadBand: 0.1}, 0.09, 0},
		{"dead band other side", Gimbal{Gain: 1, DeadBand: 0.1}, -0.55, -0.5},
		{"dead band end", Gimbal{Gain: 1, DeadBand: 0.1}, -1, -1},
		{"taper where it is largest", Gimbal{Gain: 1, Taper: 0.05}, 1 / math.Sqrt(3), 1/math.Sqrt(3) + 0.05},
		{"taper at the end", Gimbal{Gain: 1, Taper: 0.05}, 1, 1},
		{"does not follow", Gimbal{Gain: 1, Stuck: true, StuckAt: 0.01}, 1, 0.01},
		{"in the dirty spot", Gimbal{Gain: 1, Spots: []Spot{{0.5, 0.1, 1}}}, 0.54, -1},
		{"beside it", Gimbal{Gain: 1, Spots: []Spot{{0.5, 0.1, 1}}}, 0.56, 0.56},
	} {
		if got := c.g.output(c.p, 1, 1, 0, nz); math.Abs(got-c.want) > 1e-12 {
			t.Errorf("%s: got %v, want %v", c.name, got, c.want)
		}
	}
	g := Gimbal{Gain: 1, Wiggle: 0.03}
	most := 0.0
	for i := range 1000 {
		most = max(most, math.Abs(g.output(0, 9, 1, float64(i)*0.01, nz)))
	}
	if most > 0.03 || most < 0.02 {
		t.Errorf("wiggle of 0.03 reaches %v in 10 s", most)
	}
}

func TestReturnFriction(t *testing.T) {
	g := Gimbal{Gain: 1, Return: 0.02, Friction: 0.04}
	rest := func(from float64) float64 {
		tr := track{legs: []leg{{end: time.Second, to: [4]float64{from}}},
			clutch: []clutchEvent{{0, true}, {2 * time.Second, false}}}
		s := shaft{}
		return s.advance(&g, 1, &tr, 4*time.Second)
	}
	a, b := rest(1), rest(-1)
	if a < 0.6*0.04-1e-9 || a > 0.04+1e-9 || a != -b {
		t.Errorf("rests at %v and %v, want within 0.024..0.04 on the side it came from", a, b)
	}
	if got := rest(0.01); got != 0.01 {
		t.Errorf("inside the friction band it stays: got %v, want 0.01", got)
	}
}

func TestChannelStates(t *testing.T) {
	// Stationary share of the bad state: enter/(enter+leave); mean length of
	// a burst: 1/leave.
	l := Link{Transmits: true, Power: 20, Loss: 50, Sensitivity: -104, Slope: 0.6, Enter: 0.01, Leave: 0.08, InBurst: 1}
	c := channel{key: 3}
	const n = 400000
	lost, bursts, in := 0, 0, false
	for i := range uint64(n) {
		h := c.heard(&l, i, 0)
		if !h {
			lost++
			if !in {
				bursts++
			}
		}
		in = !h
	}
	if got, want := float64(lost)/n, 0.01/0.09; math.Abs(got-want) > 0.01 {
		t.Errorf("lost %v, want %v", got, want)
	}
	if got, want := float64(lost)/float64(bursts), 1/0.08; math.Abs(got-want) > 0.6 {
		t.Errorf("bursts of %v packets, want %v", got, want)
	}
	for _, c := range []struct{ level, want float64 }{{-104, 0.5}, {-104 + 0.6*math.Log(9), 0.1}, {-50, 0}, {-200, 1}} {
		if got := l.loss(c.level); math.Abs(got-c.want) > 1e-9 {
			t.Errorf("loss at %v dBm: %v, want %v", c.level, got, c.want)
		}
	}
	if got := (&Link{}).loss(0); got != 1 {
		t.Errorf("no transmitter: loss %v, want 1", got)
	}
}

// A good handset stays within the spans named at Good, however many are made.
func TestSoundSpans(t *testing.T) {
	within := func(name string, v, lo, hi float64) {
		if !(v >= lo && v <= hi) {
			t.Fatalf("%s is %v, not within %v..%v", name, v, lo, hi)
		}
	}
	for i := range 10000 {
		h := Good(newRand(99, uint64(i)))
		within("restart time", h.Power.Node.Falls(3.7, h.Power.Threshold), 2.26, 2.56)
		within("leakage", h.Power.Leakage, 7.5e-6, 10.5e-6)
		within("running", h.Power.Running, 0.114, 0.122)
		within("inrush", h.Power.Inrush, 0.57, 0.67)
		within("level", h.Sounder.Level, 0.105, 0.135)
		within("tempo", h.Sounder.Tempo, 0.998, 1.002)
		within("range, dB", h.Link.Power-h.Link.Loss-h.Link.Sensitivity, 71, 77)
		for _, g := range h.Gimbals {
			within("play", g.Play, 0.0015, 0.0045)
			within("offset", g.Offset, -0.008, 0.008)
			within("gain", g.Gain, 0.99, 1.01)
			within("taper", g.Taper, -0.008, 0.008)
		}
		if !h.Power.Starts || !h.Link.Transmits || h.Sounder.Foreign != 0 {
			t.Fatal("not good")
		}
	}
}

// Frames of the receiver, byte for byte: all channels 992 and all 172, SBUS
// after Bolder Flight's layout, CRSF after its published specification
// [re-computed].
func TestFrameBytes(t *testing.T) {
	all := func(v uint16) (ch [16]uint16) {
		for i := range ch {
			ch[i] = v
		}
		return
	}
	ramp := [16]uint16{}
	for i := range ramp {
		ramp[i] = uint16(128 * i)
	}
	c992, c172 := all(992), all(172)
	for _, c := range []struct {
		name string
		got  []byte
		want string
	}{
		{"992", appendSBUS(nil, &c992, 0), "0FE0031FF8C0073EF0810F7CE0031FF8C0073EF0810F7C0000"},
		{"172", appendSBUS(nil, &c172, 0), "0FAC60052B58C10A56B08215AC60052B58C10A56B082150000"},
		{"ramp", appendSBUS(nil, &ramp, 0), "0F0000044000032040010C7000042440010B6040031CF00000"},
		{"lost and failsafe", appendSBUS(nil, &c992, 0x0c), "0FE0031FF8C0073EF0810F7CE0031FF8C0073EF0810F7C0C00"},
		{"CRSF 992", appendCRSF(nil, 0x16, appendChannels(nil, &c992)), "C81816E0031FF8C0073EF0810F7CE0031FF8C0073EF0810F7CAD"},
		{"CRSF 172", appendCRSF(nil, 0x16, appendChannels(nil, &c172)), "C81816AC60052B58C10A56B08215AC60052B58C10A56B082155B"},
		{"CRSF link", appendCRSF(nil, 0x14, []byte{0x2d, 0x30, 0x64, 0x0a, 0, 5, 3, 0x37, 0x63, 0xfc}), "C80C142D30640A0005033763FC30"},
	} {
		if got := hexText(c.got); got != c.want {
			t.Errorf("%s:\n got %s\nwant %s", c.name, got, c.want)
		}
	}
}

func hexText(p []byte) string {
	const digits = "0123456789ABCDEF"
	var s []byte
	for _, c := range p {
		s = append(s, digits[c>>4], digits[c&15])
	}
	return string(s)
}

package sim

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"
	"testing"
	"time"

	"fullthrow/drivers"
)

func TestBenchWires(t *testing.T) {
	r := newRig(t, 1)
	want := "attenuator board console load meter microphone multimeter receiver sticks supply"
	if got := strings.Join(r.bench.Wires(), " "); got != want {
		t.Errorf("got %s, want %s", got, want)
	}
	_, err := r.bench.Port("probe")
	if e := (*drivers.Error)(nil); !errors.As(err, &e) || !strings.Contains(e.Hint, "attenuator, board, console") {
		t.Errorf("unknown role: %v, want a hint that lists the wires", err)
	}
	if _, err = r.bench.Port(Meter); drivers.KindOf(err) != drivers.Busy {
		t.Errorf("second user: %v, want busy", err)
	}
	r.ports[Meter].Close()
	r.ports[Meter].Close()
	if err := r.ports[Meter].Write(r.ctx, []byte("*RST\n")); drivers.KindOf(err) != drivers.Closed {
		t.Errorf("after Close: %v, want closed", err)
	}
	if _, err = r.bench.Port(Meter); err != nil {
		t.Errorf("after Close: %v", err)
	}
}

func TestBenchStandbyRunningRestart(t *testing.T) {
	r := newRig(t, 1)
	r.bench.Load(ideal())
	mean := func(v []float64) float64 {
		sum := 0.0
		for _, x := range v {
			sum += x
		}
		return sum / float64(len(v))
	}
	current := func(want, tol float64) {
		t.Helper()
		if got := mean(r.samples(Meter, "CURR", 1e-3, 200)); math.Abs(got-want) > tol {
			t.Errorf("current %v A, want %v", got, want)
		}
	}
	current(0, 1e-7)
	r.on()
	r.open(relayPower)
	r.wait(3)
	if s := r.bench.State(); s.Handset != "off" || math.Abs(s.Node-3.7*math.Exp(-3.0/2)) > 0.02 {
		t.Errorf("state %+v, want off, node %v", s, 3.7*math.Exp(-3.0/2))
	}
	current(9e-6, 1e-7)
	r.close(relayPower)
	r.wait(0.1)
	current(0.118, 1e-4)

	// The node needs RC ln(3.7/1.11) = 2.408 s; 2.3 s is too short, 2.5 s enough.
	for _, c := range []struct {
		off   float64
		state string
		amps  float64
	}{{2.3, "hung", 6e-3}, {2.5, "running", 0.118}} {
		r.open(relayPower)
		r.wait(c.off)
		r.close(relayPower)
		if got := r.bench.State().Handset; got != c.state {
			t.Errorf("after %v s off: %s, want %s", c.off, got, c.state)
		}
		r.wait(0.2)
		current(c.amps, 1e-4)
	}
}

func TestBenchInrush(t *testing.T) {
	r := newRig(t, 1)
	h := ideal()
	r.bench.Load(h)
	r.on()
	r.open(relayPower)
	r.wait(3)
	const tint = 1e-4
	r.send(Meter, "FORM REAL,32;:SENS:CURR:RANG 3;:SENS:SWE:TINT 1E-4;POIN 500;:INIT;:FETC:ARR:CURR?")
	r.close(relayPower)
	v := r.collect(Meter, tint, 500)
	peak, at := 0.0, 0
	charge := 0.0
	for i, x := range v {
		if x > peak {
			peak, at = x, i
		}
	}
	for _, x := range v[max(at-1, 0):] {
		charge += (x - h.Power.Running) * tint
	}
	charge += h.Power.Running * tint // the sample before the peak holds no running current of its own
	// Mean of A e^(-t/tau) over the first whole interval, at most; the charge is A tau.
	if most := h.Power.Running + h.Power.Inrush; peak > most+1e-3 || peak < most-0.06 {
		t.Errorf("peak %v A, want a little below %v", peak, most)
	}
	if want := h.Power.Inrush * h.Power.InrushTau; math.Abs(charge-want) > 0.05*want {
		t.Errorf("charge %v C, want %v", charge, want)
	}
}

func TestBenchMeterOverload(t *testing.T) {
	r := newRig(t, 1)
	r.bench.Load(ideal())
	r.on()
	r.wait(1)
	if got := r.ask(Meter, "SENS:CURR:RANG 0.05;RANG?"); got != "1.000000E-01" {
		t.Errorf("range %s, want the next above: 0.1", got)
	}
	for _, x := range r.samples(Meter, "CURR", 1e-3, 10) {
		if float32(x) != 9.9e37 {
			t.Errorf("sample %v beyond the range, want 9.9E37", x)
		}
	}
	r.send(Meter, "SENS:CURR:RANG:AUTO ON")
	for _, x := range r.samples(Meter, "CURR", 1e-3, 10) {
		if math.Abs(x-0.118) > 1e-3 {
			t.Errorf("automatic range: %v, want 0.118", x)
		}
	}
}

func TestBenchTune(t *testing.T) {
	r := newRig(t, 1)
	h := ideal()
	h.Sounder.Harmonic = [3]float64{}
	r.bench.Load(h)
	r.on()
	// The relay closed 1.5 ms before its reply came; recording begins now.
	start := 0.0015
	v := r.samples(Microphone, "VOLT", 1.0/48000, 96000)
	amplitude := func(hz, from, to float64) float64 {
		var re, im float64
		a, b := int((from-start)*48000), int((to-start)*48000)
		for i := a; i < b; i++ {
			s, c := math.Sincos(2 * math.Pi * hz * float64(i) / 48000)
			re += v[i] * c
			im += v[i] * s
		}
		return 2 * math.Hypot(re, im) / float64(b-a)
	}
	at := 0.25
	for _, n := range h.Sounder.Tune {
		// Whole periods in the middle of the note: the amplitude comes out exactly.
		from := at + 0.02
		to := from + math.Floor((n.Seconds-0.04)*n.Hz)/n.Hz
		if got := amplitude(n.Hz, from, to); math.Abs(got-0.12) > 0.001 {
			t.Errorf("%v Hz: amplitude %v, want 0.12", n.Hz, got)
		}
		if got := amplitude(n.Hz, at+n.Seconds+0.002, at+n.Seconds+0.028); got > 0.001 {
			t.Errorf("gap after %v Hz: amplitude %v, want silence", n.Hz, got)
		}
		at += n.Seconds + h.Sounder.Gap
	}
}

func TestBenchSticks(t *testing.T) {
	r := newRig(t, 1)
	h := ideal()
	h.Gimbals[2].Play = 0.04
	r.bench.Load(h)
	r.on()
	r.close(relayClutch)
	for _, c := range []string{"G21", "G90", "G28"} {
		if got := r.ask(Sticks, c); got != "ok" {
			t.Fatalf("%s: %s", c, got)
		}
	}
	to := func(x float64) [16]int {
		t.Helper()
		before := r.clock.Now()
		from := r.bench.State().Positions["right_x"]
		if got := r.ask(Sticks, fmt.Sprintf("G1 Z%g F1440", 12*x)); got != "ok" {
			t.Fatal(got)
		}
		if got := r.ask(Sticks, "G4 P0"); got != "ok" {
			t.Fatal(got)
		}
		// 1440 mm/min = 2 throws/s.
		if got, want := r.clock.Now().Sub(before).Seconds(), math.Abs(x-from)/2; math.Abs(got-want) > 0.01 {
			t.Errorf("to %v: took %v s, want %v", x, got, want)
		}
		r.wait(0.1)
		f := r.frames(0.1)
		return f[len(f)-1].raw
	}
	// Play 0.04: 0.02 behind on either side, 819.2 raw per throw.
	for _, c := range []struct{ to, want float64 }{{1, 0.98}, {0.5, 0.52}, {-1, -0.98}, {0, -0.02}, {0.01, -0.01}, {1, 0.98}} {
		want := int(math.Round(992 + 819.2*c.want))
		got := to(c.to)
		if got[2] != want {
			t.Errorf("stick at %v: raw %d, want %d", c.to, got[2], want)
		}
		if got[0] != 992 || got[1] != 992 || got[3] != 992 {
			t.Errorf("the other sticks moved: %v", got[:4])
		}
	}
	// Let go: the spring takes it back; from above it stays half the play high.
	r.open(relayClutch)
	r.wait(0.5)
	f := r.frames(0.1)
	if got := f[len(f)-1].raw[2]; got != 1008 {
		t.Errorf("let go: raw %d, want 1008", got)
	}
}

func TestBenchSwitchesAndFailsafe(t *testing.T) {
	r := newRig(t, 1)
	r.bench.Load(ideal())
	for _, f := range r.frames(0.2) {
		if !f.lost || !f.failsafe {
			t.Fatalf("handset off: %+v, want lost and failsafe", f)
		}
	}
	r.on()
	r.wait(1)
	f := r.frames(0.7)
	if n := len(f); n < 99 || n > 101 {
		t.Errorf("%d frames in 0.7 s, want 100 of 7 ms", n)
	}
	for i := range 4 {
		r.close(relaySwitch + i)
		r.wait(0.1)
		f := r.frames(0.05)
		for k := range 4 {
			want := lowRaw
			if k <= i {
				want = highRaw
			}
			if got := f[len(f)-1]; got.raw[4+k] != want || got.lost {
				t.Errorf("%d pressed: %s is %d (lost %v), want %d", i+1, switchNames[k], got.raw[4+k], got.lost, want)
			}
		}
	}
	r.open(relayPower)
	f = r.frames(1)
	var lost, safe int
	for _, x := range f {
		if x.raw[7] != highRaw {
			t.Fatalf("lost frames hold %d, want the last value", x.raw[7])
		}
		if x.lost {
			lost++
		}
		if x.failsafe {
			safe++
		}
	}
	if lost < 142 || safe < 69 || safe > 73 {
		t.Errorf("switched off: %d lost, %d failsafe of %d; want all, and failsafe from 0.5 s on", lost, safe, len(f))
	}
}

func TestBenchLink(t *testing.T) {
	r := newRig(t, 3)
	h := ideal()
	r.bench.Load(h)
	r.on()
	r.wait(1)
	lost := func(dB float64) float64 {
		r.ask(Attenuator, fmt.Sprintf("INP:ATT %g;:SYST:ERR?", dB))
		f := r.frames(10)
		n := 0.0
		for _, x := range f {
			if x.lost {
				n++
			}
		}
		return n / float64(len(f))
	}
	// 20 dBm - 50 dB - 74 dB = -104 dBm: half the packets.
	for _, c := range []struct{ dB, least, most float64 }{{0, 0, 0}, {60, 0, 0}, {74, 0.45, 0.55}, {80, 1, 1}} {
		if got := lost(c.dB); got < c.least || got > c.most {
			t.Errorf("%v dB: %v lost, want %v to %v", c.dB, got, c.least, c.most)
		}
	}
}

func TestBenchTimer(t *testing.T) {
	r := newRig(t, 4)
	r.bench.Load(ideal())
	interval := func() float64 {
		v, err := strconv.ParseFloat(r.ask(Board, "MEAS:TINT?"), 64)
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
	before := r.clock.Now()
	if got := interval(); got != notNumber {
		t.Errorf("switched off: %v, want 9.91E37", got)
	}
	if took := r.clock.Now().Sub(before).Seconds(); took < 0.2 || took > 0.22 {
		t.Errorf("gave up after %v s, want 0.2", took)
	}
	r.on()
	r.wait(1)
	var sum, sum2 float64
	const n = 2000
	for range n {
		before := r.clock.Now()
		v := interval()
		if took := r.clock.Now().Sub(before).Seconds(); v < 0.010 || v > 0.017 || took < v || took > v+0.010 {
			t.Fatalf("%v s, took %v", v, took)
		}
		sum += v
		sum2 += v * v
	}
	mean := sum / n
	// Uniform over 7 ms: standard deviation 7/sqrt(12) = 2.02 ms.
	if sd := math.Sqrt(sum2/n - mean*mean); math.Abs(mean-0.0135) > 2e-4 || math.Abs(sd-0.00202) > 1e-4 {
		t.Errorf("mean %v s, sd %v; want 13.5 ms, 2.02 ms", mean, sd)
	}
}

func TestBenchInterlockAndSafe(t *testing.T) {
	r := newRig(t, 1)
	r.bench.OpenInterlockAt(noon.Add(2 * time.Second))
	if got := r.ask(Board, "SENS:DIG? (@1,2)"); got != "1,0" {
		t.Errorf("got %s, want guard closed, no unit", got)
	}
	r.bench.Load(ideal())
	r.on()
	r.ask(Sticks, "G1 X12 F60")
	if s := r.bench.State(); s.Safe() || !s.Moving || !s.SupplyOn || !s.Relays[relayPower] {
		t.Errorf("state %+v, want moving and on", s)
	}
	r.wait(2)
	if got := r.ask(Board, "SENS:DIG? (@1,2)"); got != "0,1" {
		t.Errorf("got %s, want guard open, unit there", got)
	}
	r.send(Sticks, "G4 P0\n!")
	r.wait(0.01)
	r.ask(Supply, "OUTP OFF;:SYST:ERR?")
	r.ask(Board, "ROUT:OPEN:ALL;:SYST:ERR?")
	s := r.bench.State()
	if !s.Safe() || s.Handset != "unpowered" {
		t.Errorf("state %+v, want safe", s)
	}
	// 1 mm/s for about 2 s.
	if x := 12 * s.Positions["left_x"]; x < 1.9 || x > 2.1 {
		t.Errorf("stopped at %v mm, want about 2", x)
	}
}

// session handles a handset in a fixed way and returns every byte heard.
func session(t *testing.T, benchSeed uint64, h Handset, before float64) []byte {
	r := newRig(t, benchSeed)
	r.wait(before)
	if before > 0 { // something else lay there first
		r.bench.Load(ideal())
		r.on()
		r.frames(0.3)
		r.ask(Supply, "OUTP OFF;:SYST:ERR?")
		r.ask(Board, "ROUT:OPEN:ALL;:SYST:ERR?")
	}
	r.bench.Load(h)
	r.on()
	var all bytes.Buffer
	binary.Write(&all, binary.BigEndian, r.samples(Microphone, "VOLT", 1.0/48000, 48000))
	binary.Write(&all, binary.BigEndian, r.samples(Meter, "CURR", 1e-4, 5000))
	fmt.Fprint(&all, r.ask(Board, "MEAS:TINT?"))
	fmt.Fprint(&all, r.frames(1))
	return all.Bytes()
}

func TestBenchRepeatable(t *testing.T) {
	h := Good(newRand(7, 7))
	first := session(t, 5, h, 0)
	if !bytes.Equal(first, session(t, 5, h, 0)) {
		t.Error("same seed, same handset: other bytes")
	}
	if !bytes.Equal(first, session(t, 5, h, 12.3456)) {
		t.Error("the same handset loaded later: other bytes")
	}
	if bytes.Equal(first, session(t, 6, h, 0)) {
		t.Error("another bench seed: the same bytes")
	}
	h.Seed++
	if bytes.Equal(first, session(t, 5, h, 0)) {
		t.Error("another handset: the same bytes")
	}
}

func TestBenchCRSF(t *testing.T) {
	r := newRig(t, 1)
	if err := r.bench.SetFormat("PPM"); err == nil {
		t.Error("PPM: no error")
	}
	r.bench.SetFormat("CRSF")
	r.bench.Load(ideal())
	count := func() (rc, link int, last []byte) {
		r.ports[Receiver].Discard()
		end := r.clock.Now().Add(time.Second)
		buf := make([]byte, 4096)
		var got []byte
		for r.clock.Now().Before(end) {
			n, err := r.ports[Receiver].Read(r.ctx, buf, end.Sub(r.clock.Now()))
			if err != nil {
				break
			}
			got = append(got, buf[:n]...)
		}
		for len(got) > 0 {
			if got[0] != 0xc8 {
				t.Fatalf("address %X", got[0])
			}
			f := got[:got[1]+2]
			got = got[len(f):]
			switch f[2] {
			case 0x16:
				rc++
				last = f
			case 0x14:
				link++
			}
		}
		return
	}
	if rc, link, _ := count(); rc != 0 || link != 10 {
		t.Errorf("off: %d channel frames, %d statistics in 1 s; want 0, 10", rc, link)
	}
	r.on()
	r.wait(1)
	rc, link, last := count()
	if rc < 149 || rc > 151 || link != 10 {
		t.Errorf("on: %d channel frames, %d statistics in 1 s; want 150, 10", rc, link)
	}
	if len(last) != 26 {
		t.Errorf("frame of %d bytes, want 26", len(last))
	}
}

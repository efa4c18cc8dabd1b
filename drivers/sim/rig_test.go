package sim

import (
	"bytes"
	"context"
	"encoding/binary"
	"fmt"
	"math"
	"strconv"
	"strings"
	"testing"
	"time"

	"fullthrow/drivers"
)

// rig is a bench on a virtual clock with every wire open.
type rig struct {
	t       testing.TB
	clock   *Clock
	bench   *Bench
	ports   map[string]drivers.Port
	ctx     context.Context
	scratch []byte
}

// newRig has sticks without homing and all but without ramps.
func newRig(t testing.TB, seed uint64) *rig {
	return newRigWith(t, seed, SticksHabit{NoHoming: true, Acceleration: 1e6})
}

func newRigWith(t testing.TB, seed uint64, h SticksHabit) *rig {
	c := NewClock(noon)
	r := &rig{t: t, clock: c, bench: NewBench(c, seed), ports: map[string]drivers.Port{}, ctx: context.Background()}
	if err := r.bench.SetSticks(h); err != nil {
		t.Fatal(err)
	}
	for _, role := range r.bench.Wires() {
		p, err := r.bench.Port(role)
		if err != nil {
			t.Fatal(err)
		}
		r.ports[role] = p
	}
	r.ports[Sticks].Discard() // its greeting
	return r
}

func (r *rig) send(role, line string) {
	r.t.Helper()
	if err := r.ports[role].Write(r.ctx, []byte(line+"\n")); err != nil {
		r.t.Fatal(err)
	}
}

// line reads one reply line.
func (r *rig) line(role string, timeout time.Duration) string {
	r.t.Helper()
	var got []byte
	buf := make([]byte, 1)
	for {
		if _, err := r.ports[role].Read(r.ctx, buf, timeout); err != nil {
			r.t.Fatalf("%s: %v (after %q)", role, err, got)
		}
		if buf[0] == '\n' {
			return strings.TrimSuffix(string(got), "\r")
		}
		got = append(got, buf[0])
	}
}

func (r *rig) ask(role, line string) string {
	r.t.Helper()
	r.send(role, line)
	return r.line(role, 10*time.Second)
}

func (r *rig) wait(s float64) {
	r.t.Helper()
	if err := r.clock.Sleep(r.ctx, duration(s)); err != nil {
		r.t.Fatal(err)
	}
}

// samples captures n samples.
func (r *rig) samples(role, quantity string, tint float64, n int) []float64 {
	r.t.Helper()
	r.send(role, fmt.Sprintf("FORM REAL,32;:SENS:SWE:TINT %g;POIN %d;:INIT;:FETC:ARR:%s?", tint, n, quantity))
	return r.collect(role, tint, n)
}

func (r *rig) collect(role string, tint float64, n int) []float64 {
	r.t.Helper()
	var got []byte
	buf := make([]byte, 1<<16)
	size := strconv.Itoa(4 * n)
	head := fmt.Sprintf("#%d%s", len(size), size)
	for len(got) < len(head)+4*n+1 {
		k, err := r.ports[role].Read(r.ctx, buf, duration(float64(n)*tint+1))
		if err != nil {
			r.t.Fatal(err)
		}
		got = append(got, buf[:k]...)
	}
	if !bytes.HasPrefix(got, []byte(head)) || got[len(got)-1] != '\n' || len(got) != len(head)+4*n+1 {
		r.t.Fatalf("block %q... of %d bytes", got[:12], len(got))
	}
	v := make([]float64, n)
	for i := range v {
		v[i] = float64(math.Float32frombits(binary.BigEndian.Uint32(got[len(head)+4*i:])))
	}
	return v
}

// frames listens for d seconds and takes the SBUS frames apart.
func (r *rig) frames(s float64) []sbus {
	r.t.Helper()
	r.ports[Receiver].Discard()
	end := r.clock.Now().Add(duration(s))
	var got []byte
	buf := make([]byte, 4096)
	for {
		left := end.Sub(r.clock.Now())
		if left <= 0 {
			break
		}
		n, err := r.ports[Receiver].Read(r.ctx, buf, left)
		if drivers.KindOf(err) == drivers.NoReply {
			break
		} else if err != nil {
			r.t.Fatal(err)
		}
		got = append(got, buf[:n]...)
	}
	if len(got)%25 != 0 {
		r.t.Fatalf("%d bytes are not whole frames", len(got))
	}
	var out []sbus
	for ; len(got) > 0; got = got[25:] {
		out = append(out, unpack(r.t, got[:25]))
	}
	return out
}

type sbus struct {
	raw            [16]int
	lost, failsafe bool
}

func unpack(t testing.TB, f []byte) (s sbus) {
	t.Helper()
	if len(f) != 25 || f[0] != 0x0f || f[24] != 0 {
		t.Fatalf("not an SBUS frame: % X", f)
	}
	for i := range s.raw {
		for b := range 11 {
			bit := 11*i + b
			s.raw[i] |= int(f[1+bit/8]>>(bit%8)&1) << b
		}
	}
	s.lost, s.failsafe = f[23]&4 != 0, f[23]&8 != 0
	return s
}

// on switches supply and handset on, after waiting off for s.
func (r *rig) on() {
	r.t.Helper()
	for _, c := range []string{"VOLT 3.7", "CURR 3", "OUTP ON"} {
		if got := r.ask(Supply, c+";:SYST:ERR?"); got != `0,"No error"` {
			r.t.Fatalf("%s: %s", c, got)
		}
	}
	r.close(relayPower)
}

func (r *rig) close(n int) { r.t.Helper(); r.relay("CLOS", n) }
func (r *rig) open(n int)  { r.t.Helper(); r.relay("OPEN", n) }
func (r *rig) relay(verb string, n int) {
	r.t.Helper()
	if got := r.ask(Board, fmt.Sprintf("ROUT:%s (@%d);:SYST:ERR?", verb, n)); got != `0,"No error"` {
		r.t.Fatal(got)
	}
}

// ideal is a handset without tolerances and noise.
func ideal() Handset {
	h := good(newRand(1, 1), 0)
	h.Power.Noise, h.Power.Ripple, h.Sounder.Floor = 0, 0, 0
	for i := range h.Gimbals {
		h.Gimbals[i] = Gimbal{Return: 0.02, Gain: 1}
	}
	return h
}

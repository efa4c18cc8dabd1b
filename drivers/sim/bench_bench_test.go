package sim

import (
	"testing"
	"time"
)

func BenchmarkSound2s(b *testing.B) {
	r := newRig(b, 1)
	r.bench.Load(Good(newRand(1, 1)))
	r.on()
	for b.Loop() {
		r.bench.power.spans[len(r.bench.power.spans)-1].start = r.bench.now() // as if just switched on
		r.send(Microphone, "FORM REAL,32;:SENS:SWE:TINT 2.0833333E-05;POIN 96000;:INIT;:FETC:ARR:VOLT?")
		r.drain(Microphone, 7+4*96000+1, 3*time.Second)
	}
}

func BenchmarkCurrent20000(b *testing.B) {
	r := newRig(b, 1)
	r.bench.Load(Good(newRand(1, 1)))
	r.on()
	for b.Loop() {
		r.send(Meter, "FORM REAL,32;:SENS:SWE:TINT 1E-4;POIN 20000;:INIT;:FETC:ARR:CURR?")
		r.drain(Meter, 7+4*20000+1, 3*time.Second)
	}
}

// One frame per Read, as a driver takes them.
func BenchmarkSBUSFrame(b *testing.B) {
	r := newRig(b, 1)
	r.bench.Load(Good(newRand(1, 1)))
	r.on()
	r.close(relayClutch)
	r.wait(1)
	buf := make([]byte, 64)
	r.ports[Receiver].Discard()
	b.ReportAllocs()
	for b.Loop() {
		if n, err := r.ports[Receiver].Read(r.ctx, buf, time.Second); n != 25 || err != nil {
			b.Fatal(n, err)
		}
	}
}

func BenchmarkSCPICommand(b *testing.B) {
	r := newRig(b, 1)
	b.ReportAllocs()
	for b.Loop() {
		r.send(Supply, "VOLT 3.7;:SYST:ERR?")
		r.drain(Supply, len(`0,"No error"`)+1, time.Second)
	}
}

func BenchmarkDraw(b *testing.B) {
	p, err := LoadPopulation(stock)
	if err != nil {
		b.Fatal(err)
	}
	i := 0
	for b.Loop() {
		p.Draw(1, i)
		i++
	}
}

func BenchmarkNewBench(b *testing.B) {
	c := NewClock(noon)
	for b.Loop() {
		NewBench(c, 1)
	}
}

// drain reads n bytes.
func (r *rig) drain(role string, n int, timeout time.Duration) {
	buf := r.scratch
	if buf == nil {
		buf = make([]byte, 1<<16)
		r.scratch = buf
	}
	for n > 0 {
		k, err := r.ports[role].Read(r.ctx, buf, timeout)
		if err != nil {
			r.t.Fatal(err)
		}
		n -= k
	}
}

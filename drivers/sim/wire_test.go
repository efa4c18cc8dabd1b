package sim

import (
	"context"
	"errors"
	"testing"
	"time"

	"fullthrow/drivers"
)

func TestBenchFaults(t *testing.T) {
	for _, c := range []struct {
		fault Fault
		kind  drivers.Kind // of the read; "" a reply
		reply string
	}{
		{Mended, "", "0.000000E+00\n"},
		{Silent, drivers.NoReply, ""},
		{Gone, drivers.Gone, ""},
		{Slow, drivers.NoReply, ""},
		{Partial, "", "0.0000"},
		{Stuck, "", "0.000000E+00\n"},
		{Garbled, "", "\x95\x8b\x95\x95\x95\x95\x95\x95\xe0\x8e\x95\x95\n"},
	} {
		t.Run(string(c.fault), func(t *testing.T) {
			r := newRig(t, 1)
			p := r.ports[Supply]
			if err := p.Write(r.ctx, []byte("VOLT?\n")); err != nil {
				t.Fatal(err)
			}
			if err := r.bench.Break(Supply, c.fault); err != nil {
				t.Fatal(err)
			}
			buf := make([]byte, 64)
			n, err := p.Read(r.ctx, buf, time.Second)
			if drivers.KindOf(err) != c.kind || string(buf[:n]) != c.reply || (n == 0) != (err != nil) {
				t.Errorf("got %q, %v; want %q, %q", buf[:n], err, c.reply, c.kind)
			}
			if c.fault == Stuck {
				p.Write(r.ctx, []byte("OUTP ON;VOLT 3;:OUTP?\n"))
				n, err = p.Read(r.ctx, buf, time.Second)
				if string(buf[:n]) != "0\n" || err != nil || r.bench.State().SupplyOn {
					t.Errorf("stuck supply: %q, %v, on %v", buf[:n], err, r.bench.State().SupplyOn)
				}
			}
		})
	}
	if r := newRig(t, 1); r.bench.Break("probe", Silent) == nil || r.bench.Break(Meter, "odd") == nil {
		t.Error("unknown role or fault: no error")
	}
	t.Run("gone in the middle of a read", func(t *testing.T) {
		r := newRig(t, 1)
		r.send(Meter, "SENS:SWE:TINT 1E-3;POIN 5000;:INIT;:FETC:ARR:CURR?")
		r.bench.BreakAt(noon.Add(2*time.Second), Meter, Gone)
		_, err := r.ports[Meter].Read(r.ctx, make([]byte, 10), 10*time.Second)
		if at := r.clock.Now().Sub(noon); drivers.KindOf(err) != drivers.Gone || at != 2*time.Second {
			t.Errorf("got %v at %v, want gone at 2s", err, at)
		}
	})
	t.Run("cancelled read", func(t *testing.T) {
		r := newRig(t, 1)
		cause := errors.New("stopped by the operator")
		ctx, cancel := context.WithCancelCause(r.ctx)
		var err error
		r.clock.Together(ctx,
			func(ctx context.Context) {
				_, err = r.ports[Supply].Read(ctx, make([]byte, 1), time.Hour)
			},
			func(ctx context.Context) { r.clock.Sleep(ctx, 30*time.Millisecond); cancel(cause) })
		if at := r.clock.Now().Sub(noon); err != cause || at != 30*time.Millisecond {
			t.Errorf("got %v at %v, want %v at 30ms", err, at, cause)
		}
	})
}

func TestBenchUnreadStream(t *testing.T) {
	r := newRig(t, 1)
	r.bench.Load(ideal())
	r.on()
	r.close(relaySwitch)
	r.wait(60)
	buf := make([]byte, 1<<20)
	n, err := r.ports[Receiver].Read(r.ctx, buf, time.Second)
	if err != nil || n > 25*(backlog+1) || n < 25*(backlog-1) {
		t.Fatalf("after a minute: %d bytes, %v; want the last %d frames", n, err, backlog)
	}
	if f := unpack(t, buf[n-25:n]); f.lost || f.raw[4] != highRaw {
		t.Errorf("last frame %+v", f)
	}
}

package sim

import (
	"strings"
	"testing"
	"time"

	"fullthrow/drivers"
)

// heard reads the console until nothing has come for a while.
func (r *rig) heard() string {
	var b strings.Builder
	for {
		buf := make([]byte, 256)
		n, err := r.ports[Console].Read(r.ctx, buf, 300*time.Millisecond)
		if err != nil {
			if drivers.KindOf(err) != drivers.NoReply {
				r.t.Fatal(err)
			}
			return b.String()
		}
		b.Write(buf[:n])
	}
}

func (r *rig) typed(s string) string {
	r.t.Helper()
	if err := r.ports[Console].Write(r.ctx, []byte(s)); err != nil {
		r.t.Fatal(err)
	}
	return r.heard()
}

// What console.md says, line by line.
func TestConsoleAsDescribed(t *testing.T) {
	r := newRig(t, 1)
	h := Good(newRand(1, 1))
	h.Gimbals[0].Offset = 0.008
	r.bench.Load(h)
	if got := r.typed("version\r"); got != "" {
		t.Errorf("off, it says %q", got)
	}
	on := func() string {
		r.send(Supply, "VOLT 3.7;:CURR 1;:OUTP ON")
		r.send(Board, "ROUT:CLOS (@1)")
		return r.heard()
	}
	off := func() {
		r.send(Supply, "OUTP OFF")
		r.send(Board, "ROUT:OPEN (@1)")
		if err := r.clock.Sleep(r.ctx, 5*time.Second); err != nil {
			t.Fatal(err)
		}
	}
	if got, want := on(), "\r\nLantern Quay K8\r\nboot 2.7.1 (418)\r\n# radio up\r\nk8> "; got != want {
		t.Fatalf("begin: %q, want %q", got, want)
	}
	for _, k := range []struct{ typed, want string }{
		{"version\r", "version\r\nversion 2.7.1 build 418\r\nk8> "},
		{"\r\n", "\r\nk8> "},
		{"serial\r\n", "serial\r\nserial -\r\nk8> "},
		{"serial set K8-24A-0007\n", "serial set K8-24A-0007\r\nok\r\nk8> "},
		{"serial\r", "serial\r\nserial K8-24A-0007\r\nk8> "},
		{"serial set k8\r", "serial set k8\r\n? range\r\nk8> "},
		{"stick left_x\r", "stick left_x\r\n# adc settled\r\nstick left_x 2061\r\nk8> "},
		{"cal left_x\r", "cal left_x\r\ncal left_x 0 1.0000\r\nk8> "},
		{"cal set left_x -13 1.0042\r", "cal set left_x -13 1.0042\r\nok\r\nk8> "},
		{"cal left_x\r", "cal left_x\r\ncal left_x -13 1.0042\r\nk8> "},
		{"cal set left_x -401 1\r", "cal set left_x -401 1\r\n? range\r\nk8> "},
		{"cal set left_x 1 NaN\r", "cal set left_x 1 NaN\r\n? range\r\nk8> "},
		{"cal left_z\r", "cal left_z\r\n? unknown: cal left_z\r\nk8> "},
		{"\x01who\x7f\r", "who\r\n? unknown: who\r\nk8> "},
		{strings.Repeat("x", 61) + "\r", strings.Repeat("x", 61) + "\r\n? too long\r\nk8> "},
	} {
		if got := r.typed(k.typed); got != k.want {
			t.Errorf("%q: got %q, want %q", k.typed, got, k.want)
		}
	}
	off()
	on()
	if got := r.typed("serial\r"); got != "serial\r\nserial -\r\nk8> " {
		t.Errorf("not saved, after power was gone: %q", got)
	}
	r.typed("serial set K8-9\r")
	began := r.clock.Now()
	if err := r.ports[Console].Write(r.ctx, []byte("save\r")); err != nil {
		t.Fatal(err)
	}
	for got := ""; !strings.Contains(got, "saved"); {
		buf := make([]byte, 64)
		n, err := r.ports[Console].Read(r.ctx, buf, time.Second)
		if err != nil {
			t.Fatal(err)
		}
		got += string(buf[:n])
	}
	if took := r.clock.Now().Sub(began); took != consoleSave {
		t.Errorf("save took %v", took)
	}
	off()
	on()
	if got := r.typed("serial\r"); got != "serial\r\nserial K8-9\r\nk8> " {
		t.Errorf("saved, after power was gone: %q", got)
	}
	r.bench.Load(h)
	off()
	on()
	if got := r.typed("serial\r"); got != "serial\r\nserial -\r\nk8> " {
		t.Errorf("another unit: %q", got)
	}
}

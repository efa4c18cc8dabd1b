package scpi

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"fullthrow/drivers"
	"fullthrow/drivers/drivertest"
)

const head = "what: made for this test\nrecorded: never, written by hand\nexpect: no error\n\n"

func transcript(t *testing.T, steps string) *drivertest.Transcript {
	t.Helper()
	tr, err := drivertest.Parse(t.Name(), []byte(head+steps))
	if err != nil {
		t.Fatal(err)
	}
	return tr
}

const hello = `> "*IDN?\n"
< "Lantern Quay,Test,0,1\n"
> "SYST:ERR?\n"
< "0,\"No error\"\n"
`

func TestFaultsOfASupply(t *testing.T) {
	drivertest.TestFaults(t, transcript(t, hello+`> "VOLT 3.7;:VOLT?;:SYST:ERR?\n"
~ 20ms
< "3.7000E+00;0,\"No error\"\n"
> "OUTP ON;:OUTP?;:SYST:ERR?\n"
< "1;0,\"No error\"\n"
`), func(ctx context.Context, port drivers.Port, clock drivers.Clock) error {
		d, err := Open("supply", port, clock, "generic-supply", drivers.Calibration{})
		if err != nil {
			return err
		}
		s := d.(drivers.Supply)
		if err := s.SetVoltage(ctx, 3.7); err != nil {
			return err
		}
		return s.SetOutput(ctx, true)
	})
}

func TestFaultsOfABoard(t *testing.T) {
	drivertest.TestFaults(t, transcript(t, hello+`> "SENS:DIG? (@1);:SYST:ERR?\n"
< "1;0,\"No error\"\n"
> "MEAS:TINT?;:SYST:ERR?\n"
~ 13ms
< "0.0135;0,\"No error\"\n"
`), func(ctx context.Context, port drivers.Port, clock drivers.Clock) error {
		d, err := Open("board", port, clock, "fixture-board", drivers.Calibration{})
		if err != nil {
			return err
		}
		in, err := d.(drivers.Lines).Input("guard", 1, false)
		if err != nil {
			return err
		}
		closed, err := in.Level(ctx)
		if err != nil {
			if closed {
				return fmt.Errorf("a level beside the error %w", err)
			}
			return err
		}
		v, err := d.(drivers.Timer).Interval(ctx)
		if err == nil && (!closed || v != 0.0135) {
			return fmt.Errorf("guard %v, interval %v: not what the board said", closed, v)
		}
		return err
	})
}

func TestFaultsOfAMeter(t *testing.T) {
	steps := hello
	for _, w := range []string{"ABOR", "FORM REAL,32", "FORM:BORD NORM", "SENS:CURR:RANG 1", "SENS:SWE:TINT 0.01", "SENS:SWE:POIN 2", "INIT"} {
		steps += "> \"" + w + `;:SYST:ERR?\n"` + "\n" + `< "0,\"No error\"\n"` + "\n"
	}
	steps += "> \"FETC:ARR:CURR?\\n\"\n< 23 31 38 3F 80 00 00 C0 20 00 00 0A\n> \"SYST:ERR?\\n\"\n< \"0,\\\"No error\\\"\\n\"\n"
	drivertest.TestFaults(t, transcript(t, steps), func(ctx context.Context, port drivers.Port, clock drivers.Clock) error {
		d, err := Open("meter", port, clock, "generic-meter", drivers.Calibration{})
		if err != nil {
			return err
		}
		s, err := d.(drivers.Meter).Current(ctx, 1, 100, 20*time.Millisecond)
		if err == nil && (len(s.Values) != 2 || s.Values[0] != 1 || s.Values[1] != -2.5) {
			return fmt.Errorf("read %v", s.Values)
		}
		return err
	})
}

// The reply to one question comes after its time-out, and after the next
// question: it must not be taken for the answer to that.
func TestLateReply(t *testing.T) {
	for _, late := range []time.Duration{5100 * time.Millisecond, 5400 * time.Millisecond, 7 * time.Second, 12 * time.Second} {
		t.Run(late.String(), func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				i := newInstrument()
				port, peer := drivertest.Pipe("wire", drivers.System)
				// The instrument answers in order; "0.999" is late once.
				n := 0
				go func() {
					answer := drivertest.Lines(i.line)
					buf := make([]byte, 256)
					for {
						k, err := peer.Read(buf)
						if err != nil {
							return
						}
						if s := string(buf[:k]); s == "MEAS:TINT?;:SYST:ERR?\n" {
							if n++; n == 1 {
								time.Sleep(late)
							}
						}
						if _, err := peer.Write(answer(buf[:k])); err != nil {
							return
						}
					}
				}()
				b := openAs[*Board](t, port, "fixture-board", drivers.Calibration{})
				defer func() { _ = port.Close(); synctest.Wait() }()
				i.answers["MEAS:TINT?"] = "0.999"
				if v, err := b.Interval(t.Context()); err == nil {
					t.Fatalf("got %v, want a time-out", v)
				}
				i.mu.Lock()
				i.answers["MEAS:TINT?"] = "0.0135"
				i.mu.Unlock()
				in, err := b.Input("guard", 1, false)
				if err != nil {
					t.Fatal(err)
				}
				good, last := 0, 0 // of all and of the last ten answers
				for k := range 12 {
					if k == 7 {
						last = good
					}
					if on, err := in.Level(t.Context()); err == nil {
						good++
						if on {
							t.Error("read a level that was never said")
						}
					} else if kind := drivers.KindOf(err); kind != drivers.NoReply && kind != drivers.Garbled {
						t.Errorf("got %v", err)
					}
					v, err := b.Interval(t.Context())
					if err == nil {
						if good++; v != 0.0135 && v != 0.999 || v == 0.999 && n > 1 && good > 1 {
							t.Errorf("read %v", v)
						}
					}
				}
				if good-last != 10 {
					t.Errorf("%d of the last 10 questions answered: the line did not come into step again", good-last)
				}
			})
		})
	}
}

// Late answers to the two questions of the resynchronisation itself.
func TestLateIdentity(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		port, peer := drivertest.Pipe("wire", drivers.System)
		i := newInstrument()
		var slow atomic.Bool
		slow.Store(true)
		go func() {
			answer := drivertest.Lines(i.line)
			buf := make([]byte, 256)
			for {
				k, err := peer.Read(buf)
				if err != nil {
					return
				}
				if slow.Load() {
					time.Sleep(1200 * time.Millisecond)
				}
				if _, err := peer.Write(answer(buf[:k])); err != nil {
					return
				}
			}
		}()
		defer func() { _ = port.Close(); synctest.Wait() }()
		b := openAs[*Board](t, port, "fixture-board", drivers.Calibration{})
		for range 4 {
			if _, err := b.Ready(t.Context()); err == nil {
				t.Error("an instrument slower than its time-out was taken as ready")
			}
		}
		slow.Store(false)
		time.Sleep(300 * time.Millisecond)
		i.mu.Lock()
		i.answers["MEAS:TINT?"] = "0.0135"
		i.mu.Unlock()
		for k := range 3 {
			v, err := b.Interval(t.Context())
			if k > 0 && err != nil || err == nil && v != 0.0135 {
				t.Errorf("interval %d: got %v, %v", k, v, err)
			}
		}
	})
}

// An instrument that does not stop sending.
func TestBabble(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		port, peer := drivertest.Pipe("wire", drivers.System)
		go func() {
			for {
				time.Sleep(10 * time.Millisecond)
				if _, err := peer.Write([]byte("12.5 V\n")); err != nil {
					return
				}
			}
		}()
		defer func() { _ = port.Close(); time.Sleep(time.Second) }()
		s := openAs[drivers.Supply](t, port, "generic-supply", drivers.Calibration{})
		for range 3 {
			start := time.Now()
			if err := s.SetVoltage(t.Context(), 1); drivers.KindOf(err) != drivers.Garbled || time.Since(start) > 10*time.Second {
				t.Errorf("got %v after %v", err, time.Since(start))
			}
		}
	})
}

func TestStaleBytesAreDropped(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		i := newInstrument()
		port, peer := drivertest.Pipe("wire", drivers.System)
		go func() {
			answer := drivertest.Lines(i.line)
			buf := make([]byte, 256)
			for {
				k, err := peer.Read(buf)
				if err != nil {
					return
				}
				_, _ = peer.Write(answer(buf[:k]))
			}
		}()
		defer func() { _ = port.Close(); synctest.Wait() }()
		b := openAs[*Board](t, port, "fixture-board", drivers.Calibration{})
		in, err := b.Input("guard", 1, false)
		if err != nil {
			t.Fatal(err)
		}
		for _, on := range []bool{true, false} {
			i.mu.Lock()
			i.input["1"] = on
			i.mu.Unlock()
			_, _ = io.WriteString(peer, "noise\n1\n0\n")
			if got, err := in.Level(t.Context()); err != nil || got != on {
				t.Errorf("got %v, %v, want %v", got, err, on)
			}
		}
	})
}

func TestSafe(t *testing.T) {
	t.Run("while another call waits for an answer that never comes", func(t *testing.T) {
		synctest.Test(t, func(t *testing.T) {
			i := newInstrument()
			b := meet[*Board](t, i, "fixture-board", drivers.Calibration{})
			i.broken = true // so that the query stays without an answer
			done := make(chan error, 1)
			go func() { _, err := b.Interval(t.Context()); done <- err }()
			time.Sleep(100 * time.Millisecond)
			i.mu.Lock()
			i.broken, i.relays["1"] = false, true
			i.mu.Unlock()
			start := time.Now()
			if err := b.Safe(t.Context()); err != nil || time.Since(start) > 500*time.Millisecond || i.relays["1"] {
				t.Errorf("Safe: %v after %v, relay closed %v", err, time.Since(start), i.relays["1"])
			}
			if err := <-done; !errors.Is(err, drivers.ErrMadeSafe) || !errors.Is(err, context.Canceled) {
				t.Errorf("the call under way: got %v", err)
			}
		})
	})
	t.Run("under a cancelled context", func(t *testing.T) {
		i := newInstrument()
		s := meet[drivers.Supply](t, i, "generic-supply", drivers.Calibration{})
		ctx, cancel := context.WithCancel(t.Context())
		cancel()
		if err := s.Safe(ctx); err != nil {
			t.Error(err)
		}
		if got := i.said(); got != "OUTP OFF|OUTP?" {
			t.Errorf("sent %q", got)
		}
	})
	t.Run("errors left in the queue are not its own", func(t *testing.T) {
		i := newInstrument()
		s := meet[drivers.Supply](t, i, "generic-supply", drivers.Calibration{})
		i.errors = []string{`-222,"Data out of range"`, `-222,"Data out of range"`}
		if err := s.Safe(t.Context()); err != nil {
			t.Error(err)
		}
		i.known = nil
		if err := s.Safe(t.Context()); drivers.KindOf(err) != drivers.Refused {
			t.Errorf("refused: got %v", err)
		}
	})
	t.Run("a dead instrument", func(t *testing.T) {
		synctest.Test(t, func(t *testing.T) {
			i := newInstrument()
			s := meet[drivers.Supply](t, i, "generic-supply", drivers.Calibration{})
			i.broken = true
			start := time.Now()
			if err := s.Safe(t.Context()); drivers.KindOf(err) != drivers.NoReply || time.Since(start) > time.Second {
				t.Errorf("got %v after %v", err, time.Since(start))
			}
		})
	})
	t.Run("a call that holds the line and never returns", func(t *testing.T) {
		synctest.Test(t, func(t *testing.T) {
			i := newInstrument()
			s := meet[*Supply](t, i, "generic-supply", drivers.Calibration{})
			if err := s.guard.Enter(t.Context()); err != nil {
				t.Fatal(err)
			}
			start := time.Now()
			if err := s.Safe(t.Context()); drivers.KindOf(err) != drivers.Busy || time.Since(start) > 500*time.Millisecond {
				t.Errorf("got %v after %v", err, time.Since(start))
			}
			if got := i.said(); got != "|OUTP OFF" { // a line end first: half a line may stand there
				t.Errorf("sent %q, want the output off all the same", got)
			}
			s.guard.Leave()
			if err := s.SetVoltage(t.Context(), 1); err != nil {
				t.Errorf("afterwards: %v", err)
			}
		})
	})
	t.Run("a late answer is not its confirmation", func(t *testing.T) {
		synctest.Test(t, func(t *testing.T) {
			port, peer := drivertest.Pipe("wire", drivers.System)
			s := openAs[drivers.Supply](t, port, "generic-supply", drivers.Calibration{})
			go func() { // answers one late entry to whatever it hears, and dies
				_, _ = peer.Read(make([]byte, 64))
				time.Sleep(10 * time.Millisecond)
				_, _ = io.WriteString(peer, "0,\"No error\"\n")
			}()
			// Of the time-out 10 ms are gone: it is still one of 1 s.
			if err := s.Safe(t.Context()); drivers.KindOf(err) != drivers.NoReply || !strings.HasSuffix(err.Error(), ": no reply in 1s") {
				t.Errorf("got %v, want no reply in 1s", err)
			}
		})
	})
	t.Run("the computer stood still while it was said", func(t *testing.T) {
		synctest.Test(t, func(t *testing.T) {
			port, _ := drivertest.Pipe("wire", drivers.System)
			s := openAs[drivers.Supply](t, slowPort{port, 404 * time.Millisecond}, "generic-supply", drivers.Calibration{})
			if err := s.Safe(t.Context()); drivers.KindOf(err) != drivers.NoReply || !strings.HasSuffix(err.Error(), ": no reply in 1s") {
				t.Errorf("got %v, want no reply in 1s", err)
			}
		})
	})
}

// slowPort takes its time to send.
type slowPort struct {
	drivers.Port
	by time.Duration
}

func (p slowPort) Write(ctx context.Context, b []byte) error {
	if err := drivers.System.Sleep(ctx, p.by); err != nil {
		return err
	}
	return p.Port.Write(ctx, b)
}

// Two tasks share one board: the second waits for the first.
func TestTwoCallers(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		i := newInstrument()
		i.answers["MEAS:TINT?"] = "0.0135"
		port := &delayed{Port: i.port(), by: func(string) time.Duration { return 3 * time.Millisecond }}
		b := openAs[*Board](t, port, "fixture-board", drivers.Calibration{})
		out, err := b.Output("power", 1, false, false)
		if err != nil {
			t.Fatal(err)
		}
		drivers.System.Together(t.Context(), func(ctx context.Context) {
			for range 20 {
				if v, err := b.Interval(ctx); err != nil || v != 0.0135 {
					t.Errorf("interval: %v, %v", v, err)
				}
			}
		}, func(ctx context.Context) {
			for k := range 20 {
				if err := out.Set(ctx, k%2 == 0); err != nil {
					t.Errorf("set: %v", err)
				}
			}
		})
	})
}

// BenchmarkBlock reads 400 kB of samples as a TCP socket hands them over.
func BenchmarkBlock(b *testing.B) {
	i := newInstrument()
	values := make([]float64, 100_000)
	for k := range values {
		values[k] = math.Sin(float64(k) / 50)
	}
	i.fetch = real32(values...)
	reply := []byte(i.part("FETC:ARR:CURR?") + "\n")
	port := &chunked{data: reply, size: 16 << 10}
	l := newLink("meter", port, drivers.System, Models()[1], drivers.Calibration{})
	b.SetBytes(int64(len(reply)))
	b.ReportAllocs()
	for b.Loop() {
		port.at, l.r, l.w = 0, 0, 0
		got, err := l.floats(b.Context(), len(values), time.Second)
		if err != nil || len(got) != len(values) {
			b.Fatal(len(got), err)
		}
	}
}

// chunked hands over data in portions.
type chunked struct {
	drivers.Port
	data     []byte
	at, size int
}

func (c *chunked) Read(_ context.Context, p []byte, _ time.Duration) (int, error) {
	n := copy(p, c.data[c.at:min(c.at+c.size, len(c.data))])
	c.at += n
	if n == 0 {
		return 0, drivers.Errorf("wire", "read", drivers.NoReply, "nothing")
	}
	return n, nil
}

// BenchmarkCommand is what the driver itself costs per command.
func BenchmarkCommand(b *testing.B) {
	s := openAs[drivers.Supply](b, newInstrument().port(), "generic-supply", drivers.Calibration{})
	b.ReportAllocs()
	for b.Loop() {
		if err := s.SetVoltage(b.Context(), 3.7); err != nil {
			b.Fatal(err)
		}
	}
}

package modbus

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"fullthrow/drivers"
	"fullthrow/drivers/drivertest"
)

// board is a relay board in memory: it answers whole messages to its address.
type board struct {
	address byte
	mu      sync.Mutex
	coils   [8]bool
	inputs  [8]bool
	broken  bool // answers with exception 4
	frozen  bool // confirms coils without moving them
	part    []byte
}

func (b *board) reply(sent []byte) []byte {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.part = append(b.part, sent...)
	if len(b.part) < 8 {
		return nil
	}
	q := b.part[:8]
	b.part = nil
	if crc16(q) != 0 || q[0] != b.address {
		return nil
	}
	a, v := int(binary.BigEndian.Uint16(q[2:])), binary.BigEndian.Uint16(q[4:])
	exception := func(code byte) []byte { return message(q[0], q[1]|0x80, code) }
	if b.broken {
		return exception(4)
	}
	read := func(levels []bool) []byte {
		if a+int(v) > len(levels) {
			return exception(2)
		}
		var bits byte
		for i := range int(v) {
			if levels[a+i] {
				bits |= 1 << i
			}
		}
		return message(q[0], q[1], 1, bits)
	}
	switch q[1] {
	case readCoils:
		return read(b.coils[:])
	case readInputs:
		return read(b.inputs[:])
	case writeSingleCoil:
		if a >= len(b.coils) {
			return exception(2)
		}
		if !b.frozen {
			b.coils[a] = v == coilOn
		}
		return append([]byte(nil), q...)
	}
	return exception(1)
}

func (b *board) do(f func()) { b.mu.Lock(); f(); b.mu.Unlock() }

func openBoard(t *testing.T, b *board) *Lines {
	t.Helper()
	port := drivertest.Respond("bus", drivers.System, b.reply)
	d, err := Open("board", port, drivers.System, Options{Address: int(b.address)})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = d.Close() })
	return d
}

func TestLinesPromises(t *testing.T) {
	drivertest.TestLines(t, func(t *testing.T) (drivers.Lines, drivertest.LineBench) {
		b := &board{address: 7}
		return openBoard(t, b), drivertest.LineBench{
			Output: 3, Input: 5, None: 9,
			High:  func(n int) (on bool) { b.do(func() { on = b.coils[n-1] }); return on },
			Drive: func(n int, high bool) { b.do(func() { b.inputs[n-1] = high }) },
			Break: func() { b.do(func() { b.broken = true }) },
		}
	})
}

func TestConversation(t *testing.T) {
	tr, err := drivertest.Load(filepath.Join("testdata", "relay.txt"))
	if err != nil {
		t.Fatal(err)
	}
	drivertest.TestFaults(t, tr, func(ctx context.Context, port drivers.Port, clock drivers.Clock) error {
		d, err := Open("board", port, clock, Options{Address: 17})
		if err != nil {
			return err
		}
		relay, err := d.Output("relay", 3, false, false)
		if err != nil {
			return err
		}
		in, err := d.Input("guard", 2, false)
		if err != nil {
			return err
		}
		if _, err := d.Ready(ctx); err != nil {
			return err
		}
		if err := relay.Set(ctx, true); err != nil {
			return err
		}
		level, err := in.Level(ctx)
		if err != nil {
			return err
		}
		if !level {
			return errors.New("the input must be high")
		}
		return d.Safe(ctx)
	})
}

func TestRefusals(t *testing.T) {
	b := &board{address: 1}
	d := openBoard(t, b)
	relay, err := d.Output("relay", 1, false, false)
	if err != nil {
		t.Fatal(err)
	}
	b.do(func() { b.broken = true })
	err = relay.Set(t.Context(), true)
	if drivers.KindOf(err) != drivers.Refused || err.Error() != "relay: set: exception 4, server device failure" {
		t.Errorf("got %v (kind %q)", err, drivers.KindOf(err))
	}
	b.do(func() { b.broken, b.frozen = false, true })
	err = relay.Set(t.Context(), true)
	if drivers.KindOf(err) != drivers.Refused || !strings.Contains(err.Error(), "reads back as false") {
		t.Errorf("a relay that does not move: %v", err)
	}
	if _, err := d.Output("again", 1, false, false); drivers.KindOf(err) != drivers.Busy {
		t.Errorf("one output opened twice: %v", err)
	}
	for _, o := range []Options{{Model: "unheard-of"}, {Address: 248}, {Address: -1}} {
		if _, err := Open("board", drivertest.Respond("x", drivers.System, b.reply), drivers.System, o); drivers.KindOf(err) != drivers.OutOfRange {
			t.Errorf("%+v: %v", o, err)
		}
	}
}

// An adapter that hears itself must not look like a board.
func TestEcho(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		alone := drivertest.Respond("echo", drivers.System, func(p []byte) []byte { return p })
		d, err := Open("board", alone, drivers.System, Options{})
		if err != nil {
			t.Fatal(err)
		}
		relay, err := d.Output("relay", 1, false, false)
		if err != nil {
			t.Fatal(err)
		}
		if err := relay.Set(t.Context(), true); drivers.KindOf(err) != drivers.NoReply {
			t.Errorf("nobody there but an echo: %v", err)
		}

		b := &board{address: 1}
		both := drivertest.Respond("echo and board", drivers.System, func(p []byte) []byte {
			if p[1] == writeSingleCoil {
				return b.reply(p)
			}
			return append(append([]byte(nil), p...), b.reply(p)...)
		})
		if d, err = Open("board", both, drivers.System, Options{}); err != nil {
			t.Fatal(err)
		}
		if _, err := d.Ready(t.Context()); err != nil {
			t.Errorf("a board behind an echo: %v", err)
		}
	})
}

// Two boards on one bus, used side by side: messages stay whole and apart.
func TestBusIsShared(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		one, two := &board{address: 1}, &board{address: 2}
		var sent []time.Time
		port := drivertest.Respond("bus", drivers.System, func(p []byte) []byte {
			sent = append(sent, time.Now())
			return append(one.reply(p), two.reply(p)...)
		})
		bus := NewBus(port, drivers.System, 9600)
		var outs []drivers.Output
		for a := 1; a <= 2; a++ {
			d, err := Open("board", bus, drivers.System, Options{Address: a})
			if err != nil {
				t.Fatal(err)
			}
			o, err := d.Output("relay", 1, false, false)
			if err != nil {
				t.Fatal(err)
			}
			outs = append(outs, o)
			defer func() {
				if err := d.Close(); err != nil {
					t.Error(err)
				}
			}()
		}
		set := func(o drivers.Output) func(context.Context) {
			return func(ctx context.Context) {
				if err := o.Set(ctx, true); err != nil {
					t.Error(err)
				}
			}
		}
		drivers.System.Together(t.Context(), set(outs[0]), set(outs[1]))
		if !one.coils[0] || !two.coils[0] || len(sent) != 4 {
			t.Errorf("coils %v %v after %d messages", one.coils[0], two.coils[0], len(sent))
		}
		for i := 1; i < len(sent); i++ {
			// 3.5 characters of 11 bits at 9600 baud: 4.01 ms.
			if gap := sent[i].Sub(sent[i-1]); gap < 4010*time.Microsecond || gap > 4011*time.Microsecond {
				t.Errorf("messages %v apart", gap)
			}
		}
	})
}

// A run that is ended because of another device's time-out: the board was not
// asked long enough to have failed, whatever of its reply is there.
func TestCancelledByAnothersFailure(t *testing.T) {
	for _, part := range [][]byte{nil, {7, readCoils}} {
		for _, kind := range []drivers.Kind{drivers.NoReply, drivers.Refused} {
			synctest.Test(t, func(t *testing.T) {
				cause := drivers.Errorf("guard", "read level", kind, "its own affair")
				port := drivertest.Respond("bus", drivers.System, func([]byte) []byte { return part })
				bus := NewBus(port, drivers.System, 0)
				d, err := Open("board", bus, drivers.System, Options{Address: 7})
				if err != nil {
					t.Fatal(err)
				}
				ctx, cancel := context.WithCancelCause(t.Context())
				go func() { time.Sleep(100 * time.Millisecond); cancel(cause) }()
				start := time.Now()
				_, err = d.Ready(ctx)
				check := func(what string) {
					t.Helper()
					if !errors.Is(err, cause) || drivers.KindOf(err) != "cancelled" || !strings.HasPrefix(err.Error(), "board: ready: ") || time.Since(start) != 100*time.Millisecond {
						t.Errorf("%s: got %v (%q) after %v", what, err, drivers.KindOf(err), time.Since(start))
					}
				}
				check(fmt.Sprintf("reply % X", part))
				_, err = d.Ready(ctx)
				check("begun when it had ended")
				if err := bus.Close(); err != nil {
					t.Error(err)
				}
			})
		}
	}
}

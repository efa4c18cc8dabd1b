package text

import (
	"bytes"
	"context"
	"fmt"
	"time"

	"fullthrow/drivers"
)

// ByteOptions are what a bench file says of a device that speaks bytes.
type ByteOptions struct {
	Frame *Layout // nil: there are none
	Echo  bool    // the wire sends back what is sent, as one with two wires does
	Unit  bool    // it is the unit under test: see [drivers.Console]
	Safe  [][]byte
}

// gap is after how much silence a frame that is not whole is none.
const gap = 50 * time.Millisecond

// ByteDevice is one device that speaks bytes.
type ByteDevice struct {
	*wire
	o      ByteOptions
	framer *framer // nil: no frames
	echo   []byte  // that is still to come
}

var _ drivers.ByteDevice = (*ByteDevice)(nil)

// OpenBytes makes a device of a port. Nothing is sent.
func OpenBytes(name string, port drivers.Port, clock drivers.Clock, o ByteOptions) (*ByteDevice, error) {
	d := &ByteDevice{wire: newWire(name, port, clock, o.Unit), o: o}
	if o.Frame != nil {
		var err error
		if d.framer, err = newFramer(*o.Frame); err != nil {
			return nil, drivers.Errorf(name, "open", drivers.OutOfRange, "%w", err)
		}
	}
	for _, s := range o.Safe {
		if _, err := d.made(s); err != nil {
			return nil, drivers.Errorf(name, "open", drivers.OutOfRange, "safe: %w", err)
		}
	}
	return d, nil
}

// Framed says whether it has frames.
func (d *ByteDevice) Framed() bool { return d.framer != nil }

// made is what goes over the wire for data.
func (d *ByteDevice) made(data []byte) ([]byte, error) {
	if d.framer != nil {
		return d.framer.frame(data)
	}
	if len(data) == 0 || len(data) > maxFrame {
		return nil, fmt.Errorf("%d bytes: want 1 to %d", len(data), maxFrame)
	}
	return data, nil
}

// Ready proves that the port is there.
func (d *ByteDevice) Ready(ctx context.Context) (identity string, err error) {
	return "", d.hold(ctx, "ready", func(ctx context.Context) error {
		d.echo = nil
		return d.ready(ctx, "ready")
	})
}

// Safe ends what is under way and sends what makes it safe.
func (d *ByteDevice) Safe(ctx context.Context) error {
	const op = "make safe"
	if d.closed.Load() {
		return nil
	}
	leave, entered := d.guard.Interrupt(ctx)
	defer leave()
	for _, s := range d.o.Safe {
		b, err := d.made(s)
		if err == nil {
			err = d.write(ctx, op, b)
		}
		if err != nil {
			return drivers.Wrap(d.name, op, err)
		}
	}
	if entered && len(d.o.Safe) > 0 {
		d.stale, d.echo = true, nil
	}
	return nil
}

// Send implements [drivers.ByteDevice].
func (d *ByteDevice) Send(ctx context.Context, data []byte) error {
	return d.hold(ctx, "send", func(ctx context.Context) error { return d.send(ctx, "send", data) })
}

func (d *ByteDevice) send(ctx context.Context, op string, data []byte) error {
	b, err := d.made(data)
	if err != nil {
		return drivers.Errorf(d.name, op, drivers.OutOfRange, "%w", err)
	}
	if d.o.Echo {
		d.echo = append(d.echo, b...)
		d.echo = d.echo[max(0, len(d.echo)-maxFrame):]
	}
	return d.write(ctx, op, b)
}

// Ask implements [drivers.ByteDevice].
func (d *ByteDevice) Ask(ctx context.Context, data []byte, want drivers.Awaited) (a drivers.Answer, err error) {
	const op = "ask"
	began := d.clock.Now()
	err = d.hold(ctx, op, func(ctx context.Context) (err error) {
		drop := func() { d.got = nil }
		if d.stale {
			if err = d.quiet(ctx, op, drop); err != nil {
				return err
			}
		}
		if err = d.present(ctx, op, drop); err != nil {
			return err
		}
		d.got, d.echo = nil, nil
		if err = d.send(ctx, op, data); err != nil {
			return err
		}
		a, err = d.await(ctx, op, data, want)
		return err
	})
	if d.missing(err, want) {
		return d.silent("ask", want, began, "")
	}
	return a, err
}

// Expect implements [drivers.ByteDevice].
func (d *ByteDevice) Expect(ctx context.Context, want drivers.Awaited) (a drivers.Answer, err error) {
	began := d.clock.Now()
	err = d.hold(ctx, "expect", func(ctx context.Context) (err error) {
		a, err = d.await(ctx, "expect", nil, want)
		return err
	})
	if d.missing(err, want) {
		return d.silent("expect", want, began, "")
	}
	return a, err
}

// await waits for the bytes wanted.
func (d *ByteDevice) await(ctx context.Context, op string, sent []byte, want drivers.Awaited) (drivers.Answer, error) {
	if want.Within <= 0 {
		want.Within = usualTime
	}
	if d.framer == nil && (want.Length < 1 || want.Length > maxFrame) {
		return drivers.Answer{}, drivers.Errorf(d.name, op, drivers.OutOfRange, "an answer of %d bytes: want 1 to %d",
			want.Length, maxFrame).WithHint("Without frames the plan says how many bytes it waits for: length = 4.")
	}
	if d.framer != nil {
		d.framer.work = 0
	}
	began, end := d.clock.Now(), drivers.Within(d.clock, want.Within)
	var all []byte // what came and was no answer
	fail := func(format string, args ...any) (drivers.Answer, error) {
		d.stale = true
		got := append(all, d.got...)
		d.got = nil
		return drivers.Answer{}, drivers.Errorf(d.name, op, drivers.Garbled, "%s; received %s",
			fmt.Sprintf(format, args...), hexed(got)).
			WithHint("Are baud rate and the layout of frames in the bench file its own? All that was said goes with the " +
				"report.")
	}
	for still := false; ; {
		if n := min(len(d.echo), len(d.got)); n > 0 {
			if !bytes.Equal(d.echo[:n], d.got[:n]) {
				d.echo = nil
				return fail("the echo of what was sent came back otherwise")
			}
			d.echo, d.got = d.echo[n:], d.got[n:]
		}
		if len(d.echo) == 0 {
			data, ok := d.take(want.Length, still, &all)
			for ; ok; data, ok = d.take(want.Length, still, &all) {
				if sent != nil && bytes.Equal(data, sent) {
					return fail("it sent back what it was sent (use send and expect where that is the answer)")
				}
				fits := true
				if want.Fits != nil {
					var err error
					if fits, err = want.Fits(data); err != nil {
						d.stale = true
						return drivers.Answer{}, err
					}
				}
				if fits {
					return drivers.Answer{Said: data, Heard: true}, nil
				}
				all = append(all, data...)
			}
		}
		all = all[max(0, len(all)-maxFrame):]
		if d.framer != nil && d.framer.work >= maxWork {
			return fail("too much came that is no frame")
		}
		wait := end.Left()
		if len(d.got) > 0 && !still {
			wait = min(wait, gap)
		}
		more, err := d.read(ctx, op, wait)
		if err != nil {
			return drivers.Answer{}, err
		}
		if !more && still && wait == 0 {
			break
		}
		still = !more
	}
	if len(all) == 0 && len(d.got) == 0 {
		d.stale = true
		return d.silent(op, want, began, "")
	}
	return fail("no whole answer%s in %v", prefixed(" that fits ", want.As), want.Within)
}

// take takes the next bytes that may be the answer. still: nothing has come for a
// while.
func (d *ByteDevice) take(length int, still bool, all *[]byte) (data []byte, ok bool) {
	switch {
	case d.framer != nil:
		var passed int
		before := d.got
		data, d.got, passed, ok = d.framer.next(d.got, still)
		*all = append(*all, before[:passed]...)
	case length > 0 && len(d.got) >= length:
		data, d.got, ok = bytes.Clone(d.got[:length]), d.got[length:], true
	}
	return data, ok
}

func prefixed(before, s string) string {
	if s == "" {
		return ""
	}
	return before + s
}

// hexed writes bytes for a message.
func hexed(b []byte) string {
	const most = 48
	if len(b) == 0 {
		return "nothing"
	}
	if len(b) > most {
		return fmt.Sprintf("% X ... (%d bytes)", b[:most], len(b))
	}
	return fmt.Sprintf("% X", b)
}

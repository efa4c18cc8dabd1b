package text

import (
	"context"
	"sync/atomic"
	"time"

	"fullthrow/drivers"
)

const (
	usualTime = 2 * time.Second
	// maxHeard is how much is read in one call.
	maxHeard = 256 << 10
	// settle is how long a device must be quiet after a question without an answer,
	// maxSettle how long that is waited for.
	settle    = 300 * time.Millisecond
	maxSettle = 2 * time.Second
	// safeTime is what making safe takes at most.
	safeTime = 400 * time.Millisecond
	// stood is how long the computer may stand still in a silence that is a result.
	stood = 30 * time.Millisecond
)

// wire is the port of a device, with what came through it.
type wire struct {
	name   string
	port   drivers.Port
	clock  drivers.Clock
	guard  drivers.Guard
	talk   drivers.Talk
	closed atomic.Bool
	unit   bool

	got   []byte // received, not yet taken
	heard int    // bytes, in this call
	stale bool   // the last question had no answer: it may still come
}

func newWire(name string, port drivers.Port, clock drivers.Clock, unit bool) *wire {
	return &wire{name: name, port: port, clock: clock, guard: drivers.NewGuard(clock), unit: unit}
}

func (w *wire) String() string      { return w.name }
func (w *wire) OfUnit() bool        { return w.unit }
func (w *wire) Talk() *drivers.Talk { return &w.talk }

// Close gives the port back.
func (w *wire) Close() error {
	w.closed.Store(true)
	return w.port.Close()
}

// hold is one call of the device.
func (w *wire) hold(ctx context.Context, op string, f func(ctx context.Context) error) error {
	if w.closed.Load() {
		return drivers.Errorf(w.name, op, drivers.Closed, "closed")
	}
	held, leave, err := w.guard.Hold(ctx)
	if err != nil {
		return drivers.Wrap(w.name, op, drivers.Ended(ctx, err))
	}
	defer leave()
	w.heard = 0
	return f(held)
}

func (w *wire) write(ctx context.Context, op string, data []byte) error {
	w.talk.Sent(w.clock.Now(), data)
	return drivers.Wrap(w.name, op, drivers.Ended(ctx, w.port.Write(ctx, data)))
}

// read adds what comes to what was received. more is false where nothing came in
// time.
func (w *wire) read(ctx context.Context, op string, timeout time.Duration) (more bool, err error) {
	if w.heard >= maxHeard {
		w.stale = true
		return false, drivers.Errorf(w.name, op, drivers.Garbled, "it talks without end: %d KiB, the last %s",
			w.heard>>10, quoted(w.got[max(0, len(w.got)-60):])).
			WithHint("Is that the right device, and its baud rate? Make it say less, or wait for what it does say.")
	}
	var buf [4096]byte
	n, err := w.port.Read(ctx, buf[:], timeout)
	if err = drivers.Ended(ctx, err); err != nil {
		if drivers.KindOf(err) == drivers.NoReply {
			return false, nil
		}
		return false, drivers.Wrap(w.name, op, err)
	}
	w.talk.Heard(w.clock.Now(), buf[:n])
	w.got = append(w.got, buf[:n]...)
	w.heard += n
	return true, nil
}

// quiet reads until nothing has come for a while, and hands over what came.
func (w *wire) quiet(ctx context.Context, op string, take func()) error {
	for end := drivers.Within(w.clock, maxSettle); !end.Passed(); {
		more, err := w.read(ctx, op, settle)
		if err != nil {
			return err
		}
		take()
		if !more {
			break
		}
	}
	w.stale = false
	return nil
}

// present reads what has come already.
func (w *wire) present(ctx context.Context, op string, take func()) error {
	for {
		more, err := w.read(ctx, op, 0)
		if err != nil || !more {
			return err
		}
		take()
	}
}

// ready proves that the port is there, and forgets what came through it.
func (w *wire) ready(ctx context.Context, op string) error {
	if err := context.Cause(ctx); err != nil {
		return drivers.Wrap(w.name, op, err)
	}
	if w.stale {
		if err := w.quiet(ctx, op, func() { w.got = nil }); err != nil {
			return err
		}
	}
	if err := w.port.Discard(); err != nil {
		return drivers.Wrap(w.name, op, err)
	}
	w.got, w.stale = nil, false
	return w.present(ctx, op, func() { w.got = nil }) // tells also that it is gone
}

// missing says whether an error is only that the unit's own port is not there, where
// its silence is a result: a unit that does not start has no port.
func (w *wire) missing(err error, want drivers.Awaited) bool {
	p, ok := w.port.(interface{ Absent() bool })
	return ok && w.unit && want.Silence && drivers.KindOf(err) == drivers.Gone && p.Absent()
}

// silent is what nothing at all means: a result where it may be one.
func (w *wire) silent(op string, want drivers.Awaited, began time.Time, to string) (drivers.Answer, error) {
	if want.Silence {
		if d := drivers.Stalled(w.clock, began, w.clock.Now()); d > stood {
			return drivers.Answer{}, drivers.LateError(w.name, op, "nothing came, but the computer stood still for %v",
				d.Round(time.Millisecond))
		}
		return drivers.Answer{}, nil
	}
	return drivers.Answer{}, drivers.Errorf(w.name, op, drivers.NoReply, "no reply in %v%s", want.Within, to).
		WithHint("Is it powered, and are baud rate and line end in the bench file its own? Its answer was waited for in " +
			"vain.")
}

// quoted writes bytes for a message.
func quoted(b []byte) string {
	const most = 120
	if len(b) > most {
		return `"` + drivers.Visible(b[:most]) + `"...`
	}
	return `"` + drivers.Visible(b) + `"`
}

package motion

import (
	"bytes"
	"context"
	"strings"
	"time"

	"fullthrow/drivers"
)

const (
	syncRounds = 3
	drainFor   = 5 * time.Second
	maxSkipped = 1000 // unsolicited lines while waiting for one reply
	maxLine    = 512
	safeReply  = 300 * time.Millisecond
	// lateMove is how much longer than others like it a movement may take: in a slow
	// one the output is compared with where the stick is, at 0.2 throws/s to 0.4 % of
	// a throw.
	lateMove = 20 * time.Millisecond
	// lateQuickMove is the same for one of up to quickMove: what is measured of those
	// is where they lead, and on the way that nothing leaves it, for which a
	// measurement knows how late a segment is (drivers.Segment.Takes).
	lateQuickMove = 60 * time.Millisecond
	quickMove     = 300 * time.Millisecond
	offHint       = "is the machine switched on, is the cable in, and is the baud rate right?"
	stopHint      = "the machine may still be moving: use the emergency stop"
)

// do holds the line for one call and gives its error the name and the verb.
func (m *Machine) do(ctx context.Context, op string, fn func(context.Context) error) error {
	held, leave, err := m.guard.Hold(ctx)
	if err != nil {
		return drivers.Wrap(m.name, op, drivers.Ended(ctx, err))
	}
	defer leave()
	ctx = held
	err = m.ready(ctx)
	if err == nil {
		err = fn(ctx)
	}
	if err = drivers.Ended(ctx, err); err != nil {
		switch drivers.KindOf(err) {
		case drivers.Refused, drivers.OutOfRange, drivers.Late:
		default:
			m.stale.Store(true)
		}
	}
	return drivers.Wrap(m.name, op, err)
}

// ready drops what nobody asked for. Where an acknowledgement may still be
// owed it waits until the line is quiet, asks for one and makes sure that no
// second follows.
func (m *Machine) ready(ctx context.Context) error {
	if !m.stale.Load() {
		return m.discard()
	}
	for range syncRounds {
		if err := m.drain(ctx); err != nil {
			return err
		}
		if err := m.say(ctx, m.model.Synchronise, m.model.HomeTimeout); err != nil {
			return err
		}
		if len(m.buf) > 0 {
			continue
		}
		switch err := m.fill(ctx, drivers.Within(m.clock, m.model.Settle)); {
		case err == nil:
			continue
		case drivers.KindOf(err) != drivers.NoReply:
			return err
		}
		m.stale.Store(false)
		return nil
	}
	return errorf(drivers.Garbled, "it acknowledges more than it was told")
}

func (m *Machine) discard() error {
	m.buf = m.buf[:0]
	return m.port.Discard()
}

func (m *Machine) drain(ctx context.Context) error {
	if err := m.discard(); err != nil {
		return err
	}
	for end := drivers.Within(m.clock, drainFor); !end.Passed(); {
		m.buf = m.buf[:0]
		if err := m.fill(ctx, drivers.Within(m.clock, m.model.Settle)); err != nil {
			if drivers.KindOf(err) == drivers.NoReply {
				return nil
			}
			return err
		}
	}
	return errorf(drivers.Garbled, "it does not stop sending")
}

// say sends a line and waits for its acknowledgement.
func (m *Machine) say(ctx context.Context, line string, timeout time.Duration) error {
	if err := m.send(ctx, line); err != nil {
		return err
	}
	return m.acknowledged(ctx, drivers.Within(m.clock, timeout))
}

func (m *Machine) send(ctx context.Context, line string) error {
	return drivers.Ended(ctx, m.port.Write(ctx, []byte(line+m.model.LineEnd)))
}

// acknowledged waits for "ok"; lines nobody asked for are passed over.
func (m *Machine) acknowledged(ctx context.Context, end drivers.TimeOut) error {
	for range maxSkipped {
		line, err := m.line(ctx, end)
		if err != nil {
			return err
		}
		switch k, text := m.model.parseReply(line); k {
		case acknowledged:
			return nil
		case failed:
			if text == "" {
				text = "no reason given"
			}
			return errorf(drivers.Refused, "the machine answers: error %.100s", text).WithHint(
				"error numbers are in the machine's manual")
		case unknown:
			return errorf(drivers.Garbled, "%.60q is no answer", line)
		}
	}
	return errorf(drivers.Garbled, "%d lines and no answer", maxSkipped)
}

// line reads up to the next NL.
func (m *Machine) line(ctx context.Context, end drivers.TimeOut) (string, error) {
	for {
		if i := bytes.IndexByte(m.buf, '\n'); i >= 0 {
			s := strings.TrimRight(string(m.buf[:i]), "\r")
			m.buf = append(m.buf[:0], m.buf[i+1:]...)
			return s, nil
		}
		if len(m.buf) > maxLine {
			return "", errorf(drivers.Garbled, "%d bytes without an end of line", len(m.buf))
		}
		if err := m.fill(ctx, end); err != nil {
			if drivers.KindOf(err) != drivers.NoReply {
				return "", err
			}
			if len(m.buf) > 0 {
				return "", errorf(drivers.Garbled, "only part of a reply: %.60q", m.buf)
			}
			return "", errorf(drivers.NoReply, "no reply in %v", end).WithHint(offHint)
		}
	}
}

func (m *Machine) fill(ctx context.Context, end drivers.TimeOut) error {
	var b [256]byte
	n, err := m.port.Read(ctx, b[:], end.Left())
	m.buf = append(m.buf, b[:n]...)
	return drivers.Ended(ctx, err)
}

// Safe stops the machine at once, whatever is under way and also under a
// cancelled context. If the call under way does not let go of the line, the
// stop is sent all the same and the error says that nothing confirms it.
func (m *Machine) Safe(ctx context.Context) error {
	const op = "stop"
	ctx = context.WithoutCancel(ctx)
	m.homed.Store(false)
	leave, entered := m.guard.Interrupt(ctx)
	defer leave()
	if !entered {
		m.stale.Store(true)
		if err := m.send(ctx, m.model.Stop); err != nil {
			return drivers.Wrap(m.name, op, err)
		}
		return drivers.Errorf(m.name, op, drivers.Busy,
			"sent, but another call holds the line and nothing confirms it").WithHint(stopHint)
	}
	m.homed.Store(false) // a homing that ended meanwhile
	owed := m.stale.Swap(true)
	err := m.discard()
	if err == nil {
		err = m.stopped(ctx, owed, drivers.Within(m.clock, safeReply))
	}
	if e, ok := drivers.Wrap(m.name, op, err).(*drivers.Error); ok {
		return e.WithHint(stopHint)
	}
	return nil
}

// stopped wants the stop acknowledged before end; where an older
// acknowledgement may be owed, one more.
func (m *Machine) stopped(ctx context.Context, owed bool, end drivers.TimeOut) error {
	if err := m.send(ctx, m.model.Stop); err != nil {
		return err
	}
	if err := m.acknowledged(ctx, end); err != nil || !owed {
		return err
	}
	if err := m.send(ctx, m.model.Synchronise); err != nil {
		return err
	}
	return m.acknowledged(ctx, end)
}

// errorf makes an error that do will give its name and verb.
func errorf(kind drivers.Kind, format string, args ...any) *drivers.Error {
	return drivers.Errorf("", "", kind, format, args...)
}

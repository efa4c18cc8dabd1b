package motion

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"strings"
	"time"

	"fullthrow/drivers"
)

const (
	syncRounds = 3
	drainFor   = 5 * time.Second
	maxSkipped = 1000 // unsolicited lines while waiting for one reply
	maxLine    = 512
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
		return m.glance(ctx)
	}
	m.count = count{}
	if m.model.Reset != "" { // it forgets what it owes
		m.homed.Store(false)
		if _, err := m.brake(ctx); err != nil {
			return err
		}
		m.stale.Store(false)
		return m.drain(ctx)
	}
	for range syncRounds {
		if err := m.drain(ctx); err != nil {
			return err
		}
		if err := m.say(ctx, m.probe(), m.model.HomeTimeout); err != nil && drivers.KindOf(err) != drivers.Refused {
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

// probe is a line that is acknowledged in every state.
func (m *Machine) probe() string { return cmp.Or(m.model.Probe, m.model.Synchronise) }

// glance passes over what came unasked, but for the word that all is different
// now: a controller that restarted knows nothing of before, one in alarm has
// stopped by itself.
func (m *Machine) glance(ctx context.Context) error {
	for {
		err := m.fill(ctx, drivers.Within(m.clock, 0))
		if err != nil && drivers.KindOf(err) != drivers.NoReply {
			return err
		}
		for {
			i := bytes.IndexByte(m.buf, '\n')
			if i < 0 {
				break
			}
			line := strings.TrimRight(string(m.buf[:i]), "\r")
			m.buf = append(m.buf[:0], m.buf[i+1:]...)
			switch k, text := m.model.parseReply(line); {
			case k == restarted:
				m.count.known = false
				if !m.homed.Swap(false) {
					continue
				}
				return restart(line)
			case k == alarmed && m.homed.Swap(false):
				return m.alarm(text)
			}
		}
		if err != nil || len(m.buf) > maxLine {
			return m.discard()
		}
	}
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
	if !m.model.Numbered {
		return m.plain(ctx, line)
	}
	if !m.count.known {
		if err := m.number(ctx, 0, m.model.SetNumber+" N0"); err != nil {
			return err
		}
		if err := m.acknowledged(ctx, drivers.Within(m.clock, m.model.Timeout)); err != nil {
			return err
		}
		m.count.known = true
	}
	return m.number(ctx, m.count.last+1, line)
}

// plain sends a line as it is.
func (m *Machine) plain(ctx context.Context, line string) error {
	return drivers.Ended(ctx, m.port.Write(ctx, []byte(line+m.model.LineEnd)))
}

// acknowledged waits for "ok"; lines nobody asked for are passed over. A machine
// that says that it is busy has more time, up to its HomeTimeout.
func (m *Machine) acknowledged(ctx context.Context, end drivers.TimeOut) error {
	return m.answered(ctx, end, nil)
}

// answered is acknowledged, with the lines before it that are not known given to
// said; nil: there may be none.
func (m *Machine) answered(ctx context.Context, end drivers.TimeOut, said func(line string)) error {
	var refused error
	most := drivers.Within(m.clock, m.model.HomeTimeout)
	for range maxSkipped {
		line, err := m.next(ctx, end)
		if err != nil {
			return err
		}
		switch k, text := m.model.parseReply(line); k {
		case acknowledged:
			return refused
		case failed:
			return m.refused(text)
		case refusal:
			refused = errorf(drivers.Refused, "the machine answers: %.100s", text).WithHint(
				"the model of the bench file does not fit this controller")
		case again:
			refused = errorf(drivers.Garbled, "the machine asks for a line again: %.60q", line).WithHint(wireHint)
		case busy:
			if more := drivers.Within(m.clock, m.model.Timeout).Sooner(most); more.Left() > end.Left() {
				end = more
			}
		case restarted:
			m.homed.Store(false)
			return restart(line)
		case alarmed:
			m.homed.Store(false)
			return m.alarm(text)
		case unknown:
			if said == nil && len(position(line)) > 0 {
				continue // some say where they stand when they are home
			}
			if said == nil {
				return errorf(drivers.Garbled, "%.60q is no answer", line)
			}
			said(line)
		}
	}
	return errorf(drivers.Garbled, "%d lines and no answer", maxSkipped)
}

// refused is the error of a line that the machine will not carry out.
func (m *Machine) refused(text string) error {
	if text == "" {
		text = "no reason given"
	}
	hint := "error numbers are in the machine's manual"
	if plain := m.model.Errors[text]; plain != "" {
		hint = plain
	}
	return errorf(drivers.Refused, "the machine answers: error %.100s", text).WithHint(hint)
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
// cancelled context, and proves that it stands: see Standstill. If the call under
// way does not let go of the line, the stop is sent all the same and the error
// says that nothing confirms it. Where the machine does not stop and an output
// cuts its power (see CutBy), it is cut.
func (m *Machine) Safe(ctx context.Context) error {
	const op = "stop"
	ctx = context.WithoutCancel(ctx)
	began := m.clock.Now()
	m.homed.Store(false)
	var cutErr error
	cut := func() bool {
		if m.cut == nil {
			return false
		}
		if cutErr = m.cut(ctx); cutErr != nil {
			return false
		}
		m.stood.Store(&drivers.Standstill{After: m.clock.Now().Sub(began), Known: true, Cut: m.cutBy})
		return true
	}
	m.stood.Store(&drivers.Standstill{})
	powerless := !m.model.Stops() && cut()
	leave, entered := m.guard.Interrupt(ctx)
	defer leave()
	if !entered {
		m.stale.Store(true)
		err := m.shout(ctx)
		if powerless || cut() {
			return nil
		}
		if err != nil {
			return drivers.Wrap(m.name, op, err)
		}
		return drivers.Errorf(m.name, op, drivers.Busy,
			"sent, but another call holds the line and nothing confirms it").WithHint(stopHint)
	}
	m.homed.Store(false) // a homing that ended meanwhile
	m.count = count{}    // nothing is sent again
	owed := m.stale.Swap(true)
	if powerless {
		return nil
	}
	err := m.discard()
	var after time.Duration
	if err == nil {
		after, err = m.halt(ctx, owed)
		// What this computer stood still itself does not count.
		if own := drivers.Stalled(m.clock, began, m.clock.Now()); err == nil && after-own > m.model.StopTime {
			err = errorf(drivers.Fault, "it stood still only after %v, and may take %v", after.Round(time.Millisecond),
				m.model.StopTime)
		}
	}
	if err == nil {
		m.stood.Store(&drivers.Standstill{After: after, Known: true})
		m.stale.Store(m.model.Reset == "") // after a reset it owes nothing
		return nil
	}
	if cut() {
		return nil
	}
	e, _ := drivers.Wrap(m.name, op, err).(*drivers.Error)
	switch {
	case cutErr != nil:
		return e.WithHint("its power could not be cut either (" + cutErr.Error() + "): use the emergency stop")
	case !m.model.Stops():
		return e.WithHint("nothing stops this controller but its power: " + stopHint)
	case m.waits.Load():
		return e.WithHint("this controller ends its movements before it heeds a stop: " + stopHint)
	}
	return e.WithHint(stopHint)
}

// shout sends the stop and waits for nothing.
func (m *Machine) shout(ctx context.Context) error {
	switch {
	case m.model.Hold != "":
		return m.poke(ctx, m.model.Hold+m.model.Reset)
	case m.model.Stop != "":
		return m.plain(ctx, m.model.LineEnd+m.model.Stop) // half a line may stand before it
	}
	return nil
}

// halt stops the machine and returns after what time it was known to stand, no
// later than its StopTime.
func (m *Machine) halt(ctx context.Context, owed bool) (after time.Duration, err error) {
	if m.model.Hold != "" {
		return m.brake(ctx)
	}
	began := m.clock.Now()
	end := drivers.Within(m.clock, m.model.StopTime)
	if m.model.Stop != "" {
		stop := m.model.Stop
		if owed { // as may the end of a line that another program half sent
			stop = m.model.LineEnd + stop
		}
		if err := m.plain(ctx, stop); err != nil {
			return 0, err
		}
	}
	if m.model.Stop != "" && m.model.Where != "" {
		err = m.placed(ctx, end)
	} else {
		err = m.ended(ctx, owed, end)
	}
	if drivers.KindOf(err) == drivers.NoReply {
		e, _ := errors.AsType[*drivers.Error](err)
		err = errorf(drivers.NoReply, "not known to stand still: %w", e.Err)
	}
	return m.clock.Now().Sub(began), err
}

// placed wants to be told, after the end of all motion, where the machine stands:
// acknowledgements may be owed in any number, that line is not.
func (m *Machine) placed(ctx context.Context, end drivers.TimeOut) error {
	if err := m.plain(ctx, m.model.Synchronise+m.model.LineEnd+m.model.Where); err != nil {
		return err
	}
	for range maxSkipped {
		line, err := m.line(ctx, end)
		if err != nil {
			return err
		}
		switch k, text := m.model.parseReply(line); k {
		case failed:
			return m.refused(text)
		case unknown:
			if len(position(line)) == 0 {
				return errorf(drivers.Garbled, "not known to stand still: %.60q is no position", line)
			}
			return m.acknowledged(ctx, end)
		}
	}
	return errorf(drivers.Garbled, "%d lines and no answer", maxSkipped)
}

// ended wants the end of all motion acknowledged before end; where an older
// acknowledgement may be owed, once more.
func (m *Machine) ended(ctx context.Context, owed bool, end drivers.TimeOut) error {
	for range map[bool]int{true: 2, false: 1}[owed] {
		if err := m.plain(ctx, m.model.Synchronise); err != nil {
			return err
		}
		if err := m.acknowledged(ctx, end); err != nil {
			return err
		}
	}
	return nil
}

// errorf makes an error that do will give its name and verb.
func errorf(kind drivers.Kind, format string, args ...any) *drivers.Error {
	return drivers.Errorf("", "", kind, format, args...)
}

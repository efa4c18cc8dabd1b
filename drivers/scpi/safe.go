package scpi

import (
	"context"
	"errors"
	"time"

	"fullthrow/drivers"
)

// safeTurn is how long one output or channel of an instrument waits for the others
// of it that are being made safe.
func (m *Model) safeTurn() time.Duration { return min(max(2*time.Second, 2*m.safeTime()), mostSafe) }

const liveHint = "treat the fixture as live until it has been switched off"

// safe sends the settings one by one and wants each confirmed, whatever is
// under way: it ends the call that holds the line and those that wait for it;
// if that does not let go, or once one was not confirmed, it sends all the same
// and says so. It works under a cancelled context (that of a run being ended,
// say) and takes the
// row's safe time at most, and what the port needs to fail.
func (l *link) safe(ctx context.Context, name string, settings ...setting) error {
	const op = "make safe"
	var all []setting
	for _, s := range settings {
		if s.say != "" {
			all = append(all, s)
		}
	}
	if len(all) == 0 {
		return nil
	}
	ctx = context.WithoutCancel(ctx)
	leave, entered := l.guard.Interrupt(ctx)
	defer leave()
	if !entered {
		l.stale.Store(true)
		if err := l.endLine(ctx); err != nil {
			return drivers.Wrap(name, op, err)
		}
		for _, s := range all {
			if err := l.sendAll(ctx, s.say); err != nil {
				return drivers.Wrap(name, op, err)
			}
		}
		// Others of the same instrument are being made safe, an output each: off
		// at once, confirmed when it is this one's turn.
		if done, entered := l.guard.FollowInterrupts(ctx, l.model.safeTurn()); entered {
			defer done()
			return drivers.Wrap(name, op, l.confirmAll(ctx, all))
		}
		return drivers.Errorf(name, op, drivers.Busy, "sent, but another call holds the line and nothing confirms it").
			WithHint(liveHint)
	}
	return drivers.Wrap(name, op, l.confirmAll(ctx, all))
}

// endLine ends what a program that is gone, or a call that was ended, may have left
// half sent, so that what follows is no part of it. An empty message is none (IEEE
// 488.2-1992, 7.3.1.1); what it makes of the half, the words that follow outdo.
func (l *link) endLine(ctx context.Context) error {
	return drivers.Ended(ctx, l.port.Write(ctx, []byte(l.model.LineEnd)))
}

// confirmAll sends settings and wants each confirmed; once one was not, the
// others are sent all the same.
func (l *link) confirmAll(ctx context.Context, all []setting) (failed error) {
	end := drivers.Within(l.clock, l.model.safeTime())
	if l.stale.Load() {
		failed = l.endLine(ctx)
	}
	for _, s := range all {
		if failed != nil {
			_ = l.sendAll(ctx, s.say) // what failed is said already
			continue
		}
		if failed = l.confirm(ctx, s, end); failed != nil {
			l.stale.Store(true)
		}
	}
	return failed
}

// confirm sends a setting and wants its confirmation before end, without first
// bringing the line into step: an empty error queue, and the state asked back.
// Where the instrument may owe answers, one to *IDN? shows that the entry before it was the
// word's own; and as entries may have been in the queue before, a refusal is only
// believed the second time.
func (l *link) confirm(ctx context.Context, s setting, end drivers.TimeOut) error {
	if err := l.discard(); err != nil {
		return err
	}
	m, w := &l.model, &l.model.Words
	if w.Error == "" {
		return l.confirmState(ctx, s, end)
	}
	var answer string
	var last InstrumentError
	until := func(wanted func(line string, entry bool) bool) error {
		wait := drivers.Within(l.clock, m.Timeout).Sooner(end)
		passed := ""
		for n := range maxPassed {
			line, err := l.line(ctx, wait)
			if drivers.KindOf(err) == drivers.NoReply && n > 0 {
				return errorf(drivers.Garbled, "%s, which confirms nothing", got(passed))
			}
			if err != nil {
				return err
			}
			a, e, ok := m.splitReply(line)
			if ok {
				answer, last = a, e
			}
			if line != "" && wanted(line, ok) {
				return nil
			}
			passed = line
		}
		return errorf(drivers.Garbled, "it does not stop sending")
	}
	anEntry := func(_ string, entry bool) bool { return entry }
	asked := s.ask != "" && m.joined()
	text := w.Error
	switch {
	case asked:
		text = s.say + ";:" + s.ask + ";:" + text
	case m.Compound != Single:
		text = s.say + ";:" + text
	}
	try := func() (wrong, err error) {
		if m.Compound == Single {
			if err := l.sendAll(ctx, s.say); err != nil {
				return nil, err
			}
		}
		if err := l.send(ctx, text); err != nil {
			return nil, err
		}
		if err := until(anEntry); err != nil {
			return nil, err
		}
		if l.stale.Load() && w.Identity != "" {
			if err := l.send(ctx, w.Identity); err != nil {
				return nil, err
			}
			if err := until(func(line string, _ bool) bool { return m.isIdentity(line) }); err != nil {
				return nil, err
			}
		}
		refusal := last
		for i := 0; i < maxEntries && last.Number != 0; i++ {
			if err := l.send(ctx, w.Error); err != nil {
				return nil, err
			}
			if err := until(anEntry); err != nil {
				return nil, err
			}
		}
		switch {
		case refusal.Number != 0:
			return refused(&QueueError{Entries: []InstrumentError{refusal}}), nil
		case s.ask == "":
			return nil, nil
		case !asked:
			if err := l.send(ctx, s.ask); err != nil {
				return nil, err
			}
			line, err := l.line(ctx, drivers.Within(l.clock, m.Timeout).Sooner(end))
			if err != nil {
				return nil, err
			}
			answer = line
		}
		return live(s.compare(answer)), nil
	}
	wrong, err := try()
	if wrong == nil || err != nil {
		return err
	}
	again, err := try()
	if err != nil {
		return wrong // there was no time for more
	}
	return again
}

// live gives an error the hint for what may still be on.
func live(err error) error {
	if e := (*drivers.Error)(nil); errors.As(err, &e) {
		return e.WithHint(liveHint)
	}
	return err
}

// confirmState is confirm for an instrument without error queue: only its state
// says that a word was carried out. Where answers may be owed, those before the
// identity are passed over; the last answer is the one that counts.
func (l *link) confirmState(ctx context.Context, s setting, end drivers.TimeOut) error {
	m := &l.model
	if err := l.sendAll(ctx, s.say); err != nil || s.ask == "" {
		return err
	}
	wait := func() drivers.TimeOut { return drivers.Within(l.clock, m.Timeout).Sooner(end) }
	if l.stale.Load() && m.Words.Identity == "" { // nothing but time tells an answer that is owed
		if err := l.drain(ctx, m.Settle, m.Settle); err != nil {
			return err
		}
	}
	if l.stale.Load() && m.Words.Identity != "" {
		if err := l.send(ctx, m.Words.Identity); err != nil {
			return err
		}
		passed, until := "", wait()
		for n := 0; ; n++ {
			line, err := l.line(ctx, until)
			switch {
			case n > maxPassed:
				return errorf(drivers.Garbled, "it does not stop sending")
			case drivers.KindOf(err) == drivers.NoReply && n > 0:
				return errorf(drivers.Garbled, "%s, which confirms nothing", got(passed))
			case err != nil:
				return err
			}
			if m.isIdentity(line) {
				break
			}
			passed = line
		}
	}
	if err := l.send(ctx, s.ask); err != nil {
		return err
	}
	line, err := l.line(ctx, wait())
	if err != nil {
		return err
	}
	return live(s.compare(line))
}

package scpi

import (
	"context"
	"errors"
	"time"

	"fullthrow/drivers"
)

// safeReply is how long the instrument has to confirm, all words together.
const safeReply = 300 * time.Millisecond

// safeTurn is how long one output of an instrument waits for the others of it
// that are being made safe.
const safeTurn = 2 * time.Second

const liveHint = "treat the fixture as live until it has been switched off"

// safe sends the settings one by one and wants each confirmed, whatever is
// under way: it ends the call that holds the line and those that wait for it;
// if that does not let go, or once one was not confirmed, it sends all the same
// and says so. It works under a cancelled context (that of a run being ended,
// say) and takes about half a second at most, and what the port needs to fail.
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
		for _, s := range all {
			if err := l.send(ctx, s.say); err != nil {
				return drivers.Wrap(name, op, err)
			}
		}
		// Others of the same instrument are being made safe, an output each: off
		// at once, confirmed when it is this one's turn.
		if done, entered := l.guard.FollowInterrupts(ctx, safeTurn); entered {
			defer done()
			return drivers.Wrap(name, op, l.confirmAll(ctx, all))
		}
		return drivers.Errorf(name, op, drivers.Busy, "sent, but another call holds the line and nothing confirms it").
			WithHint(liveHint)
	}
	return drivers.Wrap(name, op, l.confirmAll(ctx, all))
}

// confirmAll sends settings and wants each confirmed; once one was not, the
// others are sent all the same.
func (l *link) confirmAll(ctx context.Context, all []setting) (failed error) {
	end := drivers.Within(l.clock, safeReply)
	for _, s := range all {
		if failed != nil {
			_ = l.send(ctx, s.say) // what failed is said already
			continue
		}
		if failed = l.confirm(ctx, s, end); failed != nil {
			l.stale.Store(true)
		}
	}
	return failed
}

// confirm sends a setting and wants its confirmation before end, without first
// bringing the line into step: an empty error queue and, where answers come
// joined and cost nothing, the state asked back. Where the instrument may owe
// answers, one to *IDN? shows that the entry before it was the word's own; and
// as entries may have been in the queue before, a refusal is only believed the
// second time.
func (l *link) confirm(ctx context.Context, s setting, end drivers.TimeOut) error {
	if err := l.discard(); err != nil {
		return err
	}
	var answer string
	var last InstrumentError
	until := func(wanted func(line string, entry bool) bool) error {
		for range maxPassed {
			line, err := l.line(ctx, end)
			if err != nil {
				return err
			}
			a, e, ok := splitReply(line)
			if ok {
				answer, last = a, e
			}
			if line != "" && wanted(line, ok) {
				return nil
			}
		}
		return errorf(drivers.Garbled, "it does not stop sending")
	}
	anEntry := func(_ string, entry bool) bool { return entry }
	text := s.say + ";:"
	asked := s.ask != "" && l.model.Joined
	if asked {
		text += s.ask + ";:"
	}
	text += l.model.Words.Error
	var wrong error
	for range 2 {
		if err := l.send(ctx, text); err != nil {
			return err
		}
		if err := until(anEntry); err != nil {
			return err
		}
		if l.stale.Load() {
			if err := l.send(ctx, l.model.Words.Identity); err != nil {
				return err
			}
			if err := until(func(line string, _ bool) bool { return isIdentity(line) }); err != nil {
				return err
			}
		}
		if last.Number == 0 {
			if !asked {
				return nil
			}
			if wrong = s.compare(answer); wrong == nil {
				return nil
			}
			if e := (*drivers.Error)(nil); errors.As(wrong, &e) {
				wrong = e.WithHint(liveHint)
			}
			continue
		}
		refusal := last
		for i := 0; i < maxEntries && last.Number != 0; i++ {
			if err := l.send(ctx, l.model.Words.Error); err != nil {
				return err
			}
			if err := until(anEntry); err != nil {
				return err
			}
		}
		wrong = refused(&QueueError{Entries: []InstrumentError{refusal}})
	}
	return wrong
}

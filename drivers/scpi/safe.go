package scpi

import (
	"context"
	"time"

	"fullthrow/drivers"
)

const (
	safeTurn  = 50 * time.Millisecond // wait for the call under way to end, three times
	safeReply = 300 * time.Millisecond
)

// safe sends the words one by one and wants each confirmed, whatever is under
// way: it ends the call that holds the line and those that wait for it; if that does not let go, it sends
// all the same and says that nothing confirms it. It works under a cancelled
// context (that of a run being ended, say) and takes about half a second at
// most, and what the port needs to fail.
func (l *link) safe(ctx context.Context, name string, words ...string) error {
	const op = "make safe"
	var send []string
	for _, w := range words {
		if w != "" {
			send = append(send, w)
		}
	}
	if len(send) == 0 {
		return nil
	}
	ctx = context.WithoutCancel(ctx)
	l.safing.Add(1)
	defer l.safing.Add(-1)
	if !l.interrupt(ctx) {
		l.stale.Store(true)
		for _, w := range send {
			if err := l.send(ctx, w); err != nil {
				return drivers.Wrap(name, op, err)
			}
		}
		return drivers.Errorf(name, op, drivers.Busy, "sent, but another call holds the line and nothing confirms it").
			WithHint("treat the fixture as live until it has been switched off")
	}
	defer l.guard.Leave()
	end := l.clock.Now().Add(safeReply)
	for _, w := range send {
		if err := l.confirm(ctx, w, end); err != nil {
			l.stale.Store(true)
			return drivers.Wrap(name, op, err)
		}
	}
	return nil
}

// interrupt ends the call under way and takes the guard.
func (l *link) interrupt(ctx context.Context) bool {
	for range 3 {
		if stop := l.stop.Load(); stop != nil {
			(*stop)(errSafe)
		}
		try, cancel := context.WithCancel(ctx)
		var err error
		l.clock.Together(try,
			func(ctx context.Context) { err = l.guard.Enter(ctx); cancel() },
			func(ctx context.Context) { _ = l.clock.Sleep(ctx, safeTurn); cancel() })
		if err == nil {
			return true
		}
	}
	return false
}

// confirm sends a word and wants its confirmation before end, without first
// bringing the line into step. Where the instrument may owe answers, one to
// *IDN? shows that the entry before it was the word's own; and as entries may
// have been in the queue before, a refusal is only believed the second time.
func (l *link) confirm(ctx context.Context, word string, end time.Time) error {
	if err := l.discard(); err != nil {
		return err
	}
	var last InstrumentError
	until := func(wanted func(string, bool) bool) error {
		for range maxPassed {
			line, err := l.line(ctx, end)
			if err != nil {
				return err
			}
			e, ok := parseEntry(line)
			if ok {
				last = e
			}
			if line != "" && wanted(line, ok) {
				return nil
			}
		}
		return errorf(drivers.Garbled, "it does not stop sending")
	}
	anEntry := func(_ string, entry bool) bool { return entry }
	for range 2 {
		if err := l.send(ctx, word+";:"+l.model.Words.Error); err != nil {
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
			return nil
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
		last = refusal
	}
	return refused(&QueueError{Entries: []InstrumentError{last}})
}

package drivertest

import (
	"context"
	"errors"
	"sync"
	"time"

	"fullthrow/drivers"
)

// errWake ends the sleep of a waiting read because something has changed.
var errWake = errors.New("woken")

// chunk is bytes that arrive at a moment.
type chunk struct {
	at   time.Time
	data []byte
	line int // of the transcript; 0 elsewhere
}

// inbox is the receiving half of every port of this package: bytes with the
// time they arrive, a reader that waits for them on a clock. No lock is held
// while waiting.
type inbox struct {
	name  string
	clock drivers.Clock

	mu      sync.Mutex
	queue   []chunk // in order of arrival
	gone    bool    // once the queue is read empty, Gone
	goneAt  time.Time
	closed  bool
	fault   error // sticky: returned instead of waiting
	wake    map[*context.CancelCauseFunc]bool
	changes int // grows with everything that may end a wait
}

func newInbox(name string, clock drivers.Clock) *inbox {
	return &inbox{name: name, clock: clock, wake: map[*context.CancelCauseFunc]bool{}}
}

// put adds bytes that arrive after delay, never before those already queued.
func (b *inbox) put(delay time.Duration, line int, data []byte) {
	if len(data) == 0 {
		return
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	at := b.clock.Now().Add(delay)
	if n := len(b.queue); n > 0 && b.queue[n-1].at.After(at) {
		at = b.queue[n-1].at
	}
	b.queue = append(b.queue, chunk{at, append([]byte(nil), data...), line})
	b.wakeAll()
}

// unplug makes the port Gone after delay; what arrived before can be read.
func (b *inbox) unplug(delay time.Duration) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.gone {
		return
	}
	b.gone, b.goneAt = true, b.clock.Now().Add(delay)
	if n := len(b.queue); n > 0 && b.queue[n-1].at.After(b.goneAt) {
		b.goneAt = b.queue[n-1].at
	}
	b.wakeAll()
}

func (b *inbox) close() {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.closed = true
	b.wakeAll()
}

func (b *inbox) wakeAll() {
	b.changes++
	for w := range b.wake {
		(*w)(errWake)
	}
}

// state is the error that stands in the way of any use, nil if none.
func (b *inbox) state(op string) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	switch {
	case b.closed:
		return drivers.Errorf(b.name, op, drivers.Closed, "port closed")
	case b.fault != nil:
		return b.fault
	case b.gone && !b.goneAt.After(b.clock.Now()):
		return drivers.Errorf(b.name, op, drivers.Gone, "unplugged")
	}
	return nil
}

func (b *inbox) discard() error {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.closed {
		return drivers.Errorf(b.name, "discard", drivers.Closed, "port closed")
	}
	now := b.clock.Now()
	for len(b.queue) > 0 && !b.queue[0].at.After(now) {
		b.queue = b.queue[1:]
	}
	return nil
}

// take copies what has arrived by now into p.
func (b *inbox) take(now time.Time, p []byte) (n int) {
	for n < len(p) && len(b.queue) > 0 && !b.queue[0].at.After(now) {
		c := &b.queue[0]
		m := copy(p[n:], c.data)
		n += m
		c.data = c.data[m:]
		if len(c.data) == 0 {
			b.queue = b.queue[1:]
		}
	}
	return n
}

// read is Port.Read.
func (b *inbox) read(ctx context.Context, p []byte, timeout time.Duration) (int, error) {
	const op = "read"
	if len(p) == 0 {
		return 0, drivers.Errorf(b.name, op, drivers.OutOfRange, "no room for a byte")
	}
	end := b.clock.Now().Add(timeout)
	for {
		if err := context.Cause(ctx); err != nil {
			return 0, drivers.Wrap(b.name, op, err)
		}
		b.mu.Lock()
		now := b.clock.Now()
		if b.closed {
			b.mu.Unlock()
			return 0, drivers.Errorf(b.name, op, drivers.Closed, "port closed")
		}
		if b.fault != nil {
			b.mu.Unlock()
			return 0, b.fault
		}
		if n := b.take(now, p); n > 0 {
			b.mu.Unlock()
			return n, nil
		}
		if b.gone && !b.goneAt.After(now) {
			b.mu.Unlock()
			return 0, drivers.Errorf(b.name, op, drivers.Gone, "unplugged")
		}
		if !now.Before(end) {
			b.mu.Unlock()
			return 0, drivers.Errorf(b.name, op, drivers.NoReply, "no reply in %v", timeout)
		}
		until := end
		if len(b.queue) > 0 && b.queue[0].at.Before(until) {
			until = b.queue[0].at
		}
		if b.gone && b.goneAt.Before(until) {
			until = b.goneAt
		}
		seen := b.changes
		b.mu.Unlock()
		if err := b.sleep(ctx, seen, until.Sub(now)); err != nil {
			return 0, drivers.Wrap(b.name, op, err)
		}
	}
}

// sleep waits for d, or less if anything changes meanwhile. A change between
// the caller's look (seen) and the sleep is not lost.
func (b *inbox) sleep(ctx context.Context, seen int, d time.Duration) error {
	wait, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	b.mu.Lock()
	if b.changes != seen {
		b.mu.Unlock()
		return nil
	}
	b.wake[&cancel] = true
	b.mu.Unlock()
	err := b.clock.Sleep(wait, d)
	b.mu.Lock()
	delete(b.wake, &cancel)
	b.mu.Unlock()
	if errors.Is(err, errWake) {
		return nil
	}
	return err
}

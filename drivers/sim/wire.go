package sim

import (
	"context"
	"fmt"
	"time"

	"fullthrow/drivers"
)

// machine is the far end of a wire. All its methods are called with the
// bench's lock held.
type machine interface {
	// receive takes bytes from the host.
	receive(t time.Duration, p []byte)
	// next is when there will be something to take; false: nothing is under
	// way.
	next() (time.Duration, bool)
	// take appends to buf what is due at t and returns it.
	take(buf []byte, t time.Duration) []byte
	// drop forgets what is due at t.
	drop(t time.Duration)
	// setStuck makes it acknowledge everything and change nothing.
	setStuck(stuck bool)
}

// Fault is a way in which a device of the bench fails.
type Fault string

// The faults.
const (
	Mended  Fault = ""        // none: mended
	Silent  Fault = "silent"  // takes nothing, says nothing
	Garbled Fault = "garbled" // every reply is damaged
	Partial Fault = "partial" // every reply breaks off in the middle
	Gone    Fault = "gone"    // unplugged, also in the middle of a read
	Slow    Fault = "slow"    // replies come SlowBy late
	Stuck   Fault = "stuck"   // acknowledges everything and does nothing; captures repeat one value
)

// SlowBy is how late a slow device replies.
const SlowBy = 5 * time.Second

// wire joins a machine and the port at the host's end.
type wire struct {
	bench   *Bench
	role    string
	machine machine
	user    *port
	fault   Fault
	later   struct { // a fault still to come
		set   bool
		at    time.Duration
		fault Fault
	}
	inbox   []byte        // taken from the machine, not yet read
	scratch []byte        // one reply, before a fault is applied
	changed chan struct{} // capacity 1: look again (real time)
}

func newWire(b *Bench, role string, m machine) *wire {
	return &wire{bench: b, role: role, machine: m, changed: make(chan struct{}, 1)}
}

func (w *wire) wake() {
	select {
	case w.changed <- struct{}{}:
	default:
	}
}

// Break gives the device of a role a fault from now on; Mended takes it away.
func (b *Bench) Break(role string, fault Fault) error { return b.BreakAt(b.clock.Now(), role, fault) }

// BreakAt is Break at a moment of the bench's clock.
func (b *Bench) BreakAt(t time.Time, role string, fault Fault) error {
	w := b.wires[role]
	if w == nil {
		return fmt.Errorf("no wire %q on the simulated bench (wires: %v)", role, b.Wires())
	}
	switch fault {
	case Mended, Silent, Garbled, Partial, Gone, Slow, Stuck:
	default:
		return fmt.Errorf("no fault %q", fault)
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	w.later.set, w.later.at, w.later.fault = true, t.Sub(b.epoch), fault
	w.settle(b.now())
	b.wake()
	return nil
}

// settle lets a fault come whose time has come.
func (w *wire) settle(t time.Duration) {
	if w.later.set && t >= w.later.at {
		w.later.set, w.fault = false, w.later.fault
		w.machine.setStuck(w.fault == Stuck)
	}
}

// fetch brings what is due into the inbox.
func (w *wire) fetch(t time.Duration) {
	due := t
	if w.fault == Slow {
		due -= SlowBy
	}
	for {
		at, ok := w.machine.next()
		if !ok || at > due {
			return
		}
		if w.fault == Mended || w.fault == Slow || w.fault == Stuck {
			w.inbox = w.machine.take(w.inbox, due)
			continue
		}
		w.scratch = w.machine.take(w.scratch[:0], at)
		switch w.fault {
		case Garbled:
			for _, c := range w.scratch {
				if c != '\n' {
					c ^= 0xa5
				}
				w.inbox = append(w.inbox, c)
			}
		case Partial:
			w.inbox = append(w.inbox, w.scratch[:len(w.scratch)/2]...)
		}
	}
}

// wait is when a reader has to look again.
func (w *wire) wait() (time.Duration, bool) {
	at, ok := w.machine.next()
	if w.fault == Silent || w.fault == Gone {
		ok = false
	}
	if w.fault == Slow {
		at += SlowBy
	}
	if w.later.set && (!ok || w.later.at < at) {
		at, ok = w.later.at, true
	}
	return at, ok
}

// port is the host's end of a wire.
type port struct {
	wire   *wire
	closed chan struct{} // closed by Close
	ended  bool          // the same, under the bench's lock
}

var _ drivers.Port = (*port)(nil)

func (p *port) String() string { return "sim " + p.wire.role }

// Checked: no byte is ever damaged on the way.
func (p *port) Checked() bool { return true }

func (p *port) fail(op string, kind drivers.Kind, format string, args ...any) *drivers.Error {
	return drivers.Errorf(p.String(), op, kind, format, args...)
}

func (p *port) check(op string, t time.Duration) error {
	if p.ended {
		return p.fail(op, drivers.Closed, "port is closed")
	}
	p.wire.settle(t)
	if p.wire.fault == Gone {
		return p.fail(op, drivers.Gone, "unplugged").WithHint("plug the cable in again")
	}
	return nil
}

// Write sends p to the machine at the present moment.
func (p *port) Write(ctx context.Context, data []byte) error {
	if ctx.Err() != nil {
		return context.Cause(ctx)
	}
	b := p.wire.bench
	b.mu.Lock()
	defer b.mu.Unlock()
	t := b.now()
	if err := p.check("write", t); err != nil {
		return err
	}
	if p.wire.fault != Silent {
		p.wire.machine.receive(b.holds.later(t), data)
	}
	if !b.virtual {
		p.wire.wake()
	}
	return nil
}

// look is the longest a reader on the virtual clock waits before it looks
// again at what others may have changed.
const look = 100 * time.Millisecond

// Read waits for the next reply of the machine.
func (p *port) Read(ctx context.Context, buf []byte, timeout time.Duration) (int, error) {
	b, w := p.wire.bench, p.wire
	var end time.Duration
	for first := true; ; first = false {
		if ctx.Err() != nil {
			return 0, context.Cause(ctx)
		}
		b.mu.Lock()
		t := b.now()
		if first {
			end = t + max(0, timeout)
		}
		err := p.check("read", t)
		n := 0
		held := b.holds.later(t)
		if err == nil && held == t {
			w.fetch(t)
		}
		if err == nil {
			n = copy(buf, w.inbox)
			w.inbox = w.inbox[:copy(w.inbox, w.inbox[n:])]
		}
		until, ok := w.wait()
		until = max(b.holds.later(until), held)
		b.mu.Unlock()
		switch {
		case err != nil:
			return 0, err
		case n > 0:
			return n, nil
		case len(buf) == 0:
			return 0, p.fail("read", drivers.Fault, "no room to read into")
		case t >= end:
			return 0, p.fail("read", drivers.NoReply, "no reply in %v", max(0, timeout))
		}
		if !ok || until > end {
			until = end
		}
		if err := p.sleep(ctx, until-t); err != nil {
			return 0, err
		}
	}
}

// sleep waits until something may have changed, at most d.
func (p *port) sleep(ctx context.Context, d time.Duration) error {
	b := p.wire.bench
	if b.virtual {
		return b.clock.Sleep(ctx, max(1, min(d, look)))
	}
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-timer.C:
	case <-p.wire.changed:
	case <-p.closed:
	case <-ctx.Done():
		return context.Cause(ctx)
	}
	return nil
}

// Discard drops what is due at the present moment.
func (p *port) Discard() error {
	b := p.wire.bench
	b.mu.Lock()
	defer b.mu.Unlock()
	t := b.now()
	if err := p.check("discard", t); err != nil {
		return err
	}
	p.wire.inbox = p.wire.inbox[:0]
	if p.wire.fault == Slow {
		t -= SlowBy
	}
	if x, held := b.holds.at(int64(t)); held {
		t = time.Duration(x[0]) // the rest is still to come through
	}
	p.wire.machine.drop(t)
	return nil
}

// Close frees the wire for the next user.
func (p *port) Close() error {
	b := p.wire.bench
	b.mu.Lock()
	defer b.mu.Unlock()
	if !p.ended {
		p.ended = true
		close(p.closed)
		p.wire.user = nil
		p.wire.inbox = p.wire.inbox[:0]
	}
	return nil
}

// queue holds the replies of a machine that speaks when spoken to.
type queue struct {
	replies []reply
}

// reply is something to be said at a moment.
type reply struct {
	due  time.Duration
	data []byte
	make func() []byte // instead of data: computed when it is read
	kind int           // what it belongs to, for remove
}

// add puts r behind the others: replies keep their order.
func (q *queue) add(r reply) {
	if n := len(q.replies); n > 0 {
		r.due = max(r.due, q.replies[n-1].due)
	}
	q.replies = append(q.replies, r)
}

func (q *queue) next() (time.Duration, bool) {
	if len(q.replies) == 0 {
		return 0, false
	}
	return q.replies[0].due, true
}

func (q *queue) take(buf []byte, t time.Duration) []byte {
	for len(q.replies) > 0 && q.replies[0].due <= t {
		r := q.replies[0]
		if r.make != nil {
			r.data = r.make()
		}
		buf = append(buf, r.data...)
		q.shift()
	}
	return buf
}

func (q *queue) drop(t time.Duration) {
	for len(q.replies) > 0 && q.replies[0].due <= t {
		q.shift()
	}
}

func (q *queue) shift() {
	n := copy(q.replies, q.replies[1:])
	q.replies[n] = reply{}
	q.replies = q.replies[:n]
}

// remove takes back the replies of a kind that were not given yet.
func (q *queue) remove(kind int) {
	kept := q.replies[:0]
	for _, r := range q.replies {
		if r.kind != kind {
			kept = append(kept, r)
		}
	}
	clear(q.replies[len(kept):])
	q.replies = kept
}

package drivertest

import (
	"bytes"
	"context"
	"fmt"
	"sync"
	"time"

	"fullthrow/drivers"
)

// stuckFor is how long a write waits before a port says that it cannot be sent.
const stuckFor = time.Second

// Playback is a port at whose other end a [Transcript] answers. The first byte
// the driver sends that the transcript has not makes this and every later call
// fail, and is told again by Close and Done.
type Playback struct {
	tr *Transcript
	in *inbox

	mu      sync.Mutex
	pos     int // step that comes next: a '>' or the end
	sent    int // bytes of it already sent
	ended   Fault
	endedAt int
	diff    error
	closed  bool
	verdict error // of Done, kept at Close
}

var _ drivers.Port = (*Playback)(nil)

// NewPlayback returns a port that replays tr; replies that take time take it on
// the clock. What the device says before it is asked is there at once.
func NewPlayback(tr *Transcript, clock drivers.Clock) *Playback {
	p := &Playback{tr: tr, in: newInbox(tr.Name, clock)}
	p.pump()
	return p
}

// pump queues everything the device says up to the next '>'.
func (p *Playback) pump() {
	var delay, gap time.Duration
	var next Fault
	for ; p.pos < len(p.tr.Steps); p.pos++ {
		s := p.tr.Steps[p.pos]
		switch s.Mark {
		case '>':
			return
		case '~':
			delay += s.Wait
		case '<':
			data := bytes.Clone(s.Bytes)
			switch next {
			case Garbled:
				garble(data)
			case Partial:
				p.in.put(delay, s.Line, data[:len(data)/2])
				p.ended, p.endedAt = Partial, s.Line
				return
			}
			next = ""
			if gap == 0 {
				p.in.put(delay, s.Line, data)
				continue
			}
			for i := range data {
				delay += gap
				p.in.put(delay, s.Line, data[i:i+1])
			}
		case '!':
			switch s.Fault {
			case Slow:
				gap = s.Wait
				if gap == 0 {
					gap = 5 * time.Millisecond
				}
			case Garbled, Partial:
				next = s.Fault
			default:
				p.ended, p.endedAt = s.Fault, s.Line
				if s.Fault == Gone {
					p.in.unplug(delay)
				}
				return
			}
		}
	}
}

// garble damages every byte so that no text and no checksum survives, but
// leaves a line its end: a wrong baud rate that still ends the line.
func garble(data []byte) {
	for i := range data {
		if i == len(data)-1 && data[i] == '\n' {
			break
		}
		data[i] ^= 0xA5
	}
}

func (p *Playback) String() string { return p.tr.Name }

// Checked: what was recorded comes as it was.
func (p *Playback) Checked() bool { return true }

// Write compares what the driver sends with the transcript.
func (p *Playback) Write(ctx context.Context, data []byte) error {
	if err := context.Cause(ctx); err != nil {
		return drivers.Wrap(p.tr.Name, "write", err)
	}
	if err := p.in.state("write"); err != nil {
		return err
	}
	p.mu.Lock()
	ended := p.ended
	p.mu.Unlock()
	switch ended {
	case Stuck:
		return p.stuck(ctx)
	case Silent, Partial, Gone: // Gone: only after a delay not yet over
		return nil
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	for len(data) > 0 {
		if p.pos >= len(p.tr.Steps) {
			return p.differ("%s: after the last line the driver sends %s", p.tr.Name, formatBytes(data))
		}
		s := p.tr.Steps[p.pos]
		want := s.Bytes[p.sent:]
		n := min(len(want), len(data))
		if !bytes.Equal(want[:n], data[:n]) {
			i := 0
			for want[i] == data[i] {
				i++
			}
			return p.differ("%s:%d: the driver sends %s, the transcript has %s (first difference at byte %d)",
				p.tr.Name, s.Line, formatBytes(data), formatBytes(s.Bytes), p.sent+i)
		}
		data = data[n:]
		p.sent += n
		if p.sent == len(s.Bytes) {
			p.pos, p.sent = p.pos+1, 0
			p.pump()
			if p.ended != "" {
				break // what more was in this write is lost with the rest
			}
		}
	}
	return nil
}

// stuck waits as a port does whose device takes no more bytes.
func (p *Playback) stuck(ctx context.Context) error {
	clock := p.in.clock
	for end := clock.Now().Add(stuckFor); clock.Now().Before(end); {
		p.in.mu.Lock()
		seen := p.in.changes
		p.in.mu.Unlock()
		if err := p.in.sleep(ctx, seen, end.Sub(clock.Now())); err != nil {
			return drivers.Wrap(p.tr.Name, "write", err)
		}
		if err := p.in.state("write"); err != nil {
			return err
		}
	}
	return drivers.Errorf(p.tr.Name, "write", drivers.NoReply, "not sent in %v", stuckFor)
}

// differ keeps the first difference and makes waiting reads fail with it.
func (p *Playback) differ(format string, args ...any) error {
	p.diff = drivers.Errorf(p.tr.Name, "write", drivers.Fault, format, args...)
	p.in.mu.Lock()
	p.in.fault = p.diff
	p.in.wakeAll()
	p.in.mu.Unlock()
	return p.diff
}

// Read returns what the device has said.
func (p *Playback) Read(ctx context.Context, b []byte, timeout time.Duration) (int, error) {
	return p.in.read(ctx, b, timeout)
}

// Discard drops what has arrived; it counts as asked for.
func (p *Playback) Discard() error { return p.in.discard() }

// Close returns what Done does: it complains of steps never reached.
func (p *Playback) Close() error {
	err := p.Done()
	p.mu.Lock()
	if !p.closed {
		p.closed, p.verdict = true, err
	}
	err = p.verdict
	p.mu.Unlock()
	p.in.close()
	return err
}

// Done says whether the conversation was the one in the transcript, to its
// end: nil, the first difference, what the driver never sent, or the reply it
// never read. After a fault that lasts to the end, what was not read is no
// complaint.
func (p *Playback) Done() error {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.closed {
		return p.verdict
	}
	if p.diff != nil {
		return p.diff
	}
	if p.ended != "" {
		return nil
	}
	if p.pos < len(p.tr.Steps) {
		s := p.tr.Steps[p.pos]
		return fmt.Errorf("%s:%d: the driver never sent %s", p.tr.Name, s.Line, formatBytes(s.Bytes[p.sent:]))
	}
	p.in.mu.Lock()
	defer p.in.mu.Unlock()
	if len(p.in.queue) > 0 {
		c := p.in.queue[0]
		return fmt.Errorf("%s:%d: the driver never read %s", p.tr.Name, c.line, formatBytes(c.data))
	}
	return nil
}

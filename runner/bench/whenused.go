package bench

import (
	"context"
	"sync"
	"time"

	"fullthrow/drivers"
)

// whenUsed is what key open of a device says of a port that is there only while the
// unit has power: its own USB console.
const whenUsed = "when used"

const (
	// appears is how long a port is waited for that is not there: a unit starts, and
	// the computer finds its USB device.
	appears     = 5 * time.Second
	appearsPoll = 50 * time.Millisecond

	absentHint = "It is there only while the unit has power: is the unit switched on, and does it start?"
)

// lazyPort is a port that is opened when it is used, and again when it has gone and
// come back.
type lazyPort struct {
	name    string
	clock   drivers.Clock
	checked bool
	open    func(context.Context) (drivers.Port, error)

	mu     sync.Mutex // of the fields below, never held while waiting
	port   drivers.Port
	absent bool // it was not there when it was last wanted
	closed bool
}

func (p *lazyPort) String() string { return p.name }

// Checked is as the port will be.
func (p *lazyPort) Checked() bool { return p.checked }

// Absent says whether it was not there when it was last wanted.
func (p *lazyPort) Absent() bool {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.absent
}

func (p *lazyPort) current(op string) (drivers.Port, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.closed {
		return nil, drivers.Errorf(p.name, op, drivers.Closed, "port closed")
	}
	return p.port, nil
}

// lose forgets a port that has gone.
func (p *lazyPort) lose(port drivers.Port) {
	p.mu.Lock()
	if p.port == port {
		p.port = nil
	}
	p.mu.Unlock()
	_ = port.Close()
}

// begin is the port, opened if need be; it is waited for so long.
func (p *lazyPort) begin(ctx context.Context, op string, patience time.Duration) (drivers.Port, error) {
	for end := drivers.Within(p.clock, patience); ; {
		port, err := p.current(op)
		if port != nil || err != nil {
			return port, err
		}
		port, err = p.open(ctx)
		p.mu.Lock()
		p.absent = err != nil
		if err == nil && p.closed {
			p.mu.Unlock()
			_ = port.Close()
			continue
		}
		if err == nil {
			p.port = port
		}
		p.mu.Unlock()
		kind := drivers.KindOf(err)
		switch {
		case err == nil:
			return port, nil
		case ctx.Err() != nil:
			return nil, drivers.Wrap(p.name, op, context.Cause(ctx))
		case kind != drivers.Gone && kind != drivers.NoReply:
			return nil, err
		case end.Passed():
			return nil, drivers.Errorf(p.name, op, drivers.Gone, "it is not there, after %v: %w", patience, err).
				WithHint(absentHint)
		}
		if err := p.clock.Sleep(ctx, min(appearsPoll, max(end.Left(), time.Millisecond))); err != nil {
			return nil, drivers.Wrap(p.name, op, err)
		}
	}
}

// Write opens the port if need be. What a port took that is no longer there, nobody
// has heard: it is sent again to the one that comes in its place.
func (p *lazyPort) Write(ctx context.Context, b []byte) error {
	old, err := p.current("write")
	if err != nil {
		return err
	}
	port, err := p.begin(ctx, "write", appears)
	if err != nil {
		return err
	}
	err = port.Write(ctx, b)
	if drivers.KindOf(err) != drivers.Gone {
		return err
	}
	p.lose(port)
	if old != port { // it went while it was told
		return err
	}
	if port, err = p.begin(ctx, "write", appears); err != nil {
		return err
	}
	return port.Write(ctx, b)
}

// Read opens the port if need be. Without patience a port that is not there has
// nothing to say.
func (p *lazyPort) Read(ctx context.Context, b []byte, timeout time.Duration) (int, error) {
	for end := drivers.Within(p.clock, timeout); ; {
		port, err := p.current("read")
		if err != nil {
			return 0, err
		}
		if port == nil && timeout <= 0 {
			return 0, drivers.Errorf(p.name, "read", drivers.NoReply, "it is not there")
		}
		if port, err = p.begin(ctx, "read", max(end.Left(), 0)); err != nil {
			return 0, err
		}
		n, err := port.Read(ctx, b, max(end.Left(), 0))
		if drivers.KindOf(err) != drivers.Gone {
			return n, err
		}
		p.lose(port)
	}
}

// Discard drops what a port that is there has received.
func (p *lazyPort) Discard() error {
	port, err := p.current("discard")
	if port == nil || err != nil {
		return err
	}
	if err = port.Discard(); drivers.KindOf(err) == drivers.Gone {
		p.lose(port)
		return nil
	}
	return err
}

// Close gives the port back.
func (p *lazyPort) Close() error {
	p.mu.Lock()
	port := p.port
	p.port, p.closed = nil, true
	p.mu.Unlock()
	if port == nil {
		return nil
	}
	return port.Close()
}

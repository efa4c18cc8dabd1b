// Package serialport is a drivers.Port over a serial port, built in or on USB.
//
// A port is named by its path or by the identity of its USB adapter (vendor,
// product, serial number), which stays the same when cables are re-plugged in
// another order. Times are the machine's.
//
// One process at a time: besides the system's own exclusive mode (which does
// not hold off root) Open takes a lock on a file named after the device; a
// second runner is told Busy and who holds it.
//
// After unplugging, every call answers Gone until [Port.Reopen] is called, or,
// with Options.Reopen, until the next conversation begins: the next Write or
// Discard opens the port again, once, finding it by its identity if it was
// opened so. A Read never does: the reply to a question asked before the plug
// was pulled is lost.
//
// SBUS is inverted on the wire: that is the adapter's matter. Odd rates
// (100000, 420000 baud) and 8E2 work on Linux if the adapter can.
//
// Tried: on pseudo-terminals, and in an emulated computer with Linux 7.3.4 on a
// simulated USB device (.ci/kernel), found by its identity, unplugged while
// reading and while writing (noticed within 0.05 s), and plugged in again. On both,
// rate and parity are accepted but mean nothing. Not tried: a real adapter,
// Windows.
package serialport

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	"go.bug.st/serial"

	"fullthrow/drivers"
)

const (
	// slice is how long a Read waits before it looks at its context again.
	slice = 20 * time.Millisecond
	// writeTime is in which the port must take chunk bytes (64 bytes at
	// 1200 baud take 0.6 s), but for Options.writeTime.
	writeTime = time.Second
	chunk     = 64
)

// Options are the settings of the line.
type Options struct {
	Baud     int     // 0: 115200
	DataBits int     // 5..8; 0: 8
	Parity   Parity  // "": none
	StopBits float64 // 1, 1.5 or 2; 0: 1
	// DTR and RTS are the levels at opening; nil leaves both on, the system's
	// habit. With some USB boards a change of DTR resets the fixture. Linux
	// raises both for some milliseconds before a false takes effect.
	DTR, RTS *bool
	Reopen   bool   // open again at the next conversation after Gone
	LockDir  string // where lock files lie; "": a directory all users share

	writeTime time.Duration // 0: the constant
}

// Parity of a character.
type Parity string

// The parities.
const (
	None  Parity = "none"
	Odd   Parity = "odd"
	Even  Parity = "even"
	Mark  Parity = "mark"
	Space Parity = "space"
)

// mode checks the options and turns them into the library's.
func (o Options) mode() (*serial.Mode, error) {
	m := &serial.Mode{BaudRate: o.Baud, DataBits: o.DataBits}
	if m.BaudRate == 0 {
		m.BaudRate = 115200
	}
	if m.DataBits == 0 {
		m.DataBits = 8
	}
	if m.BaudRate < 0 || m.BaudRate > 20e6 {
		return nil, fmt.Errorf("%d baud: want 50..20000000", o.Baud)
	}
	if m.DataBits < 5 || m.DataBits > 8 {
		return nil, fmt.Errorf("%d data bits: want 5..8", o.DataBits)
	}
	var ok bool
	m.Parity, ok = map[Parity]serial.Parity{"": serial.NoParity, None: serial.NoParity, Odd: serial.OddParity,
		Even: serial.EvenParity, Mark: serial.MarkParity, Space: serial.SpaceParity}[o.Parity]
	if !ok {
		return nil, fmt.Errorf("parity %q: want none, odd, even, mark or space", o.Parity)
	}
	m.StopBits, ok = map[float64]serial.StopBits{0: serial.OneStopBit, 1: serial.OneStopBit,
		1.5: serial.OnePointFiveStopBits, 2: serial.TwoStopBits}[o.StopBits]
	if !ok {
		return nil, fmt.Errorf("%v stop bits: want 1, 1.5 or 2", o.StopBits)
	}
	if o.DTR != nil || o.RTS != nil {
		m.InitialStatusBits = &serial.ModemOutputBits{DTR: o.DTR == nil || *o.DTR, RTS: o.RTS == nil || *o.RTS}
	}
	return m, nil
}

// Port is an open serial port. One conversation at a time.
type Port struct {
	at   Address
	opts Options
	mode *serial.Mode
	list func() ([]Info, error)

	mu     sync.Mutex // of the fields below; held while opening, never while waiting for bytes
	path   string     // where it was found last
	lock   *lock
	port   serial.Port // nil: gone
	stuck  chan struct{}
	closed bool
}

var _ drivers.Port = (*Port)(nil)

// Open opens the port at the address.
func Open(at Address, opts Options) (*Port, error) { return open(at, opts, List) }

func open(at Address, opts Options, list func() ([]Info, error)) (*Port, error) {
	p := &Port{at: at, opts: opts, list: list}
	if opts.writeTime <= 0 {
		p.opts.writeTime = writeTime
	}
	var err error
	if p.mode, err = opts.mode(); err != nil {
		return nil, drivers.Errorf(at.String(), "open", drivers.OutOfRange, "%w", err)
	}
	if err := p.Reopen(); err != nil {
		return nil, err
	}
	return p, nil
}

// String is the path, or the USB identity and where it was found.
func (p *Port) String() string {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.name()
}

func (p *Port) name() string {
	if p.at.Path != "" || p.path == "" {
		return p.at.String()
	}
	return p.at.String() + " at " + p.path
}

// Reopen closes the port and opens it again, where its identity is found now.
func (p *Port) Reopen() error {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.closed {
		return drivers.Errorf(p.name(), "open", drivers.Closed, "port closed")
	}
	p.drop()
	path, err := p.at.resolve(p.list)
	if err != nil {
		return err
	}
	l, err := takeLock(p.opts.LockDir, path)
	if err != nil {
		return err
	}
	port, err := serial.Open(path, p.mode)
	if err != nil {
		l.release()
		return openError(p.at, path, err)
	}
	p.path, p.lock, p.port, p.stuck = path, l, port, nil
	return nil
}

// drop lets go of the device and its lock.
func (p *Port) drop() {
	if p.port != nil {
		_ = p.port.Close()
		p.port = nil
	}
	p.lock.release()
	p.lock = nil
}

func openError(at Address, path string, err error) error {
	var pe *serial.PortError
	e := drivers.Errorf(at.String(), "open", drivers.Fault, "%w", err)
	if notThere(err) {
		e = drivers.Errorf(at.String(), "open", drivers.Gone, "%w", err)
		return e.WithHint("Is the device plugged in and switched on? The command \"ports\" lists what is there.")
	}
	if errors.As(err, &pe) {
		switch pe.Code() {
		case serial.PortNotFound:
			e.Kind = drivers.Gone
		case serial.PortBusy:
			e.Kind = drivers.Busy
			return e.WithHint("Another program holds " + path + ": close terminals and other runners.")
		case serial.PermissionDenied:
			return e.WithHint("The account may not use " + path + ": add it to the group that owns it (on Debian " +
				"dialout) and log in again.")
		}
	}
	return e
}

// current is the open port, or why there is none.
func (p *Port) current(op string) (serial.Port, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	switch {
	case p.closed:
		return nil, drivers.Errorf(p.name(), op, drivers.Closed, "port closed")
	case p.port == nil:
		return nil, drivers.Errorf(p.name(), op, drivers.Gone, "unplugged")
	}
	return p.port, nil
}

// begin is current for the calls that begin a conversation.
func (p *Port) begin(op string) (serial.Port, error) {
	port, err := p.current(op)
	if drivers.KindOf(err) != drivers.Gone || !p.opts.Reopen {
		return port, err
	}
	if err := p.Reopen(); err != nil {
		return nil, err
	}
	return p.current(op)
}

// fail gives an error of the library its kind. "Closed" of a port we have not
// closed means that it is no longer there.
func (p *Port) fail(op string, port serial.Port, err error) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.closed {
		return drivers.Errorf(p.name(), op, drivers.Closed, "port closed")
	}
	var pe *serial.PortError
	if !notThere(err) && !(errors.As(err, &pe) && pe.Code() == serial.PortClosed) {
		return drivers.Errorf(p.name(), op, drivers.Fault, "%w", err)
	}
	if p.port == port {
		p.drop()
	}
	return drivers.Errorf(p.name(), op, drivers.Gone, "unplugged").
		WithHint("Check the cable of " + p.name() + ".")
}

// Write sends all of b. NoReply: the port took nothing for a second; what had
// not been sent is dropped where the system can.
func (p *Port) Write(ctx context.Context, b []byte) error {
	const op = "write"
	if err := context.Cause(ctx); err != nil {
		return drivers.Wrap(p.String(), op, err)
	}
	port, err := p.begin(op)
	if err != nil {
		return err
	}
	p.mu.Lock()
	stuck := p.stuck
	p.mu.Unlock()
	if stuck != nil {
		select {
		case <-stuck:
		default:
			return drivers.Errorf(p.String(), op, drivers.NoReply, "an earlier write is still stuck")
		}
	}
	for sent := 0; sent < len(b); {
		n, err := p.writeSome(ctx, port, b[sent:min(sent+chunk, len(b))])
		sent += n
		switch {
		case err == nil && n > 0:
		case errors.Is(err, errStuck):
			return drivers.Errorf(p.String(), op, drivers.NoReply, "%d of %d bytes sent, no more taken in %v",
				sent, len(b), p.opts.writeTime)
		case ctx.Err() != nil && errors.Is(err, context.Cause(ctx)):
			return drivers.Wrap(p.String(), op, err)
		case err == nil:
			return drivers.Errorf(p.String(), op, drivers.Fault, "the system took no byte and gave no reason")
		default:
			return p.fail(op, port, err)
		}
	}
	return nil
}

var errStuck = errors.New("stuck")

// writeSome makes one system call, which knows no deadline, in a goroutine.
// When time is up, dropping the output usually ends the call; if it does not,
// the port stays unusable until it does.
func (p *Port) writeSome(ctx context.Context, port serial.Port, b []byte) (int, error) {
	type result struct {
		n   int
		err error
	}
	done := make(chan result, 1)
	ended := make(chan struct{})
	data := append([]byte(nil), b...) // the goroutine may outlive the call
	go func() {
		defer close(ended)
		defer func() {
			if p := recover(); p != nil {
				done <- result{0, fmt.Errorf("internal error: %v", p)}
			}
		}()
		n, err := port.Write(data)
		done <- result{n, err}
	}()
	timer := time.NewTimer(p.opts.writeTime)
	defer timer.Stop()
	why := errStuck
	select {
	case r := <-done:
		return r.n, r.err
	case <-timer.C:
	case <-ctx.Done():
		why = context.Cause(ctx)
	}
	for range 8 {
		_ = port.ResetOutputBuffer()
		select {
		case r := <-done:
			if r.err != nil {
				return r.n, r.err
			}
			return r.n, why
		case <-time.After(slice):
		}
	}
	p.mu.Lock()
	p.stuck = ended
	p.mu.Unlock()
	return 0, why
}

// Read returns what has arrived, or waits for it.
func (p *Port) Read(ctx context.Context, b []byte, timeout time.Duration) (int, error) {
	const op = "read"
	if len(b) == 0 {
		return 0, drivers.Errorf(p.String(), op, drivers.OutOfRange, "no room for a byte")
	}
	end := time.Now().Add(timeout)
	for {
		if err := context.Cause(ctx); err != nil {
			return 0, drivers.Wrap(p.String(), op, err)
		}
		port, err := p.current(op)
		if err != nil {
			return 0, err
		}
		wait := max(0, min(slice, time.Until(end)))
		if err := port.SetReadTimeout(wait); err != nil {
			return 0, p.fail(op, port, err)
		}
		n, err := port.Read(b)
		if n > 0 {
			return n, nil
		}
		if err != nil {
			return 0, p.fail(op, port, err)
		}
		// The library says 0, nil when the time is up.
		if !time.Now().Before(end) {
			return 0, drivers.Errorf(p.String(), op, drivers.NoReply, "no reply in %v", max(timeout, 0))
		}
	}
}

// Discard drops what has arrived.
func (p *Port) Discard() error {
	port, err := p.begin("discard")
	if err != nil {
		return err
	}
	if err := port.ResetInputBuffer(); err != nil {
		return p.fail("discard", port, err)
	}
	return nil
}

// Close gives the port back; calls under way return Closed.
func (p *Port) Close() error {
	p.mu.Lock()
	if p.closed {
		p.mu.Unlock()
		return nil
	}
	p.closed = true
	port, l := p.port, p.lock
	p.port, p.lock = nil, nil
	p.mu.Unlock()
	defer l.release()
	if port == nil {
		return nil
	}
	if err := port.Close(); err != nil && !notThere(err) {
		return drivers.Errorf(p.String(), "close", drivers.Fault, "%w", err)
	}
	return nil
}

// Package tcpport is a drivers.Port over TCP: instruments with a network
// socket, serial servers.
//
// Times are the machine's. A connection the other side closes or resets, or
// whose cable is out for about 10 s (keep-alive), is Gone. After that the port
// answers Gone until [Port.Reopen] is called, or, with Options.Reopen, until
// the next conversation begins: the next Write or Discard connects anew, once.
// A Read never does: a reply to a question asked over the old connection
// cannot arrive over the new one.
package tcpport

import (
	"context"
	"errors"
	"io"
	"net"
	"os"
	"sync"
	"syscall"
	"time"

	"fullthrow/drivers"
)

const (
	writeTime = time.Second // in which the other side must take some bytes, but for Options.writeTime
	dialTime  = 3 * time.Second
	chunkSize = 32 << 10
)

// Options are how to connect.
type Options struct {
	DialTimeout time.Duration // 0: 3 s
	Reopen      bool          // connect anew at the next conversation after Gone

	writeTime time.Duration // 0: the constant
}

// Port is a TCP connection. One conversation at a time.
type Port struct {
	addr string
	opts Options

	mu     sync.Mutex // of the fields below, never held while waiting
	conn   net.Conn
	gone   bool
	closed bool
}

var _ drivers.Port = (*Port)(nil)

// Open connects to addr, "host:port".
func Open(ctx context.Context, addr string, opts Options) (*Port, error) {
	p := &Port{addr: addr, opts: opts}
	if opts.DialTimeout <= 0 {
		p.opts.DialTimeout = dialTime
	}
	if opts.writeTime <= 0 {
		p.opts.writeTime = writeTime
	}
	if err := p.Reopen(ctx); err != nil {
		return nil, err
	}
	return p, nil
}

func (p *Port) String() string { return "tcp " + p.addr }

// Checked: TCP's check sums drop what was damaged on the way, so that nobody
// reads it. What a converter to a serial line does behind them is not seen.
func (p *Port) Checked() bool { return true }

// Reopen drops the connection and makes a new one.
func (p *Port) Reopen(ctx context.Context) error {
	p.mu.Lock()
	closed, old := p.closed, p.conn
	p.gone = true
	p.mu.Unlock()
	if closed {
		return drivers.Errorf(p.String(), "open", drivers.Closed, "port closed")
	}
	if old != nil {
		_ = old.Close()
	}
	dialer := net.Dialer{
		Timeout:         p.opts.DialTimeout,
		KeepAliveConfig: net.KeepAliveConfig{Enable: true, Idle: 4 * time.Second, Interval: 2 * time.Second, Count: 3},
	}
	conn, err := dialer.DialContext(ctx, "tcp", p.addr)
	if err != nil {
		return p.dialError(ctx, err)
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.closed {
		_ = conn.Close()
		return drivers.Errorf(p.String(), "open", drivers.Closed, "port closed")
	}
	p.conn, p.gone = conn, false
	return nil
}

func (p *Port) dialError(ctx context.Context, err error) error {
	var dns *net.DNSError
	var addr *net.AddrError
	var timeout net.Error
	switch {
	case ctx.Err() != nil:
		return drivers.Wrap(p.String(), "open", context.Cause(ctx))
	case errors.Is(err, syscall.ECONNREFUSED):
		return drivers.Errorf(p.String(), "open", drivers.Gone, "nothing listens there: %w", err).
			WithHint("Is the device switched on, its remote control enabled, and the port number right?")
	case errors.As(err, &dns), errors.As(err, &addr):
		return drivers.Errorf(p.String(), "open", drivers.Fault, "%w", err).
			WithHint("The address is host:port, for example 192.168.1.20:5025.")
	case errors.As(err, &timeout) && timeout.Timeout():
		return drivers.Errorf(p.String(), "open", drivers.NoReply, "no answer in %v", p.opts.DialTimeout).
			WithHint("Is the device on this network, and its cable in?")
	}
	return drivers.Errorf(p.String(), "open", drivers.Gone, "%w", err)
}

// current is the connection, or why there is none.
func (p *Port) current(op string) (net.Conn, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	switch {
	case p.closed:
		return nil, drivers.Errorf(p.String(), op, drivers.Closed, "port closed")
	case p.gone:
		return nil, drivers.Errorf(p.String(), op, drivers.Gone, "connection lost")
	}
	return p.conn, nil
}

// begin is current for the calls that begin a conversation.
func (p *Port) begin(ctx context.Context, op string) (net.Conn, error) {
	conn, err := p.current(op)
	if drivers.KindOf(err) != drivers.Gone || !p.opts.Reopen {
		return conn, err
	}
	if err := p.Reopen(ctx); err != nil {
		return nil, err
	}
	return p.current(op)
}

// fail gives err from the connection its kind, and remembers a lost one.
func (p *Port) fail(ctx context.Context, op string, err error) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	switch {
	case p.closed:
		return drivers.Errorf(p.String(), op, drivers.Closed, "port closed")
	case errors.Is(err, os.ErrDeadlineExceeded):
		if ctx.Err() != nil {
			return drivers.Wrap(p.String(), op, context.Cause(ctx))
		}
		return err // the caller knows how long it was
	case errors.Is(err, io.EOF):
		p.gone = true
		return drivers.Errorf(p.String(), op, drivers.Gone, "closed by the other side")
	}
	p.gone = true // after any other error the stream cannot be trusted
	return drivers.Errorf(p.String(), op, drivers.Gone, "connection lost: %w", err)
}

// Write sends all of b. It fails with NoReply when the other side takes
// nothing for a second; what was sent by then stays sent, so the connection is
// dropped.
func (p *Port) Write(ctx context.Context, b []byte) error {
	if err := context.Cause(ctx); err != nil {
		return drivers.Wrap(p.String(), "write", err)
	}
	conn, err := p.begin(ctx, "write")
	if err != nil {
		return err
	}
	defer onCancel(ctx, conn.SetWriteDeadline)()
	sent := 0
	for sent < len(b) {
		if ctx.Err() == nil {
			_ = conn.SetWriteDeadline(time.Now().Add(p.opts.writeTime))
		}
		n, err := conn.Write(b[sent:min(sent+chunkSize, len(b))])
		sent += n
		if err == nil || errors.Is(err, os.ErrDeadlineExceeded) && n > 0 && ctx.Err() == nil {
			continue
		}
		err = p.fail(ctx, "write", err)
		p.lose(conn)
		if errors.Is(err, os.ErrDeadlineExceeded) && ctx.Err() == nil {
			return drivers.Errorf(p.String(), "write", drivers.NoReply, "%d of %d bytes sent, no more taken in %v",
				sent, len(b), p.opts.writeTime)
		}
		return err
	}
	return nil
}

func (p *Port) lose(conn net.Conn) {
	p.mu.Lock()
	p.gone = true
	p.mu.Unlock()
	_ = conn.Close()
}

// Read returns what has arrived, or waits for it.
func (p *Port) Read(ctx context.Context, b []byte, timeout time.Duration) (int, error) {
	const op = "read"
	if err := context.Cause(ctx); err != nil {
		return 0, drivers.Wrap(p.String(), op, err)
	}
	conn, err := p.current(op)
	if err != nil {
		return 0, err
	}
	if len(b) == 0 {
		return 0, drivers.Errorf(p.String(), op, drivers.OutOfRange, "no room for a byte")
	}
	if n, err := readReady(conn, b); n > 0 {
		return n, nil
	} else if err != nil {
		return 0, p.fail(ctx, op, err)
	}
	if timeout > 0 {
		_ = conn.SetReadDeadline(time.Now().Add(timeout))
		stop := onCancel(ctx, conn.SetReadDeadline)
		n, err := conn.Read(b)
		stop()
		if n > 0 {
			return n, nil
		}
		if err = p.fail(ctx, op, err); !errors.Is(err, os.ErrDeadlineExceeded) || ctx.Err() != nil {
			return 0, err
		}
		// Where this process stood still, both are true: the time is over, and the
		// reply has been there for long.
		if n, err := readReady(conn, b); n > 0 {
			return n, nil
		} else if err != nil {
			return 0, p.fail(ctx, op, err)
		}
	}
	return 0, drivers.Errorf(p.String(), op, drivers.NoReply, "no reply in %v", max(timeout, 0))
}

// Discard drops what has arrived.
func (p *Port) Discard() error {
	conn, err := p.begin(context.Background(), "discard")
	if err != nil {
		return err
	}
	var b [4096]byte
	for {
		n, err := readReady(conn, b[:])
		if err != nil {
			return p.fail(context.Background(), "discard", err)
		}
		if n == 0 {
			return nil
		}
	}
}

// Close drops the connection; calls under way return Closed.
func (p *Port) Close() error {
	p.mu.Lock()
	conn, again := p.conn, p.closed
	p.closed = true
	p.mu.Unlock()
	if again || conn == nil {
		return nil
	}
	if err := conn.Close(); err != nil && !errors.Is(err, net.ErrClosed) {
		return drivers.Errorf(p.String(), "close", drivers.Fault, "%w", err)
	}
	return nil
}

// onCancel moves a deadline into the past when ctx is cancelled. The function
// it returns ends that, and waits for a move under way, so that it cannot hit
// the next call.
func onCancel(ctx context.Context, set func(time.Time) error) (stop func()) {
	moved := make(chan struct{})
	end := context.AfterFunc(ctx, func() {
		_ = set(time.Unix(1, 0))
		close(moved)
	})
	return func() {
		if !end() {
			<-moved
		}
	}
}

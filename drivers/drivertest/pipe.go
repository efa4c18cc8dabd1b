package drivertest

import (
	"context"
	"io"
	"sync"
	"time"

	"fullthrow/drivers"
)

// Pipe returns a port and its other end, where the test plays the device.
// Nothing blocks on writing: both directions hold any number of bytes. Closing
// the other end unplugs the port. peer.Read returns io.EOF once the port is
// closed and all it sent has been read.
func Pipe(name string, clock drivers.Clock) (port drivers.Port, peer io.ReadWriteCloser) {
	w := &wire{in: newInbox(name, clock)}
	w.cond.L = &w.mu
	return w, &wireEnd{w}
}

// Respond returns a port that answers each write with what reply returns (nil:
// nothing). One call of reply at a time; a write is handed over as the driver
// made it, not line by line: see [Lines].
func Respond(name string, clock drivers.Clock, reply func(sent []byte) []byte) drivers.Port {
	w := &wire{in: newInbox(name, clock), reply: reply}
	w.cond.L = &w.mu
	return w
}

// Lines makes a function for [Respond] of one that answers whole lines: it is
// called with each line without its "\n", and what it returns is sent with one
// appended ("" sends nothing).
func Lines(answer func(line string) string) func([]byte) []byte {
	var part []byte
	return func(sent []byte) (out []byte) {
		for _, c := range sent {
			if c != '\n' {
				part = append(part, c)
				continue
			}
			line := string(part)
			part = part[:0]
			if s := answer(line); s != "" {
				out = append(append(out, s...), '\n')
			}
		}
		return out
	}
}

// wire is a port in memory.
type wire struct {
	in    *inbox
	reply func([]byte) []byte // nil: what was sent waits for the other end

	mu   sync.Mutex
	cond sync.Cond
	sent []byte
	shut bool
}

var _ drivers.Port = (*wire)(nil)

func (w *wire) String() string { return w.in.name }

// Checked: nothing is damaged in memory.
func (w *wire) Checked() bool { return true }

func (w *wire) Write(ctx context.Context, p []byte) error {
	if err := context.Cause(ctx); err != nil {
		return drivers.Wrap(w.in.name, "write", err)
	}
	if err := w.in.state("write"); err != nil {
		return err
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.reply != nil {
		w.in.put(0, 0, w.reply(append([]byte(nil), p...)))
		return nil
	}
	w.sent = append(w.sent, p...)
	w.cond.Broadcast()
	return nil
}

func (w *wire) Read(ctx context.Context, p []byte, timeout time.Duration) (int, error) {
	return w.in.read(ctx, p, timeout)
}

func (w *wire) Discard() error { return w.in.discard() }

func (w *wire) Close() error {
	w.in.close()
	w.mu.Lock()
	defer w.mu.Unlock()
	w.shut = true
	w.cond.Broadcast()
	return nil
}

// wireEnd is the device's end of a wire.
type wireEnd struct{ w *wire }

func (e *wireEnd) Read(p []byte) (int, error) {
	w := e.w
	w.mu.Lock()
	defer w.mu.Unlock()
	for len(w.sent) == 0 {
		if w.shut {
			return 0, io.EOF
		}
		w.cond.Wait()
	}
	n := copy(p, w.sent)
	w.sent = w.sent[n:]
	return n, nil
}

func (e *wireEnd) Write(p []byte) (int, error) {
	if err := e.w.in.state("write"); err != nil {
		return 0, io.ErrClosedPipe
	}
	e.w.in.put(0, 0, p)
	return len(p), nil
}

// Close unplugs the port.
func (e *wireEnd) Close() error {
	e.w.in.unplug(0)
	e.w.mu.Lock()
	defer e.w.mu.Unlock()
	e.w.shut = true
	e.w.cond.Broadcast()
	return nil
}

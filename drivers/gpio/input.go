package gpio

import (
	"context"
	"errors"
	"os"
	"sync/atomic"
	"time"

	"periph.io/x/conn/v3/gpio"

	"fullthrow/drivers"
)

// input is an open line that is read.
type input struct {
	*line
	number    int
	edges     bool // asked for with edges
	listening atomic.Bool
}

var _ drivers.EdgeRecorder = (*input)(nil)

// Level reads the logical level.
func (i *input) Level(ctx context.Context) (bool, error) { return i.level(ctx, "read level") }

// Safe does nothing: an input drives nothing.
func (i *input) Safe(context.Context) error { return nil }

// Edge waits for a change after the call. One caller at a time.
func (i *input) Edge(ctx context.Context, timeout time.Duration) (e drivers.Edge, err error) {
	const op = "wait for edge"
	err = i.listen(ctx, op, func(line Line) (err error) {
		if e, err = line.Edge(ctx, timeout); errors.Is(err, os.ErrDeadlineExceeded) && ctx.Err() == nil {
			return drivers.Errorf(i.name, op, drivers.NoReply, "no edge in %v", timeout)
		}
		return err
	})
	if err != nil {
		return drivers.Edge{}, err
	}
	e.Rising = e.Rising != i.activeLow
	return e, nil
}

// listen calls f with the line, asked for with edges.
func (i *input) listen(ctx context.Context, op string, f func(Line) error) error {
	line, err := i.current(ctx, op)
	if err != nil {
		return err
	}
	if !i.listening.CompareAndSwap(false, true) {
		return drivers.Errorf(i.name, op, drivers.Busy, "another call waits for edges")
	}
	defer i.listening.Store(false)
	if !i.edges {
		if line, err = i.withEdges(); err != nil {
			return fail(i.name, op, err)
		}
	}
	err = f(line)
	switch {
	case err == nil:
		return nil
	case ctx.Err() != nil:
		return drivers.Wrap(i.name, op, drivers.Ended(ctx, context.Cause(ctx)))
	}
	return fail(i.name, op, err)
}

// withEdges asks for the line again, now with edges: not every chip has
// interrupts, and a line that is only read must not need them.
func (i *input) withEdges() (Line, error) {
	i.mu.Lock()
	defer i.mu.Unlock()
	if i.closed {
		return nil, os.ErrClosed
	}
	consumer := "fullthrow " + i.name
	if err := i.line.line.Halt(); err != nil {
		i.line.line = lostLine{err}
		return nil, err
	}
	line, err := i.device.chip.Input(i.number, consumer, true)
	if err != nil {
		// Back to a line that can at least be read.
		again, errAgain := i.device.chip.Input(i.number, consumer, false)
		if errAgain != nil {
			again = lostLine{errAgain}
		}
		i.line.line = again
		return nil, errors.Join(err, errAgain)
	}
	i.line.line, i.edges = line, true
	return line, nil
}

// lostLine stands for a line that was given back and not got again: because
// its chip is gone, or because someone else was quicker. The next wait for an
// edge asks once more.
type lostLine struct{ err error }

func (l lostLine) Level() (gpio.Level, error) { return gpio.Low, l.err }
func (l lostLine) Out(gpio.Level) error       { return l.err }
func (l lostLine) Edge(context.Context, time.Duration) (drivers.Edge, error) {
	return drivers.Edge{}, l.err
}
func (l lostLine) Edges(context.Context, time.Duration) ([]drivers.Edge, error) { return nil, l.err }
func (l lostLine) Halt() error                                                  { return nil }

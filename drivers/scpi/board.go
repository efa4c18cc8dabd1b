package scpi

import (
	"context"
	"math"
	"strconv"
	"sync"
	"time"

	"fullthrow/drivers"
)

// Board is a fixture board: relays, digital inputs and an interval timer.
//
// Safe opens every relay, then closes those whose output says that closed is
// safe: such a relay drops out for the time of one command. Wire the fixture so
// that open is safe.
type Board struct {
	*unit
	mu      sync.Mutex
	outputs map[int]*relay
}

var (
	_ drivers.Lines = (*Board)(nil)
	_ drivers.Timer = (*Board)(nil)
)

// Interval asks the timer: from stimulus to answer, in s. NaN if no answer
// came within the timer's own time-out.
func (b *Board) Interval(ctx context.Context) (float64, error) {
	const op = "measure interval"
	var v float64
	err := b.do(ctx, b.name, op, func(ctx context.Context) (err error) {
		v, err = b.number(ctx, b.model.Words.TimeInterval, b.model.IntervalTimeout)
		return err
	})
	switch {
	case err != nil:
		return 0, err
	case math.IsNaN(v):
		return v, nil
	case math.IsInf(v, 0):
		return 0, drivers.Errorf(b.name, op, drivers.OutOfRange, "longer than the timer can count")
	case v < 0 || v > b.model.IntervalTimeout.Seconds():
		return 0, drivers.Errorf(b.name, op, drivers.Garbled, "an interval of %v s", v)
	}
	return b.cal.Apply(v), nil
}

// Safe opens the relays; see [Board].
func (b *Board) Safe(ctx context.Context) error {
	if b.model.Relays == 0 {
		return nil
	}
	all := []setting{b.relays(b.model.Words.Safe, b.model.allRelays(), false)}
	b.mu.Lock()
	for n := 1; n <= b.model.Relays; n++ {
		if r := b.outputs[n]; r != nil && r.safe != r.activeLow {
			all = append(all, r.setting(r.safe))
		}
	}
	b.mu.Unlock()
	return b.safe(ctx, b.name, all...)
}

// relays is what puts the relays of a channel list into one state.
func (b *Board) relays(word, list string, closed bool) setting {
	s := b.model.state(word, fill(b.model.Words.RelayState, "line", list), closed, "open", "closed")
	s.who, s.settle = b.name, b.model.AfterSwitch
	return s
}

// Output opens relay n, 1 first; closed is the high level. A second Output of
// the same relay replaces the first one's safe level.
func (b *Board) Output(name string, n int, activeLow, safe bool) (drivers.Output, error) {
	if n < 1 || n > b.model.Relays {
		return nil, drivers.Errorf(name, "open output", drivers.OutOfRange, "no relay %d on %s, it has 1 to %d", n,
			b.name, b.model.Relays)
	}
	r := &relay{board: b, name: name, n: n, activeLow: activeLow, safe: safe}
	b.mu.Lock()
	b.outputs[n] = r
	b.mu.Unlock()
	return r, nil
}

// Input opens input n, 1 first.
func (b *Board) Input(name string, n int, activeLow bool) (drivers.Input, error) {
	if n < 1 || n > b.model.Inputs {
		return nil, drivers.Errorf(name, "open input", drivers.OutOfRange, "no input %d on %s, it has 1 to %d", n,
			b.name, b.model.Inputs)
	}
	return &input{board: b, name: name, n: n, activeLow: activeLow}, nil
}

// bit asks a question that is answered by 0 or 1.
func (b *Board) bit(ctx context.Context, name, op, word, which string) (on bool, err error) {
	err = b.do(ctx, name, op, func(ctx context.Context) error {
		answer, err := b.agreed(ctx, fill(word, "line", which), b.model.Timeout)
		if err != nil {
			return err
		}
		v, err := b.model.level(answer)
		if err != nil {
			return errorf(drivers.Garbled, "%w", err)
		}
		if v != 0 && v != 1 {
			return errorf(drivers.Garbled, "level %v, want 0 or 1", v)
		}
		on = v == 1
		return nil
	})
	return on && err == nil, err
}

// relay is one output of a board.
type relay struct {
	board     *Board
	name      string
	n         int
	activeLow bool
	safe      bool
}

func (r *relay) String() string { return r.name }

// Ready asks for the relay's state, to see that the board knows it.
func (r *relay) Ready(ctx context.Context) (string, error) {
	if r.board.model.Words.RelayState == "" {
		_, err := r.board.Ready(ctx)
		return "", err
	}
	_, err := r.board.bit(ctx, r.name, "read relay", r.board.model.Words.RelayState, r.board.model.relayName(r.n))
	return "", err
}

// setting is what switches the relay to a logical level.
func (r *relay) setting(on bool) setting {
	n, word := r.board.model.relayName(r.n), r.board.model.Words.Open
	closed := on != r.activeLow
	if closed {
		word = r.board.model.Words.Close
	}
	return r.board.relays(fill(word, "line", n), n, closed)
}

// Set switches the relay.
func (r *relay) Set(ctx context.Context, on bool) error {
	return r.board.do(ctx, r.name, "switch", func(ctx context.Context) error { return r.board.set(ctx, r.setting(on)) })
}

// Safe switches the relay to its safe level.
func (r *relay) Safe(ctx context.Context) error {
	return r.board.safe(ctx, r.name, r.setting(r.safe))
}

// SafeTime is the board's.
func (r *relay) SafeTime() time.Duration { return r.board.SafeTime() }

// Close does nothing: the board holds the port.
func (r *relay) Close() error { return nil }

// input is one input of a board.
type input struct {
	board     *Board
	name      string
	n         int
	activeLow bool
}

func (i *input) String() string { return i.name }

// Ready reads the level, to see that the board knows the input.
func (i *input) Ready(ctx context.Context) (string, error) {
	_, err := i.Level(ctx)
	return "", err
}

// Level reads the logical level.
func (i *input) Level(ctx context.Context) (bool, error) {
	high, err := i.board.bit(ctx, i.name, "read level", i.board.model.Words.Level, strconv.Itoa(i.n))
	return err == nil && high != i.activeLow, err
}

func (i *input) Safe(context.Context) error { return nil }
func (i *input) Close() error               { return nil }

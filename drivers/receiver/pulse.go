package receiver

import (
	"context"
	"fmt"
	"sync/atomic"
	"time"

	"fullthrow/drivers"
)

// PulseReceiver is a receiver's pulse output (PPM) at a GPIO input.
type PulseReceiver struct {
	name    string
	input   drivers.EdgeInput
	clock   drivers.Clock
	falling bool
	guard   drivers.Guard
	closed  atomic.Bool
}

var _ drivers.Receiver = (*PulseReceiver)(nil)

// OpenPPM returns the receiver behind input. Channels are timed between rising
// edges, or falling ones. The input stays its owner's: Close does not close it.
func OpenPPM(name string, input drivers.EdgeInput, clock drivers.Clock, falling bool) *PulseReceiver {
	return &PulseReceiver{name: name, input: input, clock: clock, falling: falling, guard: drivers.NewGuard(clock)}
}

func (r *PulseReceiver) String() string { return r.name }

// Ready proves that the input can be read. Whether a receiver stands behind it
// only shows once a handset is on.
func (r *PulseReceiver) Ready(ctx context.Context) (string, error) {
	_, err := r.input.Level(ctx)
	return "", drivers.Wrap(r.name, "read level", err)
}

// Safe does nothing: a receiver only listens.
func (r *PulseReceiver) Safe(context.Context) error { return nil }

// Close ends the use of the input.
func (r *PulseReceiver) Close() error { r.closed.Store(true); return nil }

// Record takes the frames that lie whole within the duration over. Silence is
// a capture without frames.
func (r *PulseReceiver) Record(ctx context.Context, over time.Duration) (drivers.Frames, error) {
	const op = "record"
	if r.closed.Load() {
		return drivers.Frames{}, drivers.Errorf(r.name, op, drivers.Closed, "closed")
	}
	if over <= 0 {
		return drivers.Frames{}, drivers.Errorf(r.name, op, drivers.OutOfRange, "duration of %v", over)
	}
	if err := r.guard.Enter(ctx); err != nil {
		return drivers.Frames{}, drivers.Wrap(r.name, op, drivers.Ended(ctx, err))
	}
	defer r.guard.Leave()
	start := r.clock.Now()
	edges := make([]drivers.Edge, 0, 18*int(over/PPMPeriod)+18)
	for {
		left := over - r.clock.Now().Sub(start)
		if left <= 0 {
			break
		}
		e, err := r.input.Edge(ctx, left)
		if err != nil && ctx.Err() != nil {
			return drivers.Frames{}, drivers.Wrap(r.name, op, drivers.Ended(ctx, context.Cause(ctx)))
		}
		if drivers.KindOf(err) == drivers.NoReply {
			continue
		}
		if err != nil {
			return drivers.Frames{}, drivers.Wrap(r.name, op, fmt.Errorf("after %d edges: %w", len(edges), err))
		}
		if e.At.Before(start) || e.At.Sub(start) > over {
			continue // waiting in the kernel since before, or too late
		}
		edges = append(edges, e)
	}
	out := PPM(edges, start, r.falling)
	out.Length = over
	return out, nil
}

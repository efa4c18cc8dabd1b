package receiver

import (
	"context"
	"sync/atomic"
	"time"

	"fullthrow/drivers"
)

// PulseReceiver is a receiver's pulse output (PPM) at a GPIO input.
type PulseReceiver struct {
	name    string
	input   drivers.EdgeRecorder
	clock   drivers.Clock
	falling bool
	guard   drivers.Guard
	closed  atomic.Bool
}

var _ drivers.Receiver = (*PulseReceiver)(nil)

const (
	// pulseProof is how long Ready records.
	pulseProof = time.Millisecond
	// lateBegin is how long the computer may stand still between two lines of the
	// program: no frame begins and ends in it.
	lateBegin = 10 * time.Millisecond
)

// OpenPPM returns the receiver behind input. Channels are timed between rising
// edges, or falling ones. An input that only waits for edges will not do: it
// misses those that come between two waits, and frames that were damaged so
// would be held against the handset. The input stays its owner's: Close does
// not close it.
func OpenPPM(name string, input drivers.EdgeRecorder, clock drivers.Clock, falling bool) *PulseReceiver {
	return &PulseReceiver{name: name, input: input, clock: clock, falling: falling, guard: drivers.NewGuard(clock)}
}

func (r *PulseReceiver) String() string { return r.name }

// Ready proves that the input can be read and notes edges. Whether a receiver
// stands behind it only shows once a handset is on.
func (r *PulseReceiver) Ready(ctx context.Context) (string, error) {
	const op = "ready"
	if _, err := r.input.Level(ctx); err != nil {
		return "", drivers.Wrap(r.name, op, drivers.Ended(ctx, err))
	}
	_, _, err := r.edges(ctx, op, pulseProof)
	return "", err
}

// Safe does nothing: a receiver only listens.
func (r *PulseReceiver) Safe(context.Context) error { return nil }

// Close ends the use of the input.
func (r *PulseReceiver) Close() error { r.closed.Store(true); return nil }

// Record takes the frames that lie whole within the duration over. Silence is
// a capture without frames. Edges that the computer lost are a Late error.
func (r *PulseReceiver) Record(ctx context.Context, over time.Duration) (drivers.Frames, error) {
	const op = "record"
	if over <= 0 {
		return drivers.Frames{}, drivers.Errorf(r.name, op, drivers.OutOfRange, "duration of %v", over)
	}
	start, edges, err := r.edges(ctx, op, over)
	if err != nil {
		return drivers.Frames{}, err
	}
	out := PPM(edges, start, r.falling)
	out.Length = over
	if out.Damaged > 0 {
		return drivers.Frames{}, drivers.Errorf(r.name, op, drivers.Garbled, "%d of %d frames were damaged on the wire",
			out.Damaged, len(out.Frames)+out.Damaged).WithHint(wireHint)
	}
	return out, nil
}

// edges records the edges of the duration over from start on.
func (r *PulseReceiver) edges(ctx context.Context, op string, over time.Duration) (start time.Time, list []drivers.Edge,
	err error) {
	if r.closed.Load() {
		return start, nil, drivers.Errorf(r.name, op, drivers.Closed, "closed")
	}
	if err := r.guard.Enter(ctx); err != nil {
		return start, nil, drivers.Wrap(r.name, op, drivers.Ended(ctx, err))
	}
	defer r.guard.Leave()
	start = r.clock.Now()
	if list, err = r.input.Edges(ctx, over); err != nil {
		return start, nil, drivers.Wrap(r.name, op, drivers.Ended(ctx, err))
	}
	// The input begins a moment later; where that is long, a beginning is missing.
	if stood := drivers.Stalled(r.clock, start, start.Add(PPMPeriod)); stood > lateBegin {
		return start, nil, drivers.LateError(r.name, op, "the computer stood still for %v as it began",
			stood.Round(time.Millisecond))
	}
	for len(list) > 0 && list[len(list)-1].At.Sub(start) > over {
		list = list[:len(list)-1]
	}
	return start, list, nil
}

package drivertest

import (
	"context"
	"sync"
	"time"

	"fullthrow/drivers"
)

// notedWait is the shortest delay of a reply that Record notes.
const notedWait = 10 * time.Millisecond

// Record is a port that passes everything on to another and notes the
// conversation. Replies that take longer than 10 ms are noted with their
// delay (as the driver saw it: from the end of its last write or read).
type Record struct {
	port  drivers.Port
	clock drivers.Clock

	mu   sync.Mutex
	tr   Transcript
	last time.Time
}

var _ drivers.Port = (*Record)(nil)

// NewRecord wraps port. The head says what the conversation is, where it was
// recorded and what a replay is expected to give (see [Transcript]).
func NewRecord(port drivers.Port, clock drivers.Clock, what, recorded, expect string) *Record {
	return &Record{port: port, clock: clock, last: clock.Now(), tr: Transcript{
		Name: port.String(),
		Head: []Field{{"what", what}, {"recorded", recorded}, {"expect", expect}},
	}}
}

// Transcript is the conversation so far.
func (r *Record) Transcript() *Transcript {
	r.mu.Lock()
	defer r.mu.Unlock()
	c := r.tr
	c.Steps = append([]Step(nil), r.tr.Steps...)
	return &c
}

// note adds bytes to the last step if it goes the same way, else a new step.
func (r *Record) note(mark byte, p []byte, at time.Time) {
	r.mu.Lock()
	defer r.mu.Unlock()
	wait := at.Sub(r.last).Round(time.Millisecond)
	r.last = at
	steps := &r.tr.Steps
	if n := len(*steps); n > 0 && (*steps)[n-1].Mark == '!' {
		return // gone is the end
	}
	if mark == '<' && wait >= notedWait {
		*steps = append(*steps, Step{Mark: '~', Wait: wait})
	}
	if n := len(*steps); n > 0 && (*steps)[n-1].Mark == mark {
		(*steps)[n-1].Bytes = append((*steps)[n-1].Bytes, p...)
		return
	}
	*steps = append(*steps, Step{Mark: mark, Bytes: append([]byte(nil), p...)})
}

func (r *Record) gone(err error) {
	if drivers.KindOf(err) != drivers.Gone {
		return
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	if n := len(r.tr.Steps); n == 0 || r.tr.Steps[n-1].Mark != '!' {
		r.tr.Steps = append(r.tr.Steps, Step{Mark: '!', Fault: Gone})
	}
}

func (r *Record) String() string { return r.port.String() }

// Write notes p when it was sent.
func (r *Record) Write(ctx context.Context, p []byte) error {
	err := r.port.Write(ctx, p)
	if err == nil {
		r.note('>', p, r.clock.Now())
	}
	r.gone(err)
	return err
}

// Read notes what was received.
func (r *Record) Read(ctx context.Context, p []byte, timeout time.Duration) (int, error) {
	n, err := r.port.Read(ctx, p, timeout)
	if n > 0 {
		r.note('<', p[:n], r.clock.Now())
	}
	r.gone(err)
	return n, err
}

// Discard passes on; what it drops is not in the transcript.
func (r *Record) Discard() error { return r.port.Discard() }

// Close closes the wrapped port; the transcript stays.
func (r *Record) Close() error { return r.port.Close() }

package station

import (
	"context"
	"errors"
	"time"

	"fullthrow/drivers"
)

const (
	// interlockPoll is how often an interlock that cannot report edges is
	// read. The guard switch itself must cut power; this only stops the run.
	interlockPoll = 100 * time.Millisecond
	// interlockProve is how often one that reports edges is read all the same,
	// to prove that it still can be.
	interlockProve = 250 * time.Millisecond
)

// watch cancels the run when the interlock opens or can no longer be read, and
// keeps the heartbeat going. It returns when ctx ends.
func (n *Nest) watch(ctx context.Context, cancel context.CancelCauseFunc) {
	if n.Interlock == nil && n.Heartbeat == nil {
		return
	}
	edges, _ := n.Interlock.(drivers.EdgeInput)
	beat := false
	lastBeat := n.Clock.Now()
	for ctx.Err() == nil {
		if edges != nil {
			if _, err := edges.Edge(ctx, interlockProve); err != nil && drivers.KindOf(err) != drivers.NoReply && ctx.Err() == nil {
				cancel(unreadable(n.Interlock, err))
				return
			}
		} else if n.Clock.Sleep(ctx, interlockPoll) != nil {
			return
		}
		if n.Heartbeat != nil && n.Clock.Now().Sub(lastBeat) >= interlockProve {
			beat = !beat
			lastBeat = n.Clock.Now()
			if err := n.Heartbeat.Set(ctx, beat); err != nil && ctx.Err() == nil {
				cancel(&Fault{Device: n.Heartbeat.String(), Err: err, Text: err.Error(), Hint: "the fixture's hardware watchdog will have cut power"})
				return
			}
		}
		if n.Interlock == nil {
			continue
		}
		closed, err := n.Interlock.Level(ctx)
		switch {
		case ctx.Err() != nil:
			return
		case err != nil:
			cancel(unreadable(n.Interlock, err))
			return
		case !closed:
			cancel(&Abort{Reason: "the guard was opened during the run", Hint: "close the guard and start the unit again"})
			return
		}
	}
}

func unreadable(in drivers.Input, err error) error {
	var f *Fault
	if errors.As(err, &f) {
		return f
	}
	return &Fault{Device: in.String(), Err: err, Text: "the interlock could not be read, so it counts as open: " + err.Error(),
		Hint: "check the guard switch, its cable and the board it is wired to"}
}

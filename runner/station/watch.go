package station

import (
	"context"
	"errors"
	"fmt"
	"time"

	"fullthrow/drivers"
	"fullthrow/reports"
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
			if _, err := edges.Edge(ctx, interlockProve); err != nil && drivers.KindOf(err) != drivers.NoReply &&
				ctx.Err() == nil {
				cancel(inputFault(reports.GuardUnreadable, n.Interlock, err))
				return
			}
		} else if n.Clock.Sleep(ctx, interlockPoll) != nil {
			return
		}
		if n.Heartbeat != nil && n.Clock.Now().Sub(lastBeat) >= interlockProve {
			beat = !beat
			lastBeat = n.Clock.Now()
			if err := n.Heartbeat.Set(ctx, beat); err != nil && ctx.Err() == nil {
				cancel(inputFault(reports.HeartbeatFailed, n.Heartbeat, err))
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
			cancel(inputFault(reports.GuardUnreadable, n.Interlock, err))
			return
		case !closed:
			cancel(&Abort{reports.Reason{Code: reports.GuardOpened}})
			return
		}
	}
}

// inputFault is the fault that a line of the fixture without which no run may
// go on did not do its work.
func inputFault(code reports.Code, line fmt.Stringer, err error) error {
	if f, ok := errors.AsType[*Fault](err); ok {
		return f
	}
	why := reasonOf(err)
	if why.Device == "" {
		why.Device = line.String()
	}
	return &Fault{reports.Reason{Code: code, Because: []reports.Reason{why}}, err}
}

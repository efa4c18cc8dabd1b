package station

import (
	"context"
	"errors"
	"fmt"
	"time"

	"fullthrow/drivers"
	"fullthrow/reports"
	"fullthrow/reports/archive"
	"fullthrow/runner/crash"
	"fullthrow/runner/script"
)

// Job is one unit to be run.
type Job struct {
	Unit     reports.Unit
	Operator string
}

// ErrBusy says that a run is on in this nest.
var ErrBusy = errors.New("a run is on")

// Run takes one unit through the nest and returns the sealed report. The error
// is not nil only when there is no report: a [*NotReady] when the run was not
// begun (guard open, nest out of service, clock wrong), [ErrBusy], or a failure to write
// the record; then nothing may be concluded about the unit.
//
// Cancel ctx with an [*Abort] as its cause to abort.
func (n *Nest) Run(ctx context.Context, job Job) (archive.Sealed, error) {
	if err := n.begin(ctx); err != nil {
		return archive.Sealed{}, err
	}
	defer n.busy.Unlock()
	if n.Archive == nil {
		return archive.Sealed{}, fmt.Errorf("nest %s: start: there is no archive to record the run in", n.Name)
	}
	var tell []func(reports.Event)
	if n.Watch != nil {
		tell = append(tell, func(e reports.Event) {
			defer crash.Guard() // called from a goroutine of the journal's
			n.Watch(e)
		})
	}
	began := n.moment()
	start := n.start(job, began.wall)
	start.Attempt = n.Archive.Attempts(job.Unit.Product, job.Unit.SerialNumber) + 1
	if n.Guardian != nil {
		if err := n.Guardian.Begin(n.Archive.Dir(), start.Run, n.Name); err != nil {
			return archive.Sealed{}, &NotReady{reports.Reason{Code: reports.Unguarded, Text: oneLine(err)}}
		}
		defer func() { n.Guardian.End(start.Run, n.InService() == nil) }()
	}
	journal, err := n.Archive.Begin(start, began.wall, tell...)
	if err != nil {
		return archive.Sealed{}, fmt.Errorf("nest %s: start: %w", n.Name, err)
	}
	rec := &recorder{nest: n, unit: job.Unit, journal: journal, archived: journal, began: began}
	defer rec.leave()
	defer func() { n.last = n.moment() }()
	if why := n.stepped(began); why != nil {
		rec.event(reports.Event{Kind: reports.ClockStepped, Clock: why})
	}
	end := n.pass(ctx, rec)
	return rec.seal(end)
}

// Rehearse takes one simulated unit through the nest as [Nest.Run] does, the
// judgement included, and keeps no record: no archive, no captures, nobody is
// told of events. On a nest with hardware it is an error, since what was done
// to a real unit must be on record.
func (n *Nest) Rehearse(ctx context.Context, job Job) (reports.Report, error) {
	if !n.Simulated {
		return reports.Report{},
			fmt.Errorf("nest %s: rehearse: it has hardware, and a run on hardware must be recorded", n.Name)
	}
	if err := n.begin(ctx); err != nil {
		return reports.Report{}, err
	}
	defer n.busy.Unlock()
	began := n.moment()
	start := n.start(job, began.wall)
	start.Attempt = 1
	draft, err := reports.NewDraft(start, began.wall)
	if err != nil {
		return reports.Report{}, fmt.Errorf("nest %s: rehearse: %w", n.Name, err)
	}
	rec := &recorder{nest: n, unit: job.Unit, journal: draft, began: began}
	defer rec.leave()
	end := n.pass(ctx, rec)
	rec.mu.Lock()
	defer rec.mu.Unlock()
	rec.end(end)
	return draft.Fold()
}

// begin takes the nest for one run, whose end must unlock busy. On an error
// there is nothing to unlock.
func (n *Nest) begin(ctx context.Context) error {
	if !n.busy.TryLock() {
		return fmt.Errorf("nest %s: start: %w", n.Name, ErrBusy)
	}
	if err := n.memory.mustEnd(); err != nil {
		n.busy.Unlock()
		return &NotReady{reports.Reason{Code: reports.MemoryLost}}
	}
	if why := n.InService(); why != nil {
		n.busy.Unlock()
		return n.out(why)
	}
	if err := n.clockFits(); err != nil {
		n.busy.Unlock()
		return err
	}
	var notReady *NotReady
	if err := n.interlockClosed(ctx); errors.As(err, &notReady) {
		n.busy.Unlock()
		return notReady
	}
	return nil
}

// start is the head of a run's report.
func (n *Nest) start(job Job, now time.Time) reports.Start {
	return reports.Start{
		Run:       reports.NewRunID(now, n.Station, n.Name),
		Station:   n.Station,
		Nest:      n.Name,
		Operator:  job.Operator,
		Unit:      job.Unit,
		CycleTime: n.Plan.CycleTime.Seconds(),
		Takt:      n.Takt.Seconds(),
		Simulated: n.Simulated,
		Software:  n.Software,
		Sources:   append(append([]reports.Source(nil), n.Plan.Sources...), n.Sources...),
	}
}

// pass is the part of Run between the first event and the last. Whatever
// happens in it, the fixture is safe, or said not to be, when it returns.
func (n *Nest) pass(ctx context.Context, rec *recorder) reports.End {
	for _, d := range n.Devices {
		if d, ok := d.(drivers.Talker); ok {
			d.Talk().Forget()
		}
	}
	found, err := n.Ready(ctx)
	if err != nil {
		rec.fault(err, "")
		made := n.Safe(ctx)
		rec.safe(made, false)
		end := reports.End{Outcome: reports.Errored,
			Reason: &reports.Reason{Code: reports.BenchNotReady, Because: reasonsOf(err)}}
		var notReady *NotReady
		if errors.As(err, &notReady) { // the guard was opened since Run looked
			end = reports.End{Outcome: reports.Aborted, Reason: &notReady.Why}
		} else if cause := aborted(err, ctx); cause != nil {
			end = reports.End{Outcome: reports.Aborted, Reason: &cause.Why}
		}
		var notSafe *NotSafe
		return n.leftUnsafe(end, made, !errors.As(err, &notSafe) || end.Outcome == reports.Aborted)
	}
	rec.event(reports.Event{Kind: reports.BenchReady, Text: found})

	made, planErr := n.plan(ctx, rec)
	rec.fault(planErr, rec.current)
	rec.safe(made, planErr == nil)

	end := rec.outcome()
	if planErr != nil {
		why := reasonOf(planErr)
		end = reports.End{Outcome: reports.Errored, Reason: &why}
		if cause := aborted(planErr, ctx); cause != nil {
			end = reports.End{Outcome: reports.Aborted, Reason: &cause.Why}
		}
	}
	return n.leftUnsafe(end, made, planErr != nil)
}

// leftUnsafe is the end of a run after which devices that can hurt people are
// not safe: it cannot have passed, and the nest takes no more units. first:
// something had happened before, which explains the end better; that the
// devices are not safe is on record beside it. Any other end it leaves as it is.
func (n *Nest) leftUnsafe(end reports.End, made Safety, first bool) reports.End {
	unsafe := made.Record()
	if len(unsafe) == 0 {
		return end
	}
	why := reports.UnsafeReason(unsafe)
	n.takeOut(why)
	if !first {
		end.Reason = &why
	}
	// An abort stays an abort: the operator's stop is still what happened.
	if end.Outcome != reports.Aborted {
		end.Outcome = reports.Errored
	}
	return end
}

// plan runs the plan beside the watch on the interlock and makes safe the
// moment the run is cancelled, without waiting for either.
func (n *Nest) plan(ctx context.Context, rec *recorder) (made Safety, planErr error) {
	runCtx, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	if n.Plan.Deadline > 0 && n.Clock == drivers.System {
		// The script host holds the plan to its deadline by itself; this is
		// for a device call that ignores its context.
		timer := time.AfterFunc(n.Plan.Deadline+2*time.Second, func() {
			cancel(&Fault{Why: reports.Reason{Code: reports.PlanOverdue, Seconds: n.Plan.Deadline.Seconds()}})
		})
		defer timer.Stop()
	}
	if n.Clock == drivers.System {
		defer drivers.WatchStalls()()
	}
	memory := n.memory.enter(n.Memory, cancel, n.Exhausted)
	rec.memory = memory
	host := script.Host{Clock: n.Clock, Unit: rec.unit, Devices: n.Devices, Recorder: rec, Ask: rec.ask,
		Wall: n.CPU, Memory: memory.may}
	done := make(chan error, 1)
	go func() {
		var err error
		defer memory.back()
		defer func() {
			if p := recover(); p != nil {
				err = internal(p)
			}
			done <- err
		}()
		n.Clock.Together(runCtx,
			func(taskCtx context.Context) {
				defer cancel(errPlanEnded)
				defer func() {
					if p := recover(); p != nil {
						err = internal(p)
					}
				}()
				err = n.Plan.Run(taskCtx, host)
			},
			func(taskCtx context.Context) {
				defer func() {
					if p := recover(); p != nil {
						cancel(internal(p)) // without its watch a run may not go on
					}
				}()
				n.watch(taskCtx, cancel)
			})
	}()

	select {
	case planErr = <-done:
		made = n.Safe(ctx)
	case <-runCtx.Done():
		if errors.Is(context.Cause(runCtx), errPlanEnded) {
			planErr = <-done // only the watch is left, and it obeys its context
			made = n.Safe(ctx)
			break
		}
		// Abort, interlock, watchdog: safe at once, beside whatever the plan
		// is still doing.
		made = n.safeAtOnce(ctx)
		var back bool
		if planErr, back = n.comesBack(done, memory); back {
			// A call that was under way may have set an output after it was
			// made safe, or kept one from confirming it: now each tells how it
			// is.
			made = n.Safe(ctx)
		} else {
			rec.abandon()
			cause := context.Cause(runCtx)
			why := reports.Reason{Code: reports.PlanStuck, Because: []reports.Reason{reasonOf(cause)}}
			n.takeOut(why)
			return made, &Fault{why, cause}
		}
	}
	// What cancelled the run explains its end better than the call that was
	// cut short by it.
	if cause := context.Cause(runCtx); cause != nil && !errors.Is(cause, errPlanEnded) {
		var at *script.Error
		var stop *script.Stop
		// The plan's own budget and the watch may find it at the same moment.
		same := errors.Is(planErr, cause) || errors.As(planErr, &stop) && stop.Kind == script.StopMemory
		if !errors.Is(cause, errMemory) || !same || !errors.As(planErr, &at) || at.File == "" {
			planErr = cause
		} // else it is the same, with the line of the plan
	}
	return made, planErr
}

// internal is a panic as what it is for a run: a fault, not of the unit.
func internal(p any) *Fault {
	return &Fault{Why: reports.Reason{Code: reports.Internal, Text: crash.Of(p).Error()}}
}

// comesBack waits for a cancelled plan: for as long as Grace, or as memory
// allows.
func (n *Nest) comesBack(done <-chan error, memory *memoryUse) (planErr error, back bool) {
	stuck := time.NewTimer(n.Grace)
	defer stuck.Stop()
	select {
	case planErr = <-done:
		return planErr, true
	case <-stuck.C:
	case <-memory.press:
	}
	return nil, false
}

var errPlanEnded = errors.New("the plan ended")

// aborted returns why the run was aborted, nil if it was not.
func aborted(err error, ctx context.Context) *Abort {
	var a *Abort
	var stuck *Fault
	if errors.As(err, &stuck) && !errors.As(stuck.Err, &a) {
		return nil
	}
	if errors.As(err, &a) {
		return a
	}
	if ctx.Err() != nil {
		if errors.As(context.Cause(ctx), &a) {
			return a
		}
		return &Abort{reports.Reason{Code: reports.Stopped, Text: oneLine(context.Cause(ctx))}}
	}
	return nil
}

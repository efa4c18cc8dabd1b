package station

import (
	"context"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"

	"fullthrow/drivers"
	"fullthrow/reports"
)

func silent(device string) error {
	return drivers.Errorf(device, "make safe", drivers.NoReply, "no reply in 1s").WithHint("check the cable of the " + device)
}

// A run makes safe before the plan (the first call) and after it (the second).
const afterPlan = 2

func TestWhatIsNotSafeAndWhatOnlyReads(t *testing.T) {
	const (
		stopped = reports.StoppedByHand
		notSafe = reports.NotSafe
	)
	powerFails := []reports.Unsafe{{Device: "power", Drives: []string{"power"}, Kind: "no reply", Text: "no reply in 1s"}}
	fault := func(device string, after bool) reports.Fault {
		return reports.Fault{AfterPlan: after, Reason: reports.Reason{Code: reports.DeviceFailed, Device: device, Verb: "make safe",
			Kind: "no reply", Text: "no reply in 1s", Hint: "check the cable of the " + device}}
	}
	meterFails := func(from int) func(*rig) {
		return func(r *rig) { r.meter.safeErr, r.meter.safeIn = silent("meter"), from }
	}
	for _, c := range []struct {
		name    string
		body    string
		change  func(*rig)
		abort   time.Duration
		outcome reports.Outcome
		reason  reports.Code
		because string // the device that made the bench not ready
		unsafe  []reports.Unsafe
		faults  []reports.Fault
		out     bool
	}{
		{name: "meter, after the plan of a good unit", change: meterFails(afterPlan),
			outcome: reports.Passed, faults: []reports.Fault{fault("meter", true)}},
		{name: "meter, after the plan of a bad unit",
			change:  func(r *rig) { meterFails(afterPlan)(r); r.meter.value = 40e-6 },
			outcome: reports.Failed, reason: reports.Missed, faults: []reports.Fault{fault("meter", true)}},
		{name: "meter, after a plan that did not end well", body: `error("lost count")`, change: meterFails(afterPlan),
			outcome: reports.Errored, reason: reports.PlanError},
		{name: "meter, before the plan", change: meterFails(1),
			outcome: reports.Errored, reason: reports.BenchNotReady, because: "meter",
			faults: []reports.Fault{fault("meter", false)}},
		{name: "meter, when stopped", body: `wait(10)` + measureStandby, change: meterFails(afterPlan), abort: time.Second,
			outcome: reports.Aborted, reason: stopped, faults: []reports.Fault{fault("meter", false)}},
		{name: "guard input, after the plan", change: func(r *rig) { r.guard.safeErr, r.guard.safeIn = silent("guard"), afterPlan },
			outcome: reports.Passed, faults: []reports.Fault{fault("guard", true)}},
		{name: "power, after the plan", change: func(r *rig) { r.power.safeErr, r.power.safeIn = silent("power"), afterPlan },
			outcome: reports.Errored, reason: notSafe, unsafe: powerFails,
			faults: []reports.Fault{fault("power", false)}, out: true},
		{name: "power, after the plan of a bad unit",
			change: func(r *rig) {
				r.power.safeErr, r.power.safeIn, r.meter.value = silent("power"), afterPlan, 40e-6
			},
			outcome: reports.Errored, reason: notSafe, unsafe: powerFails,
			faults: []reports.Fault{fault("power", false)}, out: true},
		{name: "power, before the plan", change: func(r *rig) { r.power.safeErr = silent("power") },
			outcome: reports.Errored, reason: notSafe, unsafe: powerFails,
			faults: []reports.Fault{fault("power", false)}, out: true},
		{name: "power, before the plan, safe at the second try",
			change:  func(r *rig) { r.power.safeErr, r.power.safeOut = silent("power"), 1 },
			outcome: reports.Errored, reason: reports.BenchNotReady, because: "power",
			faults: []reports.Fault{fault("power", false)}},
		{name: "power, and the meter does not get ready",
			change:  func(r *rig) { r.power.safeErr, r.power.safeIn, r.meter.readErr = silent("power"), 2, noReply() },
			outcome: reports.Errored, reason: reports.BenchNotReady, because: "meter",
			unsafe: powerFails, out: true},
		{name: "power, when stopped", body: `bench.power:on() wait(10)` + measureStandby, abort: time.Second,
			change:  func(r *rig) { r.power.safeErr, r.power.safeIn = silent("power"), 2 },
			outcome: reports.Aborted, reason: stopped, unsafe: powerFails,
			faults: []reports.Fault{fault("power", false)}, out: true},
		// The call under way kept it from confirming; once the plan had let go
		// it did.
		{name: "power, when stopped, safe at the last try", body: `bench.power:on() wait(10)` + measureStandby, abort: time.Second,
			change:  func(r *rig) { r.power.safeErr, r.power.safeIn, r.power.safeOut = silent("power"), 2, 2 },
			outcome: reports.Aborted, reason: stopped},
		{name: "a role of which nobody has said what it drives", change: func(r *rig) {
			delete(r.Drives, "power")
			r.power.safeErr, r.power.safeIn = silent("power"), afterPlan
		}, outcome: reports.Errored, reason: notSafe,
			unsafe: []reports.Unsafe{{Device: "power", Kind: "no reply", Text: "no reply in 1s"}},
			faults: []reports.Fault{fault("power", false)}, out: true},
		{name: "both", change: func(r *rig) {
			r.power.safeErr, r.power.safeIn = silent("power"), afterPlan
			meterFails(afterPlan)(r)
		}, outcome: reports.Errored, reason: notSafe, unsafe: powerFails,
			faults: []reports.Fault{fault("meter", true), fault("power", false)}, out: true},
	} {
		t.Run(c.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				body := c.body
				if body == "" {
					body = measureStandby
				}
				r := newRig(t, plan(body), oneLimit)
				c.change(r)
				ctx, cancel := context.WithCancelCause(context.Background())
				defer cancel(nil)
				if c.abort > 0 {
					time.AfterFunc(c.abort, func() { cancel(&Abort{reports.Reason{Code: stopped}}) })
				}
				rep := r.run(t, ctx)
				assert.Equal(t, c.outcome, rep.Outcome, "%+v", rep.Reason)
				switch {
				case c.reason == "":
					assert.Nil(t, rep.Reason)
				case c.reason == notSafe:
					assert.Equal(t, new(reports.UnsafeReason(c.unsafe)), rep.Reason)
				case c.reason == reports.PlanError:
					assert.Contains(t, []reports.Code{reports.PlanError, reports.NotJudged, reports.DeviceFailed}, rep.Reason.Code)
				default:
					assert.Equal(t, c.reason, rep.Reason.Code)
				}
				if c.because != "" {
					if assert.Len(t, rep.Reason.Because, 1) {
						assert.Equal(t, c.because, rep.Reason.Because[0].Device)
					}
				}
				assert.Equal(t, c.unsafe, rep.Unsafe)
				if c.faults != nil {
					assert.Equal(t, c.faults, rep.Faults)
				}
				if c.out {
					assert.Equal(t, new(reports.UnsafeReason(c.unsafe)), r.InService())
				} else {
					assert.Nil(t, r.InService())
				}
				for _, f := range []*fake{r.power, r.meter, r.guard} {
					assert.GreaterOrEqual(t, f.safes, 2, "%s was left out: what only reads may be in the middle of something too", f)
				}
				if rep.Outcome == reports.Passed || rep.Outcome == reports.Failed {
					assert.NotEmpty(t, rep.Checks[0].Readings, "the readings stay")
				}
				r.archive.Close()
			})
		})
	}
}

// A run that the meter's fault did not spoil is the last one before it is
// mended: the next is refused before anything is measured.
func TestAfterAFaultBehindThePlanNoUnitIsMeasured(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, plan(measureStandby), oneLimit)
		r.meter.safeErr, r.meter.safeIn = silent("meter"), afterPlan
		assert.Equal(t, reports.Passed, r.run(t, context.Background()).Outcome)
		next := r.run(t, context.Background())
		assert.Equal(t, reports.Errored, next.Outcome)
		assert.Empty(t, next.Checks)
		assert.Empty(t, next.Unsafe)
		assert.Empty(t, r.InService(), "the nest works again once the meter does")
		r.archive.Close()
	})
}

func TestSafety(t *testing.T) {
	s := Safety{
		{Role: "a", Drives: []drivers.Hazard{drivers.Motion, drivers.Power}, Err: drivers.Errorf("a", "make safe", drivers.Gone, "unplugged")},
		{Role: "b", Drives: []drivers.Hazard{drivers.Nothing}, Err: drivers.Errorf("b", "make safe", drivers.Refused, "no")},
		{Role: "c", Drives: []drivers.Hazard{drivers.Power}},
		{Role: "d", Err: &drivers.Error{Device: "d", Op: "make safe", Kind: drivers.Busy}},
		{Role: "e", Drives: []drivers.Hazard{drivers.Radio, drivers.Nothing}, Err: context.DeadlineExceeded},
	}
	assert.Equal(t, []reports.Unsafe{
		{Device: "a", Drives: []string{"motion", "power"}, Kind: "gone", Text: "unplugged"},
		{Device: "d", Kind: "busy"},
		{Device: "e", Drives: []string{"radio"}, Text: "context deadline exceeded"},
	}, s.Record())
	assert.Len(t, s.Failed(), 4)
	assert.Len(t, s, 5, "what was asked is left as it was")
	assert.ErrorIs(t, s.Err(), context.DeadlineExceeded)
	assert.NoError(t, Safety{s[2]}.Err())
	assert.Empty(t, Safety{s[1], s[2]}.Record())
}

package station

import (
	"context"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"fullthrow/drivers"
	"fullthrow/reports"
	"fullthrow/reports/archive"
)

const measureStandby = `
  bench.power:on()
  reading("current", measure.steady(bench.meter:current { over = 1 }).mean, "A")
`

// says reports whether a reason, or something it comes from, is want: in its
// code, and in those arguments that want has, of a text a part.
func says(r *reports.Reason, want reports.Reason) bool {
	if r == nil {
		return want.Code == ""
	}
	got := *r
	got.Hint, got.Because, got.Seconds = "", nil, 0
	if want.File == "" {
		got.File, got.Line = "", 0
	}
	if strings.Contains(got.Text, want.Text) {
		got.Text = want.Text
	}
	if want.Code == "" || reflect.DeepEqual(got, want) || want.Code == reports.Missed && got.Code == want.Code {
		return true
	}
	return slices.ContainsFunc(r.Because, func(b reports.Reason) bool { return says(&b, want) })
}

func TestOutcomes(t *testing.T) {
	for _, c := range []struct {
		name    string
		body    string
		change  func(*rig)
		outcome reports.Outcome
		reason  reports.Reason // or what it comes from; empty: any
	}{
		{name: "good unit", body: measureStandby, outcome: reports.Passed},
		{name: "leaking unit", body: measureStandby, change: func(r *rig) { r.meter.value = 40e-6 }, outcome: reports.Failed, reason: reports.Reason{Code: reports.Missed}},
		{name: "silent meter", body: measureStandby, change: func(r *rig) { r.meter.readErr = noReply() }, outcome: reports.Errored, reason: reports.Reason{Code: reports.DeviceFailed, Device: "meter", Verb: "read current", Kind: "no reply", Text: "no reply in 1s"}},
		{name: "meter goes silent in the run", body: `wait(1)` + measureStandby,
			change: func(r *rig) {
				time.AfterFunc(500*time.Millisecond, func() { r.meter.set(func() { r.meter.readErr = noReply() }) })
			},
			outcome: reports.Errored, reason: reports.Reason{Code: reports.DeviceFailed, Device: "meter", Verb: "read current", Kind: "no reply", Text: "no reply in 1s"}},
		{name: "no reading at all", body: `wait(1)`, outcome: reports.Errored, reason: reports.Reason{Code: reports.NoReading, Readings: []string{"current"}}},
		{name: "not a number", body: `reading("current", 0/0, "A")`, outcome: reports.Errored},
		{name: "infinite", body: `reading("current", -1/0, "A")`, outcome: reports.Errored},
		{name: "nil", body: `reading("current", nil, "A")`, outcome: reports.Errored},
		{name: "wrong dimension", body: `reading("current", 9e-6, "V")`, outcome: reports.Errored},
		{name: "no unit", body: `reading("current", 9e-6, "")`, outcome: reports.Errored},
		{name: "only readings without limits", body: `reading("other", 1, "A")`, outcome: reports.Errored},
		{name: "endless loop", body: `while true do end`, outcome: reports.Errored, reason: reports.Reason{Code: reports.Computing, File: "plan.lua", Line: 3}},
		{name: "endless loop under pcall", body: `while true do pcall(function() while true do end end) end`, outcome: reports.Errored},
		{name: "calls itself without end", body: `bench.power:on() local function f() return f() end f()`,
			outcome: reports.Errored, reason: reports.Reason{Code: reports.PlanError, File: "plan.lua", Line: 3, Text: "stack overflow"}},
		{name: "calls itself without end, in together",
			body:    `bench.power:on() local function f() return f() end together(f, f, function() wait(1) end)`,
			outcome: reports.Errored, reason: reports.Reason{Code: reports.PlanError, File: "plan.lua", Line: 3, Text: "stack overflow"}},
		{name: "calls itself with more and more", body: `bench.power:on()
			local t = {} for i = 1, 32000 do t[i] = i end
			local function f(...) return f(1, ...) end
			f(unpack(t))`, outcome: reports.Errored, reason: reports.Reason{Code: reports.PlanError, File: "plan.lua", Line: 5, Text: "registry overflow"}},
		{name: "waits past its deadline", body: `wait(1000)`, outcome: reports.Errored, reason: reports.Reason{Code: reports.CheckDeadline, Check: "standby"}},
		{name: "deadline under pcall", body: `pcall(wait, 1000) reading("current", 9e-6, "A")`, outcome: reports.Errored, reason: reports.Reason{Code: reports.CheckDeadline, Check: "standby"}},
		{name: "panic in a device", body: `bench.power:on()`, change: func(r *rig) { r.power.panics = true }, outcome: reports.Errored, reason: reports.Reason{Code: reports.Internal, Text: "index out of range"}},
		{name: "panic in a device under pcall", body: `pcall(function() bench.power:on() end) reading("current", 9e-6, "A")`,
			change: func(r *rig) { r.power.panics = true }, outcome: reports.Errored, reason: reports.Reason{Code: reports.Internal, Text: "index out of range"}},
		{name: "device error caught, then measured", body: `
			local ok, err = pcall(function() bench.meter:current { over = 1 } end)
			assert(not ok and err.device == "meter" and err.kind == "no reply")
			reading("current", 9e-6, "A")`,
			change:  func(r *rig) { r.meter.curErr = noReply() },
			outcome: reports.Passed},
		{name: "interlock opens", body: `bench.power:on() wait(10)` + measureStandby,
			change:  func(r *rig) { time.AfterFunc(3*time.Second, func() { r.guard.set(func() { r.guard.closed = false }) }) },
			outcome: reports.Aborted, reason: reports.Reason{Code: reports.GuardOpened}},
		{name: "interlock cannot be read", body: `bench.power:on() wait(10)` + measureStandby,
			change: func(r *rig) {
				time.AfterFunc(3*time.Second, func() { r.guard.set(func() { r.guard.readErr = noReply() }) })
			},
			outcome: reports.Errored, reason: reports.Reason{Code: reports.GuardUnreadable}},
		{name: "cannot be made safe", body: measureStandby, change: func(r *rig) {
			time.AfterFunc(500*time.Millisecond, func() { r.power.set(func() { r.power.safeErr = noReply() }) })
		}, outcome: reports.Errored, reason: reports.Reason{Code: reports.NotSafe}},
	} {
		t.Run(c.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				r := newRig(t, plan(c.body), oneLimit)
				r.CPU = 10 * time.Millisecond // the bubble's clock stands still meanwhile: 2 million instructions
				if c.change != nil {
					c.change(r)
				}
				rep := r.run(t, context.Background())
				assert.Equal(t, c.outcome, rep.Outcome, "%+v", rep.Reason)
				assert.True(t, says(rep.Reason, c.reason), "%+v, want %+v", rep.Reason, c.reason)
				assert.False(t, r.power.isOn(), "the output was left on")
				if c.outcome != reports.Passed {
					assert.NotNil(t, rep.Reason)
				}
				for _, k := range rep.Checks {
					if rep.Outcome != reports.Passed {
						break
					}
					assert.Equal(t, reports.Pass, k.Verdict)
				}
				r.archive.Close()
			})
		})
	}
}

func TestFailedUnitSaysWhy(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, plan(measureStandby), oneLimit)
		r.meter.value = 40e-6
		rep := r.run(t, context.Background())
		got := reading(t, rep, "standby", "current")
		assert.Equal(t, reports.Fail, got.Verdict)
		assert.Equal(t, "leakage", got.Cause)
		assert.Equal(t, "the switch", got.Inspect)
		assert.Empty(t, rep.Faults, "a failed unit is no fault of the bench")
		r.archive.Close()
	})
}

func TestBenchFaultNamesTheDevice(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, plan(measureStandby), oneLimit)
		time.AfterFunc(500*time.Millisecond, func() { r.meter.set(func() { r.meter.readErr = noReply() }) })
		r.Plan = newRig(t, plan(`wait(1)`+measureStandby), oneLimit).Plan
		rep := r.run(t, context.Background())
		require.Len(t, rep.Faults, 1)
		why := rep.Faults[0].Reason
		assert.Equal(t, reports.DeviceFailed, why.Code)
		assert.Equal(t, "meter", why.Device)
		assert.Equal(t, string(drivers.NoReply), why.Kind)
		assert.Equal(t, "check the meter's cable", why.Hint)
		assert.Equal(t, &why, rep.Reason)
		r.archive.Close()
	})
}

func TestAbort(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, plan(`bench.power:on() wait(10)`+measureStandby), oneLimit)
		ctx, cancel := context.WithCancelCause(context.Background())
		start := time.Now()
		time.AfterFunc(2*time.Second, func() { cancel(&Abort{reports.Reason{Code: reports.StoppedByHand}}) })
		rep := r.run(t, ctx)
		assert.Equal(t, reports.Aborted, rep.Outcome)
		assert.Equal(t, &reports.Reason{Code: reports.StoppedByHand}, rep.Reason)
		assert.False(t, r.power.isOn())
		assert.Less(t, time.Since(start), 3*time.Second, "an abort does not wait for the plan (time is virtual)")
		assert.Empty(t, rep.Faults)
		assert.Empty(t, r.InService())
		r.archive.Close()
	})
}

// A device call that ignores its context holds the script for good. The
// fixture is safe all the same, the unit is not judged, and the nest says that
// it is out of service.
func TestStuckScript(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, plan(`bench.power:on()`+measureStandby), oneLimit)
		r.power.stuck = make(chan struct{})
		ctx, cancel := context.WithCancelCause(context.Background())
		time.AfterFunc(2*time.Second, func() { cancel(&Abort{reports.Reason{Code: reports.StoppedByHand}}) })
		safeBy := time.Duration(0)
		start := time.Now()
		seen := make(chan struct{})
		go func() {
			defer close(seen)
			for r.power.isOn() || safeBy == 0 {
				time.Sleep(10 * time.Millisecond)
				if time.Since(start) > 2*time.Second && !r.power.isOn() {
					safeBy = time.Since(start)
				}
			}
		}()
		rep := r.run(t, ctx)
		<-seen
		assert.Contains(t, []reports.Outcome{reports.Errored, reports.Aborted}, rep.Outcome)
		assert.NotZero(t, safeBy)
		assert.Less(t, safeBy, 2100*time.Millisecond, "safe at once, not after the script came back")
		assert.True(t, says(r.InService(), reports.Reason{Code: reports.PlanStuck}))
		_, err := r.Run(context.Background(), Job{})
		var notReady *NotReady
		require.ErrorAs(t, err, &notReady)
		close(r.power.stuck) // it comes back to life, and must not write into a sealed run
		synctest.Wait()
		v, err := archive.Verify(r.dir)
		require.NoError(t, err)
		assert.Empty(t, v.Problems)
		r.archive.Close()
	})
}

func TestWatchdogEndsADeviceCallThatIgnoresItsDeadline(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, plan(`bench.power:on()`+measureStandby), oneLimit)
		r.power.stuck = make(chan struct{})
		rep := r.run(t, context.Background())
		assert.Equal(t, reports.Errored, rep.Outcome)
		assert.True(t, says(rep.Reason, reports.Reason{Code: reports.PlanStuck}), "%+v", rep.Reason)
		close(r.power.stuck)
		synctest.Wait()
		r.archive.Close()
	})
}

func TestNotReady(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, plan(measureStandby), oneLimit)
		r.guard.closed = false
		_, err := r.Run(context.Background(), Job{})
		var notReady *NotReady
		require.ErrorAs(t, err, &notReady)
		assert.Equal(t, "the guard of nest A is open", err.Error())
		v, err := archive.Verify(r.dir)
		require.NoError(t, err)
		assert.Zero(t, v.Reports, "no unit was touched, so nothing is recorded")
		r.archive.Close()
	})
}

func TestOneRunAtATime(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, plan(`wait(5)`+measureStandby), oneLimit)
		done := make(chan reports.Report)
		go func() { done <- r.run(t, context.Background()) }()
		time.Sleep(time.Second)
		_, err := r.Run(context.Background(), Job{})
		assert.ErrorIs(t, err, ErrBusy)
		assert.Equal(t, reports.Passed, (<-done).Outcome)
		r.archive.Close()
	})
}

func TestRetestIsCounted(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, plan(measureStandby), oneLimit)
		r.meter.value = 40e-6
		assert.Equal(t, 1, r.run(t, context.Background()).Attempt)
		r.meter.value = 9e-6
		again := r.run(t, context.Background())
		assert.Equal(t, 2, again.Attempt)
		assert.Equal(t, reports.Passed, again.Outcome)
		r.archive.Close()
	})
}

func TestHeartbeatBeatsOnlyDuringARun(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		beat := &fake{name: "watchdog"}
		r := newRig(t, plan(`wait(5)`+measureStandby), oneLimit, func(c *Config) { c.Heartbeat = output{beat}; c.Devices["watchdog"] = output{beat} })
		changes, last := 0, false
		stop, done := make(chan struct{}), make(chan struct{})
		go func() {
			defer close(done)
			for {
				select {
				case <-stop:
					return
				case <-time.After(50 * time.Millisecond):
				}
				if on := beat.isOn(); on != last {
					changes, last = changes+1, on
				}
			}
		}()
		r.run(t, context.Background())
		close(stop)
		<-done
		assert.InDelta(t, 24, changes, 8, "6 s at a change each quarter of a second, as far as a look each 50 ms sees them")
		assert.False(t, beat.isOn())
		r.archive.Close()
	})
}

func TestPrompt(t *testing.T) {
	body := `
	local answer = ask { text = "Is the display lit?", kind = "confirm" }
	reading("current", answer and 9e-6 or 1, "A")`
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, plan(body), oneLimit)
		r.Ask = func(_ context.Context, p reports.Prompt) (reports.Value, string, error) {
			assert.Equal(t, "Is the display lit?", p.Text)
			return reports.Bool(true), "mira", nil
		}
		rep := r.run(t, context.Background())
		assert.Equal(t, reports.Passed, rep.Outcome)
		require.Len(t, rep.Prompts, 1)
		assert.Equal(t, "mira", rep.Prompts[0].By)
		r.Ask = nil
		rep = r.run(t, context.Background())
		assert.Equal(t, reports.Errored, rep.Outcome)
		assert.True(t, says(rep.Reason, reports.Reason{Code: reports.NobodyAsked, Text: "Is the display lit?"}), "%+v", rep.Reason)
		r.archive.Close()
	})
}

func TestCaptures(t *testing.T) {
	body := measureStandby + `keep("off_current", bench.meter:current { over = 0.1 })`
	for _, c := range []struct {
		keep  Keep
		value float64
		kept  bool
	}{{KeepAll, 9e-6, true}, {KeepFailed, 9e-6, false}, {KeepFailed, 1, true}, {KeepNone, 1, false}} {
		synctest.Test(t, func(t *testing.T) {
			r := newRig(t, plan(body), oneLimit, func(n *Config) { n.Keep = c.keep })
			r.meter.value = c.value
			rep := r.run(t, context.Background())
			require.Len(t, rep.Captures, 1)
			assert.NotNil(t, rep.Captures[0].Plot, "the plot stays in any case")
			file := filepath.Join(r.dir, "attachments", rep.Captures[0].SHA256+".csv")
			assert.Equal(t, c.kept, rep.Captures[0].SHA256 != "" && exists(file), "%s %g", c.keep, c.value)
			r.archive.Close()
		})
	}
}

// speaker is a device whose talk is kept.
type speaker struct {
	*fake
	talk drivers.Talk
}

func (s *speaker) Talk() *drivers.Talk { return &s.talk }

func (s *speaker) Ready(context.Context) (string, error) {
	s.talk.Sent(time.Now(), []byte("hello\x1b[2J\n"))
	return "", nil
}

// What was said with a device in a run, and in none before it, goes with its report
// whatever the outcome, unless nothing is kept.
func TestTalkIsKept(t *testing.T) {
	for _, keep := range []Keep{KeepAll, KeepFailed, KeepNone} {
		synctest.Test(t, func(t *testing.T) {
			s := &speaker{fake: &fake{name: "console"}}
			r := newRig(t, plan(measureStandby), oneLimit, func(n *Config) {
				n.Keep, n.Devices["console"], n.Drives["console"] = keep, s, []drivers.Hazard{drivers.Nothing}
			})
			s.talk.Heard(time.Now(), []byte("of another run\n"))
			for range 2 {
				rep := r.run(t, context.Background())
				require.Equal(t, reports.Passed, rep.Outcome)
				require.Len(t, rep.Captures, 1)
				c := rep.Captures[0]
				assert.Equal(t, []string{"", "console", reports.TalkMedia}, []string{c.Check, c.Name, c.Media})
				text, ok := archive.Talk(r.dir, c.SHA256)
				require.Equal(t, keep != KeepNone, ok)
				if ok {
					assert.Equal(t, "    0.000 > hello\\x1B[2J\\n\n", text)
					file := filepath.Join(r.dir, "attachments", c.SHA256+".txt")
					require.NoError(t, os.WriteFile(file, []byte("something else"), 0o600))
					_, ok = archive.Talk(r.dir, c.SHA256)
					assert.False(t, ok, "what was changed is not shown")
					require.NoError(t, os.WriteFile(file, []byte(text), 0o600))
				}
			}
			r.archive.Close()
		})
	}
}

// What cannot be written down has not happened: the run is an error.
func TestCaptureThatCannotBeWritten(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, plan(measureStandby+`keep("off_current", bench.meter:current { over = 0.1 })`), oneLimit)
		dir := filepath.Join(r.dir, "attachments")
		require.NoError(t, os.RemoveAll(dir))
		require.NoError(t, os.WriteFile(dir, nil, 0o600)) // a file where the folder was
		sealed, err := r.Run(context.Background(), Job{Unit: reports.Unit{SerialNumber: "K824A00017M", Product: "kite"}})
		require.NoError(t, err)
		assert.Equal(t, reports.Errored, sealed.Report.Outcome)
		assert.Equal(t, reports.Unrecorded, sealed.Report.Reason.Code)
		r.archive.Close()
	})
}

func TestVitalCheckEndsTheRun(t *testing.T) {
	source := `plan { product = "kite" }
check("standby", { vital = true }, function() reading("current", 1, "A") end)
check("later", {}, function() error("must not run") end)
`
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, source, oneLimit)
		rep := r.run(t, context.Background())
		assert.Equal(t, reports.Failed, rep.Outcome)
		assert.Len(t, rep.Checks, 1)
		r.archive.Close()
	})
}

func TestNewRefusesPartsThatDoNotFit(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, plan(measureStandby), oneLimit)
		other := newRig(t, `plan { product = "gull" } check("standby", {}, function() end)`, `product = "gull"`)
		c := r.Config
		c.Limits = other.Config.Limits
		_, err := New(c)
		assert.ErrorContains(t, err, `the plan is for product "kite", the limits are for "gull"`)
		c = other.Config
		c.Limits = newRig(t, `plan { product = "gull" } check("x", {}, function() end)`, "product = \"gull\"\n[x.y]\nupper = 1\nunit = \"A\"\nwhy = \"test\"").Config.Limits
		_, err = New(c)
		assert.ErrorContains(t, err, `there is a limit for x.y, but the plan has no check "x"`)
		r.archive.Close()
		other.archive.Close()
	})
}

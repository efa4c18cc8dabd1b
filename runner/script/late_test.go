package script

import (
	"context"
	"errors"
	"strings"
	"testing"
	"time"

	"fullthrow/drivers"
	"fullthrow/drivers/sim"
)

// slowOutput is an output that takes a while to switch.
type slowOutput struct {
	part
	takes *time.Duration
}

func (o slowOutput) Set(ctx context.Context, on bool) error { return o.sleep(ctx, *o.takes) }

// late expects of a plan's end that it is a Late error with this text; "" is none.
func late(t *testing.T, err error, want string) {
	t.Helper()
	var e *drivers.Error
	switch {
	case want == "" && err != nil:
		t.Errorf("got %v, want no error", err)
	case want != "" && (!errors.As(err, &e) || e.Kind != drivers.Late || e.Hint != drivers.LateHint ||
		!strings.HasSuffix(err.Error(), ": "+want)):
		t.Errorf("got %v (%q), want late, %s", err, drivers.KindOf(err), want)
	}
}

// A computer that stands still in a plan: at the wrong moment it is an error.
func TestStalledPlan(t *testing.T) {
	const ms = time.Millisecond
	off := "bench.power:off() wait(0.5) bench.power:on()"
	sweep := "bench.sticks:sweep { axes = { 'left_x' }, points = 3, dwell = 0.2, cycles = 1 }"
	for _, c := range []struct {
		name, plan string
		at, lasts  time.Duration
		want       string
	}{
		{"off time, in time", off, time.Hour, 0, ""},
		{"off time, a moment longer", off, 490 * ms, 35 * ms, ""},
		{"off time of 0.9 s in place of 0.5 s", off, 490 * ms, 410 * ms, "wait: 0.5 s: took 900ms"},
		{"in the midst of it, and over in time", off, 100 * ms, 300 * ms, ""},
		{"a long wait may be longer", "wait(3)", 2990 * ms, 65 * ms, ""},
		{"not for long", "wait(3)", 2990 * ms, 80 * ms, "wait: 3 s: took 3.07s"},
		{"caught by the plan, it is what it is", "local ok, e = pcall(wait, 0.5) if e.kind ~= 'late' then error(e.kind) end",
			490 * ms, 410 * ms, ""},
		{"under a capture of the meter", "bench.meter:current { over = 0.5 }", 400 * ms, 700 * ms, ""},
		{"a sweep stands a little longer", sweep, 250 * ms, 200 * ms, ""},
		{"and much longer", sweep, 250 * ms, 320 * ms, "sticks: sweep: the stick stood 270ms longer than planned"},
		{"beside a capture", "together(function() bench.receiver:record { over = 1 } end, function() wait(0.1) bench.power:on() end)",
			90 * ms, 100 * ms, "wait: 0.1 s: took 190ms"},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := newStage()
			s.clock.(*sim.Clock).Stall(epoch.Add(c.at), c.lasts)
			late(t, s.run(t, body(c.plan)), c.want)
		})
	}
}

// askedMover is asked where it stands after each movement, which takes a while.
type askedMover struct {
	fakeMover
	by time.Duration
}

func (m askedMover) Move(ctx context.Context, to map[string]float64, rate float64) (drivers.Segment, error) {
	seg, err := m.fakeMover.Move(ctx, to, rate)
	if err != nil {
		return seg, err
	}
	return seg, m.sleep(ctx, m.by)
}

// A stick stands since its movement ended: what its machine says of that afterwards
// makes no point of a sweep longer, unless it takes longer than that.
func TestSweepOfAMachineThatIsAsked(t *testing.T) {
	const ms = time.Millisecond
	var unasked time.Duration
	for _, by := range []time.Duration{0, 20 * ms, 129 * ms, 150 * ms} {
		want := ""
		if by == 150*ms {
			want = "sticks: sweep: the stick stood 260ms longer than planned"
		}
		s := newStage()
		s.host.Devices["sticks"] = askedMover{fakeMover{part{"sticks", s.clock, &s.log}}, by}
		began := s.clock.Now()
		late(t, s.run(t, body("bench.sticks:sweep { axes = { 'left_x' }, points = 11, dwell = 0.13, cycles = 2, rate = 4 }")), want)
		switch took := s.clock.Now().Sub(began); {
		case by == 0:
			unasked = took
		case want == "" && took > unasked+by: // behind the last
			t.Errorf("%v after each movement: %v in all, and %v without", by, took, unasked)
		}
	}
}

// An output that switches late begins and ends the off time who knows when.
func TestLateSwitch(t *testing.T) {
	const ms = time.Millisecond
	for _, c := range []struct {
		name  string
		takes []time.Duration // each call
		want  string
	}{
		{"quick", []time.Duration{2 * ms, 2 * ms, 30 * ms}, ""},
		{"late", []time.Duration{2 * ms, 2 * ms, 40 * ms}, "power: on: took 40ms, at most 34ms are usual"},
		{"a slow line", []time.Duration{100 * ms, 100 * ms, 200 * ms}, ""},
		{"late on a slow line", []time.Duration{100 * ms, 100 * ms, 240 * ms}, "power: on: took 240ms, at most 230ms are usual"},
		{"the first", []time.Duration{260 * ms}, "power: on: took 260ms, at most 250ms are usual"},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := newStage()
			var takes time.Duration
			s.host.Devices["power"] = slowOutput{part{"power", s.clock, &s.log}, &takes}
			s.host.Devices["next"] = fakeTimerFunc{part{"next", s.clock, &s.log}, func() { takes, c.takes = c.takes[0], c.takes[1:] }}
			plan := strings.Repeat("bench.next:interval() bench.power:on() ", len(c.takes))
			late(t, s.run(t, body(plan)), c.want)
		})
	}
}

type fakeTimerFunc struct {
	part
	f func()
}

func (f fakeTimerFunc) Interval(context.Context) (float64, error) { f.f(); return 1, nil }

// lateReceiver begins its captures late.
type lateReceiver struct {
	part
	by time.Duration
}

func (r lateReceiver) Record(ctx context.Context, over time.Duration) (drivers.Frames, error) {
	if err := r.sleep(ctx, r.by); err != nil {
		return drivers.Frames{}, err
	}
	return fakeReceiver{r.part}.Record(ctx, over)
}

// What waits first in a together acts in captures that have begun.
func TestCaptureBeginsLate(t *testing.T) {
	const ms = time.Millisecond
	beside := "together(function() bench.receiver:record { over = 1 } end, function() wait(0.05) bench.power:on() end)"
	for _, c := range []struct {
		name, plan string
		by         time.Duration
		want       string
	}{
		{"in time", beside, 30 * ms, ""},
		{"too late", beside, 60 * ms, "receiver: record: it may have begun after power was switched, which waited for it"},
		{"hardly in time", beside, 45 * ms, "receiver: record: it may have begun after power was switched, which waited for it"},
		{"nothing waited for it", strings.Replace(beside, "wait(0.05)", "", 1), 60 * ms, ""},
		{"alone", "bench.receiver:record { over = 1 }", 200 * ms, ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := newStage()
			s.host.Devices["receiver"] = lateReceiver{part{"receiver", s.clock, &s.log}, c.by}
			late(t, s.run(t, body(c.plan)), c.want)
		})
	}
}

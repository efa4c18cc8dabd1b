package motion_test

import (
	"context"
	"errors"
	"math"
	"strings"
	"testing"
	"time"

	"fullthrow/drivers"
	"fullthrow/drivers/motion"
	"fullthrow/drivers/sim"
)

// peer is a simulated controller with the driver for it.
type peer struct {
	*motion.Machine
	clock *sim.Clock
	bench *sim.Bench
	model motion.Model
	wire  *worn // between them
}

// worn damages every so-manieth line that is told, and remembers all of them.
type worn struct {
	drivers.Port
	each  int // 0: none
	lines []string
	hit   int
}

func (w *worn) Write(ctx context.Context, p []byte) error {
	line := string(p)
	w.lines = append(w.lines, line)
	if w.each > 0 && len(w.lines)%w.each == 0 && len(line) > 4 {
		w.hit++
		p = []byte(line)
		p[len(line)/2] ^= 0x04
	}
	return w.Port.Write(ctx, p)
}

var controllers = map[string]string{"generic-state": sim.StateControl, "generic-queue": sim.QueueControl,
	"generic-gcode": sim.PlainControl}

func newPeer(t *testing.T, model string, h sim.SticksHabit, o motion.Options) *peer {
	t.Helper()
	p := &peer{clock: sim.NewClock(time.Date(2026, 1, 5, 6, 0, 0, 0, time.UTC))}
	p.bench = sim.NewBench(p.clock, 1)
	h.Controller = controllers[model]
	if err := p.bench.SetSticks(h); err != nil {
		t.Fatal(err)
	}
	port, err := p.bench.Port(sim.Sticks)
	if err != nil {
		t.Fatal(err)
	}
	o.Model = model
	p.wire = &worn{Port: port}
	port = p.wire
	if p.Machine, err = motion.Open("sticks", port, p.clock, o); err != nil {
		t.Fatal(err)
	}
	for _, m := range motion.Models() {
		if m.Name == model {
			p.model = m
		}
	}
	return p
}

func (p *peer) homed(t *testing.T) *peer {
	t.Helper()
	if _, err := p.Ready(t.Context()); err != nil {
		t.Fatal(err)
	}
	if err := p.Home(t.Context()); err != nil {
		t.Fatal(err)
	}
	return p
}

// stopped makes it safe while it does something else, at a moment, and says what
// came of both, and whether it moved when it was said to be safe.
func (p *peer) stopped(t *testing.T, at time.Duration, do func(context.Context) error) (safe, did error, moving bool) {
	t.Helper()
	p.clock.Together(t.Context(),
		func(ctx context.Context) { did = do(ctx) },
		func(ctx context.Context) {
			if err := p.clock.Sleep(ctx, at); err != nil {
				t.Error(err)
			}
			safe = p.Safe(ctx)
			moving = p.bench.State().Moving
		})
	return safe, did, moving
}

func (p *peer) slowly(ctx context.Context) error {
	_, err := p.Move(ctx, map[string]float64{"left_x": 1}, 0.2) // 5 s, 2.4 mm/s
	return err
}

func (p *peer) quickly(ctx context.Context) error {
	_, err := p.Move(ctx, map[string]float64{"left_x": 1}, 4)
	return err
}

// Each controller with a stop stands within the time that its row states, and
// what was measured of that is told.
func TestStops(t *testing.T) {
	for _, c := range []struct {
		name, model string
		habit       sim.SticksHabit
		homing      bool
		fast        bool
		most        time.Duration
	}{
		{"holds", "generic-state", sim.SticksHabit{}, false, false, 50 * time.Millisecond},
		{"slows down for 60 ms", "generic-state", sim.SticksHabit{Acceleration: 800}, false, true, 120 * time.Millisecond},
		{"would slow down for 1 s", "generic-state", sim.SticksHabit{Acceleration: 40}, false, true, 500 * time.Millisecond},
		{"is stuck in hold", "generic-state", sim.SticksHabit{HoldsForever: true}, false, false, 500 * time.Millisecond},
		{"heeds no hold", "generic-state", sim.SticksHabit{NeverStops: true}, false, false, 500 * time.Millisecond},
		{"homes", "generic-state", sim.SticksHabit{}, true, false, 300 * time.Millisecond},
		{"answers in capitals", "generic-state", sim.SticksHabit{Upper: true}, false, false, 50 * time.Millisecond},
		{"echoes", "generic-state", sim.SticksHabit{Chatty: true}, true, false, 300 * time.Millisecond},
		{"stops quickly", "generic-queue", sim.SticksHabit{}, false, false, 50 * time.Millisecond},
		{"homes", "generic-queue", sim.SticksHabit{}, true, false, 50 * time.Millisecond},
	} {
		t.Run(c.model+" "+c.name, func(t *testing.T) {
			p := newPeer(t, c.model, c.habit, motion.Options{})
			do := p.slowly
			if c.fast {
				do = p.quickly
			}
			if c.homing {
				do = p.Home
			} else {
				p.homed(t)
			}
			safe, did, moving := p.stopped(t, 200*time.Millisecond, do)
			s, ok := p.Standstill()
			if safe != nil || moving || !ok || !s.Known || s.After <= 0 || s.After > c.most || s.After > p.model.StopTime {
				t.Errorf("safe: %v, moving %v, standstill %+v; want it known within %v", safe, moving, s, c.most)
			}
			if !c.habit.Chatty && !errors.Is(did, context.Canceled) || did == nil {
				t.Errorf("what was under way: %v", did)
			}
			stood := p.bench.State().Positions["left_x"]
			if err := p.clock.Sleep(t.Context(), 10*time.Second); err != nil {
				t.Fatal(err)
			}
			if at := p.bench.State().Positions["left_x"]; at != stood {
				t.Errorf("it went on from %v to %v throws", stood, at)
			}
			if c.habit.Chatty {
				return
			}
			if err := p.quickly(t.Context()); drivers.KindOf(err) != drivers.Refused {
				t.Errorf("moved without homing: %v", err)
			}
			p.homed(t)
			if err := p.slowly(t.Context()); err != nil {
				t.Errorf("homed again: %v", err)
			}
		})
	}
}

// cutter is an output that takes a machine's power.
type cutter func() error

func (c cutter) String() string                        { return "motor_power" }
func (c cutter) Ready(context.Context) (string, error) { return "a relay", nil }
func (c cutter) Safe(context.Context) error            { return c() }
func (c cutter) Close() error                          { return nil }

// Where nothing stops it in time, that is said, and what to do.
func TestDoesNotStop(t *testing.T) {
	for _, c := range []struct {
		name, model string
		habit       sim.SticksHabit
		fault       sim.Fault
		text, hint  string
	}{
		{"reads not ahead", "generic-queue", sim.SticksHabit{NoReadAhead: true}, "", "not known to stand still: no reply in 1s",
			"ends its movements before it heeds a stop"},
		{"no stop", "generic-gcode", sim.SticksHabit{}, "", "not known to stand still: no reply in 300ms", "nothing stops this controller but its power"},
		{"stuck", "generic-state", sim.SticksHabit{}, sim.Stuck, "not known to stand still after 600ms: it says Run", "emergency stop"},
		{"silent", "generic-state", sim.SticksHabit{}, sim.Silent, "it does not say its state in 600ms", "emergency stop"},
		{"gone", "generic-state", sim.SticksHabit{}, sim.Gone, "unplugged", "emergency stop"},
		{"garbled", "generic-state", sim.SticksHabit{}, sim.Garbled, `it does not say its state in 600ms, but "`, "emergency stop"},
		{"partial", "generic-state", sim.SticksHabit{}, sim.Partial, "not known to stand still", "emergency stop"},
		{"slow", "generic-state", sim.SticksHabit{}, sim.Slow, "not known to stand still", "emergency stop"},
		{"silent", "generic-queue", sim.SticksHabit{}, sim.Silent, "not known to stand still: no reply in 1s", "emergency stop"},
		{"gone", "generic-queue", sim.SticksHabit{}, sim.Gone, "unplugged", "emergency stop"},
		{"garbled", "generic-queue", sim.SticksHabit{}, sim.Garbled, "is no position", "emergency stop"},
	} {
		t.Run(c.model+" "+c.name, func(t *testing.T) {
			p := newPeer(t, c.model, c.habit, motion.Options{Home: motion.Trusted}).homed(t)
			if err := p.bench.BreakAt(p.clock.Now().Add(100*time.Millisecond), sim.Sticks, c.fault); err != nil {
				t.Fatal(err)
			}
			safe, _, moving := p.stopped(t, 200*time.Millisecond, p.slowly)
			var e *drivers.Error
			if !errors.As(safe, &e) || e.Device != "sticks" || !strings.Contains(e.Error(), c.text) ||
				!strings.Contains(e.Hint, c.hint) {
				t.Errorf("got %v (%q), want %q (%q)", safe, drivers.KindOf(safe), c.text, c.hint)
			} else if s, _ := p.Standstill(); s.Known {
				t.Errorf("standstill %+v", s)
			}
			if c.fault == "" && !moving {
				t.Error("it stands: the test proves nothing")
			}
			// The power is what is left.
			cut := 0
			p.CutBy("motor_power", cutter(func() error { cut++; return nil }))
			if err := p.Safe(t.Context()); err != nil || cut == 0 {
				t.Errorf("with its power cut %d times: %v", cut, err)
			}
			if s, _ := p.Standstill(); !s.Known || s.Cut != "motor_power" {
				t.Errorf("with its power cut: %+v", s)
			}
			p.CutBy("motor_power", cutter(func() error { return errors.New("the relay is stuck") }))
			if err := p.Safe(t.Context()); !errors.As(err, &e) || c.model != "generic-gcode" &&
				!strings.Contains(e.Hint, "the relay is stuck") {
				t.Errorf("with its power not cut: %v", err)
			}
		})
	}
}

// Homing is proved by the machine.
func TestHomingProof(t *testing.T) {
	for _, c := range []struct {
		name, model string
		habit       sim.SticksHabit
		home        string
		text, hint  string // "": homed
	}{
		{"state", "generic-state", sim.SticksHabit{}, "", "", ""},
		{"no homing cycle", "generic-state", sim.SticksHabit{NoHoming: true}, "", "error 5", "it has no homing cycle"},
		{"no homing cycle, trusted", "generic-state", sim.SticksHabit{NoHoming: true}, motion.Trusted, "error 5", "it has no homing cycle"},
		{"switches", "generic-queue", sim.SticksHabit{}, "", "", ""},
		{"no switches", "generic-queue", sim.SticksHabit{NoHoming: true}, "", "Printer halted", ""},
		{"no proof", "generic-gcode", sim.SticksHabit{}, "", "this controller cannot prove that it has found its reference", `home = "trusted"`},
		{"trusted", "generic-gcode", sim.SticksHabit{}, motion.Trusted, "", ""},
	} {
		t.Run(c.model+" "+c.name, func(t *testing.T) {
			p := newPeer(t, c.model, c.habit, motion.Options{Home: c.home})
			if id, err := p.Ready(t.Context()); err != nil || !strings.HasPrefix(id, c.model) {
				t.Fatalf("%q, %v", id, err)
			}
			err := p.Home(t.Context())
			var e *drivers.Error
			if (err == nil) != (c.text == "") || err != nil && (!errors.As(err, &e) || !strings.Contains(err.Error(), c.text) ||
				!strings.Contains(e.Hint, c.hint)) {
				t.Errorf("got %v, want %q", err, c.text)
			}
			err = p.quickly(t.Context())
			if (err == nil) != (c.text == "") {
				t.Errorf("then moved: %v", err)
			}
		})
	}
}

// numberedQueue is the row of a queue whose lines are numbered.
func numberedQueue(change func(*motion.Model)) *motion.Model {
	for _, m := range motion.Models() {
		if m.Name == "generic-queue" {
			m.Name, m.Numbered = "numbered-queue", true
			change(&m)
			return &m
		}
	}
	return nil
}

// Where one closed switch is the proof, a machine that leaves its switches again but
// one is homed; one with none closed is not, and by the proof of each none of both.
func TestHomingProvedByAnySwitch(t *testing.T) {
	for _, c := range []struct {
		proof string
		habit sim.SticksHabit
		text  string
	}{
		{"any-switch", sim.SticksHabit{LeavesSwitches: true}, ""},
		{"any-switch", sim.SticksHabit{}, ""},
		{"switches", sim.SticksHabit{LeavesSwitches: true}, "homing is not proved: of X it says"},
		{"any-switch", sim.SticksHabit{NoHoming: true}, "Printer halted"},
	} {
		row := numberedQueue(func(m *motion.Model) { m.Numbered, m.Proof = false, c.proof })
		if f := row.Faults(); len(f) > 0 {
			t.Fatal(f)
		}
		p := newPeer(t, "generic-queue", c.habit, motion.Options{Row: row})
		if _, err := p.Ready(t.Context()); err != nil {
			t.Fatal(err)
		}
		err := p.Home(t.Context())
		if (err == nil) != (c.text == "") || err != nil && !strings.Contains(err.Error(), c.text) {
			t.Errorf("%s, %+v: %v, want %q", c.proof, c.habit, err, c.text)
		}
	}
	// Only a switch of the machine's own axes counts.
	p := newPeer(t, "generic-queue", sim.SticksHabit{LeavesSwitches: true}, motion.Options{
		Row: numberedQueue(func(m *motion.Model) { m.Proof = "any-switch" }), Axes: map[string]motion.Axis{"left_x": {Letter: "X"}}})
	if _, err := p.Ready(t.Context()); err != nil {
		t.Fatal(err)
	}
	if err := p.Home(t.Context()); err == nil || !strings.Contains(err.Error(), "homing is not proved") {
		t.Errorf("the switch of another axis: %v", err)
	}
}

// Numbered lines that arrive damaged are sent again, and every movement leads where it
// should; where each is damaged the error says so. A line is never sent again once the
// machine is made safe.
func TestNumberedLines(t *testing.T) {
	row := numberedQueue(func(*motion.Model) {})
	if f := row.Faults(); len(f) > 0 {
		t.Fatal(f)
	}
	for _, each := range []int{0, 7, 4, 3, 2} {
		p := newPeer(t, "generic-queue", sim.SticksHabit{}, motion.Options{Row: row})
		p.wire.each = each
		p.homed(t)
		for i := range 40 {
			to := []float64{0.5, -0.3, 1, 0}[i%4]
			if _, err := p.Move(t.Context(), map[string]float64{"left_x": to}, 4); err != nil {
				t.Fatalf("one in %d damaged, movement %d: %v", each, i, err)
			}
			if at := p.bench.State().Positions["left_x"]; math.Abs(at-to) > 1e-3 {
				t.Fatalf("one in %d damaged, movement %d: at %v, want %v", each, i, at, to)
			}
		}
		if (each > 0) != (p.wire.hit > 10) {
			t.Errorf("one in %d: %d damaged", each, p.wire.hit)
		}
		for _, l := range p.wire.lines {
			if !strings.HasPrefix(l, "N") || !strings.Contains(l, "*") {
				t.Errorf("%q has no number", l)
			}
		}
		safe, did, moving := p.stopped(t, 200*time.Millisecond, p.slowly)
		if each == 0 && (safe != nil || moving || !errors.Is(did, context.Canceled)) {
			t.Errorf("stopped: %v, %v, moving %v", safe, did, moving)
		}
		if last := p.wire.lines[len(p.wire.lines)-1]; strings.Contains(last, "G1") || safe == nil && moving {
			t.Errorf("made safe: %v, moving %v, and then told %q", safe, moving, last)
		}
		if p.wire.each = 0; each > 0 {
			continue
		}
		p.homed(t) // the count begins again
		if err := p.quickly(t.Context()); err != nil {
			t.Error(err)
		}
	}
	p := newPeer(t, "generic-queue", sim.SticksHabit{}, motion.Options{Row: row}).homed(t)
	p.wire.each = 1
	_, err := p.Move(t.Context(), map[string]float64{"left_x": 0.5}, 4)
	if drivers.KindOf(err) != drivers.Garbled || !strings.Contains(err.Error(), "got it 5 times") {
		t.Errorf("each line damaged: %v", err)
	}
	// A controller that restarted counts from 0 again, and says so before it moves.
	p.wire.each = 0
	p.homed(t)
	if err := p.quickly(t.Context()); err != nil {
		t.Error(err)
	}
}

// A controller that restarts has forgotten all: whatever comes next says so, and
// nothing moves before it is homed.
func TestRestart(t *testing.T) {
	for _, model := range []string{"generic-state", "generic-queue"} {
		for _, after := range []time.Duration{-400 * time.Millisecond, 100 * time.Millisecond, 5 * time.Second} {
			p := newPeer(t, model, sim.SticksHabit{}, motion.Options{}).homed(t)
			at := p.clock.Now().Add(after) // before, in or behind a movement of 4 s
			q := newPeer(t, model, sim.SticksHabit{RestartAt: at.Sub(time.Date(2026, 1, 5, 6, 0, 0, 0, time.UTC))},
				motion.Options{})
			if after < 0 {
				if _, err := q.Ready(t.Context()); err != nil {
					t.Fatal(err)
				}
				if err := q.Home(t.Context()); err == nil || !strings.Contains(err.Error(), "restarted") {
					t.Errorf("%s: restarted while it homed: %v", model, err)
				}
				continue
			}
			q.homed(t)
			var errs []error
			for _, to := range []float64{0.5, 0, 0.5} {
				_, err := q.Move(t.Context(), map[string]float64{"left_x": to}, 0.25)
				errs = append(errs, err)
			}
			if !strings.Contains(errors.Join(errs...).Error(), `the controller restarted: it says "`) ||
				drivers.KindOf(errs[2]) == "" {
				t.Errorf("%s, after %v: %v", model, after, errs)
			}
			q.homed(t)
			if err := q.quickly(t.Context()); err != nil {
				t.Errorf("%s: homed again: %v", model, err)
			}
		}
	}
}

// A board that restarts when its port is opened is waited for.
func TestBoot(t *testing.T) {
	for _, model := range []string{"generic-state", "generic-queue"} {
		newPeer(t, model, sim.SticksHabit{Boot: 2500 * time.Millisecond}, motion.Options{}).homed(t)
		p := newPeer(t, model, sim.SticksHabit{Boot: time.Minute}, motion.Options{})
		if _, err := p.Ready(t.Context()); drivers.KindOf(err) == "" {
			t.Errorf("%s: deaf for a minute: %v", model, err)
		}
	}
}

// Alarms and states come in plain words.
func TestPlainWords(t *testing.T) {
	p := newPeer(t, "generic-state", sim.SticksHabit{}, motion.Options{Axes: map[string]motion.Axis{
		"left_x": {Letter: "X", Min: -2, Max: 2}}}).homed(t)
	_, err := p.Move(t.Context(), map[string]float64{"left_x": 1.5}, 1)
	var e *drivers.Error
	if !errors.As(err, &e) || e.Error() != "sticks: move: the machine gives an alarm: 2" || !strings.Contains(e.Hint, "beyond its travel") {
		t.Errorf("beyond its travel: %v, %q", err, e.Hint)
	}
	p.homed(t) // also out of an alarm that takes a reset
	if err := p.quickly(t.Context()); err != nil {
		t.Error(err)
	}
}

// Bad habits: what was done was done, or the error says what was really heard.
func TestHabits(t *testing.T) {
	for _, c := range []struct {
		name  string
		habit sim.SticksHabit
		text  string // "": all goes well
	}{
		{"capitals", sim.SticksHabit{Upper: true}, ""},
		{"slow by 50 ms", sim.SticksHabit{Slow: 50 * time.Millisecond}, ""},
		{"slow by 20 s", sim.SticksHabit{Slow: 20 * time.Second}, "no reply in "},
		{"echo", sim.SticksHabit{Echo: true}, " is no answer"},
		{"prompt", sim.SticksHabit{Prompt: true}, `"> `},
		{"unasked", sim.SticksHabit{Chatty: true}, `"temperature of the driver: 41" is no `},
		{"loses lines", sim.SticksHabit{Loses: 3}, "no reply in "},
	} {
		for _, model := range []string{"generic-state", "generic-queue"} {
			t.Run(model+" "+c.name, func(t *testing.T) {
				p := newPeer(t, model, c.habit, motion.Options{})
				err := func() error {
					if _, err := p.Ready(t.Context()); err != nil {
						return err
					}
					if err := p.Home(t.Context()); err != nil {
						return err
					}
					seg, err := p.Move(t.Context(), map[string]float64{"left_x": 0.5}, 1)
					if at := p.bench.State().Positions["left_x"]; err == nil && (math.Abs(at-0.5) > 1e-6 || p.bench.State().Moving ||
						seg.To["left_x"] != 0.5) {
						t.Errorf("said to be done, and at %v throws", at)
					}
					return err
				}()
				if (err == nil) != (c.text == "") || err != nil && (!strings.Contains(err.Error(), c.text) ||
					!strings.HasPrefix(err.Error(), "sticks: ")) {
					t.Errorf("got %v, want %q", err, c.text)
				}
			})
		}
	}
}

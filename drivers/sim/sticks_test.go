package sim

import (
	"fmt"
	"math"
	"strings"
	"testing"
	"time"
)

// lines sends a line and returns all that is said in the time given.
func (r *rig) lines(send string, within float64) string {
	r.t.Helper()
	r.send(Sticks, send)
	r.wait(within)
	return r.said()
}

// said is all that the sticks have said, without ends of lines.
func (r *rig) said() string {
	var got []byte
	buf := make([]byte, 4096)
	for {
		n, err := r.ports[Sticks].Read(r.ctx, buf, 0)
		if err != nil {
			return strings.TrimSuffix(strings.ReplaceAll(string(got), "\r\n", "|"), "|")
		}
		got = append(got, buf[:n]...)
	}
}

// sendBytes are no line.
func (r *rig) sendBytes(s string) {
	if err := r.ports[Sticks].Write(r.ctx, []byte(s)); err != nil {
		r.t.Fatal(err)
	}
}

func (r *rig) expect(send string, within float64, want string) {
	r.t.Helper()
	if got := r.lines(send, within); got != want {
		r.t.Errorf("%s: got %q, want %q", send, got, want)
	}
}

func TestStateControlText(t *testing.T) {
	r := newRigWith(t, 1, SticksHabit{})
	for _, c := range []struct{ send, want string }{
		{"G21 G90", "error:9"}, {"G4 P0", "error:9"}, {"$G", "[GC:G0 G54 G17 G21 G90 G94 M5 M9 T0 F0 S0]|ok"},
		{"", "ok"}, {"$X", "[MSG:Caution: Unlocked]|ok"}, {"G21 G90", "ok"}, {"(nothing) ; at all", "ok"},
		{"G1 X1", "error:22"}, {"g1x1.5f600", "ok"}, {"G2 X1", "error:20"}, {"B3", "error:20"}, {"G1 X", "error:2"},
		{"G4", "error:28"}, {"$Q", "error:3"}, {strings.Repeat("G1 ", 40), "error:11"},
	} {
		r.expect(c.send, 0.01, c.want)
	}
	r = newRig(t, 1)
	r.expect("$H", 0.01, "error:5")
	r.expect("G28", 0.01, "ok") // and it was never homed
	if r.bench.State().Homed {
		t.Error("homed by going to a stored place")
	}
}

func TestStateControlStops(t *testing.T) {
	for _, c := range []struct {
		how  string
		send string
		more float64 // mm
		then string  // after 50 ms
	}{
		// 20 mm/s at 500 mm/s^2: 40 ms, 0.4 mm.
		{"hold", "!", 0.4, "<Hold:0|MPos:"},
		{"reset", "\x18", 0, "ALARM:3|Stick machine 1.1 ['$' for help]|[MSG:'$H'|'$X' to unlock]|<Alarm|MPos:"},
		{"door", "\x84", 0.4, "[MSG:Check Door]|<Door:1|MPos:"},
	} {
		t.Run(c.how, func(t *testing.T) {
			r := newRigWith(t, 1, SticksHabit{Acceleration: 500})
			r.expect("$H", 2, "ok")
			r.expect("G1 X12 F1200", 0.3, "ok")
			r.send(Sticks, "G4 P0")
			at := func() float64 { return 12 * r.bench.State().Positions["left_x"] }
			was := at()
			// 40 ms of gathering speed cost half of that.
			if want := 20 * (0.3 - 0.02); math.Abs(was-want) > 0.05 {
				t.Errorf("at %v mm after 0.3 s, want %v", was, want)
			}
			r.sendBytes(c.send + "?")
			if s := r.bench.State(); s.Moving != (c.more > 0) {
				t.Errorf("moving %v at once after it", s.Moving)
			}
			r.wait(0.05)
			got := r.said()
			r.sendBytes("?")
			r.wait(0.01)
			if got = strings.TrimPrefix(got, "<Hold:1|"); c.more > 0 {
				got = r.said()
				if c.how == "door" {
					got = "[MSG:Check Door]|" + got
				}
			}
			if !strings.HasPrefix(got, c.then) {
				t.Errorf("said %q, want %q", got, c.then)
			}
			if s := r.bench.State(); s.Moving || math.Abs(at()-was-c.more) > 0.02 {
				t.Errorf("moving %v, %v mm further, want %v", s.Moving, at()-was, c.more)
			}
			stood := at()
			r.wait(3)
			if at() != stood {
				t.Errorf("went on to %v mm", at())
			}
			if c.how == "hold" {
				r.sendBytes("~")
				r.wait(2)
				if got := r.said(); got != "ok" || math.Abs(at()-12) > 1e-6 {
					t.Errorf("after ~: said %q at %v mm, want ok for the pause and 12 mm", got, at())
				}
			}
		})
	}
}

// A program pause lets what runs run on, and then takes nothing.
func TestStateControlPause(t *testing.T) {
	r := newRig(t, 1)
	r.expect("G1 X12 F1200", 0.1, "ok")
	r.expect("M0", 2, "ok")
	if x := r.bench.State().Positions["left_x"]; x != 1 {
		t.Errorf("at %v throws, want 1", x)
	}
	r.expect("G1 X0", 2, "")
	r.sendBytes("~")
	r.wait(0.01)
	if got := r.said(); got != "ok" {
		t.Errorf("after ~: %q", got)
	}
}

// What does not fit into its memory for characters is lost.
func TestStateControlBuffer(t *testing.T) {
	r := newRig(t, 1)
	r.expect("G1 X12 F600", 0.01, "ok")
	r.send(Sticks, "G4 P0")
	for range 20 {
		r.send(Sticks, "G91 G1 X0") // 10 characters each
	}
	r.wait(3)
	if got := strings.Count(r.said(), "ok"); got != 1+12 {
		t.Errorf("%d acknowledgements, want 1 and the 12 lines that fit 128 characters", got)
	}
	// More movements than it plans: ok waits for room. The lines come one by one.
	r.send(Sticks, "\nG90") // behind what is left of a line
	start := r.clock.Now()
	r.said()
	for i := range statePlanned + 4 {
		r.ask(Sticks, fmt.Sprintf("G1 X%d", 5*(i%2)))
	}
	if took := r.clock.Now().Sub(start).Seconds(); took < 1.4 || took > 2.6 {
		t.Errorf("it made us wait %v s, want for 4 or 5 movements of 0.5 s", took)
	}
}

func TestStateControlHoming(t *testing.T) {
	r := newRigWith(t, 1, SticksHabit{})
	r.send(Sticks, "$H")
	r.sendBytes("?!")
	r.wait(0.3)
	if got := r.said(); got != "" || !r.bench.State().Moving {
		t.Errorf("while homing: %q", got)
	}
	r.sendBytes("\x18")
	r.wait(0.1)
	if got := r.said(); !strings.HasPrefix(got, "ALARM:6|Stick machine") || r.bench.State().Homed {
		t.Errorf("reset while homing: %q, homed %v", got, r.bench.State().Homed)
	}
	r.expect("$H", 2, "ok")
	r.expect("G1 X12.7 F600", 0.1, "ALARM:2|[MSG:Reset to continue]")
	r.sendBytes("?")
	r.expect("$X", 0.1, "")
	r.sendBytes("\x18")
	r.wait(0.1)
	r.said()
	r.expect("$H", 2, "ok")
	if !r.bench.State().Homed {
		t.Error("not homed")
	}
}

func TestQueueControl(t *testing.T) {
	r := newRigWith(t, 1, SticksHabit{Controller: "queue"})
	r.wait(0.01)
	r.said()
	r.expect("M0", 0.01, `echo:Unknown command: "M0"|ok`)
	r.expect("G28", 2, "X:0.00 Y:0.00 Z:0.00 A:0.00 E:0.00 Count X:0 Y:0 Z:0 A:0|ok")
	r.expect("M119", 0.01, "Reporting endstop status|x_min: TRIGGERED|y_min: TRIGGERED|z_min: TRIGGERED|a_min: TRIGGERED|ok")
	r.expect("G1 X12 F120", 0.01, "ok")
	r.expect("M400", 5, "echo:busy: processing|echo:busy: processing")
	x := r.bench.State().Positions["left_x"]
	r.expect("M410", 0.01, "ok|ok") // of M400, and its own
	if s := r.bench.State(); s.Moving || s.Homed || math.Abs(s.Positions["left_x"]-x) > 0.001 {
		t.Errorf("after M410: moving %v, homed %v, %v throws further", s.Moving, s.Homed, s.Positions["left_x"]-x)
	}
	r.expect("N3 G1 X0*1", 0.01, "Error:checksum mismatch, Last Line: 0|Resend: 1|ok")
	r.expect("N1 G90*17", 0.01, "ok")
	r.expect("N5 G90*21", 0.01, "Error:Line Number is not Last Line Number+1, Last Line: 1|Resend: 2|ok")
	r.expect("M112", 0.01, "Error:Printer halted. kill() called!")
	r.expect("M114", 0.1, "")

	// One that does not read ahead ends its movements first.
	r = newRigWith(t, 1, SticksHabit{Controller: "queue", NoReadAhead: true})
	r.wait(0.01)
	r.said()
	r.send(Sticks, "G1 X12 F720")
	r.expect("M410", 0.5, "ok")
	if !r.bench.State().Moving {
		t.Error("it stopped")
	}
	r.wait(1)
	if got := r.said(); got != "ok" || r.bench.State().Positions["left_x"] != 1 {
		t.Errorf("said %q at %v", got, r.bench.State().Positions)
	}
	r = newRigWith(t, 1, SticksHabit{Controller: "queue", NoHoming: true})
	r.wait(0.01)
	r.said()
	if got := r.lines("G28", 6); !strings.HasSuffix(got, "echo:Homing Failed|Error:Printer halted. kill() called!") {
		t.Errorf("no switches: %q", got)
	}
}

func TestSticksHabits(t *testing.T) {
	for _, c := range []struct {
		h    SticksHabit
		want string // of G21, G90, G91 one after another
	}{
		{SticksHabit{NoHoming: true}, "ok|ok|ok"}, {SticksHabit{NoHoming: true, Upper: true}, "OK|OK|OK"},
		{SticksHabit{NoHoming: true, Loses: 2}, "ok|ok"}, {SticksHabit{NoHoming: true, Slow: time.Second}, ""},
		{SticksHabit{NoHoming: true, Echo: true}, "G21|ok|G90|ok|G91|ok"},
		{SticksHabit{NoHoming: true, Prompt: true}, "> ok|> ok|> ok"},
		{SticksHabit{NoHoming: true, RestartAt: 25 * time.Millisecond}, "ok|ok|Stick machine 1.1 ['$' for help]|ok"},
		{SticksHabit{Controller: "queue", Upper: true}, "OK|OK|OK"},
		{SticksHabit{Controller: "queue", Loses: 2}, "ok|ok"},
	} {
		r := newRigWith(t, 1, c.h)
		r.said()
		r.wait(0.005)
		r.said()
		for _, line := range []string{"G21", "G90", "G91"} {
			r.send(Sticks, line)
			r.wait(0.01)
		}
		if got := r.said(); got != c.want {
			t.Errorf("%+v: got %q, want %q", c.h, got, c.want)
		}
	}
	if err := newRig(t, 1).bench.SetSticks(SticksHabit{}); err == nil {
		t.Error("changed behind an open port")
	}
	if err := NewBench(NewClock(noon), 1).SetSticks(SticksHabit{Controller: "other"}); err == nil {
		t.Error("another controller")
	}
}

package script

import (
	"errors"
	"strings"
	"testing"
	"time"

	"fullthrow/drivers"
)

func TestRun(t *testing.T) {
	s := newStage()
	err := s.run(t, `plan { product = "kittiwake-k8", revision = "C", cycle_time = 45, deadline = 120 }

check("standby", { about = "Draws next to nothing when off", part = "power", deadline = 10 }, function()
  bench.supply:set { voltage = 3.7, current_limit = 0.5 }
  bench.supply:off()
  wait(2)
  local c = bench.meter:current { over = 1.0, range = 0.001 }
  reading("current", measure.steady(c).mean, "A", { uncertainty = 1e-7 })
  keep("current", c)
  note("samples: " .. c.count .. " at " .. c.rate .. "/s in " .. c.unit)
end)

check("sticks", { part = "left-stick" }, function()
  bench.sticks:home()
  local heard, path = together(
    function() return bench.receiver:record { over = 6 } end,
    function() return bench.sticks:sweep { axes = { "left_x", "left_y" }, points = 3, cycles = 1, dwell = 0.5 } end)
  note(tostring(heard))
  note(tostring(path))
  reading("moves", path.count, "1")
  reading("guard", bench.guard:level())
  reading("format", heard.format)
  reading("latency", bench.timer:interval(), "s")
  reading("nothing", nil, "A")
  bench.attenuator:set(30)
  bench.power:on() bench.power:set(false)
end)
`)
	if err != nil {
		t.Fatal(err)
	}
	got := strings.Join(append(s.tape.lines, s.log...), "\n")
	want := `start standby
reading standby.current = 9e-06 A
keep standby.current drivers.Samples
note standby: samples: 1000 at 1000/s in A
end standby
start sticks
note sticks: frames: 0 of SBUS, 6 s
note sticks: path: 6 movements, 3.1 s
reading sticks.moves = 6 1
reading sticks.guard = true
reading sticks.format = SBUS
reading sticks.latency = NaN s
reading sticks.nothing = none A
end sticks
supply 0.5 A
supply 3.7 V
supply output false
meter 0.001 A 0/s 1s
sticks home
sticks to map[left_x:-1 left_y:-1] at 4
sticks to map[left_x:0 left_y:0] at 4
sticks to map[left_x:1 left_y:1] at 4
sticks to map[left_x:0 left_y:0] at 4
sticks to map[left_x:-1 left_y:-1] at 4
sticks to map[left_x:0 left_y:0] at 4
receiver heard 6s
attenuator 30 dB
power true
power false`
	if got != want {
		t.Errorf("got:\n%s\nwant:\n%s", got, want)
	}
	if r := s.tape.readings[0]; r.File != "plan.lua" || r.Line != 8 || r.Uncertainty != 1e-7 {
		t.Errorf("first reading: %+v", r)
	}
	if d := s.clock.Now().Sub(epoch).Seconds(); d != 3+1+6+0.02 {
		t.Errorf("took %g s of bench time, want 10.02", d)
	}
}

func TestWhen(t *testing.T) {
	s := newStage()
	err := s.run(t, `plan { product = "x" }
local heard
check("a", function() heard = false end)
check("b", { when = function() return heard end }, function() reading("x", 1, "1") end)
check("c", { when = function() return not heard end }, function() end)`)
	if got := strings.Join(s.tape.lines, ", "); err != nil || got != "start a, end a, note : left out: b, start c, end c" {
		t.Errorf("got %v, %s", err, got)
	}
	err = newStage().run(t, "plan { product = 'x' }\ncheck('a', { when = function() return bench.meter end }, function() end)")
	if err == nil || err.Error() != "plan.lua:2: bench.meter: outside a check" {
		t.Errorf("a device in when: %v", err)
	}
}

func TestRunWithoutRecorder(t *testing.T) {
	s := newStage()
	s.host.Recorder = nil
	if err := s.run(t, body("wait(1)")); err == nil || err.Error() != "run: the host has no clock or no recorder" {
		t.Errorf("got %v", err)
	}
}

// What captures tell, and print.
func TestCaptures(t *testing.T) {
	for _, tt := range []struct{ lua, want string }{
		{`local c = bench.recorder:record { over = 0.5 } print(c, c.duration, c.rate, c.count, c.channels, c.unit, c.format, c.damaged)`,
			"samples: 24000 at 48000/s, 0.5 s, in 1 0.5 48000 24000 1 1 n..."},
		{`local c = bench.receiver:record { over = 0.5 } print(c.duration, c.count, c.format, c.damaged, math.floor(c.rate), c.unit)`, "0.5 0 SBUS 0 142 nil"},
		{`local c = bench.receiver:record { over = 0.5 } local l, b = c.link[1], c.battery[1] print(#c.link, l.at, l.rssi, l.quality, l.snr, b.voltage, b.current, b.charge, b.remaining, c.modes[1].text)`, "1 1 -70 98 -3 25.2 18.9 3.6 20 ACRO"},
		{`local c = bench.sticks:move({ left_x = 1 }, { rate = 2 }) print(c, c.count, c.duration, c.rate)`, "path: 1 movements, 0.1 s 1 0.1 nil"},
		{`print(bench.meter, 1, nil, "x")`, "device meter 1 nil x"},
		{`print("joined: " .. bench.recorder:record { over = 0.5 })`, "joined: samples: 24000 at 48000/s, 0.5 s, in 1"},
	} {
		s := newStage()
		if err := s.run(t, body(tt.lua)); err != nil {
			t.Errorf("%s: %v", tt.lua, err)
		} else if got := s.tape.lines[1]; got != "note c: "+tt.want {
			t.Errorf("%s: got %q, want %q", tt.lua, got, tt.want)
		}
	}
}

// A device that fails only after the deadline: the deadline ends the run, and
// the device's error is in the chain.
func TestDeadlineWithCause(t *testing.T) {
	s := newStage()
	s.meter.err = drivers.Errorf("meter", "read current", drivers.NoReply, "no answer in 20 s")
	s.meter.late = 20 * time.Second
	err := s.run(t, body("pcall(function() bench.meter:current { over = 1 } end)"))
	var stop *Stop
	if !errors.As(err, &stop) || stop.Kind != StopDeadline || !errors.Is(err, s.meter.err) ||
		err.Error() != "plan.lua:2: check c: deadline of 10 s passed: meter: read current: no answer in 20 s" {
		t.Errorf("got %v", err)
	}
}

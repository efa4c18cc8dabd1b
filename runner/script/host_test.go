package script

import (
	"strings"
	"testing"
)

func TestRun(t *testing.T) {
	s := newStage()
	err := s.run(t, `plan { product = "kittiwake-k8", revision = "C", takt = 45, deadline = 120 }

check("standby", { about = "Draws next to nothing when off", part = "power", deadline = 10 }, function()
  bench.supply:set { voltage = 3.7, limit = 0.5 }
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
    function() return bench.receiver:record(6) end,
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

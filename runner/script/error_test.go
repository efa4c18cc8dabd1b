package script

import (
	"context"
	"errors"
	"strings"
	"testing"
	"testing/fstest"
	"testing/synctest"
	"time"

	"fullthrow/drivers"
	"fullthrow/reports"
)

// What a line engineer reads when a plan is wrong, with file and line.
func TestLoadErrors(t *testing.T) {
	head := "plan { product = 'kittiwake-k8' }\n"
	tests := []struct{ name, src, want, hint string }{
		{"empty", "", "plan.lua: there is no plan { ... } in it", "begin with: plan {"},
		{"no check", head, "plan.lua: the plan has no check", "add one"},
		{"syntax", head + "check('a', function() end", "plan.lua:2: the file ends too early", "further up"},
		{"syntax in the middle", head + "x = = 3\n\n", `plan.lua:2: not Lua, at "="`, "just before"},
		{"open quote", head + "local s = 'abc\n", `plan.lua:2: unterminated string, at "abc"`, ""},
		{"open quote at the end", head + "local s = 'abc", "plan.lua:2: the file ends too early", "quote"},
		{"misspelt function", head + "check('a', function()\n  redaing('x', 1, 'A')\nend)", "plan.lua:3: redaing is not declared", "did you mean reading?"},
		{"misspelt local", head + "local current = 1\nlocal x = curent", "plan.lua:3: curent is not declared", "did you mean current?"},
		{"a global", head + "total = 1", "plan.lua:2: total is not declared; there are no globals", "write local total"},
		{"a global function", head + "function helper() end", "plan.lua:2: function helper would be a global; there are none", "write local function helper"},
		{"a name of the language", head + "reading = 1", "plan.lua:2: reading is part of the language and cannot be changed", "local"},
		{"os", head + "os.exit(1)", "plan.lua:2: os is not part of a plan", "use wait and note"},
		{"load", head + "load('x')()", "plan.lua:2: load is not part of a plan", "write the function out"},
		{"_G", head + "_G.x = 1", "plan.lua:2: _G is not part of a plan", "use locals"},
		{"coroutine", head + "coroutine.wrap(print)", "plan.lua:2: coroutine is not part of a plan", "use together"},
		{"too deep", head + "local x = " + strings.Repeat("{", 300) + strings.Repeat("}", 300), "plan.lua:2: nested more than 200 deep", "split"},
		{"too many locals", head + strings.Repeat("local a = 1\n", 300), "too many local variables", ""},
		{"no name of a product", "plan { }", "plan.lua:1: plan: product is missing", "kittiwake"},
		{"plan twice", head + head, "plan.lua:2: plan: said twice", ""},
		{"option of plan", "plan { product = 'x', revison = 'C' }", `plan.lua:1: plan: there is no option "revison"`, "did you mean revision?"},
		{"option of check", head + "check('a', { prat = 'power' }, function() end)", `plan.lua:2: check a: there is no option "prat"`, "did you mean part?"},
		{"no options but text", head + "check('a', 'about', function() end)", `plan.lua:2: check a: got the text "about" in place of a table of options`, ""},
		{"no body", head + "check('a', { about = 'x' })", "plan.lua:2: check a: the body must be a function, not a table", "function() ... end"},
		{"name of a check", head + "check('Stand-by', function() end)", `plan.lua:2: check: the name "Stand-by"`, "a to z"},
		{"check twice", head + "check('a', function() end)\ncheck('a', function() end)", "plan.lua:3: check a: declared before, at plan.lua:2", ""},
		{"deadline of a text", head + "check('a', { deadline = '10' }, function() end)", `plan.lua:2: check a: deadline (in s) must be a number, not the text "10"`, ""},
		{"deadline of nothing", head + "check('a', { deadline = 0 }, function() end)", "plan.lua:2: check a: a deadline of 0 s", ""},
		{"wait at the top", head + "wait(1)", "plan.lua:2: wait: outside a check", "function of a check"},
		{"reading at the top", head + "reading('x', 1, 'A')", "plan.lua:2: reading: outside a check", "function of a check"},
		{"bench at the top", head + "local m = bench.meter", "plan.lua:2: bench.meter: outside a check", "function of a check"},
		{"print at the top", head + "print('x')", "plan.lua:2: print: outside a check", "function of a check"},
		{"note at the top, in pcall", head + "pcall(note, 'x')", "plan.lua: the plan has no check", ""},
		{"endless", head + "while true do end", "plan.lua:2: the script computed for longer than 2 s without an end", "loop"},
		{"no library", head + "local s = require 'serach'", `plan.lua:2: require "serach": cannot be read: file does not exist`, `did you mean "search"?`},
		{"a path", head + "local s = require '../plan'", `plan.lua:2: require "../plan": not the name of a library`, "scripts/lib"},
		{"a name that is computed", head + "local s = require('sea' .. 'rch')", "plan.lua:2: require needs the name of a library, written out", ""},
		{"annotations", head + "local s = require 'annotations'", `plan.lua:2: require "annotations": it is for editors only`, "take this line out"},
		{"error in a library", head + "local s = require 'broken'", "lib/broken.lua:2: x is not declared", ""},
		{"libraries in a circle", head + "local s = require 'chicken'", `lib/egg.lua:1: require "chicken": it requires itself, by way of others`, "third library"},
		{"product as a number", "plan { product = 8 }", "plan.lua:1: plan: product must be a text, not the number 8", ""},
		{"a method of a library", head + "local s = string.foramt('x')", "plan.lua:2: string has no foramt", "did you mean format?"},
		{"a function of measure", head + "local s = measure.stedy", "plan.lua:2: measure has no stedy", "did you mean steady?"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			_, err := load(tt.src, "search", "return {}", "broken", "local y = 1\nreturn x", "annotations", "---@meta\nplan = nil",
				"chicken", "local e = require 'egg'\nreturn {}", "egg", "local c = require 'chicken'\nreturn {}")
			var e *Error
			if !errors.As(err, &e) {
				t.Fatalf("got %v, want an *Error", err)
			}
			if !strings.Contains(e.Error(), tt.want) {
				t.Errorf("got %q, want %q", e, tt.want)
			}
			if !strings.Contains(e.Hint, tt.hint) {
				t.Errorf("got hint %q, want %q in it", e.Hint, tt.hint)
			}
		})
	}
}

func TestLoadMissing(t *testing.T) {
	_, err := Load(fstest.MapFS{}, "plan.lua", nil)
	if err == nil || err.Error() != "plan.lua: cannot be read: file does not exist" {
		t.Errorf("got %v", err)
	}
}

// What goes wrong with devices, as the plan's author reads it.
func TestBenchErrors(t *testing.T) {
	tests := []struct{ name, lua, want, hint string }{
		{"role", "bench.metre:current { over = 1 }", "plan.lua:2: bench.metre: there is no such device", "did you mean meter? this bench has attenuator, guard, meter,"},
		{"method", "bench.meter:curent { over = 1 }", "plan.lua:2: bench.meter has no curent", "did you mean current?"},
		{"method of another kind", "bench.guard:on()", "plan.lua:2: bench.guard has no on", "it has level"},
		{"option", "bench.meter:current { ovr = 1 }", `plan.lua:2: bench.meter:current: there is no option "ovr"`, "did you mean over?"},
		{"option missing", "bench.meter:current { range = 1 }", "plan.lua:2: bench.meter:current: over is missing", "{ over = 1.0 }"},
		{"type", "bench.meter:current { over = 'long' }", `plan.lua:2: bench.meter:current: over (in s) must be a number, not the text "long"`, ""},
		{"range", "bench.meter:current { over = 1, range = -1 }", "plan.lua:2: bench.meter:current: range is -1: it must be at least 0", ""},
		{"not a number", "bench.supply:set { voltage = 0/0 }", "plan.lua:2: bench.supply:set: voltage is NaN", ""},
		{"nothing to set", "bench.supply:set {}", "plan.lua:2: bench.supply:set: neither voltage nor current_limit", ""},
		{"current limit by another name", "bench.supply:set { voltage = 3, limit = 1 }",
			`plan.lua:2: bench.supply:set: there is no option "limit"`, "did you mean current_limit?"},
		{"duration without its name", "bench.receiver:record(6)",
			"plan.lua:2: bench.receiver:record: got the number 6 in place of named options", "write bench.receiver:record{ over = 6 }"},
		{"duration of sound without its name", "bench.recorder:record(0.5)",
			"plan.lua:2: bench.recorder:record: got the number 0.5", "write bench.recorder:record{ over = 0.5 }"},
		{"duration missing", "bench.recorder:record()", "plan.lua:2: bench.recorder:record: over is missing", "{ over = 1.0 }"},
		{"no duration", "bench.receiver:record { over = 0 }", "plan.lua:2: bench.receiver:record: over is 0 s", ""},
		{"level", "bench.power:set(1)", "plan.lua:2: bench.power:set: the level must be true or false, not the number 1", ""},
		{"axis", "bench.sticks:move { left_z = 1 }", `plan.lua:2: bench.sticks:move: there is no axis "left_z"`, "did you mean left_x?"},
		{"position", "bench.sticks:move { left_x = 2 }", "plan.lua:2: bench.sticks:move: left_x is 2: it must be from -1.5 to 1.5", ""},
		{"axes", "bench.sticks:sweep { points = 3 }", "plan.lua:2: bench.sticks:sweep: axes must be a list of names", ""},
		{"field of a capture", "local x = bench.receiver:record { over = 1 }.durtion", "plan.lua:2: a capture has no durtion", "did you mean duration?"},
		{"another capture", "measure.steady(bench.receiver:record { over = 1 })", "plan.lua:2: measure.steady must be samples, not frames: 0 of SBUS, 1 s", ""},
		{"too few arguments", "measure.started(bench.meter:current { over = 1 })", "plan.lua:2: measure.started: 1 arguments", "it takes samples, a number"},
		{"option of measure", "measure.centre({}, { chanel = 1 })", `plan.lua:2: measure.centre: there is no option "chanel"`, "did you mean channel?"},
		{"item of a list", "measure.restart({ { off = 1, started = true }, { off = 2 } })", "plan.lua:2: measure.restart: item 2: started is missing", ""},
		{"not a list", "measure.latency({ 1, 2, n = 3 })", "plan.lua:2: measure.latency must be a list, without the text \"n\"", ""},
		{"error of measure", "measure.latency({})", "plan.lua:2: measure: latency: ", ""},
		{"field of a result", "local m = measure.steady(bench.meter:current { over = 1 }).maen", "plan.lua:2: the result has no maen", "did you mean mean?"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			s := newStage()
			err := s.run(t, body(tt.lua))
			var e *Error
			if !errors.As(err, &e) {
				t.Fatalf("got %v, want an *Error", err)
			}
			if !strings.Contains(e.Error(), tt.want) {
				t.Errorf("got %q, want %q", e, tt.want)
			}
			if !strings.Contains(e.Hint, tt.hint) {
				t.Errorf("got hint %q, want %q in it", e.Hint, tt.hint)
			}
		})
	}
}

// A device's error keeps its cause on every way to the top.
func TestDeviceError(t *testing.T) {
	call := "bench.meter:current { over = 1 }"
	tests := []struct {
		name, lua string
		text      string // of the error, "" if the plan goes on
		line      int
	}{
		{"straight", call, "meter: read current: no answer in 1 s", 2},
		{"in a function", "local function f()\n" + call + "\nend\nf()", "meter: read current: no answer in 1 s", 3},
		{"thrown again", "local ok, e = pcall(function()\n" + call + "\nend)\nerror(e)", "meter: read current: no answer in 1 s", 3},
		{"by assert", "assert(pcall(function()\n" + call + "\nend))", "meter: read current: no answer in 1 s", 3},
		{"in together", "together(function()\n" + call + "\nend, function() wait(5) end)", "meter: read current: no answer in 1 s", 3},
		{"in together in pcall", "local ok, e = pcall(together, function()\n" + call + "\nend, function() wait(5) end)\nerror(e)", "meter: read current: no answer in 1 s", 3},
		{"in together in together", "together(function() together(function() wait(0.1) end, function()\n" + call + "\nend) end, function() wait(5) end)", "meter: read current: no answer in 1 s", 3},
		{"through xpcall", "local ok, e = xpcall(function()\n" + call + "\nend, function(e) return e end)\nerror(e)", "meter: read current: no answer in 1 s", 3},
		{"caught", `local ok, e = pcall(function() ` + call + ` end)
			if ok or e.device ~= "meter" or e.kind ~= "no reply" or e.hint ~= "is it on?" then error("wrong") end
			if e.message ~= "meter: read current: no answer in 1 s" or tostring(e) ~= e.message or ("!" .. e) ~= "!" .. e.message then error("wrong") end
			if type(e) ~= "userdata" or pcall(function() return e.devise end) or pcall(function() e.kind = 1 end) then error("wrong") end`, "", 0},
		{"caught, and waited after", "for i = 1, 3 do pcall(function() " + call + " end) wait(0.1) end", "", 0},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			s := newStage()
			s.meter.err = drivers.Errorf("meter", "read current", drivers.NoReply, "no answer in 1 s").WithHint("is it on?")
			err := s.run(t, body(tt.lua))
			if tt.text == "" {
				if err != nil {
					t.Error(err)
				}
				return
			}
			var e *Error
			var d *drivers.Error
			if !errors.As(err, &e) || !errors.As(err, &d) || d != s.meter.err {
				t.Fatalf("got %v, want an *Error with the device's in its chain", err)
			}
			if e.Text != tt.text || e.Hint != "is it on?" || e.File != "plan.lua" || e.Line != tt.line || e.Check != "c" {
				t.Errorf("got %+v, want %q at line %d", e, tt.text, tt.line)
			}
			if !strings.HasPrefix(e.Trace, "plan.lua:") {
				t.Errorf("got trace %q", e.Trace)
			}
		})
	}
}

func TestTrace(t *testing.T) {
	p, err := load(body("local helper = require 'helper'\nlocal function outer()\n  helper.go()\nend\ntogether(function()\n  outer()\nend)"),
		"helper", "local m = {}\nfunction m.go()\n  error('deep')\nend\nreturn m")
	if err != nil {
		t.Fatal(err)
	}
	var e *Error
	if err := newStage().runPlan(context.Background(), p); !errors.As(err, &e) {
		t.Fatal(err)
	}
	if e.Error() != "lib/helper.lua:3: deep" || !strings.Contains(e.Trace, "plan.lua:6") {
		t.Errorf("got %v, trace:\n%s", e, e.Trace)
	}
}

func TestTogether(t *testing.T) {
	tests := []struct{ name, lua, want string }{
		{"results in order", `local a, b, c = together(function() wait(2) return "a", "x" end, function() wait(1) return "b" end, function() end)
			note(a .. b .. tostring(c))`, "note c: abnil"},
		{"in turn", `local s = ""
			together(function() for i = 1, 3 do s = s .. "a" wait(1) end end, function() wait(0.5) for i = 1, 3 do s = s .. "b" wait(1) end end)
			note(s)`, "note c: ababab"},
		{"nested", `local r = together(function()
				local x, y = together(function() wait(1) return 1 end, function() wait(2) return 2 end)
				return x + y
			end)
			note(tostring(r))`, "note c: 3"},
		{"in pcall", `local ok, e = pcall(together, function() wait(1) error("one") end, function() wait(9) end)
			note(tostring(ok) .. " " .. e)`, "note c: false plan.lua:2: one"},
		{"pcall inside waits", `local ok, e = pcall(function() wait(1) error("late", 0) end) note(tostring(e))`, "note c: late"},
		{"a sibling is ended at its wait", `local s = ""
			pcall(together, function() wait(1) error("x") end, function() pcall(wait, 5) s = s .. "went on" end)
			note("s=" .. s)`, "note c: s="},
		{"error with a table", `local ok, e = pcall(together, function() error({ code = 7 }) end) note(tostring(e.code))`, "note c: 7"},
		{"device's methods as functions", `local a, b = together(function() return bench.guard:level() end, function() return bench.timer:interval() end) note(tostring(a))`, "note c: true"},
		{"varargs and upvalues", `local function each(...) local n = select("#", ...) local got = {} for i = 1, n do got[i] = (select(i, ...)) end return table.concat(got, ",") end
			note((together(function() return each(1, 2, 3) end)))`, "note c: 1,2,3"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			for _, clock := range []string{"virtual", "bubble"} {
				t.Run(clock, func(t *testing.T) {
					try := func(t *testing.T, s *stage) {
						if err := s.run(t, body(tt.lua)); err != nil {
							t.Fatal(err)
						}
						if got := s.tape.lines[1]; got != tt.want {
							t.Errorf("got %q, want %q", got, tt.want)
						}
					}
					if clock == "virtual" {
						try(t, newStage())
						return
					}
					synctest.Test(t, func(t *testing.T) { try(t, newStageOn(drivers.System)) })
				})
			}
		})
	}
}

// On the machine's clock deadlines end a call that obeys its context while it
// is under way, and a loop that never waits.
func TestDeadlineOfTheMachine(t *testing.T) {
	tests := []struct{ name, src, want string }{
		{"of a check, waiting", body("pcall(wait, 3600)"), "plan.lua:2: check c: deadline of 10 s passed"},
		{"of a check, in a device", body("while true do pcall(function() bench.meter:current { over = 4 } end) end"), "plan.lua:2: check c: deadline of 10 s passed, or would during"},
		{"of a check, in a question", body("ask { text = 'Is the lamp lit?' }"), "plan.lua:2: check c: deadline of 10 s passed"},
		{"of the plan", "plan { product = 'x', deadline = 5 } check('c', function()\nwait(20)\nend)", "plan.lua:2: plan: deadline of 5 s passed"},
		{"of the plan, in the second check", "plan { product = 'x', deadline = 5 } check('b', function() wait(4) end) check('c', function()\nwait(20)\nend)", "plan.lua:2: plan: deadline of 5 s passed"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				s := newStageOn(drivers.System)
				s.host.Ask = func(ctx context.Context, p reports.Prompt) (reports.Value, error) {
					<-ctx.Done()
					return reports.Value{}, context.Cause(ctx)
				}
				start := time.Now()
				err := s.run(t, tt.src)
				var stop *Stop
				if !errors.As(err, &stop) || stop.Kind != StopDeadline || !stop.Timeout() || !strings.HasPrefix(err.Error(), tt.want) {
					t.Errorf("got %v, want %q", err, tt.want)
				}
				if d := time.Since(start); d > 10*time.Second+time.Second {
					t.Errorf("took %v", d)
				}
			})
		})
	}
}

// Waiting never goes past a deadline, on the virtual clock either.
func TestDeadlineOfTheBench(t *testing.T) {
	s := newStage()
	err := s.run(t, body("wait(4)\nwait(3600)"))
	if err == nil || err.Error() != "plan.lua:3: check c: deadline of 10 s passed" {
		t.Errorf("got %v", err)
	}
	if d := s.clock.Now().Sub(epoch); d > 10*time.Second+time.Microsecond {
		t.Errorf("waited %v", d)
	}
	if err := newStage().run(t, body("wait(10)")); err != nil {
		t.Errorf("a wait that ends at the deadline: %v", err)
	}
}

func TestCancel(t *testing.T) {
	cause := errors.New("guard opened")
	for _, lua := range []string{
		"wait(5)", "pcall(wait, 5)\nreading('x', 1, 'A')", "while true do pcall(wait, 1) end",
		"together(function() wait(5) end, function() while true do pcall(wait, 1) end end)",
		"bench.meter:current { over = 5 }", "pcall(function() bench.meter:current { over = 5 } end)\nreading('x', 1, 'A')",
		"ask { text = 'ready?' }",
		"xpcall(function() wait(5) end, function() reading('x', 1, 'A') end)",
	} {
		t.Run(lua, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				s := newStageOn(drivers.System)
				s.host.Ask = func(ctx context.Context, p reports.Prompt) (reports.Value, error) {
					<-ctx.Done()
					return reports.Value{}, context.Cause(ctx)
				}
				p, err := load(body(lua))
				if err != nil {
					t.Fatal(err)
				}
				ctx, cancel := context.WithCancelCause(context.Background())
				defer time.AfterFunc(1500*time.Millisecond, func() { cancel(cause) }).Stop()
				start := time.Now()
				err = s.runPlan(ctx, p)
				var e *Error
				if !errors.Is(err, cause) || !errors.As(err, &e) || e.File != "plan.lua" {
					t.Errorf("got %v, want %v in the chain and a place", err, cause)
				}
				if d := time.Since(start); d != 1500*time.Millisecond {
					t.Errorf("ended after %v", d)
				}
				if len(s.tape.readings) > 0 {
					t.Errorf("took readings after the stop: %v", s.tape.readings)
				}
			})
		})
	}
}

// A Recorder that fails ends the run, also under pcall.
func TestRecorderFails(t *testing.T) {
	for _, call := range []string{"start c", "reading c.x = 1 A", "note c: hello", "keep c.k []float64", "end c"} {
		t.Run(call, func(t *testing.T) {
			s := newStage()
			s.tape.fail = call
			err := s.run(t, body("pcall(function() reading('x', 1, 'A') note('hello') keep('k', { 1, 2 }) end)"))
			var stop *Stop
			if !errors.As(err, &stop) || stop.Kind != StopRecord || !strings.Contains(err.Error(), "disk full") {
				t.Errorf("got %v, want a failure to record", err)
			}
		})
	}
}

func TestStopAfterVitalCheck(t *testing.T) {
	s := newStage()
	s.tape.stopAt = "a"
	err := s.run(t, "plan { product = 'x' } check('a', { vital = true }, function() end) check('b', function() end)")
	if got := strings.Join(s.tape.lines, ", "); err != nil || got != "start a, end a" {
		t.Errorf("got %v, %s", err, got)
	}
}

func TestAsk(t *testing.T) {
	tests := []struct {
		lua    string
		answer reports.Value
		want   string // note, or error
	}{
		{`note(tostring(ask { text = "lit?" }))`, reports.Bool(true), "note c: true"},
		{`note(tostring(ask { text = "how much?", kind = "number", unit = "V" }))`, reports.Number(3.5), "note c: 3.5"},
		{`note(ask { text = "which?", kind = "choose", choices = { "red", "green" } })`, reports.Text("green"), "note c: green"},
		{`note(ask { text = "what?", kind = "text" })`, reports.Text("abc"), "note c: abc"},
		{`note(ask { text = "which?", kind = "choose", choices = { "red", "green" } })`, reports.Text("blue"), "plan.lua:2: ask: blue is no answer"},
		{`ask { text = "lit?" }`, reports.Value{}, "plan.lua:2: ask: none is no answer"},
		{`ask { text = "how much?", kind = "number" }`, reports.Text("3"), "plan.lua:2: ask: 3 is no answer"},
		{`ask { text = " " }`, reports.Bool(true), "plan.lua:2: ask: text is missing"},
		{`ask { text = "?", kind = "chose" }`, reports.Bool(true), `plan.lua:2: ask: kind "chose"`},
		{`ask { text = "?", kind = "choose", choices = { "one" } }`, reports.Bool(true), "plan.lua:2: ask: kind choose needs choices"},
	}
	for _, tt := range tests {
		t.Run(tt.lua, func(t *testing.T) {
			s := newStage()
			var asked reports.Prompt
			s.host.Ask = func(_ context.Context, p reports.Prompt) (reports.Value, error) { asked = p; return tt.answer, nil }
			err := s.run(t, body(tt.lua))
			if err != nil {
				if !strings.HasPrefix(err.Error(), tt.want) {
					t.Errorf("got %v, want %q", err, tt.want)
				}
				return
			}
			if s.tape.lines[1] != tt.want || asked.Check != "c" {
				t.Errorf("got %q, asked %+v", s.tape.lines[1], asked)
			}
		})
	}
}

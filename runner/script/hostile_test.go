package script

import (
	"context"
	"errors"
	"runtime"
	"runtime/debug"
	"strings"
	"testing"
	"testing/fstest"
	"testing/synctest"
	"time"

	"fullthrow/drivers"
	"fullthrow/reports"
)

// Every one of these must end with an error of its kind, at its line, and must
// not take a reading that it does not deserve.
func TestHostile(t *testing.T) {
	const endless = "while true do end"
	tests := []struct {
		name, lua string // lua begins at line 2 of the plan
		kind      StopKind
		want      string // in the error's text
		line      int    // 0: not looked at
	}{
		{"endless loop", endless, StopProcessor, "computed for longer", 2},
		{"endless loop in pcall", "while true do pcall(function() while true do end end) end", StopProcessor, "computed for longer", 2},
		{"pcall of pcall", "local function f() return pcall(pcall, f) end\nwhile true do f() end", StopProcessor, "computed for longer", 0},
		{"in xpcall's handler", "xpcall(function() error('x') end, function() while true do end end)", StopProcessor, "computed for longer", 2},
		{"in a metamethod", "local t = setmetatable({}, { __index = function() while true do end end })\nlocal x = t.x", StopProcessor, "computed for longer", 2},
		{"in __tostring", "note(tostring(setmetatable({}, { __tostring = function() while true do end end })))", StopProcessor, "computed for longer", 2},
		{"in __concat", "local x = setmetatable({}, { __concat = function() while true do end end }) .. 'x'", StopProcessor, "computed for longer", 2},
		{"in table.sort", "table.sort({3, 1, 2}, function() while true do end end)", StopProcessor, "computed for longer", 2},
		{"in gsub", "local s = ('x'):gsub('x', function() while true do end end)", StopProcessor, "computed for longer", 2},
		{"in together", "together(function() while true do end end, function() wait(1) end)", StopProcessor, "computed for longer", 2},
		{"a for of many rounds", "for i = 1, 1e15 do end", StopProcessor, "computed for longer", 2},
		{"repeat until", "repeat until false", StopProcessor, "computed for longer", 2},

		{"strings in a table", "local t = {} while true do t[#t+1] = ('x'):rep(1e6) end", StopMemory, "MiB of memory", 2},
		{"strings in a table, in pcall", "local t = {} while true do pcall(function() t[#t+1] = ('x'):rep(1e6) end) end", StopMemory, "MiB of memory", 0},
		{"tables in a table", "local t = {} while true do table.insert(t, { x = 1 }) end", StopMemory, "MiB of memory", 2},
		{"closures in a table", "local t = {} local n = 0 while true do n = n + 1 t['k' .. n] = function() return n end end", StopMemory, "MiB of memory", 2},
		{"long arrays", "local t = {} while true do local u = {} u[1e5 - 1 + 0] = 1 t[#t+1] = u end", StopMemory, "MiB of memory", 2},
		{"long arrays, written out", "local t = {} while true do local u = {} u[99999] = 1 t[#t+1] = u end", StopMemory, "MiB of memory", 2},
		{"long arrays, in constructors", "local t = {} while true do t[#t+1] = { [99999] = 1 } end", StopMemory, "MiB of memory", 2},
		{"tables of many", "local t, u = {}, {} for i = 1, 9000 do u[i] = i end while true do t[#t+1] = { unpack(u) } end", StopMemory, "MiB of memory", 2},
		{"tables of arguments", "local t, u = {}, {} for i = 1, 9000 do u[i] = i end local function f(...) while true do t[#t+1] = { ... } end end f(unpack(u))", StopMemory, "MiB of memory", 2},
		{"tables of bytes", "local t, s = {}, ('x'):rep(9000) while true do t[#t+1] = { s:byte(1, -1) } end", StopMemory, "MiB of memory", 2},
		{"iterators", "local t, s = {}, ('x'):rep(60000) while true do t[#t+1] = s:gmatch('()()()()()()()()x') end", StopMemory, "MiB of memory", 2},
		{"errors", "local t = {} local function f() table.insert(t, (select(2, pcall(note)))) end while true do f() end", StopMemory, "MiB of memory", 2},
		{"results", "local t, c = {}, bench.meter:current { over = 0.01 } while true do t[#t+1] = measure.steady(c) end", StopMemory, "MiB of memory", 2},
		{"inserted", "local t = {} while true do table.insert(t, ('y'):rep(1000)) end", StopMemory, "MiB of memory", 2},

		{"doubling", "local s = 'x' while true do s = s .. s end", "", "longer than 1048576 bytes", 2},
		{"doubling in threes", "local s = 'x' while true do s = s .. s .. s end", "", "longer than 1048576 bytes", 2},
		{"string.rep", "local s = ('x'):rep(1e9)", "", "string.rep: the text would be longer", 2},
		{"string.rep of inf", "local s = ('x'):rep(math.huge)", "", "string.rep: the text would be longer", 2},
		{"table.concat", "local t = {} for i = 1, 100 do t[i] = ('x'):rep(1e5) end\nlocal s = table.concat(t)", "", "table.concat: the text would be longer", 3},
		{"gsub", "local s = ('x'):rep(60000):gsub('x', ('y'):rep(1e6))", "", "string.gsub: the text would be longer", 2},
		{"format", "local s = string.format('%99999999d', 1)", "", "more than two digits", 2},
		{"format of many", "local s = ('x'):rep(1e6) s = string.format('%s%s', s, s)", "", "string.format: the text would be longer", 2},
		{"far index", "local t = {} t[67108863] = 1", "", "index 67108863 is too large", 2},
		{"far index, computed", "local t, n = {}, 6e7 t[n] = 1", "", "index 60000000 is too large", 2},
		{"far index in a constructor", "local t = { [6e7] = 1 }", "", "index 60000000 is too large", 2},
		{"insert far away", "local t = {} table.insert(t, 6e7, 1)", "", "table.insert: position", 2},

		{"hopeless pattern", "local s = ('a'):rep(5000):find('.-.-.-.-b')", "", "could take too long", 2},
		{"hopeless pattern, doubled", "local s = ('a'):rep(40):find(('a?'):rep(40) .. 'b')", "", "could take too long", 2},
		{"hopeless brackets", "local s = ('('):rep(60000):find('%b()%b()x')", "", "could take too long", 2},
		{"brackets hide repetitions", "local s = ('a'):rep(5000):find('%b[].-.-.-.-b')", "", "could take too long", 2},
		{"long subject", "local s = ('a'):rep(1e6):match('a*$')", "", "at most 65536", 2},
		{"malformed pattern", "local s = ('a'):match('[a')", "", "the pattern \"[a\"", 2},
		{"capture of itself", "local s = ('aa'):match('(%1)')", "", "the pattern \"(%1)\"", 2},

		{"recursion", "local function f() return 1 + f() end\nf()", "", "stack overflow", 2},
		{"recursion in pcall", "local function f() local ok, e = pcall(f) error(e, 0) end\nf()", "", "stack overflow", 0},
		{"recursion through tostring", "local mt = {} mt.__tostring = tostring\nnote(tostring(setmetatable({}, mt)))", "", "stack overflow", 3},
		{"unpack of many", "local t = {} t[90000] = 1\nlocal n = select('#', unpack(t))", "", "registry overflow", 3},
		{"together without end", "local function f() together(f, f) end\nf()", "", "more than 64 tasks", 2},
		{"together of many", "local t = {} for i = 1, 20 do t[i] = function() end end\ntogether(unpack(t))", "", "at most 16", 3},

		{"notes without end", "while true do note('x') end", "", "more than 200 notes", 2},
		{"huge note", "note(('x'):rep(1e6))", "", "at most 4000", 2},
		{"same reading twice", "reading('x', 1, 'A')\nreading('x', 2, 'A')", StopMisuse, "reading x: taken twice in check c", 3},
		{"same reading twice, in pcall", "reading('x', 1, 'A')\npcall(reading, 'x', 2, 'A')", StopMisuse, "reading x: taken twice in check c", 3},
		{"reading of a table", "reading('x', {}, 'A')", "", "reading x: the value is a table", 2},
		{"reading without unit", "reading('x', 1)", "", "reading x: a number needs a unit", 2},
		{"reading of a bad name", "reading('X y', 1, 'A')", "", `reading: the name "X y"`, 2},
		{"reading with a bad bound", "reading('x', 1, 'A', { bound = 'about' })", "", `reading x: bound is "about"`, 2},
		{"reading with an unsure uncertainty", "reading('x', 1, 'A', { uncertainty = 0/0 })", "", "uncertainty is NaN", 2},

		{"error with a table", "error({ message = 'my own' })", "", "my own", 0},
		{"error with nil", "error(nil)", "", "error was called without a message", 0},
		{"error with a number", "error(5)", "", "error was called with a number: 5", 0},
		{"error with true", "error(true)", "", "error was called with a boolean: true", 0},
		{"error with a function", "error(print)", "", "error was called with a function", 0},
		{"error level 2", "local function f() error('yours', 2) end\nf()", "", "yours", 3},
		{"index of nil", "local x = nil\nlocal y = x.y", "", "attempt to index", 3},
		{"call of nil", "local x = nil\nx()", "", "attempt to call", 3},
		{"join of nil", "local x = nil\nlocal s = 'a' .. x", "", ".. cannot join nil", 3},

		{"a string's metatable", "getmetatable('').__index = nil", "", "attempt to index", 2},
		{"set a string's metatable", "setmetatable('', {})", "", "table expected", 2},
		{"set a number's metatable", "setmetatable(1, {})", "", "table expected", 2},
		{"set bench's metatable", "setmetatable(bench, {})", "", "cannot be changed", 2},
		{"add to bench", "bench.mine = 1", "", "bench cannot be changed", 2},
		{"add to a device", "bench.meter.current = 1", "", "read only", 2},
		{"set a device's metatable", "setmetatable(bench.meter, {})", "", "table expected", 2},
		{"overwrite a library", "string.rep = nil", "", "string cannot be changed: rep", 2},
		{"overwrite measure", "measure.steady = function() return {} end", "", "measure cannot be changed: steady", 2},
		{"a string without its method", "local s = ('x'):repp(3)", "", "string has no repp", 2},
		{"a forged capture", "keep('x', bench.meter)", "", "is not a capture", 2},
		{"a device's method without device", "local f = bench.meter.current\nf({ over = 1 })", "", "called without its device", 3},
		{"a device's method on another", "local f = bench.meter.current\nf(bench.supply, { over = 1 })", "", "called without its device", 3},

		{"wait beyond the deadline", "wait(11)", StopDeadline, "check c: deadline of 10 s passed", 2},
		{"wait beyond the deadline in pcall", "pcall(wait, 11)\nreading('x', 1, 'A')", StopDeadline, "check c: deadline of 10 s passed", 2},
		{"wait again and again", "while true do pcall(wait, 0.5) end", StopDeadline, "check c: deadline of 10 s passed", 2},
		{"wait in together", "together(function() wait(1) end, function() pcall(wait, 100) end)", StopDeadline, "check c: deadline of 10 s passed", 2},
		{"record beyond the deadline", "bench.recorder:record { over = 3600 }", StopDeadline, "or would during bench.recorder:record of 3600 s", 2},
		{"wait for NaN", "wait(0/0)", "", "wait: the time (in s) is NaN", 2},
		{"wait backwards", "wait(-1)", "", "from 0 to 86400", 2},
		{"wait for a text", "wait('1')", "", "must be a number, not the text", 2},

		{"panic under pcall", "pcall(function() bench.meter:current { over = 1, range = 13 } end)\nreading('x', 1, 'A')", StopPanic, "internal error: bad luck", 2},
		{"panic under xpcall", "xpcall(function() bench.meter:current { over = 1, range = 13 } end, tostring)\nreading('x', 1, 'A')", StopPanic, "internal error: bad luck", 2},
		{"panic in together", "pcall(together, function() bench.meter:current { over = 1, range = 13 } end)\nreading('x', 1, 'A')", StopPanic, "internal error: bad luck", 2},

		{"plan inside a check", "plan { product = 'x' }", "", "plan: inside a check", 2},
		{"check inside a check", "check('d', function() end)", "", "check: inside a check", 2},
		{"together of a result", "together(wait(1))", "", "together: no functions", 2},
		{"together of nil", "together(nil)", "", "argument 1 is nil", 2},
		{"keep of a huge list", "local t = {} for i = 1, 100001 do table.insert(t, i) end keep('x', t)", "", "at most 100000", 2},
		{"keep of texts", "keep('x', { 'a' })", "", "item 1 is the text", 2},
		{"ask without anybody", "ask { text = 'ok?' }", "", "nobody to ask", 2},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			s := newStage()
			s.host.Memory = 48 << 20
			switch tt.kind {
			case StopMemory:
				s.host.Memory = 16 << 20 // sooner reached
			case StopProcessor:
				s.host.Wall = 150 * time.Millisecond
			}
			if tt.kind == StopMemory {
				s.host.Wall = time.Hour // however busy the machine, memory ends it first
			}
			s.meter.panic = nil
			if strings.Contains(tt.lua, "range = 13") {
				s.meter.panic = "bad luck"
			}
			err := s.run(t, body(tt.lua))
			var e *Error
			if !errors.As(err, &e) {
				t.Fatalf("got %v, want an *Error", err)
			}
			if !strings.Contains(e.Text, tt.want) {
				t.Errorf("got %q, want %q in it", e.Text, tt.want)
			}
			if tt.line != 0 && (e.File != "plan.lua" || e.Line != tt.line) {
				t.Errorf("got %s:%d, want plan.lua:%d (%s)", e.File, e.Line, tt.line, e.Text)
			}
			var stop *Stop
			if errors.As(err, &stop); tt.kind == "" && stop != nil || tt.kind != "" && (stop == nil || stop.Kind != tt.kind) {
				t.Errorf("got stop %v, want kind %q", stop, tt.kind)
			}
			if got := s.tape.ended["c"]; got != err {
				t.Errorf("check ended with %v, want the error of the run", got)
			}
			if tt.kind != StopMisuse && len(s.tape.readings) > 0 {
				t.Errorf("took readings: %v", s.tape.readings)
			}
		})
		debug.FreeOSMemory()
	}
}

// A time bubble's clock stands still while Lua computes: instructions are
// counted instead.
func TestEndlessLoopInBubble(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newStageOn(drivers.System)
		s.host.Wall = time.Millisecond
		err := s.run(t, body("while true do end"))
		var stop *Stop
		if !errors.As(err, &stop) || stop.Kind != StopProcessor {
			t.Errorf("got %v, want an end by processor time", err)
		}
	})
}

// Garbage is no growth: a script may make far more than its bound if it keeps
// little of it.
func TestGarbageIsAllowed(t *testing.T) {
	s := newStage()
	s.host.Memory = 32 << 20
	if err := s.run(t, body("local s for i = 1, 200 do s = ('x'):rep(1e6) end reading('n', #s, '1')")); err != nil {
		t.Error(err)
	}
}

// Garbage that lies about when a run's memory is first looked at is no room for the
// run: it may keep its bound, and the quarter that it had by then.
func TestGarbageIsNoRoom(t *testing.T) {
	defer debug.SetGCPercent(debug.SetGCPercent(-1))
	runtime.GC()
	s := newStage()
	s.host.Memory = 32 << 20
	s.host.Devices["power"] = countingOutput{fakeOutput{part{"power", s.clock, &s.log}}, new(int)}
	for range 100 {
		lying = make([]byte, 1<<20)
	}
	lying = nil
	err := s.run(t, body("local t = {} while true do t[#t+1] = ('x'):rep(1e6) bench.power:on() end"))
	var stop *Stop
	if !errors.As(err, &stop) || stop.Kind != StopMemory {
		t.Fatalf("got %v, want an end by memory", err)
	}
	if kept := *s.host.Devices["power"].(countingOutput).n; kept < 30 || kept > 44 {
		t.Errorf("kept %d MB, where 32 MiB are its bound", kept)
	}
	debug.FreeOSMemory()
}

var lying []byte

type countingOutput struct {
	fakeOutput
	n *int
}

func (o countingOutput) Set(context.Context, bool) error { *o.n++; return nil }

// A stuck device holds Run up; nothing of the script runs meanwhile, and once
// the call comes back the run ends with what cancelled it.
func TestStuckDevice(t *testing.T) {
	s := newStage()
	s.meter.stuck, s.meter.entered = make(chan struct{}), make(chan struct{})
	p, err := load(body("pcall(function() bench.meter:current { over = 1 } end)\nreading('x', 1, 'A')"))
	if err != nil {
		t.Fatal(err)
	}
	cause := errors.New("operator pressed stop")
	ctx, cancel := context.WithCancelCause(context.Background())
	done := make(chan error)
	go func() { done <- s.runPlan(ctx, p) }()
	<-s.meter.entered
	cancel(cause)
	close(s.meter.stuck)
	if err := <-done; !errors.Is(err, cause) {
		t.Errorf("got %v, want %v in the chain", err, cause)
	}
	if len(s.tape.readings) > 0 {
		t.Errorf("took readings after the stop: %v", s.tape.readings)
	}
}

// Of two runs at the same time the one that takes the memory is ended. The heap
// is the whole program's: a run is held to it once it may have taken the bound
// itself, as this modest one by its instructions (stepBytes each) never may.
func TestMemoryIsBlamedOnTheRightRun(t *testing.T) {
	modest, err := load(body("local t = {} for i = 1, 10000 do t[i] = i wait(0.0001) end reading('n', #t, '1')"))
	if err != nil {
		t.Fatal(err)
	}
	greedy, err := load(body("local t = {} while true do t[#t+1] = ('x'):rep(1e5) wait(0.0001) end"))
	if err != nil {
		t.Fatal(err)
	}
	done := make(chan error)
	a, b := newStage(), newStage()
	a.host.Memory, b.host.Memory = 64<<20, 64<<20
	go func() { done <- a.runPlan(context.Background(), greedy) }()
	if err := b.runPlan(context.Background(), modest); err != nil {
		t.Errorf("the modest run: %v", err)
	}
	var stop *Stop
	if err := <-done; !errors.As(err, &stop) || stop.Kind != StopMemory {
		t.Errorf("the greedy run: %v", err)
	}
}

// The top level has its bounds too, when a plan is loaded.
func TestHostileTopLevel(t *testing.T) {
	for _, tt := range []struct {
		lua  string
		kind StopKind
		wall time.Duration
	}{
		{"local t = {} while true do t[#t+1] = ('x'):rep(1e6) end", StopMemory, time.Hour},
		{"while true do pcall(error) end", StopProcessor, 100 * time.Millisecond},
	} {
		files := fstest.MapFS{"plan.lua": {Data: []byte("plan { product = 'x' }\n" + tt.lua)}}
		_, err := loadWithin(files, "plan.lua", nil, tt.wall)
		var stop *Stop
		if !errors.As(err, &stop) || stop.Kind != tt.kind || !strings.HasPrefix(err.Error(), "plan.lua:2: ") {
			t.Errorf("%s: got %v", tt.lua, err)
		}
	}
	debug.FreeOSMemory()
}

// A plan that computes for long, and makes much garbage, but holds little is not
// ended for the memory that another nest takes meanwhile; one that holds much is.
func TestLongHarmlessPlanBesideAGreedyOne(t *testing.T) {
	const garbage = "for i = 1, 40000 do local s = { i, ('x'):rep(1000) } end "
	for _, tt := range []struct {
		name, keeps string
		want        StopKind
	}{
		{"harmless", "local kept = { 1, 2, { 3 } }", ""},
		{"greedy", "local kept = {} for i = 1, 290 do kept[i] = ('x'):rep(1e5) end", StopMemory},
		{"greedy in a function's locals", "local deep = {} for i = 1, 290 do deep = { deep, ('x'):rep(1e5) } end " +
			"local function kept() return deep end", StopMemory},
	} {
		s := newStage()
		s.host.Memory, s.host.Wall = 32<<20, time.Hour
		var others []byte
		s.host.Ask = func(context.Context, reports.Prompt) (reports.Value, error) {
			others = make([]byte, 128<<20) // what the other nest's plan takes
			return reports.Bool(true), nil
		}
		underWay.Add(1) // the other nest
		err := s.run(t, body(garbage+tt.keeps+" ask { text = 'now', kind = 'confirm' } "+garbage+garbage+
			"reading('n', kept and 1 or 0, '1')"))
		underWay.Add(-1)
		runtime.KeepAlive(others)
		var stop *Stop
		if errors.As(err, &stop); (stop == nil) != (tt.want == "") || stop != nil && stop.Kind != tt.want {
			t.Errorf("%s: got %v, want %q", tt.name, err, tt.want)
		}
		if tt.want == "" && err != nil {
			t.Errorf("%s: %v", tt.name, err)
		}
		others = nil
		debug.FreeOSMemory()
	}
}

package script

import (
	"context"
	"errors"
	"fmt"
	"runtime/debug"
	"runtime/metrics"
	"strings"
	"sync/atomic"
	"testing"
	"testing/fstest"
	"time"

	lua "github.com/yuin/gopher-lua"
)

// endless are plans that call themselves without end, by every way that the
// language knows.
var endless = []struct {
	name string
	kind StopKind
	want string // in the error's text
	line int    // 0: any line of the plan
	lua  string // begins at line 2 of the plan
}{
	{"tail", "", "stack overflow", 2, `local function f() return f() end
f()`},
	{"tail with arguments", "", "stack overflow", 2, `local function f(n) return f(n + 1) end
f(1)`},
	{"mutual", "", "stack overflow", 0, `local g
local function f() return g() end
g = function() return f() end
f()`},
	{"of a method", "", "stack overflow", 3, `local o = {}
function o:go() return self:go() end
o:go()`},
	{"of a function handed to itself", "", "stack overflow", 2,
		`local y = (function(f) return f(f) end)(function(f) return f(f) end)`},
	{"of ever new functions", "", "stack overflow", 2,
		`local function f(g) return f(function() return g() end) end
f(function() end)`},
	{"caught, again and again", StopProcessor, "computed for longer", 0, `local function f() return f() end
while true do pcall(f) end`},
	{"through pcall", StopProcessor, "computed for longer", 4, `local function f() return pcall(f) end
local ok, ok2 = f()
f = nil while true do end`},
	{"through pcall, in two ways", StopProcessor, "computed for longer", 2,
		`local function f() pcall(f) pcall(f) return f() end
f()`},
	{"through pcall of pcall", StopProcessor, "computed for longer", 0,
		`local function f() return pcall(pcall, pcall, pcall, f) end
while true do f() end`},
	{"through xpcall", StopProcessor, "computed for longer", 0, `local function f() return xpcall(f, f) end
while true do f() end`},
	{"in xpcall's handler", "", "stack overflow", 2, `local function h(e) return h(e) end
xpcall(error, h)`},
	{"errors of an xpcall's handler", StopProcessor, "computed for longer", 0,
		`local function h(e) return error(e) end
while true do pcall(xpcall, error, h) end`},
	{"traces of many calls", StopProcessor, "computed for longer", 0,
		`local function deep(n) if n == 0 then error('x') end return deep(n - 1) end
while true do pcall(deep, 150) end`},
	{"__index", "", "stack overflow", 3, `local t = {}
setmetatable(t, { __index = function(t, k) return t[k .. 'x'] end })
local x = t.a`},
	{"__index of a function", "", "stack overflow", 3, `local t = {}
local function f(t, k) return t[k] end
setmetatable(t, { __index = f })
local x = t.a`},
	{"__index in a ring", "", "too many recursions in gettable", 4, `local a, b = {}, {}
setmetatable(a, { __index = b }) setmetatable(b, { __index = a })
local x = a.x`},
	{"__newindex", "", "stack overflow", 2,
		`local t = setmetatable({}, { __newindex = function(t, k, v) t[k] = v end })
t.a = 1`},
	{"__newindex in a ring", "", "too many recursions in settable", 4, `local a, b = {}, {}
setmetatable(a, { __newindex = b }) setmetatable(b, { __newindex = a })
a.x = 1`},
	{"__call", "", "stack overflow", 2,
		`local t = setmetatable({}, { __call = function(self, ...) return self(...) end })
t()`},
	{"__call of what must be called", "", "attempt to call", 3,
		`local t, c = {}, {} setmetatable(t, { __call = setmetatable(c, { __call = function() return t() end }) })
t()`},
	{"__eq", "", "stack overflow", 2, `local mt = {} mt.__eq = function(a, b) return a == b end
local x = setmetatable({}, mt) == setmetatable({}, mt)`},
	{"__lt", "", "stack overflow", 2, `local mt = {} mt.__lt = function(a, b) return a < b end
local x = setmetatable({}, mt) < setmetatable({}, mt)`},
	{"__le", "", "stack overflow", 2, `local mt = {} mt.__le = function(a, b) return a <= b end
local x = setmetatable({}, mt) <= setmetatable({}, mt)`},
	{"__len", "", "stack overflow", 2, `local mt = {} mt.__len = function(a) return #a end
local x = #setmetatable({}, mt)`},
	{"__unm", "", "stack overflow", 2, `local mt = {} mt.__unm = function(a) return -a end
local x = -setmetatable({}, mt)`},
	{"__concat", "", "stack overflow", 2, `local mt = {} mt.__concat = function(a, b) return a .. b end
local x = setmetatable({}, mt) .. 'x'`},
	{"__add", "", "stack overflow", 2, `local mt = {} mt.__add = function(a, b) return a + b end
local x = setmetatable({}, mt) + 1`},
	{"__tostring", "", "stack overflow", 3, `local mt = {}
mt.__tostring = function(t) return tostring(t) end
note(tostring(setmetatable({}, mt)))`},
	{"of an iterator", "", "stack overflow", 2,
		`local function it() for x in it do return it() end return it() end
for x in it do end`},
	{"of a comparison in table.sort", "", "stack overflow", 2,
		`local function f() table.sort({ 3, 2, 1 }, f) return f() end
f()`},
	{"through gsub", "", "stack overflow", 2, `local function f() return (('x'):gsub('x', f)) end
f()`},
	{"more and more arguments", "", "stack overflow", 2, `local function f(...) return f(1, ...) end
f()`},
	{"more and more results", "", "stack overflow", 2, `local function f(...) return 1, f(1, ...) end
f()`},
	{"many arguments", "", "registry overflow", 3, `local t = {} for i = 1, 7000 do t[i] = i end
local function f(...) return f(1, ...) end
f(unpack(t))`},
	{"many arguments, counted", "", "registry overflow", 3, `local t = {} for i = 1, 7000 do t[i] = i end
local function f(...) return select('#', f(...)) end
f(unpack(t))`},
	{"unpacked", "", "registry overflow", 2,
		`local function f(t, ...) for i = 1, 200 do t[#t+1] = i end return f(t, unpack(t)) end
f({})`},
	{"in together", "", "stack overflow", 2, `local function f() return f() end
together(f, f, function() wait(1) end)`},
	{"mutual, in together", "", "stack overflow", 0, `local g
local function f() return g() end
g = function() return f() end
together(f, g)`},
	{"together in together", "", "more than 64 tasks", 2, `local function f() return together(f) end
f()`},
	{"together in together, caught", StopProcessor, "computed for longer", 0,
		`local function f() return pcall(together, f, f) end
while true do f() end`},
}

// allowedPeak is the most memory that a plan may bring a process to, in bytes,
// beyond what it had.
const allowedPeak = 300 << 20

// Recursion without end is ended at a line of the plan, as an error of the
// plan, before it takes much memory. Times are printed; they depend on the
// machine.
func TestEndlessRecursion(t *testing.T) {
	for _, tt := range endless {
		t.Run(tt.name, func(t *testing.T) {
			s := newStage()
			s.host.Wall = time.Hour // however busy the machine, another bound ends it first
			if tt.kind == StopProcessor {
				s.host.Wall = 300 * time.Millisecond
			}
			debug.FreeOSMemory()
			peak := watchPeak(tt.name)
			start := time.Now()
			err := s.run(t, body(tt.lua))
			took, most := time.Since(start), peak()
			t.Logf("%.2f s, %d MB", took.Seconds(), most/1e6)
			var e *Error
			if !errors.As(err, &e) {
				t.Fatalf("got %v, want an *Error", err)
			}
			if !strings.Contains(e.Text, tt.want) || e.Hint == "" || e.Hint == defectHint {
				t.Errorf("got %q (hint %q), want %q in it", e.Text, e.Hint, tt.want)
			}
			if e.File != "plan.lua" || e.Line == 0 || tt.line != 0 && e.Line != tt.line {
				t.Errorf("got %s:%d, want plan.lua:%d (%s)", e.File, e.Line, tt.line, e.Text)
			}
			var stop *Stop
			if errors.As(err, &stop); tt.kind == "" && stop != nil || tt.kind != "" && (stop == nil || stop.Kind != tt.kind) {
				t.Errorf("got stop %v, want kind %q", stop, tt.kind)
			}
			if most > allowedPeak {
				t.Errorf("took %d MB", most/1e6)
			}
		})
	}
}

// Coroutines, the last way to recursion, are no part of a plan.
func TestCoroutinesAreRefused(t *testing.T) {
	_, err := load(body("local f\nf = coroutine.wrap(function() return f() end)\nf()"))
	if err == nil || err.Error() != "plan.lua:3: coroutine is not part of a plan" {
		t.Errorf("got %v", err)
	}
}

// watchPeak watches this process's memory until the function it returns is
// called, which gives how much more there was at the worst, in bytes. It ends
// a process that takes far too much, lest the machine goes with it.
func watchPeak(name string) func() int64 {
	used := func() int64 {
		s := []metrics.Sample{{Name: "/memory/classes/total:bytes"}, {Name: "/memory/classes/heap/released:bytes"}}
		metrics.Read(s)
		return int64(s[0].Value.Uint64() - s[1].Value.Uint64())
	}
	base := used()
	var most atomic.Int64
	stop, done := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(done)
		tick := time.NewTicker(2 * time.Millisecond)
		defer tick.Stop()
		for {
			now := used() - base
			most.Store(max(most.Load(), now))
			if now > 4*allowedPeak {
				panic(fmt.Sprintf("%s: the plan took %d MB", name, now/1e6))
			}
			select {
			case <-stop:
				return
			case <-tick.C:
			}
		}
	}()
	return func() int64 { close(stop); <-done; return most.Load() }
}

// However many values are on the interpreter's stack, its end is an error of
// the plan.
func TestVarargsAtTheEndOfTheStack(t *testing.T) {
	for _, f := range []string{
		"local function f(...) return f(1, ...) end",
		"local function f(...) f(1, ...) end",
		"local function f(a, b, ...) return 1, f(b, a, ...) end",
		"local function f(...) local t = { ... } return f(unpack(t)) end",
		"local function f(...) return pcall(f, ...) end",
		"local function f(...) return select(2, f(1, ...)) end",
		"local function f(...) return (f(...)) .. tostring(...) end",
		"local t = setmetatable({}, { __call = function(self, ...) return self(...) end }) local f = t",
		"local function f(...) return together(function() return 1 end), f(1, ...) end",
	} {
		for _, n := range []int{0, 1, 100, 300, 320, 325, 326, 327, 328, 329, 500, 1000, 5000, 13000, 21000,
			32000, 32700, 60000, 65000} {
			s := newStage()
			err := s.run(t, body(fmt.Sprintf(`local u = {} for i = 1, %d do u[i] = i end %s
local r = { pcall(f, unpack(u)) }
error(r[2], 0)`, n, f)))
			var e *Error
			var stop *Stop
			if !errors.As(err, &e) || errors.As(err, &stop) || strings.Contains(e.Text, "internal") {
				t.Errorf("%s with %d: got %v", f, n, err)
			}
		}
	}
}

// No tail call is left in what is compiled, in a library and within functions
// too; and there would be some.
func TestNoTailCallIsLeft(t *testing.T) {
	const src = `local lib = require "lib"
local function f(x) return lib.g(x) end
local o = {
  m = function(self) return (self:m()) end,
  n = function(self) return self:m(function() return f(1) end) end,
}
plan { product = 'kittiwake-k8' }
check('c', function() return f(2) end)`
	p, err := load(src, "lib", "local function g(x) return tostring(x) end return { g = function(x) return g(x) end }")
	if err != nil {
		t.Fatal(err)
	}
	var count func(p *lua.FunctionProto, op int) int
	count = func(p *lua.FunctionProto, op int) int {
		n := 0
		for _, inst := range p.Code {
			if operation(inst) == op {
				n++
			}
		}
		for _, f := range p.FunctionPrototypes {
			n += count(f, op)
		}
		return n
	}
	for name, proto := range map[string]*lua.FunctionProto{"the plan": p.proto, "the library": p.libs["lib"]} {
		if n := count(proto, lua.OP_TAILCALL); n != 0 {
			t.Errorf("%s has %d tail calls", name, n)
		}
		if count(proto, lua.OP_CALL) == 0 {
			t.Errorf("%s has no calls: the code is not read as the interpreter reads it", name)
		}
	}
	L := lua.NewState()
	defer L.Close()
	fn, err := L.LoadString("return f(1), 2, (function() return f(1) end)()")
	if err != nil {
		t.Fatal(err)
	}
	if count(fn.Proto, lua.OP_TAILCALL) == 0 {
		t.Error("the compiler makes no tail calls any more: callInFull has lost its reason")
	}
}

// A call in a return gives what it always gave.
func TestReturnedCalls(t *testing.T) {
	const common = `
local function many(n) local t = {} for i = 1, n do t[i] = i end return unpack(t) end
local function none() end
local function nils() return nil, nil, nil end
local function count(...) return select('#', ...) end
local o = { n = 3 }
function o:many(k) return many(self.n + k) end
local called = setmetatable({}, { __call = function(self, a, b) return b, a, self end })
`
	for _, c := range []struct{ lua, want string }{
		{"local function f() return many(5) end reading('x', count(f()), '1')", "5"},
		{"local function f() return (many(5)) end reading('x', count(f()), '1')", "1"},
		{"local function f() return none() end reading('x', count(f()), '1')", "0"},
		{"local function f() return (none()) end reading('x', count(f()), '1')", "1"},
		{"local function f() return nils() end reading('x', count(f()), '1')", "3"},
		{"local function f() return many(4000) end reading('x', count(f()), '1')", "4000"},
		{"local function f() return o:many(4) end reading('x', count(f()), '1')", "7"},
		{"local function f(...) return count(...) end reading('x', f(nil, 1, nil), '1')", "3"},
		{"local function f(...) return ... end reading('x', count(f(nil, 1, nil)), '1')", "3"},
		{"local function f() return pcall(many, 3) end reading('x', count(f()), '1')", "4"},
		{"local function f() return pcall(error, 'x') end reading('x', count(f()), '1')", "2"},
		{"local function f() return together(function() return 1, 2 end, none) end reading('x', count(f()), '1')", "2"},
		{"local function f() return called(1, 2) end local b, a = f() reading('x', b * 10 + a, '1')", "21"},
		{"local function f() return called(1, 2) end reading('x', count(f()), '1')", "3"},
		{"local function f() return tostring(12) end reading('x', #f(), '1')", "2"},
		{"local function f(n) if n == 0 then return 7 end return f(n - 1) end reading('x', f(150), '1')", "7"},
		{`local up = 1
		local function f() local v = up return (function() v = v + 1 return many(v) end)() end
		reading('x', count(f()), '1')`, "2"},
	} {
		s := newStage()
		if err := s.run(t, body(common+c.lua)); err != nil {
			t.Errorf("%s: %v", c.lua, err)
			continue
		}
		if got := s.tape.readings[0].Value.String(); got != c.want {
			t.Errorf("%s: got %s, want %s", c.lua, got, c.want)
		}
	}
}

// Callers stay in the trace, the one of a returned call too.
func TestReturnedCallIsInTheTrace(t *testing.T) {
	err := newStage().run(t, body(`local function inner() error('no') end
local function outer() return inner() end
outer()`))
	var e *Error
	if !errors.As(err, &e) || e.Line != 2 || !strings.Contains(e.Trace, "plan.lua:3") {
		t.Errorf("got %v, trace:\n%s", err, e.Trace)
	}
}

// table.sort sorts as the language says, and can be ended while it compares
// texts.
func TestSort(t *testing.T) {
	for _, c := range []struct{ lua, want string }{
		{"{ 3, 1, 2 }", "1 2 3"},
		{"{ 'b', 'a', 'B', 'ab', '' }", " B a ab b"},
		{"{ 3, 1, 2 }, function(a, b) return a > b end", "3 2 1"},
		{"{}", ""},
		{"{ 1 }", "1"},
		{"{ 2, 1, 3, 1 }, function() return true end", "any order"},
	} {
		s := newStage()
		err := s.run(t, body("local t, f = "+c.lua+`
if f then table.sort(t, f) else table.sort(t) end
note(table.concat(t, ' '))`))
		if err != nil || c.want != "any order" && s.tape.lines[1] != "note c: "+c.want {
			t.Errorf("%s: got %v, %v", c.lua, s.tape.lines, err)
		}
	}
	for lua, want := range map[string]string{
		"table.sort({ 1, 'a' })":                             "plan.lua:2: attempt to compare",
		"table.sort({ {}, {} })":                             "plan.lua:2: attempt to compare",
		"table.sort(1)":                                      "plan.lua:2: bad argument #1 to sort",
		"table.sort({ 2, 1 }, 1)":                            "plan.lua:2: bad argument #2 to sort",
		"table.sort({ 2, 1 }, function() error('mine') end)": "plan.lua:2: mine",
	} {
		if err := newStage().run(t, body(lua)); err == nil || !strings.HasPrefix(err.Error(), want) {
			t.Errorf("%s: got %v", lua, err)
		}
	}
	// The sort makes some 3e4 comparisons of 5e5 bytes, the loops nearly nothing.
	s := newStage()
	s.host.Wall = 500 * time.Millisecond
	err := s.run(t, body(`local u, t = {}, {}
for i = 1, 100 do u[i] = ('x'):rep(5e5) .. i end
for i = 1, 5000 do t[i] = u[i * 37 % 100 + 1] end
table.sort(t)`))
	var e *Error
	var stop *Stop
	if !errors.As(err, &stop) || stop.Kind != StopProcessor || !errors.As(err, &e) {
		t.Fatalf("texts: got %v", err)
	}
	if e.Line != 5 {
		t.Logf("texts: the machine is so busy that already line %d took the time", e.Line)
	}
}

// BenchmarkReturnedCall is what it costs that a call in a return takes a frame;
// the ratio is to a call that is not returned, which it now equals.
func BenchmarkReturnedCall(b *testing.B) {
	times := map[string]time.Duration{}
	for _, c := range []struct{ name, lua string }{
		{"called", "local function g(x) return x end local function f(x) local y = g(x) return y end " +
			"for i = 1, 1e5 do f(i) end"},
		{"returned", "local function g(x) return x end local function f(x) return g(x) end " +
			"for i = 1, 1e5 do f(i) end"},
	} {
		p, err := Load(fstest.MapFS{"plan.lua": {Data: []byte(body(c.lua))}}, "plan.lua", fstest.MapFS{})
		if err != nil {
			b.Fatal(err)
		}
		b.Run(c.name, func(b *testing.B) {
			for range b.N {
				if err := newStage().runPlan(context.Background(), p); err != nil {
					b.Fatal(err)
				}
			}
			times[c.name] = b.Elapsed() / time.Duration(b.N)
		})
	}
	b.Logf("a returned call takes %.2f of another", float64(times["returned"])/float64(times["called"]))
}

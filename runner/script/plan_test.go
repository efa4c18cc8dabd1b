package script

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"math"
	"reflect"
	"strings"
	"sync"
	"testing"
	"time"

	"fullthrow/drivers"
	"fullthrow/scripts"
)

func TestStockPlans(t *testing.T) {
	for _, product := range scripts.Products() {
		files, _ := scripts.Product(product)
		p, err := Load(files, "plan.lua", scripts.Lib())
		if err != nil {
			t.Errorf("%s: %v", product, err)
			continue
		}
		if p.Product != product || len(p.Checks) == 0 || p.Deadline <= 0 {
			t.Errorf("%s: got %+v", product, p)
		}
	}
}

func TestPlan(t *testing.T) {
	p, err := load(`local helper = require "helper"
plan { product = "kittiwake-k8", revision = "C", cycle_time = 45, deadline = 0.5 * 240 }
for _, name in ipairs { "left", "right" } do
  check(name .. "_stick", { about = "Moves", part = name, deadline = 12.5, vital = name == "left" }, function() end)
end
check("last", function() end)`, "helper", "return {}")
	if err != nil {
		t.Fatal(err)
	}
	want := []Check{
		{"left_stick", "Moves", "left", 12500 * time.Millisecond, true, "plan.lua", 4},
		{"right_stick", "Moves", "right", 12500 * time.Millisecond, false, "plan.lua", 4},
		{"last", "", "", DefaultCheckDeadline, false, "plan.lua", 6},
	}
	if p.Product != "kittiwake-k8" || p.Revision != "C" || p.CycleTime != 45*time.Second || p.Deadline != 2*time.Minute || !reflect.DeepEqual(p.Checks, want) {
		t.Errorf("got %+v", p)
	}
	sum := fmt.Sprintf("%x", sha256.Sum256([]byte("return {}")))
	if len(p.Sources) != 2 || p.Sources[0].Name != "plan.lua" || p.Sources[1].Name != "lib/helper.lua" || p.Sources[1].SHA256 != sum {
		t.Errorf("got sources %+v", p.Sources)
	}
}

// Nothing of one run is seen in another, also at the same time.
func TestRunsAreApart(t *testing.T) {
	p, err := load(`local lib = require "counter"
plan { product = "x" }
local n = 0
check("a", function()
  n = n + 1 lib.n = lib.n + 1
  together(function() wait(1) n = n + 1 end, function() wait(1) n = n + 1 end)
  reading("n", n, "1") reading("lib", lib.n, "1") reading("random", math.random(1, 1000), "1")
end)`, "counter", "return { n = 0 }")
	if err != nil {
		t.Fatal(err)
	}
	var wg sync.WaitGroup
	var mu sync.Mutex
	randoms := map[string]bool{}
	for range 8 {
		wg.Go(func() {
			for range 5 {
				s := newStage()
				if err := s.runPlan(context.Background(), p); err != nil {
					t.Error(err)
					return
				}
				if got := fmt.Sprint(s.tape.readings[0].Value, s.tape.readings[1].Value); got != "3 1" {
					t.Errorf("got %s, want 3 1", got)
				}
				mu.Lock()
				randoms[s.tape.readings[2].Value.String()] = true
				mu.Unlock()
			}
		})
	}
	wg.Wait()
	if len(randoms) != 1 {
		t.Errorf("math.random differs from run to run: %v", randoms)
	}
}

func TestUses(t *testing.T) {
	p, err := load(`local helper = require "helper"
plan { product = "x" }
local function power(on)
  if on then bench.power:on() else bench.power:off() end
end
check("a", function()
  local meter = bench.meter
  reading("current", measure.steady(meter:current { over = 1 }).mean, "A")
  for _, axis in ipairs { "x", "y" } do reading(axis .. "_play", 1, "%") end
  together(function() bench.sticks:home() end, bench.guard.level)
  local bench = { fake = { on = function() end } }
  bench.fake:on()
end)`, "helper", "return { quiet = function() bench.supply:off() end }")
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, u := range p.Uses() {
		got = append(got, strings.Join([]string{u.Kind, u.Check, u.Name, u.Method, u.File, fmt.Sprint(u.Line)}, "|"))
	}
	want := []string{
		"device||power|on|plan.lua|4", "device||power|off|plan.lua|4",
		"device|a|meter||plan.lua|7",
		"reading|a|current||plan.lua|8", "device|a|meter|current|plan.lua|8",
		"reading|a|||plan.lua|9",
		"device|a|sticks|home|plan.lua|10", "device|a|guard||plan.lua|10",
		"device||supply|off|lib/helper.lua|1",
	}
	if !reflect.DeepEqual(got, want) {
		t.Errorf("got:\n%s\nwant:\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
}

func TestMethods(t *testing.T) {
	for _, c := range capabilities() {
		if len(c.methods) == 0 {
			t.Errorf("%s has no methods", c.kind)
		}
	}
	if got := fmt.Sprint(Methods(fakeMover{})); got != "[home move sweep]" {
		t.Errorf("got %s", got)
	}
	if got := Methods(part{}); len(got) != 0 {
		t.Errorf("got %v for a device that can do nothing", got)
	}
}

type (
	pointOptions struct {
		Width, Height float64
		Label         string
		Deep          bool
	}
	point struct {
		X      float64
		Count  int
		Wait   time.Duration
		hidden int
	}
	found struct {
		Mean, PeakToPeak, THDRatio, F0 float64
		Nothing                        float64
		Notes                          []point
		Samples                        drivers.Samples
		Ok                             bool
		Name                           string
	}
)

func TestBind(t *testing.T) {
	fn := func(s drivers.Samples, points []point, n int, o pointOptions) (found, error) {
		if n < 0 {
			return found{}, errors.New("measure: bound: less than nothing")
		}
		for i := range points {
			points[i].hidden = 1
		}
		return found{Mean: float64(n), F0: o.Width, Nothing: math.NaN(), Notes: points, Samples: s, Ok: o.Deep, Name: o.Label}, nil
	}
	b, err := bind("measure.bound", fn)
	if err != nil {
		t.Fatal(err)
	}
	tests := []struct{ lua, want string }{
		{"bound(c, {}, 3)", ""},
		{"local r = bound(c, { { x = 1, count = 2, wait = 0.5 } }, 3, { width = 4, label = 'l', deep = true }) assert(r.mean == 3 and r.f0 == 4 and r.ok and r.name == 'l' and r.peak_to_peak == 0 and r.thd_ratio == 0)", ""},
		{"local r = bound(c, { { x = 1, count = 2, wait = 0.5 } }, 3) assert(#r.notes == 1 and r.notes[1].wait == 0.5 and r.notes[1].count == 2 and r.samples.count == 1000 and r.nothing ~= r.nothing)", ""},
		{"bound(c, {}, -1)", "measure: bound: less than nothing"},
		{"bound(c, {}, 0.5)", "measure.bound: argument 3 must be a whole number, not 0.5"},
		{"bound(c, {}, '1')", `measure.bound: argument 3 must be a number, not the text "1"`},
		{"bound(c, {}, 1, { widht = 1 })", `measure.bound: there is no option "widht"`},
		{"bound(c, {}, 1, { deep = 1 })", "measure.bound: deep must be true or false, not the number 1"},
		{"bound(c, { 1 }, 1)", "measure.bound: argument 2: item 1: got the number 1 in place of a table of options"},
		{"bound(c, { { x = 1, count = 2 } }, 1)", "measure.bound: argument 2: item 1: wait is missing"},
		{"bound(c, { { x = 1, count = 2, wait = 1 }, nil, 3 }, 1)", "measure.bound: argument 2: item 2"},
		{"bound(c, 5, 1)", "measure.bound: argument 2 must be a list, not the number 5"},
		{"bound(nil, {}, 1)", "measure.bound: argument 1 must be samples, not nil"},
		{"bound(bench.meter, {}, 1)", "measure.bound: argument 1 must be samples, not the device meter"},
		{"bound(c, {})", "measure.bound: 2 arguments"},
		{"bound(c, {}, 1, nil, 5)", "measure.bound: 5 arguments"},
		{"local r = bound(c, {}, 1).meen", "the result has no meen"},
	}
	for _, tt := range tests {
		t.Run(tt.lua, func(t *testing.T) {
			s := newStage()
			p, err := load(body("local bound = measure.latency\nlocal c = bench.meter:current { over = 1 }\n" + tt.lua))
			if err != nil {
				t.Fatal(err)
			}
			for i := range p.measures {
				if p.measures[i].name == "measure.latency" {
					p.measures[i].call = b.call
				}
			}
			err = s.runPlan(context.Background(), p)
			if tt.want == "" {
				if err != nil {
					t.Error(err)
				}
				return
			}
			if err == nil || !strings.HasPrefix(err.Error(), "plan.lua:4: "+tt.want) {
				t.Errorf("got %v, want %q", err, tt.want)
			}
		})
	}
	for _, bad := range []any{5, func(map[string]int) {}, func(...float64) {}, func() chan int { return nil }, func(*point) {}} {
		if _, err := bind("bad", bad); err == nil {
			t.Errorf("%T was bound", bad)
		}
	}
}

// The language as a script sees it; each line is an assertion of its own.
func TestLanguage(t *testing.T) {
	for _, lua := range []string{
		`assert("a" .. 1 .. "b" == "a1b")`, `assert(1 .. 2 == "12")`,
		`local t = setmetatable({}, { __concat = function(a, b) return "cat" end }) assert(t .. "x" == "cat" and "x" .. "y" .. t == "xcat")`,
		`local s = "" for i = 1, 5 do s = s .. i end assert(s == "12345")`,
		`local function f(s) s = s .. s return s end assert(f("ab") == "abab")`,
		`local function f(s) s = (("x"):rep(#s)) return s end assert(f("ab") == "xx")`,
		`local function f(a, s) s, a = s .. a, a .. s return s, a end local x, y = f("a", "s") assert(x == "sa" and y == "as")`,
		`local function f(a, s) a, s = s .. a, a .. s return s, a end local x, y = f("a", "s") assert(x == "as" and y == "sa")`,
		`local function f(s, ...) s = s .. s return s .. select("#", ...) end assert(f("a", 1, 2) == "aa2")`,
		`local function up(s) return s:upper(), 1 end local function f(s) local n s, n = (up(s)) return s, n end local a, b = f("a") assert(a == "A" and b == nil)`,
		`local function up(s) return s:upper(), 1 end local function f(n, s) s, n = up(s) return s, n end local a, b = f(0, "a") assert(a == "A" and b == 1)`,
		`local function up(s) return s:upper(), 1 end local function f(s) s = up(s) or s return s end assert(f("a") == "A")`,
		`local function up(s) return s:upper(), 1 end local function f(s) s = s and (up(s)) or s return s end assert(f("a") == "A")`,
		`local function f(s) s = s and s .. "b" or s return s end assert(f("a") == "ab")`,
		`local function f(s) s = #(s .. "b") return s end assert(f("a") == 2)`,
		`local function n(s) return #s end local function f(s) s = -n(s) + n(s .. s) * (n(s)) return s end assert(f("ab") == 6)`,
		`local function n(s) return { v = #s } end local function f(s) s = n(s).v return s end assert(f("ab") == 2)`,
		`local function n(s) return { v = #s } end local function f(s) s = { n(s), n(s) } return s end assert(f("ab")[2].v == 2)`,
		`local t = {} local function f(k) t[k .. 1], k = k .. 2, k .. 3 return k end assert(f("a") == "a3" and t.a1 == "a2")`,
		`assert(select("#", ("a" .. "b")) == 1)`,
		`local function f(...) return { ... }, { (...) }, { 0, ... }, { ..., 0 }, { n = ..., ... } end local a, b, c, d, e = f(1, nil, 3) assert(a[3] == 3 and #b == 1 and c[4] == 3 and d[2] == 0 and e.n == 1 and e[3] == 3)`,
		`local function two() return 1, 2 end local a, b, c = { two() }, { (two()) }, { two(), two() } assert(#a == 2 and #b == 1 and #c == 3) assert(#{ (function() end)() } == 0)`,
		`local t = {} for i = 1, 5000 do t[i] = i end assert(#t == 5000 and t[5000] == 5000)`,
		`local t = { [1] = "a", [2 + 1] = "c", x = 1 } assert(t[1] == "a" and t[3] == "c" and t.x == 1)`,
		`local t = {} t[1.5] = 1 t[-1] = 2 t[0] = 3 t["1e9"] = 4 t[1e9 + 0.5] = 5 assert(t[1.5] == 1 and t[-1] == 2 and t[0] == 3 and t[1e9 + 0.5] == 5)`,
		`local t = {} assert(not pcall(function() t[nil] = 1 end) and not pcall(function() t[0/0] = 1 end))`,
		`local t = {} table.insert(t, "b") table.insert(t, 1, "a") assert(table.concat(t, ",") == "a,b" and table.remove(t, 1) == "a")`,
		`assert(table.concat({ 1, 2, 3 }, "-", 2, 3) == "2-3" and table.concat({}) == "")`,
		`local n = 0 for k, v in pairs { a = 1, b = 2, 3 } do n = n + v end assert(n == 6)`,
		`local n = 0 for i, v in ipairs { 1, 2, nil, 4 } do n = n + v end assert(n == 3)`,
		`assert(string.format("%5.2f|%d|%s|%x|%q|%%|%-4s|", 3.14159, 42, "x", 255, 'a"b', "y") == ' 3.14|42|x|ff|"a\\"b"|%|y   |')`,
		`assert(string.format("%s %s %s", nil, true, 1.5) == "nil true 1.5")`, `assert(not pcall(string.format, "%d"))`, `assert(not pcall(string.format, "%y", 1))`,
		`assert(("x"):rep(3) == "xxx" and ("x"):rep(0) == "" and ("x"):rep(-1) == "" and (""):rep(1e9) == "")`,
		`assert(("hello world"):find("wor") == 7 and ("hello"):find("l+") == 3 and ("a.b"):find(".", 1, true) == 2 and ("abc"):find("b", 10, true) == nil and ("abc"):find("c", -1) == 3)`,
		`local a, b = ("key = value"):match("^(%w+)%s*=%s*(%w+)$") assert(a == "key" and b == "value")`,
		`assert(("x"):match("y") == nil and ("abc"):match("()b") == 2)`,
		`local t = {} for w in ("one two"):gmatch("%a+") do t[#t + 1] = w end assert(table.concat(t, "+") == "one+two")`,
		`assert(("hello"):gsub("l", "L") == "heLLo" and (select(2, ("hello"):gsub("l", "L"))) == 2)`,
		`assert((("hello"):gsub("(h)(e)", "%2%1")) == "ehllo" and (("abc"):gsub("%w", "%0%0", 2)) == "aabbc" and (("a%"):gsub("%%", "%%%%")) == "a%%")`,
		`assert((("$x"):gsub("%$(%w)", { x = "y" })) == "y" and (("abc"):gsub("b", function(c) return c:upper() end)) == "aBc" and (("abc"):gsub("b", function() end)) == "abc")`,
		`assert(("abc"):upper() == "ABC" and ("abc"):reverse() == "cba" and ("abc"):sub(-2) == "bc" and ("abc"):byte() == 97 and string.char(97) == "a" and ("abc"):len() == 3)`,
		`assert(tonumber("12") == 12 and tonumber("0x10") == 16 and tonumber("x") == nil and tonumber("1.5") == 1.5)`,
		`assert(math.huge == 1/0 and math.floor(1.5) == 1 and math.max(1, 2) == 2 and math.pi > 3.14)`,
		`local x = math.random(3) assert(x >= 1 and x <= 3 and math.random() < 1 and not pcall(math.random, 0))`,
		`assert(getmetatable("") == "locked" and getmetatable(bench) == "locked")`,
		`local ok, e = pcall(error, "x", 0) assert(not ok and e == "x")`, `local ok, e = pcall(error) assert(not ok and e == nil)`,
		`assert(select(2, pcall(error, { 1 }))[1] == 1)`, `local ok, a, b = pcall(function(...) return ... end, 1, nil) assert(ok and a == 1 and b == nil)`,
		`assert(not pcall(nil) and not pcall(pcall))`, `assert(select(2, xpcall(function() error("x", 0) end, function(e) return e .. "!" end)) == "x!")`,
		`local ok, e = pcall(assert, false, "why") assert(e == "why") assert(select("#", assert(1, 2)) == 2)`,
		`local t = setmetatable({}, { __index = function(t, k) return k .. "!" end }) assert(t.x == "x!")`,
		`local t = setmetatable({}, { __metatable = "mine" }) assert(getmetatable(t) == "mine" and not pcall(setmetatable, t, {}))`,
		`local a <const> = 1`, // not Lua 5.1: refused below
		`goto done do local x = 1 end ::done:: assert(true)`,
		`local Q = {} Q.__index = Q function Q.new() return setmetatable({ n = 0 }, Q) end function Q:add(x) self.n = self.n + x return self end assert(Q.new():add(2):add(3).n == 5)`,
		`local function f(n) if n == 0 then return 0 end return f(n - 1) end assert(f(190) == 0)`,
	} {
		p, err := load(body(lua))
		if strings.Contains(lua, "<const>") {
			if err == nil {
				t.Errorf("loaded: %s", lua)
			}
			continue
		}
		if err == nil {
			err = newStage().runPlan(context.Background(), p)
		}
		if err != nil {
			t.Errorf("%s\n\t%v", lua, err)
		}
	}
}

func TestPatternSteps(t *testing.T) {
	for _, tt := range []struct {
		pattern string
		n       int
		ok      bool
	}{
		{"^%s*(.-)%s*$", 400, true}, {"%d+", 6000, true}, {"(%w+)=(%w+)", 400, true}, {"[%w_.-]+", 5000, true}, {"^.-:(%d+)$", 5000, true},
		{".-.-.-b", 1000, false}, {"a?a?a?a?a?a?a?a?a?a?a?a?a?a?a?a?a?a?a?a?a?a?", 400, false}, {"%b()", 60000, false},
		{"%b[].-.-.-.-b", 1000, false}, {"[]*].-.-.-b", 1000, false}, {"[^]*].-.-.-b", 1000, false}, {"[%]*].-.-.-b", 1000, false},
	} {
		if got := patternSteps(tt.pattern, tt.n); (got <= maxPatternSteps) != tt.ok {
			t.Errorf("%q on %d bytes: %g steps, want ok %v", tt.pattern, tt.n, got, tt.ok)
		}
	}
}

func TestBisect(t *testing.T) {
	lib, err := Load(stockSearch, "plan.lua", scripts.Lib())
	if err != nil {
		t.Fatal(err)
	}
	for _, tt := range []struct {
		threshold float64 // works from here
		want      string
	}{
		{2.4, "10+10+5+5+2.5+2.5+1.25-1.875-2.1875-2.34375-2.421875+2.421875+"},
		{60, "10-"},
		{0, "10+10+5+5+2.5+2.5+1.25+1.25+0.625+0.625+0.3125+0.3125+0.15625+0.15625+0.078125+0.078125+"},
	} {
		s := newStage()
		s.host.Devices["attenuator"] = level{part{"attenuator", s.clock, &s.log}, new(float64)}
		s.host.Ask = nil
		*s.host.Devices["attenuator"].(level).at = tt.threshold
		if err := s.runPlan(context.Background(), lib); err != nil {
			t.Fatal(err)
		}
		if got := s.tape.lines[1]; got != "note c: "+tt.want && !strings.HasPrefix("note c: "+tt.want, strings.TrimSuffix(got, "...")) {
			t.Errorf("threshold %g: got %q, want %q", tt.threshold, got, tt.want)
		}
	}
	for _, args := range []string{"low = 1, high = 0, step = 1, trials = 1, test = print", "low = 0, high = 1, step = 0, trials = 1, test = print",
		"low = 0, high = 1, step = 1, trials = 0.5, test = print", "low = 0, high = 1, step = 1, trials = 1", "high = 1, step = 1, trials = 1, test = print",
		"low = 0, high = 1, step = 1, trials = 1, test = function() end"} {
		p, err := Load(planFS("local search = require 'search'\n"+body("search.bisect { "+args+" }")), "plan.lua", scripts.Lib())
		if err != nil {
			t.Fatal(err)
		}
		var e *Error
		if err := newStage().runPlan(context.Background(), p); !errors.As(err, &e) || !strings.HasPrefix(e.Text, "bisect: ") {
			t.Errorf("%s: got %v", args, err)
		}
	}
}

// level is an attenuator whose interval is its threshold.
type level struct {
	part
	at *float64
}

func (l level) Interval(context.Context) (float64, error) { return *l.at, nil }

var stockSearch = planFS("local search = require 'search'\n" + body(`
  local threshold = bench.attenuator:interval()
  local trials = search.bisect { low = 0, high = 10, step = 0.1, trials = 2, test = function(x) return x >= threshold end }
  local s = ""
  for _, t in ipairs(trials) do s = s .. t.off .. (t.started and "+" or "-") end
  note(s)`))

// FuzzLoad: whatever the source, Load returns and does not panic.
func FuzzLoad(f *testing.F) {
	for _, src := range []string{"", body("wait(1)"), "plan { product = 'x' } check('a', function() end)", "local a = {} a[1], a.b = 1, 'x' .. a", "goto x ::x::", "local function f(...) return ... end",
		"for i = 1, 2 do end for k in pairs({}) do end repeat until true while false do end", "x = = 1", "'", "[[", "--[[", "\x00", "local a, b <close> = 1", "return 1 .. 2 .. 3", "if a then elseif b then else end"} {
		f.Add(src)
	}
	f.Fuzz(func(t *testing.T, src string) {
		p, err := load(src, "search", "return {}")
		var e *Error
		if err != nil && !errors.As(err, &e) || (err == nil) != (p != nil) {
			t.Errorf("got %v, %v", p, err)
		}
	})
}

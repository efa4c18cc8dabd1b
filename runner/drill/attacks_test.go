//go:build drill

package drill

import (
	"fmt"
	"math/rand/v2"
	"strings"
)

// attack is a kind of hostile plan: lines of Lua inside a check. In its text %N
// stands for a number that is large, %S for a hostile text, %V for an absurd value,
// %I for a small whole number, each drawn anew.
type attack struct {
	class string
	lua   []string
}

// attacks are the grammar's leaves.
var attacks = []attack{
	{"recursion", []string{
		"local function f() return f() end f()",
		"local function f(...) return f(1, ...) end f(%V)",
		"local t = {} for i = 1, %I00 do t[i] = i end local function f(...) return f(1, ...) end f(unpack(t))",
		"local function f(...) local x = {...} return f(unpack(x)), f(...) end f(1, 2, 3)",
		"local function f() local ok, e = pcall(f) error(e, 0) end f()",
		"local mt = {} mt.__index = function(t, k) return t[k] end local x = setmetatable({}, mt).a",
		"local mt = {} mt.__index = mt setmetatable(mt, mt) local x = mt.a",
		"local mt = {} mt.__call = function(self, ...) return self(1, ...) end setmetatable({}, mt)()",
		"local mt = {} mt.__eq = function(a, b) return a == b end local x = setmetatable({}, mt) == setmetatable({}, mt)",
		"local mt = {} mt.__concat = function(a, b) return a .. b end local x = setmetatable({}, mt) .. %S",
		"local mt = {} mt.__newindex = function(t, k, v) t[k] = v end setmetatable({}, mt).a = %V",
		"local mt = {} mt.__tostring = tostring note(tostring(setmetatable({}, mt)))",
		"local function f(s) return (s:gsub('.', f)) end f('aaaa')",
		"local function f(x) table.sort({3, 2, 1}, f) end f()",
		"local function f() for x in f do end end f()",
	}},
	{"texts that grow", []string{
		"local s = 'x' while true do s = s .. s end",
		"local s = ('x'):rep(%N)", "local s = ('x'):rep(%V)",
		"local s = ('x'):rep(60000):gsub('x', ('y'):rep(1e6))",
		"local s = string.format('%%' .. %N .. 'd', 1)",
		"local s = string.format('%%99.99f', 1e308):rep(1e5)",
		"local t = {} for i = 1, %I0 do t[i] = ('x'):rep(1e6) end local s = table.concat(t)",
		"local s = ('x'):rep(1e6) local u = s:upper():lower():reverse():rep(%N)",
	}},
	{"patterns", []string{
		"local s = ('a'):rep(%I000):find('.-.-.-.-b')", "local s = ('a'):rep(60000):find(('a?'):rep(%I0) .. 'b')",
		"local s = ('('):rep(60000):find('%b()%b()x')", "local s = ('a'):rep(65536):match('(a*)*b')",
		"for w in ('a'):rep(60000):gmatch('.-.-$') do end", "local s = %S for w in s:gmatch(s) do end",
		"local s = ('a'):find(('('):rep(%I0))", "local s = ('x'):gsub(%S, %S)",
	}},
	{"tables that grow", []string{
		"local t = {} while true do t[#t + 1] = { x = 1 } end",
		"local t = {} while true do t[#t + 1] = ('x'):rep(%N) end",
		"local t = {} local n = 0 while true do n = n + 1 t['k' .. n] = function() return n end end",
		"local t = {} while true do local u = {} u[99999] = 1 t[#t + 1] = u end",
		"local t = {} t[%N] = 1", "local t = {} table.insert(t, %V, 1)", "local t = {} while true do t = { t } end",
		"local t = {} while true do pcall(function() t[#t + 1] = ('x'):rep(1e6) end) end",
		"local t, s = {}, ('x'):rep(9000) while true do t[#t + 1] = { s:byte(1, -1) } end",
		"local x = select('#', unpack({}, 1, %N))",
	}},
	{"computing without end", []string{
		"while true do end", "while true do pcall(function() while true do end end) end", "repeat until false",
		"for i = 1, 1e15 do end", "xpcall(function() error('x') end, function() while true do end end)",
		"together(function() while true do end end, function() wait(1) end)",
		"table.sort({3, 1, 2}, function() while true do end end)",
		"local function f() return pcall(pcall, f) end while true do f() end",
	}},
	{"errors of every kind", []string{
		"error(%V)", "error({ message = %S })", "error(setmetatable({}, { __tostring = function() error('again') end }))",
		"error(setmetatable({}, { __index = function() error('again') end }), %V)", "error(note)", "error(bench.meter)",
		"assert(%V)", "assert(false, {})", "local x = nil x.y.z()", "local a = {} + {}", "local a = {} < {}",
		"error(%S, %V)", "error(('x'):rep(1e6))", "local s = %S .. nil", "pcall(error) error(select(2, pcall(error, %V)))",
		"local ok, e = pcall(function() bench.supply:nothing() end) error(e)",
	}},
	{"swallowed errors", []string{
		"while true do pcall(wait, 0.5) end", "while true do pcall(error, 'x') end",
		"pcall(reading, 'value', 1, 'A') pcall(reading, 'value', 1, 'A')", "pcall(wait, 1e6)",
		"for i = 1, 1e6 do pcall(bench.meter.current, bench.meter, { over = %V }) end",
	}},
	{"tasks", []string{
		"local function f() together(f, f) end f()",
		"local t = {} for i = 1, %I0 do t[i] = function() wait(0.1) end end together(unpack(t))",
		"while true do together(function() end, function() end) end", "together(%V)",
		"together(function() error(%V) end, function() wait(1e5) end)",
		"together(function() bench.supply:on() end, function() error('now') end)",
	}},
	{"readings", []string{
		"reading(%S, %V, 'A')", "reading('value', %V, 'A')", "reading('value', %V, %S)", "reading('value', 1)",
		"reading('value', 0/0, 'A')", "reading('value', 1/0, 'A')", "reading('value', -1/0, 'A')",
		"reading('value', %S)", "reading('value', 1, 'A', { uncertainty = %V })", "reading('value', 1, 'A', { bound = %S })",
		"for i = 1, 1e6 do reading('r' .. i, i, 'A') end", "reading('value', 1, 'kg')", "reading('value', true)",
		"reading('value', nil, 'A')", "reading('value', 0.5, 'V')", "reading('value', 1e308 * 10, 'A')",
		"for i = 1, 300 do reading('r' .. i, ('x'):rep(4000)) end",
	}},
	{"notes and captures", []string{
		"while true do note('x') end", "note(%S)", "note(%V)", "for i = 1, 1e6 do pcall(note, ('x'):rep(4000)) end",
		"local c = bench.meter:current { over = 1 } for i = 1, 1e6 do keep('c' .. i, c) end",
		"local c = bench.meter:current { over = 5 } while true do pcall(keep, 'c', c) end",
		"keep(%S, { 1, 2, 3 })", "keep('c', %V)", "local t = {} for i = 1, 1e5 do t[i] = i end while true do keep('c', t) end",
		"local t = {} while true do t[#t + 1] = bench.meter:current { over = 1 } end", "ask { text = %S }",
		"ask { text = 'x', choices = { %S, %S } }",
	}},
	{"waits", []string{
		"wait(%V)", "wait(1e308)", "wait(0/0)", "wait(-1)", "wait(1e9)", "while true do wait(0) end",
		"while true do wait(1e-9) end", "while true do wait(1) end",
	}},
	{"device calls", []string{
		"bench.supply:set { voltage = %V }", "bench.supply:on(%V)", "bench.meter:current { over = %V }",
		"bench.meter:current { over = %V, range = %V }", "bench.microphone:record { over = %V }", "bench.left_x:go(%V)",
		"bench.left_x:sweep { from = %V, to = %V }", "bench.receiver:record(%V)", "bench.attenuator:set(%V)",
		"bench.meter.current(bench.supply)", "bench.meter.current()", "bench[%S]()", "bench.meter = nil",
		"local m = bench.meter for i = 1, 1e6 do m:current { over = 0.001 } end", "bench.left_x:go(%V, %V, %V)",
		"for k, v in pairs(bench) do v() end", "bench.supply:on() error('left on')", "bench.supply:on() while true do end",
		"bench.supply:on() bench.supply:voltage(%V) local x = nil .. 1", "measure.steady(%V)",
		"measure.tune(bench.meter:current { over = 1 }, { score = %V })", "measure.steady({}, %V)",
	}},
	{"escapes from the sandbox", []string{
		"getmetatable('').__index = nil", "string.rep = nil", "setmetatable(bench, {})", "local e = _G", "local e = getfenv",
		"local f = load('x')", "os.exit()", "io.open('/etc/passwd')", "debug.sethook()", "coroutine.wrap(note)()",
		"require('../../etc')", "package.loaded = {}", "rawset(string, 'rep', 1)", "x = 1", "string.dump(note)",
		"newproxy()", "collectgarbage('stop')", "dofile('/etc/passwd')", "module('x')",
	}},
	{"library calls", []string{
		"local x = select(%V, 1, 2)", "local x = ('x'):sub(%V, %V)", "local x = string.char(%V)", "local x = ('x'):byte(%V, %V)",
		"local x = unpack({}, %V, %V)", "local x = tonumber(%S, %V)", "local x = math.random(%V)", "local x = next({}, %V)",
		"local x = table.concat({ %V, %V }, %S)", "local x = string.format(%S, %V)", "for i = 1, 10, %V do end",
		"local t = {} t[%V] = %V", "table.remove({}, %V)", "local x = math.ldexp(1, %V)", "local x = %V % 0",
		"for a in %V do end", "local x = #%V", "local x = -%V",
	}},
}

// sources are hostile as files.
var sources = map[string]func(r *rand.Rand) string{
	"10 MB of source": func(*rand.Rand) string { return strings.Repeat("local x = 1\n", 900_000) },
	"a binary chunk": func(*rand.Rand) string {
		return "\x1bLua\x51\x00\x01\x04\x08\x04\x08\x00" + strings.Repeat("\xff", 4000)
	},
	"nested brackets":   func(r *rand.Rand) string { return head + "local x = " + nested(r, "(", "1", ")") + foot },
	"nested tables":     func(r *rand.Rand) string { return head + "local x = " + nested(r, "{", "1", "}") + foot },
	"nested blocks":     func(r *rand.Rand) string { return head + nested(r, "do ", "", " end") + foot },
	"nested ifs":        func(r *rand.Rand) string { return head + nested(r, "if x then ", "", " end") + foot },
	"nested functions":  func(r *rand.Rand) string { return head + nested(r, "local f = function() ", "", " end ") + foot },
	"nested negations":  func(r *rand.Rand) string { return head + "local x = " + nested(r, "not ", "1", "") + foot },
	"nested calls":      func(r *rand.Rand) string { return head + nested(r, "note(", "1", ")") + foot },
	"nested minus":      func(r *rand.Rand) string { return head + "local x = " + nested(r, "- ", "1", "") + foot },
	"a chain of joins":  func(r *rand.Rand) string { return head + "local x = " + nested(r, "'a' .. ", "'b'", "") + foot },
	"a chain of powers": func(r *rand.Rand) string { return head + "local x = " + nested(r, "2 ^ ", "2", "") + foot },
	"many locals": func(r *rand.Rand) string {
		var b strings.Builder
		for i := range 50 + r.IntN(500) {
			fmt.Fprintf(&b, "local v%d = %d\n", i, i)
		}
		return head + b.String() + foot
	},
	"many constants": func(r *rand.Rand) string {
		var b strings.Builder
		for i := range 1000 + r.IntN(9000) {
			fmt.Fprintf(&b, "x['k%d'] = %d.5\n", i, i)
		}
		return head + "local x = {}\n" + b.String() + foot
	},
	"no text at all": func(r *rand.Rand) string {
		b := make([]byte, 1+r.IntN(5000))
		for i := range b {
			b[i] = byte(r.UintN(256))
		}
		return string(b)
	},
	"an unfinished text": func(*rand.Rand) string { return head + "local x = [==[" + strings.Repeat("x", 100_000) },
	"no end":             func(*rand.Rand) string { return head + "if true then" },
	"many checks": func(*rand.Rand) string {
		var b strings.Builder
		b.WriteString("plan { product = 'kittiwake-k8' }\n")
		for i := range 5000 {
			fmt.Fprintf(&b, "check('c%d', function() end)\n", i)
		}
		return b.String()
	},
	"checks without end": func(*rand.Rand) string {
		return "plan { product = 'kittiwake-k8' }\nlocal i = 0 while true do i = i + 1 check('c' .. i, function() end) end"
	},
	"endless when loaded": func(*rand.Rand) string { return "plan { product = 'kittiwake-k8' }\nwhile true do pcall(error) end" },
	"greedy when loaded": func(*rand.Rand) string {
		return "plan { product = 'kittiwake-k8' }\nlocal t = {} while true do t[#t+1] = ('x'):rep(1e6) end"
	},
	"a hostile declaration": func(r *rand.Rand) string {
		return fill(r, "plan { product = 'kittiwake-k8', revision = %S, cycle_time = %V, deadline = %V }\n"+
			"check('c', { about = %S, part = %S, deadline = %V }, function() end)")
	},
	"an endless condition": func(*rand.Rand) string {
		return "plan { product = 'kittiwake-k8' }\ncheck('c', { when = function() while true do end end }, function() end)"
	},
	"another product": func(r *rand.Rand) string { return fill(r, "plan { product = %S }\ncheck('c', function() end)") },
}

const (
	head = "plan { product = 'kittiwake-k8' } check('c', function()\n"
	foot = " end)\ncheck('last', function() reading('done', 1, '1') end)\n"
)

func nested(r *rand.Rand, open, middle, shut string) string {
	n := []int{150, 300, 5000, 30_000, 240_000 / (len(open) + len(shut))}[r.IntN(5)]
	return strings.Repeat(open, n) + middle + strings.Repeat(shut, n)
}

// fill puts values into the places of an attack.
func fill(r *rand.Rand, lua string) string {
	pick := func(list ...string) string { return list[r.IntN(len(list))] }
	text := func() string {
		return pick("''", `"\27[2J\27[31m"`, `"\0"`, `("x"):rep(1e6)`, `("\255\254"):rep(100)`, `"a\nb\r\nPASSED"`, "'%d%s%q'",
			`"\226\128\174gnp.exe"`, "'../../etc/passwd'", "'=cmd|calc'", `("("):rep(200)`, `"[a-"`, `"%"`, `"A"`, `"value"`)
	}
	number := func() string { return pick("1e6", "1e9", "2147483648", "9007199254740993", "99999999") }
	value := func() string {
		return pick("nil", "true", "{}", "0/0", "1/0", "-1/0", "1e308", "-1e308", "-1", "0", "1e-320", "note", "bench",
			"{ {} }", "setmetatable({}, { __index = function() error('x') end })", "'x'", text(), number(), "2^53", "-0", "0.5")
	}
	var b strings.Builder
	for {
		i := strings.IndexByte(lua, '%')
		if i < 0 || i == len(lua)-1 {
			return b.String() + lua
		}
		b.WriteString(lua[:i])
		switch lua[i+1] {
		case 'N':
			b.WriteString(number())
		case 'S':
			b.WriteString(text())
		case 'V':
			b.WriteString("(" + value() + ")")
		case 'I':
			fmt.Fprint(&b, 1+r.IntN(9))
		case '%':
			b.WriteByte('%')
		default:
			b.WriteString(lua[i : i+2])
		}
		lua = lua[i+2:]
	}
}

// hostilePlan makes a plan and says of which class it is. What computes without end
// takes its ten seconds each, so there are fewer of that.
func hostilePlan(r *rand.Rand) (class, plan string) {
	if r.IntN(6) == 0 {
		var names []string
		for n := range sources {
			names = append(names, n)
		}
		// A map has no order, a seed needs one.
		for i := range names {
			for j := i + 1; j < len(names); j++ {
				if names[j] < names[i] {
					names[i], names[j] = names[j], names[i]
				}
			}
		}
		return "hostile files", sources[names[r.IntN(len(names))]](r)
	}
	a := attacks[r.IntN(len(attacks))]
	for a.class == "computing without end" && r.IntN(3) > 0 {
		a = attacks[r.IntN(len(attacks))]
	}
	lua := fill(r, a.lua[r.IntN(len(a.lua))])
	switch r.IntN(7) {
	case 0:
		lua = "pcall(function() " + lua + foot
	case 1:
		lua = "together(function() " + lua + " end, function() wait(0.1) end)"
	case 2:
		lua = "xpcall(function() " + lua + " end, function(e) return e end)"
	case 3:
		lua = "local m = setmetatable({}, { __index = function() " + lua + " end }) local ignored = m.x"
	case 4:
		other := attacks[r.IntN(len(attacks))]
		for other.class == "computing without end" {
			other = attacks[r.IntN(len(attacks))]
		}
		lua = "pcall(function() " + fill(r, other.lua[r.IntN(len(other.lua))]) + " end) " + lua
	}
	before, after := "bench.supply:on()\n", ""
	switch r.IntN(3) {
	case 0:
		before += "reading('value', 0.5, 'A')\n"
	case 1:
		after = "\nreading('value', 0.5, 'A')"
	}
	return a.class, "plan { product = 'kittiwake-k8' }\ncheck('c', { deadline = 60 }, function()\n" + before + lua + after +
		"\nend)\ncheck('last', function() reading('done', 1, '1') end)\n"
}

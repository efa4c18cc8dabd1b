package script

import (
	"fmt"
	"maps"
	"math"
	"math/rand/v2"
	"reflect"
	"slices"
	"strings"

	lua "github.com/yuin/gopher-lua"
)

// goFunc is a function of Go that Lua can call.
type goFunc func(t *task, L *lua.LState) int

// metatables are a run's own, out of reach of the script.
type metatables struct {
	failure *lua.LTable
	capture *lua.LTable
	device  *lua.LTable
	results map[reflect.Type]*lua.LTable
}

// ownFunctions are the globals that are functions of this package; names with
// a dot go into the library before it.
func ownFunctions() map[string]goFunc {
	return map[string]goFunc{
		"plan": declarePlan, "check": declareCheck,
		"reading": reading, "note": note, "keep": keep, "ask": ask, "print": print, "picture": referencePicture,
		"wait": wait, "together": together, "require": require,
		"pcall": pcall, "xpcall": xpcall, "error": raiseError, "assert": assert,
		"tostring": toString, "pairs": pairs, "ipairs": ipairs,
		"getmetatable": getMetatable, "setmetatable": setMetatable,
		"string.find": stringFind, "string.match": stringMatch, "string.gmatch": stringGmatch,
		"string.gsub":   stringGsub,
		"string.format": stringFormat, "string.rep": stringRep,
		"string.lower": sized(strings.ToLower), "string.upper": sized(strings.ToUpper),
		"string.reverse": sized(reversed),
		"table.concat":   tableConcat, "table.insert": tableInsert, "table.sort": tableSort,
		"math.random": random,
		"bytes.pack":  bytesPack, "bytes.unpack": bytesUnpack, "bytes.crc": bytesCRC, "bytes.hex": bytesHex,
		"bytes.of": bytesOf,
	}
}

// taken from the interpreter as they are
var interpretersOwn = []string{
	"next", "tonumber", "type", "unpack", "select", "rawequal", "rawget",
	"string.byte", "string.char", "string.len", "string.sub",
	"table.getn", "table.maxn", "table.remove",
	"math.abs", "math.acos", "math.asin", "math.atan", "math.atan2", "math.ceil", "math.cos", "math.cosh", "math.deg",
	"math.exp",
	"math.floor", "math.fmod", "math.frexp", "math.ldexp", "math.log", "math.log10", "math.max", "math.min",
	"math.modf", "math.pow",
	"math.rad", "math.sin", "math.sinh", "math.sqrt", "math.tan", "math.tanh",
}

// libraryNames are the globals that are tables.
var libraryNames = []string{"string", "table", "math", "bytes", "unit", "bench", "measure"}

// globalNames are all names a plan may use without declaring them.
func globalNames() map[string]bool {
	names := map[string]bool{}
	for n := range ownFunctions() {
		names[n] = true
	}
	for _, n := range slices.Concat(interpretersOwn, libraryNames) {
		names[n] = true
	}
	maps.DeleteFunc(names, func(n string, _ bool) bool { return strings.Contains(n, ".") })
	return names
}

// baseFunctions are all functions of the sandbox, ready for the interpreter.
func baseFunctions() map[string]lua.LGFunction {
	L := lua.NewState(lua.Options{SkipOpenLibs: true})
	defer L.Close()
	for _, open := range []lua.LGFunction{lua.OpenBase, lua.OpenString, lua.OpenTable, lua.OpenMath} {
		L.Push(L.NewFunction(open))
		L.Call(0, 0)
	}
	out := map[string]lua.LGFunction{joinName: guarded(join), indexName: guarded(index), spreadName: guarded(spread)}
	for _, n := range interpretersOwn {
		v := lua.LValue(L.Get(lua.GlobalsIndex))
		for _, part := range strings.Split(n, ".") {
			v = L.GetField(v, part)
		}
		out[n] = charged(v.(*lua.LFunction).GFunction, made[n])
	}
	for n, f := range ownFunctions() {
		out[n] = guarded(f)
	}
	return out
}

// made is how many bytes each result of a function of the interpreter's takes
// that it makes many of.
var made = map[string]int{"string.byte": 8}

// charged counts what a function of the interpreter's makes, so many bytes a result.
func charged(f lua.LGFunction, each int) lua.LGFunction {
	if each == 0 {
		return f
	}
	return func(L *lua.LState) int {
		n := f(L)
		taskOf(L).charge(n * each)
		return n
	}
}

// guarded turns a Go panic into the end of the run, which a script cannot
// catch. A Lua error passes through.
func guarded(f goFunc) lua.LGFunction {
	return func(L *lua.LState) int {
		t := taskOf(L)
		defer func() {
			if p := recover(); p != nil {
				if api, ok := p.(*lua.ApiError); ok {
					panic(api)
				}
				e := t.run.panicked(t, p)
				L.Error(t.run.failureValue(&failure{err: e, hint: e.Hint, file: e.File, line: e.Line, trace: e.Trace}),
					0)
			}
		}()
		return f(t, L)
	}
}

// sandbox fills a new interpreter. What the script sees as its globals is an
// empty table that looks everything up in one out of its reach.
func (r *run) sandbox(L *lua.LState) {
	r.meta.results = map[reflect.Type]*lua.LTable{}
	r.globals = L.CreateTable(0, 0)
	L.Env = r.globals
	libs := map[string]*lua.LTable{}
	for _, n := range libraryNames {
		libs[n] = L.CreateTable(0, 0)
	}
	builtin := L.CreateTable(0, 0)
	for n, f := range r.plan.base {
		fn := L.NewFunction(f)
		if lib, name, ok := strings.Cut(n, "."); ok {
			libs[lib].RawSetString(name, fn)
		} else {
			builtin.RawSetString(n, fn)
		}
	}
	libs["math"].RawSetString("pi", lua.LNumber(math.Pi))
	libs["math"].RawSetString("huge", lua.LNumber(math.Inf(1)))
	for key, text := range map[string]string{"serial_number": r.host.Unit.SerialNumber, "product": r.host.Unit.Product,
		"revision": r.host.Unit.Revision, "lot": r.host.Unit.Lot} {
		libs["unit"].RawSetString(key, lua.LString(text))
	}
	for i := range r.plan.measures {
		b := &r.plan.measures[i]
		libs["measure"].RawSetString(strings.TrimPrefix(b.name, "measure."), L.NewFunction(b.call))
	}
	for _, n := range libraryNames {
		if n != "bench" {
			builtin.RawSetString(n, r.locked(L, n, libs[n]))
		}
	}
	builtin.RawSetString("bench", r.bench(L))
	r.showOnly(L, r.globals, "this name", builtin)

	str := L.CreateTable(0, 0)
	str.RawSetString("__index", libs["string"])
	str.RawSetString("__metatable", lua.LString("locked"))
	L.SetMetatable(lua.LString(""), str)

	r.meta.failure = r.valueMetatable(L, errorField, func(v any) string { return v.(*failure).text() })
	r.meta.capture = r.valueMetatable(L, captureField, captureText)
	seed := rand.New(rand.NewPCG(0x46756c6c, 0x7468726f77)) // the same in every run: a plan is repeatable
	r.random = seed.Float64
}

// locked returns a view of a library that cannot be changed and whose missing
// members are errors.
func (r *run) locked(L *lua.LState, name string, fields *lua.LTable) *lua.LTable {
	missing := L.CreateTable(0, 0)
	missing.RawSetString("__index", L.NewFunction(guarded(func(t *task, L *lua.LState) int {
		var names []string
		fields.ForEach(func(k, _ lua.LValue) { names = append(names, k.String()) })
		key := clip(L.Get(2).String(), 60)
		hint := didYouMean(key, names)
		if hint == "" {
			hint = name + " has " + strings.Join(sortedCopy(names), ", ")
		}
		return t.raisef(L, hint, "%s has no %s", name, key)
	})))
	fields.Metatable = missing
	view := L.CreateTable(0, 0)
	r.showOnly(L, view, name, fields)
	return view
}

// showOnly makes view show fields and take nothing.
func (r *run) showOnly(L *lua.LState, view *lua.LTable, name string, fields *lua.LTable) {
	mt := L.CreateTable(0, 0)
	mt.RawSetString("__index", fields)
	mt.RawSetString("__metatable", lua.LString("locked"))
	mt.RawSetString("__newindex", L.NewFunction(guarded(func(t *task, L *lua.LState) int {
		return t.raisef(L, "use a local variable", "%s cannot be changed: %s", name, clip(L.Get(2).String(), 60))
	})))
	view.Metatable = mt
}

// valueMetatable is for a Go value with read-only fields.
func (r *run) valueMetatable(L *lua.LState, field func(t *task, L *lua.LState, v any, key string) lua.LValue,
	text func(v any) string) *lua.LTable {
	mt := L.CreateTable(0, 0)
	mt.RawSetString("__index", L.NewFunction(guarded(func(t *task, L *lua.LState) int {
		ud, _ := L.Get(1).(*lua.LUserData)
		if ud == nil {
			return t.raisef(L, "", "not a value of this kind")
		}
		L.Push(field(t, L, ud.Value, clip(L.Get(2).String(), 60)))
		return 1
	})))
	mt.RawSetString("__newindex", L.NewFunction(guarded(func(t *task, L *lua.LState) int {
		return t.raisef(L, "", "it can be read only")
	})))
	mt.RawSetString("__tostring", L.NewFunction(guarded(func(t *task, L *lua.LState) int {
		ud, _ := L.Get(1).(*lua.LUserData)
		if ud == nil {
			return t.raisef(L, "", "not a value of this kind")
		}
		L.Push(lua.LString(text(ud.Value)))
		return 1
	})))
	mt.RawSetString("__metatable", lua.LString("locked"))
	return mt
}

func errorField(t *task, L *lua.LState, v any, key string) lua.LValue {
	text, ok := v.(*failure).field(key)
	if !ok {
		t.raisef(L, "an error has device, kind, message and hint", "an error has no %s", key)
	}
	return lua.LString(text)
}

// describe names a Lua value for people.
func describe(v lua.LValue) string {
	switch x := v.(type) {
	case *lua.LNilType:
		return "nil"
	case lua.LBool:
		return x.String()
	case lua.LNumber:
		return "the number " + x.String()
	case lua.LString:
		return fmt.Sprintf("the text %q", clip(string(x), 40))
	case *lua.LUserData:
		switch c := x.Value.(type) {
		case *failure:
			return "an error (" + clip(c.text(), 60) + ")"
		case *benchDevice:
			return "the device " + c.role
		}
		return clip(captureText(x.Value), 80)
	}
	return "a " + v.Type().String()
}

func raiseError(t *task, L *lua.LState) int {
	v, level := L.Get(1), 1
	if n, ok := L.Get(2).(lua.LNumber); ok {
		level = int(n)
	}
	if level > 1 {
		level++ // the interpreter counts this function too, but not at level 1
	}
	L.Error(v, max(level, 0))
	return 0
}

func assert(t *task, L *lua.LState) int {
	if L.GetTop() == 0 {
		return t.raisef(L, "", "assert: no value")
	}
	if lua.LVAsBool(L.Get(1)) {
		return L.GetTop()
	}
	if v := L.Get(2); v != lua.LNil {
		L.Error(v, 0) // as it is: the language adds no place here
	}
	L.RaiseError("assertion failed")
	return 0
}

func toString(t *task, L *lua.LState) int {
	v := L.ToStringMeta(L.Get(1))
	t.charge(len(v.String()))
	L.Push(v)
	return 1
}

func pairs(t *task, L *lua.LState) int {
	tb := L.CheckTable(1)
	L.Push(L.NewFunction(t.run.plan.base["next"]))
	L.Push(tb)
	L.Push(lua.LNil)
	return 3
}

func ipairs(t *task, L *lua.LState) int {
	tb := L.CheckTable(1)
	L.Push(L.NewFunction(nextItem))
	L.Push(tb)
	L.Push(lua.LNumber(0))
	return 3
}

func nextItem(L *lua.LState) int {
	i := L.CheckInt(2) + 1
	v := L.CheckTable(1).RawGetInt(i)
	if v == lua.LNil {
		return 0
	}
	L.Push(lua.LNumber(i))
	L.Push(v)
	return 2
}

func getMetatable(t *task, L *lua.LState) int {
	L.Push(L.GetMetatable(L.CheckAny(1)))
	return 1
}

func setMetatable(t *task, L *lua.LState) int {
	tb := L.CheckTable(1)
	L.CheckTypes(2, lua.LTNil, lua.LTTable)
	if mt, ok := tb.Metatable.(*lua.LTable); ok && mt.RawGetString("__metatable") != lua.LNil {
		return t.raisef(L, "", "setmetatable: this table's metatable cannot be changed")
	}
	tb.Metatable = L.Get(2)
	L.Push(tb)
	return 1
}

// require gives what library name returned, running it once in a run.
func require(t *task, L *lua.LState) int {
	r, name := t.run, L.CheckString(1)
	if v, ok := r.loaded[name]; ok {
		if v == nil {
			return t.raisef(L, "take what both need into a third library",
				"require %q: it requires itself, by way of others", name)
		}
		L.Push(v)
		return 1
	}
	proto, ok := r.plan.libs[name]
	if !ok {
		return t.raisef(L, `write the name out: require "search"`, "require %q: not known when the plan was loaded",
			name)
	}
	r.loaded[name] = nil
	L.Push(L.NewFunctionFromProto(proto))
	L.Call(0, 1)
	v := L.Get(-1)
	if v == lua.LNil {
		v = lua.LTrue
	}
	r.loaded[name] = v
	L.Push(v)
	return 1
}

// random is math.random of Lua 5.1.
func random(t *task, L *lua.LState) int {
	x := t.run.random()
	low, high := 1.0, 0.0
	switch L.GetTop() {
	case 0:
		L.Push(lua.LNumber(x))
		return 1
	case 1:
		high = float64(L.CheckNumber(1))
	default:
		low, high = float64(L.CheckNumber(1)), float64(L.CheckNumber(2))
	}
	low, high = math.Floor(low), math.Floor(high)
	if !(low <= high) || high-low > 1<<52 {
		return t.raisef(L, "", "math.random: nothing lies between %g and %g", low, high)
	}
	L.Push(lua.LNumber(low + math.Floor(x*(high-low+1))))
	return 1
}

func sortedCopy(list []string) []string {
	c := slices.Clone(list)
	slices.Sort(c)
	return slices.Compact(c)
}

package script

import (
	"fmt"
	"math"
	"strings"
	"time"

	lua "github.com/yuin/gopher-lua"
)

// options reads a table of named options. Errors carry the place of the call
// and name it as what: "bench.meter:current".
type options struct {
	t     *task
	L     *lua.LState
	what  string
	table *lua.LTable // nil: none given
}

// options takes argument v, a table with no other keys than names; nil is an
// empty one.
func (t *task) options(L *lua.LState, what string, v lua.LValue, names ...string) options {
	o := options{t: t, L: L, what: what}
	switch x := v.(type) {
	case *lua.LNilType:
		return o
	case *lua.LTable:
		o.table = x
	default:
		t.raisef(L, "it takes named options: { "+strings.Join(names, " = , ")+" = }",
			"%s: got %s in place of a table of options", what, describe(v))
	}
	o.table.ForEach(func(k, _ lua.LValue) {
		key, ok := k.(lua.LString)
		if !ok {
			t.raisef(L, "the options are "+strings.Join(names, ", "), "%s: an option without a name (%s)", what,
				describe(k))
		}
		for _, n := range names {
			if string(key) == n {
				return
			}
		}
		hint := didYouMean(string(key), names)
		if hint == "" {
			hint = "the options are " + strings.Join(names, ", ")
		}
		t.raisef(L, hint, "%s: there is no option %q", what, clip(string(key), 60))
	})
	return o
}

func (o options) get(name string) lua.LValue {
	if o.table == nil {
		return lua.LNil
	}
	return o.table.RawGetString(name)
}

func (o options) has(name string) bool { return o.get(name) != lua.LNil }

// number is a finite number from low to high, or fallback where not given. A
// fallback of NaN means that it must be given.
func (o options) number(name string, low, high, fallback float64) float64 {
	v := o.get(name)
	if v == lua.LNil {
		if math.IsNaN(fallback) {
			o.t.raisef(o.L, "", "%s: %s is missing", o.what, name)
		}
		return fallback
	}
	return o.t.number(o.L, o.what+": "+name, v, low, high)
}

func (o options) text(name string) string {
	v := o.get(name)
	if v == lua.LNil {
		return ""
	}
	return o.t.text(o.L, o.what+": "+name, v)
}

func (o options) boolean(name string) bool {
	v := o.get(name)
	if v == lua.LNil {
		return false
	}
	return o.t.boolean(o.L, o.what+": "+name, v)
}

func (o options) duration(name string, fallback time.Duration) time.Duration {
	v := o.get(name)
	if v == lua.LNil {
		return fallback
	}
	return o.t.duration(o.L, o.what+": "+name, v)
}

// number is a finite number from low to high.
func (t *task) number(L *lua.LState, what string, v lua.LValue, low, high float64) float64 {
	n, ok := v.(lua.LNumber)
	if !ok {
		t.raisef(L, "", "%s must be a number, not %s", what, describe(v))
	}
	f := float64(n)
	if math.IsNaN(f) || math.IsInf(f, 0) || f < low || f > high {
		t.raisef(L, "", "%s is %g: it must be %s", what, f, span(low, high))
	}
	return f
}

func span(low, high float64) string {
	switch {
	case math.IsInf(low, -1) && math.IsInf(high, 1):
		return "a finite number"
	case math.IsInf(high, 1) || high == math.MaxFloat64:
		return fmt.Sprintf("at least %g", low)
	}
	return fmt.Sprintf("from %g to %g", low, high)
}

func (t *task) text(L *lua.LState, what string, v lua.LValue) string {
	s, ok := v.(lua.LString)
	if !ok {
		t.raisef(L, "", "%s must be a text, not %s", what, describe(v))
	}
	if len(s) > maxNote {
		t.raisef(L, "", "%s is %d bytes long: at most %d", what, len(s), maxNote)
	}
	return strings.ToValidUTF8(string(s), "\uFFFD")
}

func (t *task) boolean(L *lua.LState, what string, v lua.LValue) bool {
	b, ok := v.(lua.LBool)
	if !ok {
		t.raisef(L, "", "%s must be true or false, not %s", what, describe(v))
	}
	return bool(b)
}

// duration is a time in seconds, from 0 to a day.
func (t *task) duration(L *lua.LState, what string, v lua.LValue) time.Duration {
	return time.Duration(t.number(L, what+" (in s)", v, 0, 86400) * float64(time.Second))
}

// name is a name as checks and readings have: a-z, 0-9 and _.
func (t *task) name(L *lua.LState, what string, v lua.LValue) string {
	s, ok := v.(lua.LString)
	if !ok {
		t.raisef(L, "", "%s: the name must be a text, not %s", what, describe(v))
	}
	if !plainName().MatchString(string(s)) || len(s) > 64 {
		t.raisef(L, "a to z, 0 to 9 and _, beginning with a letter, at most 64", "%s: the name %q", what,
			clip(string(s), 80))
	}
	return string(s)
}

package script

import (
	"fmt"
	"math"
	"slices"
	"sort"
	"strconv"
	"strings"

	lua "github.com/yuin/gopher-lua"
)

// maxText is the longest string a script can make, in bytes.
const maxText = 1 << 20

// push hands a string to Lua, if it is not too long.
func (t *task) push(L *lua.LState, what, s string) int {
	t.fitsText(L, what, len(s))
	t.charge(len(s))
	L.Push(lua.LString(s))
	return 1
}

func (t *task) fitsText(L *lua.LState, what string, n int) {
	if n > maxText {
		t.raisef(L, "", "%s: the text would be longer than %d bytes", what, maxText)
	}
}

// join is a .. b .. c.
func join(t *task, L *lua.LState) int {
	n := L.GetTop()
	values := make([]lua.LValue, n)
	total, plain := 0, true
	for i := range values {
		values[i] = L.Get(i + 1)
		switch v := values[i].(type) {
		case lua.LString:
			total += len(v)
		case lua.LNumber:
			total += 16
		default:
			plain = false
		}
	}
	t.fitsText(L, "..", total)
	if plain {
		var b strings.Builder
		b.Grow(total)
		for _, v := range values {
			b.WriteString(v.String())
		}
		return t.push(L, "..", b.String())
	}
	// From the right, two at a time, as the language says.
	acc := values[n-1]
	for i := n - 2; i >= 0; i-- {
		acc = t.joinTwo(L, values[i], acc)
	}
	L.Push(acc)
	return 1
}

func (t *task) joinTwo(L *lua.LState, a, b lua.LValue) lua.LValue {
	text := func(v lua.LValue) (string, bool) {
		if ud, ok := v.(*lua.LUserData); ok { // a caught error, a capture: their text
			if mt, ok := ud.Metatable.(*lua.LTable); ok && (mt == t.run.meta.failure || mt == t.run.meta.capture) {
				return L.ToStringMeta(ud).String(), true
			}
		}
		return v.String(), lua.LVCanConvToString(v)
	}
	x, okX := text(a)
	y, okY := text(b)
	if okX && okY {
		t.fitsText(L, "..", len(x)+len(y))
		t.charge(len(x) + len(y))
		return lua.LString(x + y)
	}
	for _, v := range []lua.LValue{a, b} {
		if fn, ok := L.GetMetaField(v, "__concat").(*lua.LFunction); ok {
			L.Push(fn)
			L.Push(a)
			L.Push(b)
			L.Call(2, 1)
			v := L.Get(-1)
			L.Pop(1)
			return v
		}
	}
	bad := b
	if !okX {
		bad = a
	}
	t.raisef(L, "use tostring(...)", ".. cannot join %s", describe(bad))
	return lua.LNil
}

// index guards a key that is written to.
func index(t *task, L *lua.LState) int {
	k := L.Get(1)
	if n, ok := k.(lua.LNumber); ok && n > 0 {
		if n > maxIndex && float64(n) == math.Trunc(float64(n)) {
			return t.raisef(L, "use a text as the key: t[tostring(n)]", "index %s is too large: at most %d", n,
				maxIndex)
		}
		if n >= freeIndex {
			t.charge(16 * int(n)) // at worst, the table grows to there
		}
	}
	L.Push(k)
	return 1
}

// spread gives back its arguments, which are about to go into a table.
func spread(t *task, L *lua.LState) int {
	t.charge(16 * L.GetTop())
	return L.GetTop()
}

func stringRep(t *task, L *lua.LState) int {
	s, n := L.CheckString(1), float64(L.CheckNumber(2))
	if !(n >= 1) || s == "" {
		L.Push(lua.LString(""))
		return 1
	}
	if n > maxText {
		n = maxText + 1
	}
	t.fitsText(L, "string.rep", len(s)*int(n))
	return t.push(L, "string.rep", strings.Repeat(s, int(n)))
}

// sized binds a function whose result is about as long as its argument.
func sized(f func(string) string) goFunc {
	return func(t *task, L *lua.LState) int { return t.push(L, "string", f(L.CheckString(1))) }
}

func reversed(s string) string {
	b := []byte(s)
	slices.Reverse(b)
	return string(b)
}

func tableConcat(t *task, L *lua.LState) int {
	tb, sep := L.CheckTable(1), L.OptString(2, "")
	i, j := L.OptInt(3, 1), L.OptInt(4, tb.Len())
	var b strings.Builder
	for k := i; k <= j; k++ {
		v := tb.RawGetInt(k)
		if !lua.LVCanConvToString(v) {
			return t.raisef(L, "", "table.concat: item %d is %s", k, describe(v))
		}
		b.WriteString(v.String())
		if k < j {
			b.WriteString(sep)
		}
		t.fitsText(L, "table.concat", b.Len())
	}
	return t.push(L, "table.concat", b.String())
}

func tableInsert(t *task, L *lua.LState) int {
	tb := L.CheckTable(1)
	switch L.GetTop() {
	case 2:
		tb.Append(L.Get(2))
	case 3:
		at := float64(L.CheckNumber(2))
		if !(at >= 1 && at <= float64(tb.Len()+1)) {
			return t.raisef(L, "", "table.insert: position %g: the table has %d items", at, tb.Len())
		}
		tb.Insert(int(at), L.Get(3))
	default:
		return t.raisef(L, "", "table.insert: it takes a table, a position if not the end, and a value")
	}
	return 0
}

// tableSort is table.sort. Where the interpreter compares texts by itself,
// nothing could end it: 50,000 long ones take minutes.
func tableSort(t *task, L *lua.LState) int {
	tb := L.CheckTable(1)
	less := func(a, b lua.LValue) bool {
		x, isText := a.(lua.LString)
		y, areTexts := b.(lua.LString)
		if !isText || !areTexts {
			t.work(L, 1)
			return L.LessThan(a, b)
		}
		t.work(L, 1+min(len(x), len(y))/64)
		return x < y
	}
	if L.GetTop() > 1 {
		fn := L.CheckFunction(2)
		less = func(a, b lua.LValue) bool {
			L.Push(fn)
			L.Push(a)
			L.Push(b)
			L.Call(2, 1)
			yes := lua.LVAsBool(L.Get(-1))
			L.Pop(1)
			return yes
		}
	}
	values := make([]lua.LValue, tb.Len())
	t.charge(16 * len(values))
	for i := range values {
		values[i] = tb.RawGetInt(i + 1)
	}
	sort.Slice(values, func(i, j int) bool { return less(values[i], values[j]) })
	for i, v := range values {
		tb.RawSetInt(i+1, v)
	}
	return 0
}

// stringFormat is string.format of Lua 5.1: widths and precisions of at most
// two digits.
func stringFormat(t *task, L *lua.LState) int {
	format := L.CheckString(1)
	var b strings.Builder
	arg := 1
	for i := 0; i < len(format); i++ {
		if format[i] != '%' {
			b.WriteByte(format[i])
			continue
		}
		start := i
		for i++; i < len(format) && strings.IndexByte("-+ #0", format[i]) >= 0; i++ {
		}
		digits := func() {
			for n := 0; i < len(format) && format[i] >= '0' && format[i] <= '9'; n++ {
				if n == 2 {
					t.raisef(L, "", "string.format: a width or precision of more than two digits")
				}
				i++
			}
		}
		digits()
		if i < len(format) && format[i] == '.' {
			i++
			digits()
		}
		if i >= len(format) || i-start > 10 {
			return t.raisef(L, "", "string.format: %q is not a format", clip(format[start:], 20))
		}
		spec, verb := format[start:i], format[i]
		if verb == '%' {
			b.WriteByte('%')
			continue
		}
		arg++
		if arg > L.GetTop() {
			return t.raisef(L, "", "string.format: no value for %s%c", spec, verb)
		}
		number := func() float64 {
			if n, ok := L.Get(arg).(lua.LNumber); ok {
				return float64(n)
			}
			if s, ok := L.Get(arg).(lua.LString); ok {
				if f, err := strconv.ParseFloat(strings.TrimSpace(string(s)), 64); err == nil {
					return f
				}
			}
			t.raisef(L, "", "string.format: %s%c needs a number, got %s", spec, verb, describe(L.Get(arg)))
			return 0
		}
		switch verb {
		case 'd', 'i', 'u', 'x', 'X', 'o', 'c':
			f := number()
			if math.IsNaN(f) || math.Abs(f) >= 1<<63 {
				return t.raisef(L, "use %g", "string.format: %s%c cannot write %g", spec, verb, f)
			}
			if verb == 'i' || verb == 'u' {
				verb = 'd'
			}
			if verb == 'c' {
				b.WriteByte(byte(int64(f)))
				continue
			}
			fmt.Fprintf(&b, spec+string(verb), int64(f))
		case 'e', 'E', 'f', 'g', 'G':
			fmt.Fprintf(&b, spec+string(verb), number())
		case 's':
			s := L.ToStringMeta(L.Get(arg)).String()
			t.fitsText(L, "string.format", b.Len()+len(s))
			fmt.Fprintf(&b, spec+"s", s)
		case 'q':
			b.WriteString(strings.NewReplacer("\\\n", "\\\n", `\n`, "\\\n").Replace(strconv.Quote(L.CheckString(arg))))
		default:
			return t.raisef(L, "use %s, %d, %g, %.3f, %x or %q", "string.format: %s%c is not known", spec, verb)
		}
		t.fitsText(L, "string.format", b.Len())
	}
	return t.push(L, "string.format", b.String())
}

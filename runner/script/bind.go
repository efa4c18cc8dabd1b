package script

import (
	"fmt"
	"math"
	"reflect"
	"strings"
	"time"

	lua "github.com/yuin/gopher-lua"

	"fullthrow/drivers"
	"fullthrow/runner/measure"
)

// A Go function is bound by its types.
//
// Arguments: captures are the values that devices give; numbers, booleans and
// texts themselves; a slice is a list; a struct is a table with the field
// names in_small_letters, all of them. A struct whose type is named ...Options
// may have any of them, and be left out as the last argument. What is not a
// field is an error, with the nearest name as a hint.
//
// Results: (value), (value, error); a struct becomes a table, a slice a list, a
// capture a capture; NaN stays NaN. An error is raised.

// binding is a Go function ready to be called from Lua.
type binding struct {
	name string // "measure.steady"
	call lua.LGFunction
	args []string // what each argument is
}

var (
	typeSamples  = reflect.TypeFor[drivers.Samples]()
	typeFrames   = reflect.TypeFor[drivers.Frames]()
	typePath     = reflect.TypeFor[drivers.Path]()
	typePicture  = reflect.TypeFor[drivers.Picture]()
	typeDuration = reflect.TypeFor[time.Duration]()
	typeError    = reflect.TypeFor[error]()
)

const maxItems = 1_000_000 // of a list

// bind makes fn callable. The error says which type it cannot carry over.
func bind(name string, fn any) (binding, error) {
	v := reflect.ValueOf(fn)
	b := binding{name: name}
	if v.Kind() != reflect.Func || v.Type().IsVariadic() {
		return b, fmt.Errorf("%s: %T cannot be bound: not a plain function", name, fn)
	}
	t := v.Type()
	for i := range t.NumIn() {
		if err := carries(t.In(i), 0); err != nil {
			return b, fmt.Errorf("%s: argument %d: %w", name, i+1, err)
		}
		b.args = append(b.args, typeName(t.In(i)))
	}
	fails := t.NumOut() > 0 && t.Out(t.NumOut()-1) == typeError
	values := t.NumOut()
	if fails {
		values--
	}
	for i := range values {
		if err := carries(t.Out(i), 0); err != nil {
			return b, fmt.Errorf("%s: result %d: %w", name, i+1, err)
		}
	}
	need := t.NumIn()
	if need > 0 && measure.IsOptions(t.In(need-1)) {
		need--
	}
	b.call = guarded(func(task *task, L *lua.LState) int {
		top := L.GetTop()
		if top > t.NumIn() || top < need {
			return task.raisef(L, "it takes "+strings.Join(b.args, ", "), "%s: %d arguments", name, top)
		}
		in := make([]reflect.Value, t.NumIn())
		for i := range in {
			in[i] = reflect.New(t.In(i)).Elem()
			if i < need || L.Get(i+1) != lua.LNil {
				what := name
				if t.NumIn() > 1 && !measure.IsOptions(t.In(i)) {
					what = fmt.Sprintf("%s: argument %d", name, i+1)
				}
				task.toGo(L, what, L.Get(i+1), in[i])
			}
		}
		out := v.Call(in)
		if fails {
			if err, ok := out[values].Interface().(error); ok && err != nil {
				return task.raise(L, err, "")
			}
		}
		for _, o := range out[:values] {
			L.Push(task.toLua(L, o))
		}
		return values
	})
	return b, nil
}

// carries reports whether values of type t can be carried over.
func carries(t reflect.Type, depth int) error {
	if depth > 8 {
		return fmt.Errorf("%s is nested too deeply", t)
	}
	switch t {
	case typeSamples, typeFrames, typePath, typePicture, typeDuration:
		return nil
	}
	switch t.Kind() {
	case reflect.Float64, reflect.Int, reflect.Bool, reflect.String:
		return nil
	case reflect.Slice:
		return carries(t.Elem(), depth+1)
	case reflect.Struct:
		for _, f := range measure.Fields(t) {
			if err := carries(f.Type, depth+1); err != nil {
				return fmt.Errorf("%s: %s: %w", t.Name(), f.Name, err)
			}
		}
		return nil
	}
	return fmt.Errorf("%s cannot be carried between Go and Lua", t)
}

// typeName says what a value of type t is in a script.
func typeName(t reflect.Type) string {
	switch t {
	case typeSamples:
		return "samples"
	case typeFrames:
		return "frames"
	case typePath:
		return "a path"
	case typePicture:
		return "a picture"
	case typeDuration:
		return "a number of seconds"
	}
	switch t.Kind() {
	case reflect.Float64, reflect.Int:
		return "a number"
	case reflect.Bool:
		return "true or false"
	case reflect.String:
		return "a text"
	case reflect.Slice:
		return "a list"
	}
	return "{ " + strings.Join(fieldNames(t), " =, ") + " = }"
}

// fieldNames are those of struct t.
func fieldNames(t reflect.Type) []string {
	var list []string
	for _, f := range measure.Fields(t) {
		list = append(list, f.Name)
	}
	return list
}

// toGo puts a Lua value into dst, or raises what is wrong with it.
func (t *task) toGo(L *lua.LState, what string, v lua.LValue, dst reflect.Value) {
	typ := dst.Type()
	switch typ {
	case typeSamples, typeFrames, typePath, typePicture:
		if ud, ok := v.(*lua.LUserData); ok && ud.Metatable == t.run.meta.capture && reflect.TypeOf(ud.Value) == typ {
			dst.Set(reflect.ValueOf(ud.Value))
			return
		}
		t.raisef(L, "", "%s must be %s, not %s", what, typeName(typ), describe(v))
	case typeDuration:
		dst.SetInt(int64(t.duration(L, what, v)))
		return
	}
	switch typ.Kind() {
	case reflect.Float64:
		n, ok := v.(lua.LNumber)
		if !ok {
			t.raisef(L, "", "%s must be a number, not %s", what, describe(v))
		}
		dst.SetFloat(float64(n)) // NaN too: a missing answer of a timer
	case reflect.Int:
		f := t.number(L, what, v, -1e9, 1e9)
		if f != math.Trunc(f) {
			t.raisef(L, "", "%s must be a whole number, not %g", what, f)
		}
		dst.SetInt(int64(f))
	case reflect.Bool:
		dst.SetBool(t.boolean(L, what, v))
	case reflect.String:
		dst.SetString(t.text(L, what, v))
	case reflect.Slice:
		tb, ok := v.(*lua.LTable)
		if !ok {
			t.raisef(L, "", "%s must be a list, not %s", what, describe(v))
		}
		n := tb.Len()
		if n > maxItems {
			t.raisef(L, "", "%s has %d items: at most %d", what, n, maxItems)
		}
		tb.ForEach(func(k, _ lua.LValue) {
			if i, ok := k.(lua.LNumber); !ok || i < 1 || i > lua.LNumber(n) {
				t.raisef(L, "", "%s must be a list, without %s", what, describe(k))
			}
		})
		t.charge(n * int(typ.Elem().Size()))
		list := reflect.MakeSlice(typ, n, n)
		for i := range n {
			t.toGo(L, fmt.Sprintf("%s: item %d", what, i+1), tb.RawGetInt(i+1), list.Index(i))
		}
		dst.Set(list)
	case reflect.Struct:
		o := t.options(L, what, v, fieldNames(typ)...)
		for _, f := range measure.Fields(typ) {
			switch {
			case o.has(f.Name):
				t.toGo(L, what+": "+f.Name, o.get(f.Name), dst.Field(f.Index))
			case !measure.IsOptions(typ):
				t.raisef(L, "", "%s: %s is missing", what, f.Name)
			}
		}
	}
}

// toLua makes a Go value a Lua value.
func (t *task) toLua(L *lua.LState, v reflect.Value) lua.LValue {
	switch v.Type() {
	case typeSamples, typeFrames, typePath, typePicture:
		return t.captureValue(v.Interface())
	case typeDuration:
		return lua.LNumber(time.Duration(v.Int()).Seconds())
	}
	switch v.Kind() {
	case reflect.Float64:
		return lua.LNumber(v.Float())
	case reflect.Int:
		return lua.LNumber(v.Int())
	case reflect.Bool:
		return lua.LBool(v.Bool())
	case reflect.String:
		return lua.LString(v.String())
	case reflect.Slice:
		t.charge(16 * v.Len())
		list := L.CreateTable(v.Len(), 0)
		for i := range v.Len() {
			list.Append(t.toLua(L, v.Index(i)))
		}
		return list
	case reflect.Struct:
		fields := measure.Fields(v.Type())
		t.charge(128 * len(fields))
		tb := L.CreateTable(0, len(fields))
		for _, f := range fields {
			tb.RawSetString(f.Name, t.toLua(L, v.Field(f.Index)))
		}
		tb.Metatable = t.strict(L, v.Type())
		return tb
	}
	return lua.LNil
}

// strict is the metatable of results of type typ: a field that does not exist
// is an error, not nil, since a reading of nil would blame the unit's check.
func (t *task) strict(L *lua.LState, typ reflect.Type) *lua.LTable {
	if mt, ok := t.run.meta.results[typ]; ok {
		return mt
	}
	mt := L.CreateTable(0, 0)
	mt.RawSetString("__index", L.NewFunction(guarded(func(t *task, L *lua.LState) int {
		key := clip(L.Get(2).String(), 60)
		fields := fieldNames(typ)
		hint := didYouMean(key, fields)
		if hint == "" {
			hint = "it has " + strings.Join(fields, ", ")
		}
		return t.raisef(L, hint, "the result has no %s", key)
	})))
	t.run.meta.results[typ] = mt
	return mt
}

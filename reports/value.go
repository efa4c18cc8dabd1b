package reports

import (
	"encoding/json"
	"fmt"
	"math"
	"strconv"
)

// Value is a number, a boolean or a text; the zero Value is "none". In JSON it
// is the plain scalar, or null. A number that is not finite is written as null
// (JSON has no such number) and so comes back as none: its Reading says why in
// Problem.
type Value struct{ v any }

// Number, Bool and Text make values.
func Number(f float64) Value { return Value{f} }

// Bool makes a boolean value.
func Bool(b bool) Value { return Value{b} }

// Text makes a text value.
func Text(s string) Value { return Value{s} }

// IsNone reports whether there is no value.
func (v Value) IsNone() bool { return v.v == nil }

// Number returns the number, and false if v is not one.
func (v Value) Number() (float64, bool) { f, ok := v.v.(float64); return f, ok }

// Bool returns the boolean, and false if v is not one.
func (v Value) Bool() (value, ok bool) { value, ok = v.v.(bool); return }

// Text returns the text, and false if v is not one.
func (v Value) Text() (string, bool) { s, ok := v.v.(string); return s, ok }

// Equal reports whether both are the same scalar. NaN equals nothing.
func (v Value) Equal(w Value) bool { return v.v == w.v }

func (v Value) String() string {
	switch x := v.v.(type) {
	case nil:
		return "none"
	case float64:
		return strconv.FormatFloat(x, 'g', -1, 64)
	default:
		return fmt.Sprint(x)
	}
}

// MarshalJSON writes the scalar.
func (v Value) MarshalJSON() ([]byte, error) {
	if f, ok := v.v.(float64); ok && (math.IsNaN(f) || math.IsInf(f, 0)) {
		return []byte("null"), nil
	}
	return json.Marshal(v.v)
}

// UnmarshalJSON reads a scalar; anything else is an error.
func (v *Value) UnmarshalJSON(b []byte) error {
	var x any
	if err := json.Unmarshal(b, &x); err != nil {
		return err
	}
	switch x.(type) {
	case nil, float64, bool, string:
		v.v = x
		return nil
	}
	return fmt.Errorf("a value is a number, true, false, a text or null, not %s", b)
}

package limits

import (
	"fmt"
	"math"
	"strings"

	"fullthrow/reports"
)

// fields reads the keys of one limit, each with its line.
type fields struct {
	p      *parsing
	path   []string
	values map[string]any
}

func (f fields) has(key string) bool { _, ok := f.values[key]; return ok }
func (f fields) line(key string) int {
	return f.p.line(append(append([]string(nil), f.path...), key)...)
}

func (f fields) text(key string) string {
	v, ok := f.values[key]
	if !ok {
		return ""
	}
	s, ok := v.(string)
	if !ok {
		f.p.Add(f.line(key), "", "%s must be a text, not %s", key, kindOf(v))
		return ""
	}
	if strings.TrimSpace(s) == "" && key != "unit" {
		f.p.Add(f.line(key), "", "%s is empty", key)
	}
	return s
}

func (f fields) number(key string) *float64 {
	v, ok := f.values[key]
	if !ok {
		return nil
	}
	x, ok := asNumber(v)
	if !ok {
		f.p.Add(f.line(key), "", "%s must be a number, not %s", key, kindOf(v))
		return nil
	}
	if math.IsNaN(x) || math.IsInf(x, 0) {
		f.p.Add(f.line(key), "leave the line out where there is no limit", "%s must be finite", key)
		return nil
	}
	return &x
}

func (f fields) value(key string, v any) (reports.Value, bool) {
	switch x := v.(type) {
	case bool:
		return reports.Bool(x), true
	case string:
		return reports.Text(x), true
	}
	if x, ok := asNumber(v); ok && !math.IsNaN(x) && !math.IsInf(x, 0) {
		return reports.Number(x), true
	}
	f.p.Add(f.line(key), "", "%s must be a finite number, true, false or a text, not %s", key, kindOf(v))
	return reports.Value{}, false
}

func asNumber(v any) (float64, bool) {
	switch x := v.(type) {
	case int64:
		return float64(x), true
	case float64:
		return x, true
	}
	return 0, false
}

func kindOf(v any) string {
	switch x := v.(type) {
	case string:
		return fmt.Sprintf("the text %q", x)
	case bool:
		return fmt.Sprint(x)
	case int64, float64:
		return fmt.Sprintf("the number %v", x)
	case []any:
		return "a list"
	case map[string]any:
		return "a table"
	}
	return "a date or time"
}

func sortOf(v reports.Value) string {
	if _, ok := v.Number(); ok {
		return "numbers"
	}
	if _, ok := v.Bool(); ok {
		return "true or false"
	}
	return "texts"
}

package input

import (
	"bytes"
	"errors"
	"fmt"
	"reflect"
	"slices"
	"strings"

	"github.com/pelletier/go-toml/v2"
	"github.com/pelletier/go-toml/v2/unstable"
)

// DecodeTOML reads a TOML file into the struct v points to. A key that v
// does not know, or a value of the wrong kind, is a problem at its line: a
// mistyped key must never be a setting that is quietly missing.
func DecodeTOML(name string, data []byte, v any) (Lines, []Problem) {
	if p := Unreasonable(name, data); p != nil {
		return nil, []Problem{*p}
	}
	var raw map[string]any
	if err := toml.Unmarshal(data, &raw); err != nil {
		return nil, []Problem{tomlProblem(name, err)}
	}
	list := outline(data)
	var problems []Problem
	skip := ""
	for _, e := range list {
		if p := strings.Join(e.path, "\x00"); skip != "" && strings.HasPrefix(p, skip) {
			continue // below a key already complained of
		}
		text, hint := fits(reflect.TypeOf(v).Elem(), e)
		if text != "" {
			problems = append(problems, At(name, e.line, text, hint))
			skip = strings.Join(e.path, "\x00") + "\x00"
		}
	}
	if len(problems) > 0 {
		return linesOf(list), InOrder(problems)
	}
	if err := toml.Unmarshal(data, v); err != nil {
		return nil, []Problem{tomlProblem(name, err)}
	}
	return linesOf(list), nil
}

// What no file of people has, and what parsers take more than their share of
// memory for.
const mostPoints = 500

// Unreasonable looks at a TOML file before any parser does; nil: it may be parsed.
func Unreasonable(name string, data []byte) *Problem {
	if len(data) > MaxText {
		p := At(name, 0, (&TooLarge{MaxText}).Error(), "is this the right file?")
		return &p
	}
	n := 0
	for line := range bytes.Lines(data) {
		n++
		if bytes.Count(line, []byte(".")) > mostPoints {
			p := At(name, n, fmt.Sprintf("a line with more than %d points: no key and no text has so many", mostPoints), "")
			return &p
		}
		// Lists within lists: none of ours has more than two.
		if bytes.Count(line, []byte("[")) > mostPoints || bytes.Count(line, []byte("{")) > mostPoints {
			p := At(name, n, fmt.Sprintf("a line with more than %d brackets", mostPoints), "")
			return &p
		}
	}
	return nil
}

func tomlProblem(name string, err error) Problem {
	p := Problem{File: name, Text: strings.TrimPrefix(err.Error(), "toml: ")}
	var e *toml.DecodeError
	if errors.As(err, &e) {
		p.Line, _ = e.Position()
	}
	return p
}

// fits checks one key against the type that the whole file is read into.
func fits(t reflect.Type, e entry) (text, hint string) {
	inside := "the file"
	for i, key := range e.path {
		for t.Kind() == reflect.Pointer {
			t = t.Elem()
		}
		switch t.Kind() {
		case reflect.Struct:
			f, ok := fieldFor(t, key)
			if !ok {
				return fmt.Sprintf("unknown key %q in %s", key, inside), Meant(key, keysOf(t))
			}
			t = f.Type
		case reflect.Map:
			t = t.Elem()
		case reflect.Slice:
			t = t.Elem()
			continue
		default:
			return fmt.Sprintf("%q is %s, not a table", e.path[i-1], wantOf(t)), ""
		}
		inside = "[" + tableName(e.path[:i+1]) + "]"
	}
	for t.Kind() == reflect.Pointer {
		t = t.Elem()
	}
	if want := wantOf(t); e.kind != unstable.Invalid && !kindFits(t, e.kind) {
		return fmt.Sprintf("%s must be %s", e.path[len(e.path)-1], want), ""
	}
	return "", ""
}

// tableName writes a path as in a header, without the numbers of nests.
func tableName(path []string) string {
	var parts []string
	for i, p := range path {
		if i == 1 && path[0] == "nest" {
			continue
		}
		parts = append(parts, p)
	}
	return strings.Join(parts, ".")
}

func fieldFor(t reflect.Type, key string) (reflect.StructField, bool) {
	for i := range t.NumField() {
		if f := t.Field(i); f.Tag.Get("toml") == key {
			return f, true
		}
	}
	return reflect.StructField{}, false
}

func keysOf(t reflect.Type) []string {
	var keys []string
	for i := range t.NumField() {
		if k := t.Field(i).Tag.Get("toml"); k != "" && k != "-" {
			keys = append(keys, k)
		}
	}
	slices.Sort(keys)
	return keys
}

func isDate(t reflect.Type) bool { return t == reflect.TypeFor[toml.LocalDate]() }

func isTexts(t reflect.Type) bool { return t == reflect.TypeFor[[]string]() }

func wantOf(t reflect.Type) string {
	switch {
	case isDate(t):
		return "a date, like 2027-03-31"
	case t.Kind() == reflect.String:
		return "a text in quotes"
	case t.Kind() == reflect.Bool:
		return "true or false"
	case t.Kind() == reflect.Int:
		return "a whole number"
	case t.Kind() == reflect.Float64:
		return "a number"
	case isTexts(t):
		return "a list of texts, like [\"a\", \"b\"]"
	case t.Kind() == reflect.Slice:
		return "one or more tables in double brackets"
	default:
		return "a table"
	}
}

func kindFits(t reflect.Type, k unstable.Kind) bool {
	switch {
	case isDate(t):
		return k == unstable.LocalDate
	case t.Kind() == reflect.String:
		return k == unstable.String
	case t.Kind() == reflect.Bool:
		return k == unstable.Bool
	case t.Kind() == reflect.Int:
		return k == unstable.Integer
	case t.Kind() == reflect.Float64:
		return k == unstable.Integer || k == unstable.Float
	case isTexts(t):
		return k == unstable.Array
	case t.Kind() == reflect.Slice:
		return k == unstable.ArrayTable
	default:
		return k == unstable.Table || k == unstable.InlineTable
	}
}

package main

import (
	"encoding/json"
	"fmt"
	"os"
	"reflect"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"fullthrow/reports"
	"fullthrow/reports/review"
	"fullthrow/reports/yield"
)

// TestJSONFields holds the fields of every --json answer about many runs
// against testdata/json-fields.golden, which is where users look them up: a
// field keeps its name and its place. UPDATE_SCRIPTS=1 renews the file.
func TestJSONFields(t *testing.T) {
	const file = "../testdata/json-fields.golden"
	var b strings.Builder
	b.WriteString(`# Fields of what the commands write with --json. Values are in SI units without
# prefix, shares parts of 1, times RFC 3339 in UTC; [] is a list; what may be
# missing has a question mark; null is not known.
# share:    count, of, value, low, high, confidence, method
# estimate: value, low, high, confidence, method
`)
	for _, a := range []struct {
		command string
		answer  any
	}{
		{"today", review.Today{}}, {"fails", review.Fails{}}, {"drift", review.Drift{}}, {"hold", review.Hold{}},
		{"differs", review.Differs{}}, {"unit", review.Unit{}}, {"forward", forwardAnswer{}}, {"reindex", reindexAnswer{}},
	} {
		fmt.Fprintf(&b, "\n%s\n", a.command)
		fields(&b, reflect.TypeOf(a.answer), "  ")
	}
	if os.Getenv("UPDATE_SCRIPTS") != "" {
		require.NoError(t, os.WriteFile(file, []byte(b.String()), 0o644))
	}
	want, err := os.ReadFile(file)
	require.NoError(t, err)
	assert.Equal(t, string(want), b.String())
}

// fields writes the fields of a type as they stand in JSON, one a line.
func fields(b *strings.Builder, t reflect.Type, margin string) {
	for i := range t.NumField() {
		f := t.Field(i)
		name, option, _ := strings.Cut(f.Tag.Get("json"), ",")
		if !f.IsExported() || name == "-" {
			continue
		}
		if f.Anonymous && name == "" {
			fields(b, f.Type, margin)
			continue
		}
		if name == "" {
			name = "NO NAME " + f.Name
		}
		inner, list := f.Type, ""
		for inner.Kind() == reflect.Pointer || inner.Kind() == reflect.Slice || inner.Kind() == reflect.Array {
			if inner.Kind() != reflect.Pointer {
				list += "[]"
			}
			inner = inner.Elem()
		}
		if option != "" {
			name += "?"
		}
		word := kindOf(inner)
		if inner == t {
			word = "the same again"
		}
		fmt.Fprintf(b, "%s%s\n", margin, strings.TrimRight(name+": "+list+word, ": "))
		if word == "" {
			fields(b, inner, margin+"  ")
		}
	}
}

// kindOf names a kind of value, "" for one that has fields.
func kindOf(t reflect.Type) string {
	switch t {
	case reflect.TypeFor[yield.Share]():
		return "share"
	case reflect.TypeFor[yield.Estimate]():
		return "estimate"
	case reflect.TypeFor[yield.Probability]():
		return "number or null"
	case reflect.TypeFor[reports.Value]():
		return "number, true, false or text"
	case reflect.TypeFor[time.Time]():
		return "time"
	case reflect.TypeFor[time.Duration]():
		return "nanoseconds"
	}
	if t.Implements(reflect.TypeFor[json.Marshaler]()) {
		return "NOT KNOWN " + t.String()
	}
	switch t.Kind() {
	case reflect.Struct:
		return ""
	case reflect.String:
		return "text"
	case reflect.Bool:
		return "true or false"
	case reflect.Float64:
		return "number"
	case reflect.Int, reflect.Int64:
		return "whole number"
	case reflect.Map:
		return "values by name"
	}
	return "NOT KNOWN " + t.String()
}

package script

import (
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"

	"fullthrow/runner/measure"
	"fullthrow/scripts"
)

// Every function and method that plans can call is in the annotations; the part
// about measure.* is made of the registry of measurements.
func TestAnnotations(t *testing.T) {
	data, err := fs.ReadFile(scripts.Lib(), "annotations.lua")
	if err != nil {
		t.Fatal(err)
	}
	text := string(data)
	if !strings.HasPrefix(text, "---@meta\n") {
		t.Error("annotations.lua must begin with ---@meta, which keeps plans from loading it")
	}

	language := []string{"pcall", "xpcall", "error", "assert", "tostring", "pairs", "ipairs", "getmetatable", "setmetatable"}
	for name := range ownFunctions() {
		if strings.Contains(name, ".") || slices.Contains(language, name) {
			continue // editors know Lua's own
		}
		if !strings.Contains(text, "\nfunction "+name+"(") {
			t.Errorf("function %s is not annotated", name)
		}
	}
	for _, c := range capabilities() {
		class := strings.ToUpper(c.kind[:1]) + c.kind[1:]
		for _, m := range c.methods {
			if !strings.Contains(text, "\nfunction "+class+":"+m.name+"(") {
				t.Errorf("method %s:%s is not annotated", class, m.name)
			}
		}
	}
	for _, f := range captureFields {
		if !strings.Contains(text, "\n---@field "+f+" ") && !strings.Contains(text, "\n---@field "+f+"? ") {
			t.Errorf("field %s of captures is not annotated", f)
		}
	}

	const head = "\nmeasure = {}\n"
	at := strings.Index(text, head)
	if at < 0 {
		t.Fatal("annotations.lua has no measure = {}")
	}
	want := text[:at] + head + measureAnnotations()
	if want == text {
		return
	}
	if os.Getenv("UPDATE_ANNOTATIONS") == "" {
		t.Fatal("what follows measure = {} in annotations.lua is not what runner/measure says: " +
			"run UPDATE_ANNOTATIONS=1 go test ./runner/script -run Annotations")
	}
	if err := os.WriteFile(filepath.Join("..", "..", "scripts", "lib", "annotations.lua"), []byte(want), 0o644); err != nil {
		t.Fatal(err)
	}
}

// measureAnnotations writes the registry of measurements as editors read it:
// each struct a class, before the first function that has it.
func measureAnnotations() string {
	var b strings.Builder
	classes := map[reflect.Type]bool{}
	var class func(t reflect.Type)
	class = func(t reflect.Type) {
		for t.Kind() == reflect.Slice && t != typePath {
			t = t.Elem()
		}
		if t.Kind() != reflect.Struct || classes[t] || slices.Contains([]reflect.Type{typeSamples, typeFrames, typePicture}, t) {
			return
		}
		classes[t] = true
		fields := measure.Fields(t)
		for _, f := range fields {
			class(f.Type)
		}
		fmt.Fprintf(&b, "\n---@class %s\n", t.Name())
		for _, f := range fields {
			mark := ""
			if measure.IsOptions(t) {
				mark = "?"
			}
			b.WriteString(strings.TrimRight(fmt.Sprintf("---@field %s%s %s %s", f.Name, mark, luaType(f.Type), f.About()), " ") + "\n")
		}
	}
	for _, m := range measure.Measurements() {
		options, result := m.Options(), m.Result()
		var params []string
		for _, a := range m.Arguments() {
			class(a.Type)
		}
		if options != nil {
			class(options)
		}
		class(result)
		fmt.Fprintf(&b, "\n---%s%s.\n", strings.ToUpper(m.Help[:1]), m.Help[1:])
		for _, a := range m.Arguments() {
			params = append(params, a.Name)
			b.WriteString(strings.TrimRight(fmt.Sprintf("---@param %s %s %s", a.Name, luaType(a.Type), a.Unit), " ") + "\n")
		}
		if options != nil {
			params = append(params, "options")
			fmt.Fprintf(&b, "---@param options? %s\n", options.Name())
		}
		b.WriteString(strings.TrimRight(fmt.Sprintf("---@return %s %s", luaType(result), m.Unit), " ") + "\n")
		fmt.Fprintf(&b, "function measure.%s(%s) end\n", m.Name, strings.Join(params, ", "))
	}
	return b.String()
}

// luaType writes a Go type as the annotations have it.
func luaType(t reflect.Type) string {
	switch t.Kind() {
	case reflect.Bool:
		return "boolean"
	case reflect.Int:
		return "integer"
	case reflect.String:
		return "string"
	case reflect.Float64:
		return "number"
	case reflect.Slice:
		if t != typePath {
			return luaType(t.Elem()) + "[]"
		}
	}
	return t.Name()
}

package script

import (
	"flag"
	"fmt"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"reflect"
	"regexp"
	"slices"
	"strings"
	"testing"

	"fullthrow/scripts"
)

var update = flag.Bool("update", false, "rewrite the types in scripts/lib/annotations.lua and the golden files")

// Every function and method that plans can call is in the annotations, and
// those of measure.* have the types of their Go functions there.
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

	want := text
	for _, name := range slices.Sorted(maps.Keys(measures())) {
		typ := reflect.TypeOf(measures()[name])
		block := regexp.MustCompile(`(?m)(?:^---.*\n)*^function measure\.` + name + `\((.*)\) end$`)
		m := block.FindStringSubmatch(want)
		if m == nil {
			t.Errorf("function measure.%s is not annotated", name)
			continue
		}
		params := strings.Split(m[1], ", ")
		if len(params) != typ.NumIn() {
			t.Errorf("measure.%s is annotated with %d arguments, it has %d", name, len(params), typ.NumIn())
			continue
		}
		var b strings.Builder
		for line := range strings.Lines(m[0]) {
			if strings.HasPrefix(line, "---") && !strings.HasPrefix(line, "---@") {
				b.WriteString(line)
			}
		}
		for i, p := range params {
			if optional(typ.In(i)) {
				p += "?"
			}
			fmt.Fprintf(&b, "---@param %s %s\n", p, luaType(typ.In(i)))
		}
		fmt.Fprintf(&b, "---@return %s\nfunction measure.%s(%s) end", luaType(typ.Out(0)), name, m[1])
		want = strings.Replace(want, m[0], b.String(), 1)
	}
	if want == text {
		return
	}
	if !*update {
		t.Error("the types in annotations.lua are not those of runner/measure: run go test ./runner/script -run Annotations -update")
		return
	}
	if err := os.WriteFile(filepath.Join("..", "..", "scripts", "lib", "annotations.lua"), []byte(want), 0o644); err != nil {
		t.Fatal(err)
	}
}

// luaType writes a Go type as the annotations have it.
func luaType(t reflect.Type) string {
	switch t {
	case typeSamples, typeFrames, typePath:
		return t.Name()
	}
	switch t.Kind() {
	case reflect.Bool:
		return "boolean"
	case reflect.Int:
		return "integer"
	case reflect.String:
		return "string"
	case reflect.Slice:
		return luaType(t.Elem()) + "[]"
	case reflect.Struct:
		mark := ""
		if optional(t) {
			mark = "?"
		}
		var fields []string
		for i := range t.NumField() {
			if f := t.Field(i); f.IsExported() {
				fields = append(fields, snake(f.Name)+mark+": "+luaType(f.Type))
			}
		}
		return "{ " + strings.Join(fields, ", ") + " }"
	}
	return "number"
}

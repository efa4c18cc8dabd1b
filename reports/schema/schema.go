// Package schema makes JSON Schemas (draft 2020-12) of Go types, by reflection
// over the tags that encode and decode them: what is printed is what is written
// and read, and nobody keeps a copy.
//
// A map tagged ",rest" takes what no other field does. A field with omitempty or omitzero may be missing. A pointer, list or map
// without it may be null. Texts (what a field is) and the values of named
// strings stand in comments and constants, which reflection does not see: they
// come as [Facts], gathered from the sources by [Gather].
package schema

import (
	"maps"
	"path"
	"reflect"
	"slices"
	"strings"
	"time"
)

// rest is where a field tagged ",rest" is kept for a moment.
const rest = "\x00rest"

// Draft is the dialect.
const Draft = "https://json-schema.org/draft/2020-12/schema"

// Facts are what sources say of types and reflection does not, by
// "package/path.Type" and "package/path.Type.Field", without the module.
type Facts struct {
	Words  map[string]string   `json:"words"`
	Values map[string][]string `json:"values"` // of named strings, in the order of their constants
}

// Shaped is a type that writes itself, in the shape of another.
type Shaped interface {
	// JSONShape is a value of the type that is written.
	JSONShape() any
}

// Maker makes schemas.
type Maker struct {
	Facts Facts
	Tag   string // "json" or "toml"
	Main  string // folder of package main
	// Known are types that write themselves.
	Known map[reflect.Type]map[string]any
	// Consts are the texts that name the layout of a document, by its type: of
	// the field "schema".
	Consts map[reflect.Type]string
	// Strict are packages whose lists and maps are never null and whose whole
	// numbers never negative.
	Strict []string

	defs  map[string]any
	names map[reflect.Type]string
	// Wordless are the fields met of which nothing is said.
	Wordless []string
	used     map[string]bool
}

// Used lists the facts that were asked for.
func (m *Maker) Used() map[string]bool { return m.used }

// Document is the schema of a document of type t.
func (m *Maker) Document(title string, t reflect.Type) map[string]any {
	m.defs, m.names = map[string]any{}, map[reflect.Type]string{}
	s := m.of(t)
	out := map[string]any{"$schema": Draft, "title": title}
	if name, ok := m.names[t]; ok {
		def := m.defs[name].(map[string]any)
		if !m.refers(m.defs, name) {
			delete(m.defs, name)
		}
		s = def
	}
	maps.Copy(out, s)
	if len(m.defs) > 0 {
		out["$defs"] = m.defs
	}
	return out
}

// refers reports whether a definition is named anywhere.
func (m *Maker) refers(v any, name string) bool {
	switch v := v.(type) {
	case map[string]any:
		if v["$ref"] == "#/$defs/"+name {
			return true
		}
		for _, w := range v {
			if m.refers(w, name) {
				return true
			}
		}
	case []any:
		return slices.ContainsFunc(v, func(w any) bool { return m.refers(w, name) })
	}
	return false
}

// key is how facts name a type.
func (m *Maker) key(t reflect.Type) string {
	pkg := packageOf(t)
	if t.PkgPath() == "main" { // in a program; in its tests the folder is the name
		pkg = m.Main
	}
	return pkg + "." + t.Name()
}

func (m *Maker) words(key string) string {
	if m.used == nil {
		m.used = map[string]bool{}
	}
	m.used[key] = true
	return m.Facts.Words[key]
}

func (m *Maker) of(t reflect.Type) map[string]any {
	if s, ok := m.Known[t]; ok {
		return m.named(t, func() map[string]any { return maps.Clone(s) })
	}
	if t == reflect.TypeFor[time.Time]() {
		return map[string]any{"type": "string", "format": "date-time"}
	}
	if s, ok := reflect.Zero(t).Interface().(Shaped); ok && t.Kind() != reflect.Pointer {
		shape := reflect.TypeOf(s.JSONShape())
		return m.named(t, func() map[string]any {
			if shape.Kind() == reflect.Struct {
				return m.object(shape)
			}
			return m.orNull(m.of(shape))
		})
	}
	if t == reflect.TypeFor[[]byte]() {
		return map[string]any{"type": "string", "contentEncoding": "base64"}
	}
	switch t.Kind() {
	case reflect.Pointer:
		return m.of(t.Elem())
	case reflect.Interface:
		return map[string]any{}
	case reflect.Slice, reflect.Array:
		return map[string]any{"type": "array", "items": m.of(t.Elem())}
	case reflect.Map:
		return map[string]any{"type": "object", "additionalProperties": m.of(t.Elem())}
	case reflect.String:
		if values := m.Facts.Values[m.key(t)]; t.PkgPath() != "" && len(values) > 0 {
			m.words(m.key(t))
			return m.named(t, func() map[string]any { return map[string]any{"type": "string", "enum": values} })
		}
		return map[string]any{"type": "string"}
	case reflect.Bool:
		return map[string]any{"type": "boolean"}
	case reflect.Float64, reflect.Float32:
		return map[string]any{"type": "number"}
	case reflect.Uint, reflect.Uint8, reflect.Uint16, reflect.Uint32, reflect.Uint64:
		return map[string]any{"type": "integer", "minimum": 0}
	case reflect.Int, reflect.Int8, reflect.Int16, reflect.Int32, reflect.Int64:
		return map[string]any{"type": "integer"}
	case reflect.Struct:
		if t.Name() == "" {
			return m.object(t)
		}
		return m.named(t, func() map[string]any { return m.object(t) })
	}
	panic("schema: no schema for " + t.String())
}

// named defines a type once and refers to it.
func (m *Maker) named(t reflect.Type, make func() map[string]any) map[string]any {
	name, ok := m.names[t]
	if !ok {
		name = strings.ToUpper(t.Name()[:1]) + t.Name()[1:]
		if _, taken := m.defs[name]; taken {
			name = path.Base(t.PkgPath()) + "." + name
		}
		m.names[t] = name
		m.defs[name] = map[string]any{} // a type may hold itself
		s := make()
		if d := m.words(m.key(t)); d != "" && s["description"] == nil {
			s["description"] = d
		}
		m.defs[name] = s
	}
	return map[string]any{"$ref": "#/$defs/" + name}
}

func (m *Maker) object(t reflect.Type) map[string]any {
	props, required := map[string]any{}, []string{}
	m.fields(t, props, &required)
	if c := m.Consts[t]; c != "" {
		if s, ok := props["schema"].(map[string]any); ok {
			s["const"] = c
		}
	}
	out := map[string]any{"type": "object", "properties": props, "additionalProperties": false}
	if others, ok := props[rest]; ok {
		delete(props, rest)
		out["additionalProperties"] = others
	}
	if len(required) > 0 || m.Tag == "json" {
		out["required"] = required
	}
	return out
}

func (m *Maker) fields(t reflect.Type, props map[string]any, required *[]string) {
	for i := range t.NumField() {
		f := t.Field(i)
		name, option, _ := strings.Cut(f.Tag.Get(m.Tag), ",")
		if f.Anonymous && name == "" {
			inner := f.Type
			if inner.Kind() == reflect.Pointer {
				inner = inner.Elem()
			}
			m.fields(inner, props, required)
			continue
		}
		if !f.IsExported() || name == "-" || name == "" && m.Tag == "toml" && option != "rest" {
			continue
		}
		if name == "" {
			name = f.Name
		}
		if option == "rest" { // whatever else is there
			props[rest] = m.of(f.Type.Elem())
			continue
		}
		s := m.of(f.Type)
		must := m.Tag == "json" && !strings.Contains(option, "omit")
		if must && !slices.Contains(m.Strict, packageOf(t)) {
			switch f.Type.Kind() {
			case reflect.Pointer, reflect.Slice, reflect.Map:
				s = m.orNull(s)
			}
		}
		if s["type"] == "integer" && slices.Contains(m.Strict, packageOf(t)) {
			s["minimum"] = 0
		}
		key := m.key(t) + "." + f.Name
		if d := m.words(key); d != "" {
			s["description"] = d
		} else if s["$ref"] == nil {
			m.Wordless = append(m.Wordless, key)
		}
		props[name] = s
		if must {
			*required = append(*required, name)
		}
	}
}

func packageOf(t reflect.Type) string {
	_, pkg, _ := strings.Cut(t.PkgPath(), "/")
	return pkg
}

// orNull allows null beside a schema.
func (m *Maker) orNull(s map[string]any) map[string]any {
	if word, ok := s["type"].(string); ok {
		s["type"] = []string{word, "null"}
		return s
	}
	if len(s) == 0 {
		return s
	}
	return map[string]any{"anyOf": []any{s, map[string]any{"type": "null"}}}
}

package reports_test

import (
	. "fullthrow/reports"
	"fullthrow/reports/archive"
	"fullthrow/reports/recordtest"

	"bytes"
	_ "embed"
	"encoding/json"
	"flag"
	"go/ast"
	"go/parser"
	"go/token"
	"os"
	"path/filepath"
	"reflect"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/google/jsonschema-go/jsonschema"
)

var update = flag.Bool("update", false, "write report.schema.json and the golden files anew")

//go:embed report.schema.json
var schemaFile []byte

// fieldDocs reads the comments of the package's types: "Type" and "Type.Field".
func fieldDocs(t *testing.T) map[string]string {
	t.Helper()
	docs := map[string]string{}
	for _, file := range []string{"event.go", "cause.go", "reason.go", "report.go", "archive/seal.go", "value.go"} {
		f, err := parser.ParseFile(token.NewFileSet(), file, nil, parser.ParseComments)
		if err != nil {
			t.Fatal(err)
		}
		text := func(groups ...*ast.CommentGroup) string {
			for _, g := range groups {
				if g != nil {
					s := strings.NewReplacer("[", "", "]", "").Replace(g.Text())
					return strings.Join(strings.Fields(s), " ")
				}
			}
			return ""
		}
		for _, d := range f.Decls {
			g, ok := d.(*ast.GenDecl)
			if !ok {
				continue
			}
			for _, spec := range g.Specs {
				ts, ok := spec.(*ast.TypeSpec)
				if !ok {
					continue
				}
				docs[ts.Name.Name] = text(ts.Doc, g.Doc)
				if st, ok := ts.Type.(*ast.StructType); ok {
					for _, field := range st.Fields.List {
						for _, n := range field.Names {
							docs[ts.Name.Name+"."+n.Name] = text(field.Doc, field.Comment)
						}
					}
				}
			}
		}
	}
	return docs
}

// constants lists the values that reason.go gives to a type, in their order.
func constants(name string) (values []string) {
	f, err := parser.ParseFile(token.NewFileSet(), "reason.go", nil, 0)
	if err != nil {
		panic(err)
	}
	ast.Inspect(f, func(n ast.Node) bool {
		if v, ok := n.(*ast.ValueSpec); ok {
			if id, ok := v.Type.(*ast.Ident); ok && id.Name == name {
				value, err := strconv.Unquote(v.Values[0].(*ast.BasicLit).Value)
				if err != nil {
					panic(err)
				}
				values = append(values, value)
			}
		}
		return true
	})
	return values
}

type schemaMaker struct {
	docs map[string]string
	defs map[string]any

	undocumented []string
}

func (m *schemaMaker) schema(t reflect.Type) map[string]any {
	switch t {
	case reflect.TypeFor[time.Time]():
		return map[string]any{"type": "string", "format": "date-time"}
	case reflect.TypeFor[Value]():
		m.define(t, map[string]any{"type": []string{"number", "boolean", "string", "null"}})
	case reflect.TypeFor[Verdict]():
		m.define(t, map[string]any{"type": "string", "enum": []Verdict{Pass, Unlimited, Inconclusive, Fail, Error}})
	case reflect.TypeFor[Code]():
		m.define(t, map[string]any{"type": "string", "enum": constants("Code")})
	case reflect.TypeFor[Relation]():
		m.define(t, map[string]any{"type": "string", "enum": constants("Relation")})
	case reflect.TypeFor[Outcome]():
		m.define(t, map[string]any{"type": "string", "enum": []Outcome{Passed, Failed, Errored, Aborted}})
	default:
		switch t.Kind() {
		case reflect.Pointer:
			return m.schema(t.Elem())
		case reflect.Slice:
			return map[string]any{"type": "array", "items": m.schema(t.Elem())}
		case reflect.String:
			return map[string]any{"type": "string"}
		case reflect.Bool:
			return map[string]any{"type": "boolean"}
		case reflect.Float64:
			return map[string]any{"type": "number"}
		case reflect.Int, reflect.Int64:
			return map[string]any{"type": "integer", "minimum": 0}
		case reflect.Struct:
			if m.defs[t.Name()] == nil {
				props, required := map[string]any{}, []string{}
				m.defs[t.Name()] = props // a type may hold itself
				m.fields(t, props, &required)
				m.define(t, map[string]any{"type": "object", "properties": props, "required": required, "additionalProperties": false})
			}
		default:
			panic("no schema for " + t.String())
		}
	}
	return map[string]any{"$ref": "#/$defs/" + t.Name()}
}

func (m *schemaMaker) define(t reflect.Type, s map[string]any) {
	if d := m.docs[t.Name()]; d != "" {
		s["description"] = d
	}
	m.defs[t.Name()] = s
}

func (m *schemaMaker) fields(t reflect.Type, props map[string]any, required *[]string) {
	for i := range t.NumField() {
		f := t.Field(i)
		if f.Anonymous {
			m.fields(f.Type, props, required)
			continue
		}
		name, opt, _ := strings.Cut(f.Tag.Get("json"), ",")
		s := m.schema(f.Type)
		if d := m.docs[t.Name()+"."+f.Name]; d != "" {
			s["description"] = d
		}
		if t == reflect.TypeFor[Report]() && name == "schema" {
			s["const"] = Schema
		}
		if s["description"] == nil && s["$ref"] == nil {
			m.undocumented = append(m.undocumented, t.Name()+"."+f.Name)
		}
		props[name] = s
		if opt == "" {
			*required = append(*required, name)
		}
	}
}

// The schema says what the Go types say, field by field, with their comments.
// After a change: go test ./reports -run SchemaInStep -update
func TestSchemaInStep(t *testing.T) {
	m := &schemaMaker{docs: fieldDocs(t), defs: map[string]any{}}
	root := map[string]any{
		"$schema":     "https://json-schema.org/draft/2020-12/schema",
		"title":       "Sealed report of a run",
		"description": m.docs["Sealed"],
		"type":        "object",
		"properties": map[string]any{
			"report": m.schema(reflect.TypeFor[Report]()),
			"seal":   m.schema(reflect.TypeFor[archive.Seal]()),
		},
		"required":             []string{"report", "seal"},
		"additionalProperties": false,
		"$defs":                m.defs,
	}
	if len(m.undocumented) > 0 {
		t.Errorf("fields of the report without a comment: %v", m.undocumented)
	}
	var out bytes.Buffer
	enc := json.NewEncoder(&out)
	enc.SetEscapeHTML(false)
	enc.SetIndent("", "  ")
	if err := enc.Encode(root); err != nil {
		t.Fatal(err)
	}
	want := out.Bytes()
	if *update {
		if err := os.WriteFile("report.schema.json", want, 0o644); err != nil {
			t.Fatal(err)
		}
		return
	}
	if string(schemaFile) != string(want) {
		t.Error("report.schema.json is out of step with the Go types: run go test ./reports -run SchemaInStep -update, and change Schema if old readers would misread the new layout")
	}
}

func TestSealedReportsFitSchema(t *testing.T) {
	var s jsonschema.Schema
	if err := json.Unmarshal(schemaFile, &s); err != nil {
		t.Fatal(err)
	}
	schema, err := s.Resolve(nil)
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	a, err := archive.Open(dir, "LQ-1")
	if err != nil {
		t.Fatal(err)
	}
	defer a.Close()
	runs := map[string][]Event{
		"passed": recordtest.Events(Passed), "failed": recordtest.Events(Failed), "cut": recordtest.Events(Passed)[:3], "nothing": nil,
		"full": recordtest.Full(Failed),
	}
	for run, events := range runs {
		j, err := a.Begin(recordtest.Start(run), recordtest.T0)
		if err != nil {
			t.Fatal(err)
		}
		for _, e := range events {
			if err := j.Append(e); err != nil {
				t.Fatal(err)
			}
		}
		sealed, err := j.Seal()
		if err != nil {
			t.Fatal(err)
		}
		data, err := os.ReadFile(filepath.Join(dir, sealed.File))
		if err != nil {
			t.Fatal(err)
		}
		var v any
		if err := json.Unmarshal(data, &v); err != nil {
			t.Fatal(err)
		}
		if err := schema.Validate(v); err != nil {
			t.Errorf("%s: %v", run, err)
		}
		report := v.(map[string]any)["report"].(map[string]any)
		report["outcome"] = "fine"
		if schema.Validate(v) == nil {
			t.Errorf("%s: an outcome that is none fits the schema", run)
		}
		delete(report, "outcome")
		if schema.Validate(v) == nil {
			t.Errorf("%s: a report without outcome fits the schema", run)
		}
	}
}

package reports_test

import (
	. "fullthrow/reports"
	"fullthrow/reports/archive"
	"fullthrow/reports/recordtest"

	_ "embed"
	"encoding/json"
	"os"
	"path/filepath"
	"testing"

	"github.com/google/jsonschema-go/jsonschema"
)

//go:embed report.schema.json
var schemaFile []byte

// The schema is made by runner (TestSchemaFacts), and printed by fullthrow schema report.
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

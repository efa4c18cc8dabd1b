package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/jsonschema-go/jsonschema"
	"github.com/pelletier/go-toml/v2"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"fullthrow/reports"
	"fullthrow/reports/archive"
	"fullthrow/reports/recordtest"
	"fullthrow/reports/schema"
)

// schemaSources are the packages whose comments stand in schemas.
var schemaSources = []string{
	"reports", "reports/archive", "reports/review", "reports/yield", "reports/store", "reports/forward",
	"reports/statistics", "runner", "runner/bench", "runner/product", "runner/limits", "runner/causes",
	"runner/rehearsal", "runner/selfcheck", "runner/offline", "drivers/sim",
}

// What schemas say in words is what the comments of the types say.
// UPDATE_SCRIPTS=1 gathers it anew, and reports/report.schema.json with it.
func TestSchemaFacts(t *testing.T) {
	facts, err := schema.Gather("..", schemaSources...)
	require.NoError(t, err)
	// Only the record's words are all known; of others a package may add some.
	maps.DeleteFunc(facts.Values, func(key string, _ []string) bool { return !strings.HasPrefix(key, "reports.") })
	used := map[string]bool{}
	for _, d := range documents() {
		m := d.maker(facts)
		m.Document(d.title, d.of)
		for key := range m.Used() {
			used[key] = true
		}
		if d.name == "report" {
			assert.Empty(t, m.Wordless, "fields of the report without a comment")
		}
	}
	facts = facts.Only(used)
	assert.Len(t, facts.Values["reports.Verdict"], 5)
	assert.Len(t, facts.Values["reports.Outcome"], 4)
	compare := func(file string, v any, why string) {
		var b bytes.Buffer
		e := json.NewEncoder(&b)
		e.SetEscapeHTML(false)
		e.SetIndent("", "  ")
		require.NoError(t, e.Encode(v))
		if os.Getenv("UPDATE_SCRIPTS") != "" {
			require.NoError(t, os.WriteFile(file, b.Bytes(), 0o644))
		}
		have, err := os.ReadFile(file)
		require.NoError(t, err)
		assert.True(t, bytes.Equal(have, b.Bytes()), "%s is out of step with the Go types%s: run UPDATE_SCRIPTS=1 "+
			"go test ./runner -run SchemaFacts", file, why)
	}
	compare("schemafacts.json", facts, "")
	d := documents()[0]
	compare("../reports/report.schema.json", d.maker(facts).Document(d.title, d.of),
		" (and change reports.Schema if old readers would misread the new layout)")
}

// fullthrow runs the program; it must end with one of the codes.
func fullthrow(t *testing.T, codes []int, args ...string) []byte {
	t.Helper()
	var out, errs bytes.Buffer
	code := run(args, strings.NewReader(""), &out, &errs)
	require.Contains(t, codes, code, "%v: %s", args, errs.String())
	return out.Bytes()
}

// printed is a schema as the program prints it, read by a validator that is
// not ours.
func printed(t *testing.T, name string) *jsonschema.Resolved {
	t.Helper()
	var s jsonschema.Schema
	require.NoError(t, json.Unmarshal(fullthrow(t, []int{0}, "schema", name), &s))
	assert.Equal(t, schema.Draft, s.Schema)
	resolved, err := s.Resolve(nil)
	require.NoError(t, err, name)
	return resolved
}

// Each kind of document that is written or read fits the schema that is printed
// of it, and one that has a key too many, or one too few, does not.
func TestDocumentsFitTheirSchemas(t *testing.T) {
	if testing.Short() {
		t.Skip("asks one question after the other of a database, which the race detector slows; not with -short")
	}
	t.Setenv("HOME", t.TempDir())
	t.Setenv("XDG_STATE_HOME", "")
	t.Setenv("FULLTHROW_PLANT", "")
	data := t.TempDir()
	found := map[string][]any{}
	add := func(name string, text []byte) {
		var v any
		require.NoError(t, json.Unmarshal(text, &v), "%s: %.200s", name, text)
		found[name] = append(found[name], v)
	}

	fullthrow(t, []int{0, 1}, "demo", "--units", "40", "--data", data)
	dir, _ := archive.Find(data)
	files, err := archive.Files(dir)
	require.NoError(t, err)
	require.NotEmpty(t, files)
	failed := ""
	for _, f := range files {
		text, err := os.ReadFile(filepath.Join(dir, filepath.FromSlash(f.Name)))
		require.NoError(t, err)
		add("report", text)
		if bytes.Contains(text, []byte(`"outcome":"failed"`)) {
			failed = f.Name
		}
	}
	require.NotEmpty(t, failed, "no unit failed")

	// Every kind of event, a journal that is under way, repairs, heads.
	a, err := archive.Open(dir, "LQ-1")
	require.NoError(t, err)
	sealed, err := archive.Load(filepath.Join(dir, filepath.FromSlash(failed)))
	require.NoError(t, err)
	_, err = a.Repair(reports.Repair{ID: "repair-1", Run: sealed.Report.Run, At: sealed.Report.Ended.Add(time.Hour),
		By: "mo", Found: "soldering", Done: "resoldered", Text: "one joint"})
	require.NoError(t, err)
	for _, outcome := range []reports.Outcome{reports.Passed, reports.Failed, reports.Errored} {
		j, err := a.Begin(recordtest.Start("full-"+string(outcome)), recordtest.T0)
		require.NoError(t, err)
		for _, e := range recordtest.Full(outcome) {
			require.NoError(t, j.Append(e))
			text, err := json.Marshal(e)
			require.NoError(t, err)
			add("event", text)
		}
		require.NoError(t, filepath.WalkDir(dir, func(path string, e fs.DirEntry, err error) error {
			if err == nil && strings.HasSuffix(path, ".jsonl") && !strings.Contains(path, "repairs") {
				text, err := os.ReadFile(path)
				require.NoError(t, err)
				for line := range bytes.Lines(text) {
					if !bytes.HasSuffix(line, []byte("\n")) {
						continue // is being written
					}
					add("journal", line)
					var l struct{ Event json.RawMessage }
					require.NoError(t, json.Unmarshal(line, &l))
					add("event", l.Event)
				}
			}
			return err
		}))
		s, err := j.Seal()
		require.NoError(t, err)
		text, err := os.ReadFile(filepath.Join(dir, filepath.FromSlash(s.File)))
		require.NoError(t, err)
		add("report", text)
	}
	require.NoError(t, a.Close())
	lines := func(name, file string) {
		text, err := os.ReadFile(filepath.Join(dir, file))
		require.NoError(t, err)
		for line := range bytes.Lines(text) {
			add(name, line)
		}
	}
	lines("repair", "repairs.jsonl")
	lines("head", "chain")
	lines("head", "repairs.chain")
	handed, err := json.Marshal(archive.Handover{Number: 1, Hash: "00", Old: "00", New: "00", Proof: "00"})
	require.NoError(t, err)
	add("key", handed)

	ask := func(name string, args ...string) {
		add(name, fullthrow(t, []int{0, 1}, append([]string{name}, append(args, "--json")...)...))
	}
	for _, by := range []string{"", "hour", "shift", "lot", "nest", "product"} {
		ask("today", "--data", data, "--period", "all", "--by", by)
	}
	for _, by := range []string{"cause", "check", "reading"} {
		ask("fails", "--data", data, "--period", "all", "--by", by)
	}
	const reading = "sticks.left_x_hysteresis"
	ask("hold", "--data", data)
	ask("hold", "--data", data, reading)
	ask("drift", "--data", data, "--period", "all", reading)
	ask("drift", "--data", data, "--period", "all", "yield")
	ask("differs", "--data", data, "--period", "all", "--by", "nest", "LQ-1 A", "LQ-1 B")
	ask("differs", "--data", data, "--period", "all", "--by", "nest", "--reading", reading, "LQ-1 A", "LQ-1 B")
	ask("unit", "--data", data, sealed.Report.Unit.SerialNumber)
	ask("reindex", "--data", data)
	ask("selfcheck", "--area", "link")
	ask("rehearse", "--units", "20", "--sweep", "0")
	const captures = "../testdata/captures/"
	ask("measure", "tone", captures+"tone.wav")
	ask("measure", "summary", captures+"leakage.csv")
	ask("measure", "latency", captures+"latency.csv")
	ask("measure", "travel-points", captures+"sweep.csv")
	ask("measure", "link", captures+"packets.csv")
	ask("measure", "started", captures+"running.csv", "60mA")
	ask("measure", "proportion", "3", "100")
	ask("measure", "steady", "capturefile/testdata/settings.csv")
	add("views", fullthrow(t, []int{0}, "export", "--views", "--json"))
	state, err := json.Marshal(forwardAnswer{Schema: forwardSchema, Where: dir})
	require.NoError(t, err)
	add("forward", state)

	addTOML := func(name string, files ...string) {
		for _, file := range files {
			text, err := os.ReadFile(file)
			require.NoError(t, err)
			var v map[string]any
			require.NoError(t, toml.Unmarshal(text, &v))
			found[name] = append(found[name], plain(v))
		}
	}
	const k8 = "../scripts/kittiwake-k8/"
	addTOML("bench", k8+"bench-demo.toml", "../testdata/bench/lq-1.good.toml", "../testdata/bench/two-nests.good.toml")
	addTOML("product", k8+"product.toml")
	addTOML("limits", k8+"limits.toml", "../testdata/limits/kinds.good.toml")
	addTOML("causes", k8+"causes.toml")
	addTOML("population", k8+"population.toml")
	addTOML("texts", k8+"texts.es.toml", k8+"texts.zh-Hans.toml")

	var all map[string]json.RawMessage
	require.NoError(t, json.Unmarshal(fullthrow(t, []int{0}, "schema", "--all"), &all))
	list := string(fullthrow(t, []int{0}, "schema"))
	for _, d := range documents() {
		t.Run(d.name, func(t *testing.T) {
			assert.Contains(t, all, d.name)
			assert.Contains(t, list, d.name+" ")
			s := printed(t, d.name)
			require.NotEmpty(t, found[d.name], "no real document of this kind")
			for _, v := range found[d.name] {
				require.NoError(t, s.Validate(v), "%v", v)
			}
			object := found[d.name][0].(map[string]any)
			if d.name == "texts" { // any sentence may be there
				object["zz"] = 1.0
				require.Error(t, s.Validate(object))
				return
			}
			object["zz"] = 1.0
			require.Error(t, s.Validate(object), "a key too many")
			delete(object, "zz")
			require.NoError(t, s.Validate(object))
			var parsed jsonschema.Schema
			require.NoError(t, json.Unmarshal(all[d.name], &parsed))
			for _, key := range parsed.Required {
				was := object[key]
				delete(object, key)
				require.Error(t, s.Validate(object), "without %s", key)
				object[key] = was
			}
			assert.Equal(t, !d.toml, len(parsed.Required) > 0)
		})
	}
	for name := range found {
		assert.True(t, slices.ContainsFunc(documents(), func(d document) bool { return d.name == name }), name)
	}
	require.NotEqual(t, 0, run([]string{"schema", "reprot"}, nil, &bytes.Buffer{}, &bytes.Buffer{}))
}

// plain makes of what a TOML parser gives what a JSON parser would.
func plain(v any) any {
	switch v := v.(type) {
	case map[string]any:
		for k := range v {
			v[k] = plain(v[k])
		}
		return v
	case []any:
		for i := range v {
			v[i] = plain(v[i])
		}
		return v
	case int64:
		return float64(v)
	case toml.LocalDate, time.Time:
		return fmt.Sprint(v)
	}
	return v
}

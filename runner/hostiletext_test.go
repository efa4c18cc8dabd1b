package main

import (
	"bytes"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"time"
	"unicode"
	"unicode/utf8"

	"github.com/stretchr/testify/require"

	"fullthrow/reports"
	"fullthrow/reports/archive"
	"fullthrow/reports/recordtest"
	"fullthrow/runner/terminal"
)

// evil is what a terminal would obey: it clears the screen, begins a line of its
// own, sets the title, turns text around, and is no UTF-8 at its end.
const evil = "\x1b[2J\x1b[1m\r\nK1 PASSED\b\x9b31m\u009d0;t\a\u202e\u2066\u2028\U000e0041\x7f\t\x00\xff"

// poisoned puts evil behind every text of v, but for what names files.
func poisoned(v reflect.Value, name string) {
	switch v.Kind() {
	case reflect.String:
		if v.Type() == reflect.TypeFor[string]() && name != "Run" && name != "SHA256" &&
			name != "Bound" && name != "Rule" { // by which a reading would be judged in another way
			v.SetString(v.String() + evil)
		}
	case reflect.Struct:
		if v.Type() == reflect.TypeFor[reports.Value]() {
			if text, ok := v.Interface().(reports.Value).Text(); ok {
				v.Set(reflect.ValueOf(reports.Text(text + evil)))
			}
			return
		}
		for i := range v.NumField() {
			if v.Type().Field(i).IsExported() {
				poisoned(v.Field(i), v.Type().Field(i).Name)
			}
		}
	case reflect.Pointer:
		if !v.IsNil() {
			c := reflect.New(v.Type().Elem())
			c.Elem().Set(v.Elem())
			poisoned(c.Elem(), name)
			v.Set(c)
		}
	case reflect.Slice:
		if v.Len() > 0 {
			c := reflect.MakeSlice(v.Type(), v.Len(), v.Len())
			reflect.Copy(c, v)
			for i := range c.Len() {
				poisoned(c.Index(i), name)
			}
			v.Set(c)
		}
	}
}

// harmless fails if a terminal would obey anything in the text.
func harmless(t *testing.T, what, text string) {
	t.Helper()
	if !utf8.ValidString(text) {
		t.Errorf("%s: not UTF-8: %q", what, text)
	}
	for _, r := range text {
		if r != '\n' && (unicode.IsControl(r) || unicode.Is(unicode.Cf, r) || r == 0x2028 || r == 0x2029) {
			t.Errorf("%s: has %U: %q", what, r, text)
			return
		}
	}
	for line := range strings.Lines(text) {
		if strings.HasPrefix(line, "K1 PASSED") {
			t.Errorf("%s: a text of others begins a line: %q", what, text)
			return
		}
	}
}

// Nothing that stands in a record, in a file's name or on the command line is
// obeyed by the terminal on which a command shows it.
func TestTerminalObeysNobodyElse(t *testing.T) {
	dir := t.TempDir()
	data := filepath.Join(dir, "records")
	a, err := archive.Open(data, "LQ-1")
	require.NoError(t, err)
	var files, serials []string
	for i, outcome := range []reports.Outcome{reports.Passed, reports.Failed, reports.Errored, reports.Aborted} {
		start := recordtest.Start(reports.NewRunID(recordtest.T0.Add(time.Duration(i)*time.Hour), "LQ-1", "A"))
		start.Unit.Lot = start.Unit.Lot + string(rune('A'+i))
		poisoned(reflect.ValueOf(&start).Elem(), "")
		serials = append(serials, start.Unit.SerialNumber)
		j, err := a.Begin(start, recordtest.T0.Add(time.Duration(i)*time.Hour))
		require.NoError(t, err)
		for _, e := range recordtest.Full(outcome) {
			e.Time = e.Time.Add(time.Duration(i) * time.Hour)
			poisoned(reflect.ValueOf(&e).Elem(), "")
			if err := j.Append(e); e.Kind != reports.CaptureKept { // a capture's file is not there
				require.NoError(t, err, "%s", e.Kind)
			}
		}
		sealed, err := j.Seal()
		require.NoError(t, err)
		entries := a.Entries()
		require.Equal(t, sealed.Report.Run, entries[len(entries)-1].Run)
	}
	require.NoError(t, a.Close())
	require.NoError(t, filepath.WalkDir(data, func(path string, d os.DirEntry, err error) error {
		if strings.HasSuffix(path, ".json") {
			files = append(files, path)
		}
		return err
	}))
	require.NotEmpty(t, files)

	odd := filepath.Join(dir, "odd"+strings.ReplaceAll(strings.ReplaceAll(evil, "\x00", ""), "/", ""))
	require.NoError(t, os.Mkdir(odd, 0o755))
	write := func(name, text string) {
		require.NoError(t, os.WriteFile(filepath.Join(odd, name), []byte(text), 0o600))
	}
	write("plan.lua", "plan { product = 'x"+evil[:8]+"' }\ncheck('c', function() error('"+evil[:20]+"') end)\nnonsense"+evil)
	write("limits.toml", "[x]\n\"y\x1b[2J\u202e\" = 3\n")
	write("product.toml", "product = \"x\\u001b[2J\\u202e\"\n")
	write("table.csv", "time / s, \"current\x1b[2J\u202e / A\"\n0,1\n")
	write("report.json", `{"report": {"run": "`+"\u202e\u009b"+`"}}`)
	write("bench.toml", "station = \"a\\u001b[2J\\n\\u202e\"\nproduct = \"q\\u202e\"\n[[nest]]\nname = \"\\u009b\"\n")

	require.NotEmpty(t, serials)
	commands := [][]string{{evil}, {"unit", "--" + evil}, {"report", evil}, {"verify", odd}, {"verify", data},
		{"lint", "--product", odd}, {"lint", "--bench", filepath.Join(odd, "bench.toml")},
		{"test", evil, "--bench", filepath.Join(odd, "bench.toml")},
		{"test", recordtest.Sample, "--bench", filepath.Join(odd, "none.toml")},
		{"measure", "tone", filepath.Join(odd, "table.csv")}, {"measure", evil, "x"},
		{"measure", "steady", filepath.Join(odd, "none.csv")},
		{"report", filepath.Join(odd, "report.json")}, {"report", filepath.Join(odd, "none.json")},
		{"serve", "--bench", filepath.Join(odd, "bench.toml")}, {"serve", "--bench", "demo", "--host", evil},
		{"schema", evil}, {"rehearse", "--product", odd}, {"reindex", "--data", data}, {"unit", "--data", data, evil},
		{"hold", "--data", data, "--period", "all", "standby" + evil + ".current" + evil},
		{"drift", "--data", data, "--period", "all", "standby" + evil + ".current" + evil},
		{"differs", "--data", data, "--period", "all", "24AA" + evil, "24AB" + evil},
		{"today", "--data", data, "--period", "all", "--by", evil},
	}
	for _, by := range []string{"hour", "lot", "station", "operator", "nest", "product", "shift"} {
		commands = append(commands, []string{"today", "--data", data, "--period", "all", "--by", by})
	}
	for _, by := range []string{"cause", "check", "reading"} {
		commands = append(commands, []string{"fails", "--data", data, "--period", "all", "--by", by})
	}
	for _, name := range []string{"fails", "hold", "drift", "today"} {
		for _, more := range [][]string{nil, {"--json"}} {
			commands = append(commands, append([]string{name, "--data", data, "--period", "all"}, more...))
		}
	}
	for _, s := range serials {
		commands = append(commands, []string{"unit", "--data", data, s}, []string{"unit", "--data", data, "--json", s})
	}
	for _, f := range files {
		commands = append(commands, []string{"report", f})
	}
	said := 0
	for _, args := range commands {
		var out, errs bytes.Buffer
		run(args, strings.NewReader(""), &out, &errs)
		require.NotEmpty(t, out.String()+errs.String(), "%q", args)
		harmless(t, strings.Join(args[:1], " ")+": output", out.String())
		harmless(t, strings.Join(args[:1], " ")+": errors", errs.String())
		if strings.Contains(out.String(), `\x1b[2J`) {
			said++
		}
	}
	require.Greater(t, said, 10, "the texts are shown, not left out")

	// What a run tells while it is under way.
	for _, full := range []bool{false, true} {
		var b bytes.Buffer
		p := terminal.Passage{S: terminal.NewScreen(&b), Full: full}
		start := recordtest.Start("r")
		poisoned(reflect.ValueOf(&start).Elem(), "")
		for _, e := range append([]reports.Event{{Kind: reports.RunStarted, Start: &start}},
			recordtest.Full(reports.Errored)...) {
			poisoned(reflect.ValueOf(&e).Elem(), "")
			p.Tell(e)
		}
		require.Contains(t, b.String(), `\x1b[2J`)
		harmless(t, "passage", b.String())
	}
}

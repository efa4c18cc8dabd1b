package main

import (
	"bytes"
	"errors"
	"flag"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/rogpeppe/go-internal/testscript"
)

func TestMain(m *testing.M) {
	if strings.HasSuffix(strings.TrimSuffix(filepath.Base(os.Args[0]), ".exe"), ".test") { // and not the program
		flag.Parse()
		// What works in real time mostly waits: beside it there is room for more.
		if flag.Lookup("test.parallel").Value.String() == strconv.Itoa(runtime.GOMAXPROCS(0)) {
			flag.Set("test.parallel", strconv.Itoa(runtime.GOMAXPROCS(0)+2))
		}
	}
	testscript.Main(m, map[string]func(){"fullthrow": main, "fullthrow-panics": panics,
		"fullthrow-unguarded": unguarded, "shelf": shelf})
}

// TestScripts runs the program as people do: each file of testdata/script is
// a conversation at a shell. UPDATE_SCRIPTS=1 renews what they compare with.
func TestScripts(t *testing.T) {
	demo, err := os.ReadFile("../scripts/kittiwake-k8/bench-demo.toml")
	if err != nil {
		t.Fatal(err)
	}
	limits, err := os.ReadFile("../scripts/kittiwake-k8/limits.toml")
	if err != nil {
		t.Fatal(err)
	}
	captures, err := filepath.Abs("../testdata/captures")
	if err != nil {
		t.Fatal(err)
	}
	testscript.Run(t, testscript.Params{
		Dir:           "../testdata/script",
		UpdateScripts: os.Getenv("UPDATE_SCRIPTS") != "",
		Setup: func(e *testscript.Env) error {
			e.Setenv("HOME", e.WorkDir)
			e.Setenv("TMPDIR", e.WorkDir)
			e.Setenv("XDG_STATE_HOME", "")
			e.Setenv("TZ", "UTC")
			e.Setenv("CAPTURES", captures)
			// The demo's bench, and variations of it, beside no plan.
			late := bytes.ReplaceAll(demo, []byte(`due = 2030-12-31, certificate = "invented"`), []byte(`due = 2020-01-31, certificate = "LQ-C-0007"`))
			for name, data := range map[string][]byte{
				"bench.toml": demo, "overdue.toml": late,
				"wide.toml":    bytes.Replace(limits, []byte("upper = 12\nunit = \"uA\""), []byte("upper = 40\nunit = \"uA\""), 1),
				"blocked.toml": bytes.Replace(late, []byte(`overdue = "warn"`), []byte(`overdue = "block"`), 1),
			} {
				if err := os.WriteFile(filepath.Join(e.WorkDir, name), data, 0o644); err != nil {
					return err
				}
			}
			return nil
		},
		Cmds: map[string]func(ts *testscript.TestScript, neg bool, args []string){
			"exits":     exits,
			"await":     awaitFile,
			"sametext":  sameText,
			"samelines": sameLines,
			"onereport": oneReport,
			"outcome":   reportOf,
			"tamper":    tamper,
		},
	})
}

// exits runs a program that must end with an exit code.
func exits(ts *testscript.TestScript, _ bool, args []string) {
	err := ts.Exec(args[1], args[2:]...)
	var e *exec.ExitError
	if code := strconv.Itoa(exitCode(err)); code != args[0] || err != nil && !errors.As(err, &e) {
		ts.Fatalf("%v: exit code %s, want %s", args[1:], code, args[0])
	}
}

func exitCode(err error) int {
	var e *exec.ExitError
	if errors.As(err, &e) {
		return e.ExitCode()
	}
	return 0
}

// what differs between two runs of the same lot: names of runs and folders,
// and how long it took.
var perRun = regexp.MustCompile(`\d{8}T\d{9}Z-[-A-Za-z0-9]+|\b[\d.]+ s\b|[^ ]*/(records|pages)\S*|[^ ]*/records`)

// sameText compares two files but for what differs between two runs.
func sameText(ts *testscript.TestScript, neg bool, args []string) {
	a := perRun.ReplaceAllString(ts.ReadFile(args[0]), "~")
	b := perRun.ReplaceAllString(ts.ReadFile(args[1]), "~")
	if (a == b) == neg {
		ts.Fatalf("%s and %s: same is %v\n%s\n---\n%s", args[0], args[1], a == b, a, b)
	}
}

// sameLines compares those lines of two files that hold a word.
func sameLines(ts *testscript.TestScript, neg bool, args []string) {
	pick := func(file string) []string {
		return slices.DeleteFunc(strings.Split(ts.ReadFile(file), "\n"), func(l string) bool { return !strings.Contains(l, args[0]) })
	}
	if a, b := pick(args[1]), pick(args[2]); slices.Equal(a, b) == neg || len(a) == 0 {
		ts.Fatalf("%v\n---\n%v", a, b)
	}
}

func sealedFiles(ts *testscript.TestScript, dir string) []string {
	var files []string
	err := filepath.WalkDir(ts.MkAbs(dir), func(path string, d fs.DirEntry, err error) error {
		if strings.HasSuffix(path, ".json") {
			files = append(files, path)
		}
		return err
	})
	if err != nil || len(files) == 0 {
		ts.Fatalf("no sealed report in %s: %v", dir, err)
	}
	return files
}

// oneReport copies the first sealed report of an archive.
func oneReport(ts *testscript.TestScript, _ bool, args []string) {
	ts.Check(os.WriteFile(ts.MkAbs(args[1]), []byte(ts.ReadFile(sealedFiles(ts, args[0])[0])), 0o644))
}

// reportOf sets FILE to the first sealed report of an archive with an outcome.
func reportOf(ts *testscript.TestScript, _ bool, args []string) {
	for _, file := range sealedFiles(ts, args[0]) {
		if strings.Contains(ts.ReadFile(file), `"outcome":"`+args[1]+`"`) {
			ts.Setenv("FILE", file)
			return
		}
	}
	ts.Fatalf("no report in %s has the outcome %s", args[0], args[1])
}

// tamper changes one digit in the first sealed report of an archive.
func tamper(ts *testscript.TestScript, _ bool, args []string) {
	file := sealedFiles(ts, args[0])[0]
	text := ts.ReadFile(file)
	changed := strings.Replace(text, `"attempt":1`, `"attempt":2`, 1)
	if changed == text {
		ts.Fatalf("nothing to change in %s", file)
	}
	ts.Check(os.WriteFile(file, []byte(changed), 0o644))
}

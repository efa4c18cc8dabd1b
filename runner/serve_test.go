package main

import (
	"bytes"
	"context"
	"encoding/json"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"fullthrow/reports"
	"fullthrow/reports/archive"
	"fullthrow/reports/store"
	"fullthrow/runner/demo"
	"fullthrow/runner/input"
	"fullthrow/runner/product"
	"fullthrow/runner/records"
	"fullthrow/runner/serve"
	"fullthrow/runner/station"
)

// heard is an output that can be read while it is being written.
type heard struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (l *heard) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(p)
}

func (l *heard) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.String()
}

// running is a served demo station, a thousand times as fast as a real one.
type running struct {
	t       *testing.T
	url     string
	out     *heard
	dir     string
	stop    context.CancelCauseFunc
	stopped chan error
}

func serveDemo(t *testing.T, dir string) *running {
	t.Helper()
	return startServing(t, dir, serve.Options{From: product.Sources{Bench: serve.Demo}, Pace: 1000})
}

// serve begins to serve, and returns once the station has said all it says
// then.
func startServing(t *testing.T, dir string, o serve.Options) *running {
	t.Helper()
	o.Listen, o.Log = "127.0.0.1:0", "none"
	r := &running{t: t, out: &heard{}, dir: dir, stopped: make(chan error, 1)}
	a := &app{in: strings.NewReader(""), out: r.out, Place: records.Place{Errs: r.out, Data: dir}}
	ctx, stop := context.WithCancelCause(t.Context())
	r.stop = stop
	go func() {
		r.stopped <- a.serve(ctx, o)
	}()
	await(t, "the greeting", func() bool {
		select {
		case err := <-r.stopped:
			t.Fatalf("the station ended at once: %v\n%v", err, r.out)
		default:
		}
		return strings.Contains(r.out.String(), "It runs until it is stopped") // its last line
	})
	r.url = regexp.MustCompile(`http://127\.0\.0\.1:[0-9]+/`).FindString(r.out.String())
	require.NotEmpty(t, r.url, "%v", r.out)
	return r
}

// end stops the station and returns its records.
func (r *running) end() []archive.Entry {
	r.t.Helper()
	r.stop(&station.Abort{Why: reports.Reason{Code: reports.StoppedBySignal, Text: "Ctrl-C (SIGINT)"}})
	require.NoError(r.t, <-r.stopped)
	kept, err := archive.Open(r.dir+"/records", "LQ-1")
	require.NoError(r.t, err)
	defer kept.Close()
	assert.Empty(r.t, kept.Recovered(), "nothing was cut short")
	return kept.Entries()
}

func (r *running) post(path string, body map[string]any) map[string]any {
	r.t.Helper()
	data, err := json.Marshal(body)
	require.NoError(r.t, err)
	resp, err := http.Post(r.url+path, "application/json", bytes.NewReader(data))
	require.NoError(r.t, err)
	defer resp.Body.Close()
	var out map[string]any
	require.NoError(r.t, json.NewDecoder(resp.Body).Decode(&out))
	return out
}

func (r *running) get(path string) string {
	r.t.Helper()
	resp, err := http.Get(r.url + path)
	require.NoError(r.t, err)
	defer resp.Body.Close()
	data, err := io.ReadAll(resp.Body)
	require.NoError(r.t, err)
	return string(data)
}

// shownNest is how a nest stands on the page.
type shownNest struct {
	Phase, Serial string
	Done          int
	End           *struct{ Kind, Text, Where, Step, Detail string }
	Hold          *struct{ Why string }
}

func (r *running) nest(i int) shownNest {
	r.t.Helper()
	var s struct{ Nests []shownNest }
	require.NoError(r.t, json.Unmarshal([]byte(r.get("api/state")), &s))
	return s.Nests[i]
}

func (r *running) until(i int, ok func(shownNest) bool) shownNest {
	r.t.Helper()
	var s shownNest
	await(r.t, "a state of the nest", func() bool { s = r.nest(i); return ok(s) })
	return s
}

// A simulated station from the outside: a unit that passes, one that fails
// where it should, the guard, a broken device, and the end.
func TestServeDemo(t *testing.T) {
	r := serveDemo(t, t.TempDir())
	good, err := demo.Serial("24A", demo.Live)
	require.NoError(t, err)
	assert.Contains(t, r.out.String(), good+"  passes")
	scan := func(id, serial, nest string) map[string]any {
		return r.post("api/scan", map[string]any{"id": id, "text": serial, "nest": nest})
	}
	done := func(serial string) func(shownNest) bool {
		return func(s shownNest) bool { return s.Serial == serial && s.End != nil }
	}
	require.Equal(t, true, scan("1", good, "A")["ok"])
	assert.Equal(t, "passed", r.until(0, done(good)).End.Kind)

	// Chosen by hand: play in a stick.
	loose, err := demo.Serial("24A", demo.Live+500)
	require.NoError(t, err)
	r.post("api/fixture", map[string]any{"do": "give", "serial": loose, "defect": "stick-play"})
	require.Equal(t, true, scan("2", loose, "B")["ok"])
	s := r.until(1, done(loose))
	assert.Equal(t, "failed", s.End.Kind)
	assert.Contains(t, s.End.Where, "stick")
	assert.Equal(t, "retest", s.End.Step)
	assert.Contains(t, r.get("api/fixture"), "stick-play")

	// An open guard holds the unit until it is closed.
	other, err := demo.Serial("24A", demo.Live+1)
	require.NoError(t, err)
	r.post("api/fixture", map[string]any{"do": "open", "nest": "A"})
	scan("3", other, "A")
	assert.Equal(t, "guard", r.until(0, func(s shownNest) bool { return s.Hold != nil }).Hold.Why)
	r.post("api/fixture", map[string]any{"do": "close", "nest": "A"})
	// A silent device is the bench's fault.
	r.post("api/fixture", map[string]any{"do": "break", "nest": "A", "device": "receiver", "fault": "gone"})
	r.post("api/start", map[string]any{"nest": "A", "serial": other})
	s = r.until(0, done(other))
	assert.Equal(t, "bench", s.End.Kind)
	assert.Equal(t, "The receiver is unplugged.", s.End.Text)

	// Golden units prove the bench.
	scan("4", "K800Z00001H", "B")
	assert.Equal(t, "passed", r.until(1, done("K800Z00001H")).End.Kind)

	assert.Contains(t, r.get("metrics"), "fullthrow_")
	await(t, "the index, which follows", func() bool { return strings.Contains(r.get("healthz"), `"reports":4`) })
	assert.Contains(t, r.get("api/state"), `"known":true`)
	assert.Contains(t, r.get(""), "Kittiwake K8")
	entries := r.end()
	require.Len(t, entries, 4)

	// Started again with the same records, it knows the unit.
	r = serveDemo(t, r.dir)
	assert.Equal(t, "passed-before", scan("5", good, "")["code"])
	assert.Len(t, r.end(), 4)
}

// Stopping in the middle of a run seals it as aborted.
func TestServeStopsInTheMiddle(t *testing.T) {
	dir := t.TempDir()
	write := func(name, text string) string {
		file := filepath.Join(dir, name)
		require.NoError(t, os.WriteFile(file, []byte(text), 0o644))
		return file
	}
	// In real time, and with no end of its own.
	r := startServing(t, dir, serve.Options{Pace: 1, From: product.Sources{Bench: serve.Demo,
		Plan: write("plan.lua", `
plan { product = "kittiwake-k8", revision = "C", cycle_time = 86400 }
check("running", { about = "Is switched on", part = "power" }, function()
  bench.supply:set { voltage = 3.7, current_limit = 1.5 }
  bench.supply:on()
  wait(86400)
  reading("current", bench.meter:current { over = 1.0 }, "A")
end)
`), Limits: write("limits.toml", `
product = "kittiwake-k8"
[running.current]
upper = 1
unit = "A"
why = "for this test"
`)}})
	serial, err := demo.Serial("24A", demo.Live)
	require.NoError(t, err)
	r.post("api/scan", map[string]any{"id": "1", "text": serial})
	r.until(0, func(s shownNest) bool { return s.Phase == "running" })
	entries := r.end()
	require.Len(t, entries, 1)
	assert.Equal(t, reports.Aborted, entries[0].Outcome)
}

func TestServeRefuses(t *testing.T) {
	for _, tt := range []struct{ args, want string }{
		{"serve", "--bench FILE is missing"},
		{"serve --bench none.toml", "no such file"},
		{"serve --bench demo --pace 0.5", "--pace 0.5 is not in 1 to 1000"},
		{"serve --bench demo --log xml", `--log "xml" is not text, json or none`},
		{"serve --bench demo --listen 8080", `--listen "8080" is not a host and a port`},
		{"demo --serve --listen nowhere", `--listen "nowhere" is not a host and a port`},
	} {
		var out, errs bytes.Buffer
		assert.Equal(t, input.ExitInput, run(strings.Fields(tt.args), strings.NewReader(""), &out, &errs), tt.args)
		assert.Contains(t, errs.String(), tt.want, tt.args)
	}
}

// An index that rots while the station runs is made anew beside it: whoever asks
// meets one error that says so, not errors until the next start.
func TestServeMendsItsIndex(t *testing.T) {
	dir := t.TempDir()
	require.NoError(t, os.Mkdir(filepath.Join(dir, "records"), 0o755))
	require.NoError(t, madeUpArchive(filepath.Join(dir, "records")))
	r := serveDemo(t, dir)
	answer := regexp.MustCompile(`"summary":\{"counts":\{[^}]*\}`)
	ask := func() string {
		text := r.get("today?period=all&format=json")
		return answer.FindString(strings.NewReplacer(" ", "", "\n", "").Replace(text))
	}
	await(t, "all reports in the index", func() bool { return strings.Contains(ask(), `"units":40,`) })
	before := ask()

	file := filepath.Join(dir, "records", store.IndexFile)
	f, err := os.OpenFile(file, os.O_RDWR, 0)
	require.NoError(t, err)
	data, err := io.ReadAll(f)
	require.NoError(t, err)
	for i := 24; i < len(data); i += 1000 { // of page 1, what says that others wrote
		data[i] ^= 0xff
	}
	_, err = f.WriteAt(data, 0)
	require.NoError(t, err)
	require.NoError(t, f.Close())

	await(t, "the index made anew", func() bool {
		ask()
		aside, err := filepath.Glob(file + ".bad-*")
		require.NoError(t, err)
		return len(aside) == 1
	})
	await(t, "the same answer", func() bool { return ask() == before })
	aside, err := filepath.Glob(file + ".bad-*")
	require.NoError(t, err)
	assert.Len(t, aside, 1, "it was made anew once")
	assert.NoFileExists(t, file+".damaged")
	r.end()
	ix, err := store.OpenIndex(t.Context(), filepath.Join(dir, "records"), store.IndexOptions{})
	require.NoError(t, err)
	assert.Empty(t, ix.Notes(), "the next start finds it in order")
	require.NoError(t, ix.Close())
}

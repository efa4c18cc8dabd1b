package web

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"fullthrow/drivers"
	"fullthrow/reports"
	"fullthrow/reports/archive"
	"fullthrow/reports/serial"
	"fullthrow/runner/station"
	"fullthrow/runner/web/shell"
)

// fakeRunner is a nest whose runs a test writes: real journals in a real
// archive, without a bench.
type fakeRunner struct {
	t       testing.TB
	name    string
	archive *archive.Archive
	watch   func(reports.Event)
	ask     Ask

	mu    sync.Mutex
	out   *reports.Reason
	guard bool // open
	safes int
	made  station.Safety // what Safe answers
	// play writes what happens between the first event and the last, and
	// returns how the run ends.
	play  func(ctx context.Context, r *fakeRunner, j *archive.Journal) reports.End
	clock *reports.Reason // why no run begins by the clock
}

func (r *fakeRunner) InService() *reports.Reason {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.out
}

func (r *fakeRunner) Safe(context.Context) station.Safety {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.safes++
	return r.made
}

func (r *fakeRunner) set(f func()) {
	r.mu.Lock()
	defer r.mu.Unlock()
	f()
}

func (r *fakeRunner) Run(ctx context.Context, job station.Job) (archive.Sealed, error) {
	r.mu.Lock()
	out, guard, play, clock := r.out, r.guard, r.play, r.clock
	r.mu.Unlock()
	switch {
	case clock != nil:
		return archive.Sealed{}, &station.NotReady{Why: *clock}
	case out != nil:
		return archive.Sealed{}, &station.NotReady{Why: *out}
	case guard:
		return archive.Sealed{}, &station.NotReady{Why: reports.Reason{Code: reports.GuardOpen, Nest: r.name}}
	}
	start := reports.Start{Run: reports.NewRunID(time.Now(), "T-1", r.name), Station: "T-1", Nest: r.name, Operator: job.Operator, Unit: job.Unit,
		Attempt: r.archive.Attempts(job.Unit.Product, job.Unit.SerialNumber) + 1, CycleTime: 50, Software: "test"}
	j, err := r.archive.Begin(start, time.Now(), r.watch)
	if err != nil {
		return archive.Sealed{}, err
	}
	end := reports.End{Outcome: reports.Passed}
	if play == nil {
		play = passing
	}
	end = play(ctx, r, j)
	r.event(j, reports.Event{Kind: reports.MadeSafe})
	r.event(j, reports.Event{Kind: reports.RunEnded, End: &end})
	return j.Seal()
}

func (r *fakeRunner) event(j *archive.Journal, e reports.Event) {
	e.Time = time.Now()
	if err := j.Append(e); err != nil && !errors.Is(err, reports.ErrEnded) {
		r.t.Errorf("append: %v", err)
	}
}

// check writes one check with one reading.
func (r *fakeRunner) check(j *archive.Journal, name, part string, v reports.Verdict) {
	lower, upper := 0.0, 1.0
	now := time.Now()
	r.event(j, reports.Event{Kind: reports.CheckStarted, Check: &reports.Check{Name: name, About: "About " + name, Part: part, Started: now}})
	value := 0.5
	if v == reports.Fail {
		value = 2
	}
	r.event(j, reports.Event{Kind: reports.ReadingTaken, Reading: &reports.Reading{Check: name, Name: "level", Value: reports.Number(value), Unit: "V",
		Limit: &reports.Limit{Lower: &lower, Upper: &upper}, Verdict: v}})
	r.event(j, reports.Event{Kind: reports.CheckEnded, Check: &reports.Check{Name: name, Verdict: v, Ended: time.Now()}})
}

func passing(_ context.Context, r *fakeRunner, j *archive.Journal) reports.End {
	r.check(j, "power", "power", reports.Pass)
	r.check(j, "sound", "sounder", reports.Pass)
	return reports.End{Outcome: reports.Passed}
}

func failing(_ context.Context, r *fakeRunner, j *archive.Journal) reports.End {
	r.check(j, "power", "power", reports.Pass)
	r.check(j, "sound", "sounder", reports.Fail)
	r.event(j, reports.Event{Kind: reports.CausesRanked, Causes: []reports.Cause{{Cause: "the sounder is weak", Part: "sounder", Confidence: 0.7,
		Explains: []string{"sound.level"}, Inspect: "its opening", Rule: "weak"}}})
	return reports.End{Outcome: reports.Failed}
}

// held runs until it is let go or its run is cancelled.
func held(let <-chan struct{}) func(context.Context, *fakeRunner, *archive.Journal) reports.End {
	return func(ctx context.Context, r *fakeRunner, j *archive.Journal) reports.End {
		r.check(j, "power", "power", reports.Pass)
		select {
		case <-let:
		case <-ctx.Done():
			var a *station.Abort
			errors.As(context.Cause(ctx), &a)
			return reports.End{Outcome: reports.Aborted, Reason: &a.Why}
		}
		r.check(j, "sound", "sounder", reports.Pass)
		return reports.End{Outcome: reports.Passed}
	}
}

// rig is a station with fake nests A and B.
type rig struct {
	t       testing.TB
	dir     string
	archive *archive.Archive
	nests   map[string]*fakeRunner
	server  *Server
	http    *httptest.Server
	cookies []*http.Cookie
}

var testLook = sync.OnceValues(shell.New)

func newRig(t testing.TB, change ...func(*Config)) *rig { return newRigIn(t, t.TempDir(), change...) }

func newRigIn(t testing.TB, dir string, change ...func(*Config)) *rig {
	t.Helper()
	records, err := archive.Open(dir, "T-1")
	require.NoError(t, err)
	l, err := testLook()
	require.NoError(t, err)
	g := &rig{t: t, dir: dir, archive: records, nests: map[string]*fakeRunner{}}
	c := Config{Station: "T-1", Product: Product{Name: "kittiwake-k8", Title: "Kittiwake K8"}, Archive: records, Look: l, Policy: StockPolicy(),
		Checks: []Check{{"power", "About power", "power"}, {"sound", "About sound", "sounder"}},
		Serial: serial.Format{Product: "Kittiwake K8", Pattern: `K8(?P<lot>[0-9]{2}[A-Z])[0-9]{5}`, CheckCharacter: serial.Mod3736, GTIN: "09520123456788"},
		Unit: func(number string) reports.Unit {
			return reports.Unit{SerialNumber: number, Product: "kittiwake-k8", Golden: strings.HasPrefix(number, "K800Z")}
		}}
	for _, name := range []string{"A", "B"} {
		r := &fakeRunner{t: t, name: name, archive: records}
		g.nests[name] = r
		c.Nests = append(c.Nests, Nest{Name: name, Clock: drivers.System, Open: func(watch func(reports.Event), ask Ask) (Runner, error) {
			r.watch, r.ask = watch, ask
			return r, nil
		}})
	}
	for _, f := range change {
		f(&c)
	}
	g.server, err = New(c)
	require.NoError(t, err)
	g.server.stays = time.Hour // a busy machine asks late for a notice
	g.http = httptest.NewServer(g.server.Handler())
	t.Cleanup(func() {
		g.server.Stop(&station.Abort{Why: reports.Reason{Code: reports.StoppedByStation}})
		g.http.Close()
		records.Close()
	})
	return g
}

// serial is the serial number of unit n.
func serialOf(n int) string {
	s, err := serial.AppendMod3736("K824A" + string([]byte{'0', '0', '0' + byte(n/100%10), '0' + byte(n/10%10), '0' + byte(n%10)}))
	if err != nil {
		panic(err)
	}
	return s
}

// post gives a command and returns its answer.
func (g *rig) post(path string, body any) replyJSON {
	g.t.Helper()
	status, data := g.raw(path, "application/json", body)
	require.Equal(g.t, http.StatusOK, status, string(data))
	var r replyJSON
	require.NoError(g.t, json.Unmarshal(data, &r), string(data))
	return r
}

func (g *rig) raw(path, media string, body any) (int, []byte) {
	g.t.Helper()
	data, isText := body.(string)
	if !isText {
		b, err := json.Marshal(body)
		require.NoError(g.t, err)
		data = string(b)
	}
	req, err := http.NewRequest("POST", g.http.URL+path, strings.NewReader(data))
	require.NoError(g.t, err)
	req.Header.Set("Content-Type", media)
	for _, c := range g.cookies {
		req.AddCookie(c)
	}
	resp, err := g.http.Client().Do(req)
	require.NoError(g.t, err)
	defer resp.Body.Close()
	out, err := io.ReadAll(resp.Body)
	require.NoError(g.t, err)
	return resp.StatusCode, out
}

var scanIDs int

func (g *rig) scan(text string) replyJSON { return g.scanInto(text, "") }

func (g *rig) scanInto(text, nest string) replyJSON {
	g.t.Helper()
	scanIDs++
	return g.post("/api/scan", scanCommand{ID: "id" + time.Now().String()[:30] + string(rune('a'+scanIDs%26)), Text: text, Nest: nest})
}

// state is the whole state, in English.
func (g *rig) state() stateJSON {
	g.t.Helper()
	resp, err := g.http.Client().Get(g.http.URL + "/api/state")
	require.NoError(g.t, err)
	defer resp.Body.Close()
	var s stateJSON
	require.NoError(g.t, json.NewDecoder(resp.Body).Decode(&s))
	return s
}

// until waits until the station is as wanted, for ever if it never is.
func (g *rig) until(what string, ok func(stateJSON) bool) stateJSON {
	g.t.Helper()
	for n := 1; ; n++ {
		s := g.state()
		if ok(s) {
			return s
		}
		if n%5000 == 0 { // for whom it keeps waiting
			data, _ := json.MarshalIndent(s, "", " ")
			fmt.Fprintf(os.Stderr, "%s: not yet %s: %s\n", g.t.Name(), what, data)
		}
		time.Sleep(2 * time.Millisecond)
	}
}

// ended waits until nest i shows the end of a run of that unit.
func (g *rig) ended(i int, number string) nestJSON {
	g.t.Helper()
	return g.until("the end of "+number, func(s stateJSON) bool { return s.Nests[i].Serial == number && s.Nests[i].End != nil }).Nests[i]
}

// told is one server-sent event.
type told struct {
	id, name string
	data     []byte
}

// stream follows the station.
type stream struct {
	t    testing.TB
	body io.ReadCloser
	in   *bufio.Reader
}

func (g *rig) follow(lastID string) *stream {
	g.t.Helper()
	req, err := http.NewRequest("GET", g.http.URL+"/events", nil)
	require.NoError(g.t, err)
	if lastID != "" {
		req.Header.Set("Last-Event-ID", lastID)
	}
	resp, err := g.http.Client().Do(req)
	require.NoError(g.t, err)
	require.Equal(g.t, "text/event-stream", resp.Header.Get("Content-Type"))
	return &stream{g.t, resp.Body, bufio.NewReader(resp.Body)}
}

func (s *stream) close() { s.body.Close() }

// next is the next event; false at the end of the stream.
func (s *stream) next() (told, bool) {
	var e told
	for {
		line, err := s.in.ReadBytes('\n')
		if err != nil {
			return e, false
		}
		line = bytes.TrimRight(line, "\n")
		switch key, value, _ := bytes.Cut(line, []byte(": ")); string(key) {
		case "id":
			e.id = string(value)
		case "event":
			e.name = string(value)
		case "data":
			e.data = bytes.Clone(value)
		case "":
			if e.name != "" {
				return e, true
			}
		}
	}
}

// event is the event of a run that a message tells of, nil if it tells of none.
func (e told) event(t testing.TB) *eventJSON {
	t.Helper()
	switch e.name {
	case "event":
		var ev eventJSON
		require.NoError(t, json.Unmarshal(e.data, &ev))
		return &ev
	case "nest":
		var n nestJSON
		require.NoError(t, json.Unmarshal(e.data, &n))
		return n.Event
	}
	return nil
}

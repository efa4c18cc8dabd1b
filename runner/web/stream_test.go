package web

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"fullthrow/reports"
	"fullthrow/reports/archive"
	"fullthrow/reports/wording"
	"fullthrow/runner/station"
)

// runSeqs reads a stream until the run in it has ended and returns the numbers
// of its events, and the ID of the last message.
func runSeqs(t testing.TB, s *stream) (seqs []int64, last string) {
	t.Helper()
	for {
		e, ok := s.next()
		if !ok {
			return seqs, last
		}
		last = e.id
		if ev := e.event(t); ev != nil {
			seqs = append(seqs, ev.Seq)
			if ev.Kind == reports.RunEnded {
				return seqs, last
			}
		}
	}
}

func upTo(n int64) []int64 {
	var list []int64
	for i := int64(1); i <= n; i++ {
		list = append(list, i)
	}
	return list
}

// A browser that drops goes on behind the last event it had.
func TestFollowAndResume(t *testing.T) {
	g := newRig(t)
	let := make(chan struct{})
	g.nests["A"].play = held(let)
	s := g.follow("")
	e, ok := s.next()
	require.True(t, ok)
	assert.Equal(t, "state", e.name)
	g.scan(serialOf(1))
	var seqs []int64
	last := ""
	for len(seqs) < 3 {
		e, ok := s.next()
		require.True(t, ok)
		if last = e.id; e.event(t) != nil {
			seqs = append(seqs, e.event(t).Seq)
		}
	}
	s.close()
	close(let)
	g.ended(0, serialOf(1))

	s = g.follow(last)
	defer s.close()
	rest, _ := runSeqs(t, s)
	seqs = append(seqs, rest...)
	assert.Equal(t, upTo(9), seqs, "each event once, in order")
}

// Fifty browsers each get every event, in order, while runs go on beside them.
func TestFiftyFollowers(t *testing.T) {
	g := newRig(t)
	var wg sync.WaitGroup
	got := make([][]int64, 50)
	var ready sync.WaitGroup
	for i := range got {
		s := g.follow("")
		ready.Add(1)
		wg.Add(1)
		go func() {
			defer wg.Done()
			defer s.close()
			if e, ok := s.next(); !ok || e.name != "state" {
				t.Errorf("follower %d: %v", i, e.name)
			}
			ready.Done()
			got[i], _ = runSeqs(t, s)
		}()
	}
	ready.Wait()
	g.scan(serialOf(1))
	wg.Wait()
	for i := range got {
		assert.Equal(t, upTo(9), got[i], "follower %d", i)
	}
}

// Who is too far behind gets the state anew; nobody else waits for it.
func TestTooFarBehind(t *testing.T) {
	h := newHub()
	for range 2 * hubLog {
		h.publish(&message{name: "event", build: func(*wording.Translator) any { return nil }})
	}
	assert.Equal(t, int64(2*hubLog), h.last())
	assert.LessOrEqual(t, len(h.log), hubLog+hubLog/4, "the log is bounded")
	_, kept := h.after(t.Context(), 5)
	assert.False(t, kept)
	list, kept := h.after(t.Context(), h.last()-3)
	assert.True(t, kept)
	assert.Len(t, list, 3)
	_, kept = h.after(t.Context(), h.last()+10)
	assert.False(t, kept, "a number that was never given")
	ctx, cancel := context.WithTimeout(t.Context(), time.Millisecond)
	defer cancel()
	list, kept = h.after(ctx, h.last())
	assert.True(t, kept)
	assert.Empty(t, list)
	h.close()
	list, kept = h.after(t.Context(), h.last())
	assert.True(t, kept && list == nil, "the end does not wait")

	g := newRig(t)
	s := g.follow(fmt.Sprintf("%s.%d", g.server.hub.boot, 999999))
	defer s.close()
	e, _ := s.next()
	assert.Equal(t, "state", e.name)
}

func TestIDs(t *testing.T) {
	h := newHub()
	n, run, ok := h.place(h.id(7, "20261125T094257123Z-LQ1-A-7k3mq2a", 12))
	assert.True(t, ok)
	assert.Equal(t, int64(7), n)
	assert.Equal(t, "20261125T094257123Z-LQ1-A-7k3mq2a", run)
	for _, id := range []string{"", "x", h.boot, h.boot + ".", h.boot + ".-1", h.boot + ".1e9", "other.7", strings.Repeat("9", 300), "\r\n", h.boot + ".99999999999999999999"} {
		_, _, ok := h.place(id)
		assert.False(t, ok, "%q", id)
	}
}

// The station's program is killed in the middle of a run and started again: the
// record says aborted, the page says it in plain words, and a browser that
// followed the run is told what became of it.
func TestKilledInTheMiddle(t *testing.T) {
	dir := t.TempDir()
	g := newRigIn(t, dir)
	g.nests["A"].play = held(make(chan struct{}))
	s := g.follow("")
	g.scan(serialOf(1))
	last := ""
	for n := 0; n < 4; {
		e, ok := s.next()
		require.True(t, ok)
		if e.event(t) != nil {
			last = e.id
			n++
		}
	}
	s.close()
	// As the kernel would: the lock goes, the journal stays as it is.
	require.NoError(t, g.archive.Close())

	after := newRigIn(t, dir)
	n := after.state().Nests[0]
	require.NotNil(t, n.End)
	assert.Equal(t, "cut", n.End.Kind)
	assert.Equal(t, "The run of "+serialOf(1)+" was cut short when the station stopped. Run the unit again.", n.End.Text)
	assert.Equal(t, stepAgain, n.End.Step)
	s = after.follow(last)
	defer s.close()
	e, _ := s.next()
	require.Equal(t, "state", e.name)
	assert.Contains(t, string(e.data), `"followed":{"run":"`+n.Run+`","outcome":"aborted"`)
	// It is simply run again.
	assert.Equal(t, codeStarted, after.scan(serialOf(1)).Code)
	after.ended(0, serialOf(1))
	assert.Equal(t, reports.Passed, after.archive.Entries()[1].Outcome)
}

// Stopping the program aborts what runs, seals it, makes every fixture safe and
// lets the browsers go.
func TestServeStops(t *testing.T) {
	g := newRig(t)
	g.nests["A"].play = held(nil)
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	ctx, cancel := context.WithCancelCause(t.Context())
	served := make(chan error, 1)
	go func() { served <- g.server.Serve(ctx, l) }()
	resp, err := http.Get("http://" + l.Addr().String() + "/events")
	require.NoError(t, err)
	defer resp.Body.Close()
	g.scan(serialOf(1))
	g.until("it runs", func(s stateJSON) bool { return s.Nests[0].Done == 1 })
	cancel(&station.Abort{Why: reports.Reason{Code: reports.StoppedBySignal, Text: "Ctrl-C (SIGINT)"}})
	require.NoError(t, <-served)
	e := g.archive.Entries()
	require.Len(t, e, 1)
	assert.Equal(t, reports.Aborted, e[0].Outcome)
	for _, n := range g.nests {
		assert.Equal(t, 1, n.safes, "nest %s", n.name)
	}
	assert.Equal(t, codeStopping, g.scan(serialOf(2)).Code)
	status, body := get(t, g.http.URL+"/healthz")
	assert.Equal(t, http.StatusServiceUnavailable, status)
	assert.Contains(t, body, `"stopping"`)
}

// A name that points at this computer is not this station, wherever it listens.
func TestForeignHost(t *testing.T) {
	g := newRig(t, func(c *Config) { c.Hosts = []string{"LQ-1.plant.example", "203.0.113.7", "2001:DB8::7"} })
	computer, err := os.Hostname()
	require.NoError(t, err)
	hosts := map[string]int{"127.0.0.1:8080": 200, "localhost": 200, "[::1]:8080": 200, "LOCALHOST.:80": 200,
		computer: 200, strings.ToUpper(computer) + ":80": 200,
		"lq-1.plant.example": 200, "lq-1.plant.example.:8080": 200, "203.0.113.7:80": 200, "[2001:db8::7]:80": 200,
		"evil.example": 421, "127.0.0.1.evil.example:8080": 421, "192.0.2.20:8080": 421, "x.lq-1.plant.example": 421,
		"localhost@evil.example": 421, "localhost.evil.example": 421, "evillocalhost": 421, "[2001:db8::8]": 421,
		"plant.example": 421, "0.0.0.0:8080": 421, "localhost:80:80": 421}
	list, err := net.InterfaceAddrs()
	require.NoError(t, err)
	for _, a := range list {
		if n, ok := a.(*net.IPNet); ok {
			hosts[net.JoinHostPort(n.IP.String(), "8080")] = 200
		}
	}
	// Every address that is served, whatever it answers otherwise.
	for _, path := range []string{"/", "/healthz", "/metrics", "/events", "/api/state", "/nowhere", "/repair/", "/today"} {
		r := httptest.NewRequest("GET", path, nil)
		r.Host = "evil.example"
		w := httptest.NewRecorder()
		g.server.Handler().ServeHTTP(w, r)
		assert.Equal(t, 421, w.Code, path)
		assert.Contains(t, w.Body.String(), "use http://localhost on the station itself")
	}
	for host, want := range hosts {
		req, err := http.NewRequest("GET", g.http.URL+"/healthz", nil)
		require.NoError(t, err)
		req.Host = host
		resp, err := g.http.Client().Do(req)
		require.NoError(t, err)
		resp.Body.Close()
		assert.Equal(t, want, resp.StatusCode, host)
	}
	r := httptest.NewRequest("GET", "/", nil)
	r.Host = ""
	w := httptest.NewRecorder()
	g.server.Handler().ServeHTTP(w, r)
	assert.Equal(t, 421, w.Code, "no name at all")
}

// What a page of another site asks for it does not get; a link there may lead here.
func TestForeignPage(t *testing.T) {
	g := newRig(t)
	own := strings.TrimPrefix(g.http.URL, "http://")
	for _, tt := range []struct {
		name, method, path string
		header             map[string]string
		want               int
	}{
		{"no browser", "GET", "/api/state", nil, 200},
		{"own page", "GET", "/api/state", map[string]string{"Sec-Fetch-Site": "same-origin"}, 200},
		{"own page, an older browser", "GET", "/api/state", map[string]string{"Origin": "http://" + own}, 200},
		{"typed", "GET", "/", map[string]string{"Sec-Fetch-Site": "none", "Sec-Fetch-Mode": "navigate"}, 200},
		{"a link elsewhere", "GET", "/", map[string]string{"Sec-Fetch-Site": "cross-site", "Sec-Fetch-Mode": "navigate",
			"Sec-Fetch-Dest": "document"}, 200},
		{"a frame elsewhere", "GET", "/", map[string]string{"Sec-Fetch-Site": "cross-site", "Sec-Fetch-Mode": "navigate",
			"Sec-Fetch-Dest": "iframe"}, 403},
		{"a script elsewhere", "GET", "/api/state", map[string]string{"Sec-Fetch-Site": "cross-site"}, 403},
		{"a program beside it", "GET", "/api/state", map[string]string{"Sec-Fetch-Site": "same-site"}, 403},
		{"a stream elsewhere", "GET", "/events", map[string]string{"Origin": "http://evil.example"}, 403},
		{"a page of nowhere", "GET", "/api/state", map[string]string{"Origin": "null"}, 403},
		{"another port", "GET", "/api/state", map[string]string{"Origin": "http://127.0.0.1:1"}, 403},
		{"a command elsewhere", "POST", "/api/scan", map[string]string{"Origin": "http://evil.example",
			"Content-Type": "application/json"}, 403},
		{"a form elsewhere", "POST", "/api/scan", map[string]string{"Sec-Fetch-Site": "cross-site",
			"Sec-Fetch-Mode": "navigate", "Sec-Fetch-Dest": "document"}, 403},
	} {
		req, err := http.NewRequest(tt.method, g.http.URL+tt.path, nil)
		require.NoError(t, err)
		for k, v := range tt.header {
			req.Header.Set(k, v)
		}
		resp, err := g.http.Client().Do(req)
		require.NoError(t, err)
		resp.Body.Close()
		assert.Equal(t, tt.want, resp.StatusCode, tt.name)
	}
}

// What cannot be recorded is a fault of the station, never a judgement.
func TestRunThatCannotBeRecorded(t *testing.T) {
	g := newRig(t, func(c *Config) {
		c.Nests[0].Open = func(func(reports.Event), Ask) (Runner, error) { return brokenRunner{}, nil }
	})
	g.scanInto(serialOf(1), "A")
	n := g.ended(0, serialOf(1))
	assert.Equal(t, "bench", n.End.Kind)
	assert.Equal(t, stepEngineer, n.End.Step)
	assert.Contains(t, n.End.Detail, "no room")
	assert.NotEmpty(t, n.End.Unknown)
}

type brokenRunner struct{}

func (brokenRunner) Run(context.Context, station.Job) (archive.Sealed, error) {
	return archive.Sealed{}, errors.New("nest A: start: no room on the disk")
}
func (brokenRunner) Safe(context.Context) station.Safety { return nil }
func (brokenRunner) InService() *reports.Reason          { return nil }

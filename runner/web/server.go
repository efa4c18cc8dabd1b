package web

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/http"
	"slices"
	"strings"
	"sync"
	"time"

	"fullthrow/reports"
	"fullthrow/reports/archive"
	"fullthrow/reports/wording"
	"fullthrow/runner/crash"
	"fullthrow/runner/station"
)

// Server is the station's server. Make it with [New].
type Server struct {
	c        Config
	hub      *hub
	units    *units
	prefs    *preferences
	operator *operatorPage
	fixture  *fixturePage
	handler  http.Handler
	hosts    hosts

	connections, followers places
	refusals               struct {
		mu   sync.Mutex
		last map[string]time.Time // by why
	}

	base  context.Context // of all runs
	stop  context.CancelCauseFunc
	runs  sync.WaitGroup
	timer *time.Timer   // of the notice
	stays time.Duration // how long a notice does; 0: noticeTime, doneTime

	count chan struct{} // capacity 1: count the day anew

	mu       sync.Mutex // guards the rest, and the order of changes told
	nests    []*nest
	queue    []job
	notice   *notice
	question *question
	replies  replies
	number   int64 // of notices and questions
	today    today
	stopping bool
}

// New makes the server and its nests. Nothing is listened to yet.
func New(c Config) (*Server, error) {
	if err := c.check(); err != nil {
		return nil, err
	}
	s := &Server{c: c, hub: newHub(), units: newUnits(c.Archive), count: make(chan struct{}, 1),
		hosts: newHosts(c.Hosts)}
	s.connections.room, s.followers.room = rooms(c.Files)
	s.refusals.last = map[string]time.Time{}
	s.base, s.stop = context.WithCancelCause(context.Background())
	var err error
	if s.prefs, err = loadPreferences(c.Preferences); err != nil {
		return nil, err
	}
	for i, n := range c.Nests {
		place := &nest{Nest: n, index: i, asked: map[string]*asked{}}
		if place.runner, err = n.Open(s.watcher(place), s.asker(place)); err != nil {
			return nil, err
		}
		s.nests = append(s.nests, place)
	}
	s.remember()
	if s.operator, err = newOperatorPage(s); err != nil {
		return nil, fmt.Errorf("operator page: %w", err)
	}
	if c.Fixture != nil {
		if s.fixture, err = newFixturePage(s); err != nil {
			return nil, fmt.Errorf("fixture page: %w", err)
		}
	}
	s.handler = s.guard(s.routes())
	return s, nil
}

// remembered is how old a run may be for a page to show it after a restart.
const remembered = 15 * time.Minute

// remember puts each nest's last run back on the page: a run that was cut
// short, or one that ended just before the server was started again.
func (s *Server) remember() {
	recovered := map[string]bool{}
	for _, r := range s.c.Archive.Recovered() {
		recovered[r.Report.Run] = true
	}
	entries := s.c.Archive.Recent(time.Now().Add(-2 * remembered))
	for _, r := range s.c.Archive.Recovered() {
		if !slices.ContainsFunc(entries, func(e archive.Entry) bool { return e.Run == r.Report.Run }) {
			e := archive.Entry{Run: r.Report.Run, Nest: r.Report.Nest, Unit: r.Report.Unit, Ended: r.Report.Ended,
				Outcome: r.Report.Outcome}
			entries = append(entries, e)
		}
	}
	for _, n := range s.nests {
		for i := len(entries) - 1; i >= 0; i-- {
			e := entries[i]
			if e.Nest != n.Name {
				continue
			}
			if !recovered[e.Run] && time.Since(e.Ended).Abs() > remembered {
				break
			}
			sealed, err := s.c.Archive.Load(e.Run)
			if err != nil {
				s.c.Log.Warn("the last run of a nest cannot be shown", "nest", n.Name, "run", e.Run, "error", err)
				break
			}
			n.view = sealedRun(s.c.Checks, sealed.Report)
			j, _ := s.units.last(e.Unit)
			n.view.next = s.c.Policy.after(e.Outcome, j.failures, 0, n.runner.InService() != nil)
			n.phase = phaseDone
			break
		}
	}
}

// Handler answers every request of the station.
func (s *Server) Handler() http.Handler { return s.handler }

// routes is every address there is.
func (s *Server) routes() *http.ServeMux {
	mux := http.NewServeMux()
	mux.Handle("GET /{$}", s.operator)
	mux.Handle("GET /operator/", s.operator.files)
	mux.Handle("/look/", s.c.Look.Handler())
	mux.HandleFunc("GET /events", s.events)
	mux.HandleFunc("GET /api/state", s.getState)
	mux.HandleFunc("POST /api/scan", command(s, s.postScan))
	mux.HandleFunc("POST /api/start", command(s, s.postStart))
	mux.HandleFunc("POST /api/abort", command(s, s.postAbort))
	mux.HandleFunc("POST /api/answer", command(s, s.postAnswer))
	mux.HandleFunc("POST /api/decide", command(s, s.postDecide))
	mux.HandleFunc("POST /api/acknowledge", command(s, s.postAcknowledge))
	mux.HandleFunc("POST /api/operator", command(s, s.postOperator))
	mux.HandleFunc("POST /api/language", command(s, s.postLanguage))
	mux.HandleFunc("GET /healthz", s.health)
	if s.c.Metrics != nil {
		mux.Handle("GET /metrics", s.c.Metrics)
	}
	if s.c.Pictures != nil {
		mux.HandleFunc("GET /picture/{name}", s.picture)
	}
	if s.fixture != nil {
		mux.Handle("GET /fixture", s.fixture)
		mux.HandleFunc("GET /api/fixture", s.fixture.state)
		mux.HandleFunc("POST /api/fixture", command(s, s.fixture.post))
	}
	for _, p := range s.c.Pages {
		mux.Handle(p.Pattern, p.Handler)
	}
	return mux
}

// Serve answers on l until ctx ends; then it aborts what runs, makes every
// fixture safe, and gives the pages a moment to hear of it. A cause of ctx that
// is a [*station.Abort] is why the runs were aborted.
func (s *Server) Serve(ctx context.Context, l net.Listener) error {
	srv := &http.Server{
		Handler:           s.handler,
		ReadHeaderTimeout: 5 * time.Second,
		ReadTimeout:       15 * time.Second,
		IdleTimeout:       time.Minute,
		MaxHeaderBytes:    16 << 10,
		ErrorLog:          newErrorLog(s.c.Log),
		ConnState:         changed,
		ConnContext: func(ctx context.Context, c net.Conn) context.Context {
			return context.WithValue(ctx, visitKey{}, c)
		},
	}
	entrance := &door{Listener: l, places: &s.connections, refused: s.refused}
	counting, done := context.WithCancel(ctx)
	defer done()
	go func() {
		defer crash.Guard()
		s.countDays(counting)
	}()
	failed := make(chan error, 1)
	go func() {
		defer crash.Guard()
		failed <- srv.Serve(entrance)
	}()
	// What runs ends the moment ctx does, whoever holds a lock of ours.
	defer context.AfterFunc(ctx, func() { s.stop(whyStopped(ctx)) })()
	var err error
	select {
	case err = <-failed:
	case <-ctx.Done():
	}
	err = errors.Join(err, s.Stop(whyStopped(ctx)))
	closing, cancel := context.WithTimeout(context.WithoutCancel(ctx), 3*time.Second)
	defer cancel()
	if shut := srv.Shutdown(closing); shut != nil {
		srv.Close()
	}
	if errors.Is(err, http.ErrServerClosed) {
		err = nil
	}
	return err
}

// visitKey is under which a request's context has its connection.
type visitKey struct{}

// whyStopped is why runs end with ctx: on purpose, or for a fault.
func whyStopped(ctx context.Context) error {
	cause := context.Cause(ctx)
	var abort *station.Abort
	var fault *station.Fault
	if errors.As(cause, &abort) || errors.As(cause, &fault) {
		return cause
	}
	return &station.Abort{Why: reports.Reason{Code: reports.StoppedByStation}}
}

// Stop takes no further unit, aborts what runs, waits until each report is
// sealed and makes every fixture safe; then it lets the followers go. The error
// says what is not safe. The runs end for why, a [*station.Abort] or a
// [*station.Fault].
func (s *Server) Stop(why error) error {
	s.mu.Lock()
	s.stopping = true
	s.tellStation()
	s.mu.Unlock()
	s.stop(why)
	s.runs.Wait()
	var errs []error
	for _, n := range s.nests {
		made := n.runner.Safe(context.Background())
		for _, m := range made.Failed() {
			s.c.Log.Warn("a device did not confirm its safe state", "nest", n.Name, "device", m.Role, "error", m.Err)
		}
		if unsafe := made.Record(); len(unsafe) > 0 {
			// In full, for each nest: a hint of one of its devices would hide
			// what must be done now.
			english := wording.English()
			devices, todo := strings.Join(english.Unsafe(unsafe), "; "), english.UnsafeWarning(unsafe)
			errs = append(errs, fmt.Errorf("nest %s: NOT SAFE: %s (%s)", n.Name, todo, devices))
			s.c.Log.Error("the fixture is not safe", "nest", n.Name, "devices", devices, "to do", todo)
		}
	}
	s.hub.close()
	return errors.Join(errs...)
}

// Indexed says that the store has taken in what was sealed: the counts of the
// day are asked for anew. It does not wait.
func (s *Server) Indexed() {
	select {
	case s.count <- struct{}{}:
	default:
	}
}

// Sealed says that a report was sealed in the archive without this server: its
// unit is known from now on.
func (s *Server) Sealed(r archive.Sealed) { s.units.add(r.Entry()) }

// Repaired says that a unit comes back from repair: its failures before are
// forgotten.
func (s *Server) Repaired(r reports.Repair) { s.units.repaired(r) }

package pgtest

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
)

// Option changes how a server is started.
type Option func(*Server)

// NoSync lets the server confirm a commit before the disk has it: quicker, and
// right only where no test kills it.
func NoSync(s *Server) { s.sync = false }

// Server is a PostgreSQL server of one test. Its methods may be called from the
// test's goroutines; those that can fail end the test.
type Server struct {
	t    testing.TB
	bin  string // directory of the programs
	dir  string // holds data, socket and log
	sync bool

	mu        sync.Mutex
	running   *process // nil while stopped
	databases int
}

// process is one life of the server.
type process struct {
	*os.Process
	done chan struct{} // closed when it has ended
}

// Start begins a new, empty server and stops it when the test ends. It skips
// the test, with the reason, where PostgreSQL is not installed; with CI set it
// fails.
func Start(t testing.TB, options ...Option) *Server {
	t.Helper()
	bin, err := Programs()
	if err != nil {
		if os.Getenv("CI") != "" {
			t.Fatalf("pgtest: %v", err)
		}
		t.Skipf("pgtest: %v", err)
	}
	s := &Server{t: t, bin: bin, sync: true}
	for _, o := range options {
		o(s)
	}
	// Not t.TempDir: the name of a socket may have no more than 107 bytes.
	if s.dir, err = os.MkdirTemp("", "pg"); err != nil {
		t.Fatalf("pgtest: %v", err)
	}
	t.Cleanup(func() {
		s.Kill()
		if err := os.RemoveAll(s.dir); err != nil {
			t.Errorf("pgtest: %v", err)
		}
	})
	if err := give(s.dir); err != nil {
		t.Fatalf("pgtest: %v", err)
	}
	cmd := s.command("initdb", "-D", s.data(), "-U", "postgres", "-A", "trust", "-E", "UTF8",
		"--no-locale", "--no-instructions", "--no-sync", "--wal-segsize=4")
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("pgtest: initdb: %v\n%s", err, out)
	}
	s.Restart()
	return s
}

// Programs finds the directory of initdb and postgres: in PATH, or the newest
// of Debian's.
func Programs() (string, error) {
	if p, err := exec.LookPath("initdb"); err == nil {
		if p, err = filepath.EvalSymlinks(p); err == nil {
			return filepath.Dir(p), nil
		}
	}
	found, _ := filepath.Glob("/usr/lib/postgresql/*/bin/initdb")
	if len(found) == 0 {
		return "", errors.New("PostgreSQL is not installed: as root on Debian, apt-get install postgresql")
	}
	slices.SortFunc(found, func(a, b string) int { // 9 before 15
		return cmp.Or(cmp.Compare(len(a), len(b)), strings.Compare(a, b))
	})
	return filepath.Dir(found[len(found)-1]), nil
}

func (s *Server) data() string { return filepath.Join(s.dir, "data") }

func (s *Server) command(program string, args ...string) *exec.Cmd {
	cmd := exec.Command(filepath.Join(s.bin, program), args...)
	cmd.Dir = s.dir
	cmd.Env = append(os.Environ(), "LC_ALL=C", "TZ=UTC")
	owned(cmd)
	return cmd
}

// DSN connects to the server's own database, postgres, as its superuser.
func (s *Server) DSN() string { return s.dsn("postgres") }

func (s *Server) dsn(database string) string {
	return fmt.Sprintf("host=%s port=5432 user=postgres sslmode=disable connect_timeout=3600 dbname=%s", s.dir,
		database)
}

// NewDatabase makes an empty database and tells how to connect to it.
func (s *Server) NewDatabase(t testing.TB) string {
	t.Helper()
	s.mu.Lock()
	s.databases++
	name := fmt.Sprintf("test%d", s.databases)
	s.mu.Unlock()
	ctx := t.Context()
	conn, err := pgx.Connect(ctx, s.DSN())
	if err == nil {
		defer conn.Close(ctx)
		_, err = conn.Exec(ctx, "CREATE DATABASE "+name)
	}
	if err != nil {
		t.Fatalf("pgtest: new database: %v", err)
	}
	return s.dsn(name)
}

// Stop ends the server as an administrator would: connections are cut, what
// was not committed is undone. A stopped server stays stopped.
func (s *Server) Stop() {
	s.t.Helper()
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.running == nil {
		return
	}
	// SIGINT is "fast shutdown".
	if err := s.running.Signal(os.Interrupt); err != nil && !errors.Is(err, os.ErrProcessDone) {
		s.t.Fatalf("pgtest: stop: %v", err)
	}
	s.ended()
}

// Kill ends the server and every process of it at once, as a power cut does
// but for what the kernel still writes. A stopped server stays stopped.
func (s *Server) Kill() {
	s.t.Helper()
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.running == nil {
		return
	}
	children := childrenOf(s.running.Pid)
	for _, p := range append([]*os.Process{s.running.Process}, children...) {
		p.Kill() // one that has ended already is no error
	}
	s.ended()
}

// ended waits for the end; the caller holds mu.
func (s *Server) ended() {
	<-s.running.done
	s.running = nil
}

// Restart starts the server on the data it has, stopping it first if it runs,
// and waits until it answers.
func (s *Server) Restart() {
	s.t.Helper()
	s.Stop()
	s.mu.Lock()
	defer s.mu.Unlock()
	onOff := map[bool]string{true: "on", false: "off"}[s.sync]
	args := []string{
		"-D", s.data(), "-k", s.dir, "-p", "5432", "-c", "listen_addresses=",
		"-c", "fsync=" + onOff, "-c", "full_page_writes=" + onOff, "-c", "synchronous_commit=" + onOff,
		"-c", "shared_buffers=32MB", "-c", "autovacuum_naptime=10min", "-c", "log_min_messages=warning",
	}
	for {
		log := s.start(args)
		if s.answers() {
			return
		}
		s.running = nil
		// A process of the life before may hold the memory for a moment.
		if !strings.Contains(log.String(), "shared memory block") {
			s.t.Fatalf("pgtest: start: the server has ended\n%s", log.String())
		}
		time.Sleep(20 * time.Millisecond)
	}
}

// start begins a life of the server; the caller holds mu.
func (s *Server) start(args []string) *output {
	log := &output{}
	cmd := s.command("postgres", args...)
	cmd.Stdout, cmd.Stderr = log, log
	p := &process{done: make(chan struct{})}
	started := make(chan error, 1)
	go func() {
		// "Ends with its parent" means the thread that started it.
		runtime.LockOSThread()
		defer runtime.UnlockOSThread()
		err := cmd.Start()
		started <- err
		if err == nil {
			cmd.Wait()
		}
		close(p.done)
	}()
	if err := <-started; err != nil {
		s.t.Fatalf("pgtest: start: %v", err)
	}
	p.Process = cmd.Process
	s.running = p
	return log
}

// answers waits until the server takes connections, or has ended; the caller
// holds mu.
func (s *Server) answers() bool {
	ctx := context.Background()
	for {
		if conn, err := pgx.Connect(ctx, s.DSN()); err == nil && conn.Close(ctx) == nil {
			return true
		}
		select {
		case <-s.running.done:
			return false
		case <-time.After(5 * time.Millisecond):
		}
	}
}

// output keeps what the server says, for when it does not start.
type output struct {
	mu  sync.Mutex
	buf bytes.Buffer
}

func (o *output) Write(p []byte) (int, error) {
	o.mu.Lock()
	defer o.mu.Unlock()
	if o.buf.Len() > 1<<20 {
		return len(p), nil
	}
	return o.buf.Write(p)
}

func (o *output) String() string {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.buf.String()
}

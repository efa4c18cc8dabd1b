package main

import (
	"bytes"
	"cmp"
	"encoding/json"
	"fmt"
	"io"
	"math/rand/v2"
	"net/http"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/creack/pty"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"fullthrow/drivers"
	"fullthrow/drivers/sim"
	"fullthrow/reports"
	"fullthrow/reports/archive"
	"fullthrow/reports/wording"
	"fullthrow/runner/crash"
	"fullthrow/runner/demo"
	"fullthrow/runner/input"
)

// panics is the program with a goroutine that panics on SIGUSR1.
func panics() {
	asked := make(chan os.Signal, 1)
	signal.Notify(asked, syscall.SIGUSR1)
	go func() {
		defer crash.Guard()
		<-asked
		panic("as the test wants it")
	}()
	main()
}

// wayOut is something that ends a program, or might.
type wayOut struct {
	name string
	// goesOn: it is no reason to end. Else what the report must say, for a run
	// that had begun.
	goesOn  bool
	outcome reports.Outcome
	reason  string
	program string // "" fullthrow
	// start changes how the program is started; do is done to it later.
	start func(*exec.Cmd, *leaving)
	do    func(*leaving)
}

// leaving is a program that is about to be ended.
type leaving struct {
	t        *testing.T
	cmd      *exec.Cmd
	out, err *os.File // reading ends; nil where there is none
	master   *os.File // of its terminal; nil: it has none
	said     heard
}

func sends(s syscall.Signal) func(*leaving) {
	return func(l *leaving) { assert.NoError(l.t, l.cmd.Process.Signal(s)) }
}

func types(keys string) func(*leaving) {
	return func(l *leaving) { io.WriteString(l.master, keys) }
}

// atTerminal gives the program a terminal of its own.
func atTerminal(cmd *exec.Cmd, l *leaving) {
	opened, slave, err := pty.Open()
	require.NoError(l.t, err)
	defer opened.Close()
	fd, err := unix.Dup(int(opened.Fd()))
	require.NoError(l.t, err)
	unix.CloseOnExec(fd)
	require.NoError(l.t, unix.SetNonblock(fd, true)) // so that Close does not wait for a read
	cmd.Stdin, cmd.Stdout, cmd.Stderr = slave, slave, slave
	cmd.SysProcAttr = &syscall.SysProcAttr{Setsid: true, Setctty: true}
	l.master = os.NewFile(uintptr(fd), opened.Name())
}

// fullDisk gives it outputs that take nothing.
func fullDisk(cmd *exec.Cmd, l *leaving) {
	full, err := os.OpenFile("/dev/full", os.O_WRONLY, 0)
	require.NoError(l.t, err)
	cmd.Stderr = full
	if cmd.Args[1] == "test" { // a station's address is read from its output
		cmd.Stdout = full
	}
}

// waysOut are those that a program can do something about.
func waysOut() []wayOut {
	closes := func(files func(*leaving) []*os.File) func(*leaving) {
		return func(l *leaving) {
			for _, f := range files(l) {
				f.Close()
			}
		}
	}
	panicked := wayOut{name: "panic", outcome: reports.Errored, reason: "internal error: as the test wants it",
		program: "fullthrow-panics", do: sends(syscall.SIGUSR1)}
	list := []wayOut{
		{name: "PIPE of the output", goesOn: true, do: closes(func(l *leaving) []*os.File { return []*os.File{l.out} })},
		{name: "PIPE of the errors", goesOn: true, do: closes(func(l *leaving) []*os.File { return []*os.File{l.err} })},
		{name: "PIPE of both", goesOn: true, do: closes(func(l *leaving) []*os.File { return []*os.File{l.out, l.err} })},
		{name: "full disk behind the output", goesOn: true, start: fullDisk, do: func(*leaving) {}},
		{name: "USR1", goesOn: true, do: sends(syscall.SIGUSR1)},
		{name: "TTIN and TTOU", goesOn: true, do: func(l *leaving) { sends(syscall.SIGTTIN)(l); sends(syscall.SIGTTOU)(l) }},
		{name: "terminal closed", outcome: reports.Aborted, reason: "stopped by the end of its terminal", start: atTerminal,
			do: func(l *leaving) { l.master.Close() }},
		{name: "Ctrl-Z typed", outcome: reports.Aborted, reason: "stopped by Ctrl-Z (SIGTSTP)", start: atTerminal, do: types("\x1a")},
		{name: `Ctrl-\ typed`, outcome: reports.Aborted, reason: `stopped by Ctrl-\ (SIGQUIT)`, start: atTerminal, do: types("\x1c")},
		panicked,
	}
	for _, s := range []struct {
		name   string
		signal syscall.Signal
		reason string
	}{
		{"INT", syscall.SIGINT, "Ctrl-C (SIGINT)"},
		{"TERM", syscall.SIGTERM, "SIGTERM"},
		{"HUP", syscall.SIGHUP, "the end of its terminal (SIGHUP)"},
		{"QUIT", syscall.SIGQUIT, `Ctrl-\ (SIGQUIT)`},
		{"TSTP", syscall.SIGTSTP, "Ctrl-Z (SIGTSTP)"},
		{"ABRT", syscall.SIGABRT, "SIGABRT"},
		{"PWR", syscall.SIGPWR, "a power failure (SIGPWR)"},
	} {
		list = append(list, wayOut{name: s.name, outcome: reports.Aborted, reason: "stopped by " + s.reason, do: sends(s.signal)})
	}
	return list
}

// spot is a simulated fixture in this process, on real ports: what it says of
// itself does not pass through the program that is tested.
type spot struct {
	t       *testing.T
	fixture *sim.Bench
	ends    []sim.Endpoint
	bench   string
	units   int
}

func newPlace(t *testing.T, number int) *spot {
	t.Helper()
	_, b, _, err := demo.Files(1)
	require.NoError(t, err)
	b.Nests = b.Nests[:1]
	p := &spot{t: t, fixture: sim.NewBench(drivers.System, uint64(number)+1), units: 1000 * number}
	p.fixture.Load(sim.GoodOf("K824A00017M"))
	dir := t.TempDir()
	p.ends, err = b.Nests[0].Serve(t.Context(), p.fixture, filepath.Join(dir, "nest"))
	require.NoError(t, err)
	p.bench = filepath.Join(dir, "bench.toml")
	require.NoError(t, b.WriteTo(p.bench))
	return p
}

func (p *spot) serial() string {
	p.units++
	serial, err := demo.Serial("24A", p.units)
	require.NoError(p.t, err)
	return serial
}

// begin starts the program with pipes for its output that are read until they
// are closed.
func (p *spot) begin(w wayOut, args ...string) *leaving {
	l := &leaving{t: p.t}
	l.cmd = exec.Command(cmp.Or(w.program, "fullthrow"), args...)
	if w.start != nil {
		w.start(l.cmd, l)
	}
	read := func(to *io.Writer) *os.File {
		if *to != nil {
			return nil
		}
		r, write, err := os.Pipe()
		require.NoError(p.t, err)
		*to = write
		return r
	}
	l.out, l.err = read(&l.cmd.Stdout), read(&l.cmd.Stderr)
	require.NoError(p.t, l.cmd.Start())
	for _, f := range []any{l.cmd.Stdin, l.cmd.Stdout, l.cmd.Stderr} {
		if f, ok := f.(*os.File); ok {
			f.Close() // the program has its own
		}
	}
	for _, f := range []*os.File{l.out, l.err, l.master} {
		if f != nil {
			go io.Copy(&l.said, f)
		}
	}
	return l
}

// until waits for a condition, as long as the test may take.
func until(t *testing.T, what string, ok func() bool) {
	t.Helper()
	end, limited := t.Deadline()
	for !ok() {
		if limited && time.Until(end) < 10*time.Second {
			t.Fatalf("it did not come about: %s", what)
		}
		time.Sleep(time.Millisecond)
	}
}

// result of one way out.
type result struct {
	way     wayOut
	command string
	live    bool          // something was on when it came
	safeIn  time.Duration // from then to everything off; of those that end the program
	begun   bool          // a run had begun
	// disturbed is why a run was an error of the bench, "" if none was.
	disturbed string
}

// leave takes one way out of a command and checks what is left behind: all off
// when the program has ended, and sealed whatever had begun.
func (p *spot) leave(command string, w wayOut, after time.Duration) result {
	t := p.t
	records := filepath.Join(t.TempDir(), "records")
	r := result{way: w, command: command}
	var l *leaving
	url := ""
	if command == "test" {
		l = p.begin(w, "test", p.serial(), "--bench", p.bench, "--product", "../testdata/leaving", "--data", records)
	} else {
		l = p.begin(w, "serve", "--bench", p.bench, "--product", "../testdata/leaving", "--data", records, "--listen", "127.0.0.1:0")
		address := regexp.MustCompile(`http://127\.0\.0\.1:[0-9]+/`)
		until(t, "the station says where its pages are", func() bool { url = address.FindString(l.said.String()); return url != "" })
		p.scan(url)
	}
	time.Sleep(after) // any moment is good
	r.live = !p.fixture.State().Safe()
	began := time.Now()
	w.do(l)
	ended := make(chan error, 1)
	go func() { ended <- l.cmd.Wait() }()
	if w.goesOn && command == "serve" {
		p.idle(url)
		p.scan(url) // the station is alive
		p.idle(url)
		sends(syscall.SIGINT)(l)
	}
	if !w.goesOn {
		until(t, "everything is off after "+w.name, func() bool { return p.fixture.State().Safe() })
		r.safeIn = time.Since(began)
	}
	err := <-ended
	what := fmt.Sprintf("%s, %s after %v:\n%s", command, w.name, after, l.said.String())
	assert.True(t, p.fixture.State().Safe(), "%+v\n%s", p.fixture.State(), what)
	status := l.cmd.ProcessState.Sys().(syscall.WaitStatus)
	if _, err := os.Stat(records); status.Signaled() && os.IsNotExist(err) && !r.live {
		return r // on its way up, before it had opened anything
	}
	if status.Signaled() {
		t.Errorf("the program was ended by %v: %v: %s", status.Signal(), err, what)
	}
	if w.program != "" && command == "serve" {
		assert.Equal(t, input.ExitBench, l.cmd.ProcessState.ExitCode(), what)
		until(t, "it says what it was", func() bool {
			return strings.Contains(l.said.String(), "fullthrow: internal error: as the test wants it\nthe fixture was made safe\n")
		})
	}
	if l.master != nil {
		l.master.Close()
	}
	p.checkRecords(records, w, what, &r)
	if r.disturbed != "" {
		// On a machine that has no time for them, devices answer too late: a
		// fault of the bench, and honest, but not what this is about.
		t.Logf("again, the bench was disturbed (load %s): %s, %s: %s", load(), command, w.name, r.disturbed)
		return p.leave(command, w, after)
	}
	return r
}

func (p *spot) checkRecords(records string, w wayOut, what string, r *result) {
	if _, err := os.Stat(records); err != nil {
		return // not even begun
	}
	v, err := archive.Verify(records)
	if err != nil {
		return // no report, no journal
	}
	assert.Empty(p.t, v.Problems, what)
	if w.program == "" { // after a crash the next start may have to seal
		assert.Empty(p.t, v.Pending, what)
	}
	kept, err := archive.Open(records, "LQ-1")
	require.NoError(p.t, err)
	defer kept.Close()
	entries := kept.Entries()
	r.begun = len(entries) > 0
	for i, e := range entries {
		sealed, err := kept.Load(e.Run)
		require.NoError(p.t, err)
		got := sealed.Report
		why := wording.English().Reason(got.Reason)
		switch {
		case got.Outcome == reports.Errored && !strings.Contains(why, "internal error"):
			r.disturbed = why
		case w.goesOn:
			assert.Equal(p.t, reports.Passed, got.Outcome, "run %d: %s: %s", i, why, what)
		case w.program != "" && got.Outcome == reports.Aborted:
			// The journal, folded: the crash left no time to seal.
		case got.Outcome != reports.Passed: // the run may just have ended
			assert.Equal(p.t, w.outcome, got.Outcome, "%s: %s", why, what)
			assert.Contains(p.t, why, w.reason, what)
		}
	}
}

// scan lays a unit in, and waits until the station has taken it.
func (p *spot) scan(url string) {
	body, err := json.Marshal(map[string]any{"id": strconv.Itoa(p.units), "text": p.serial(), "nest": ""})
	require.NoError(p.t, err)
	answer, err := http.Post(url+"api/scan", "application/json", bytes.NewReader(body))
	require.NoError(p.t, err)
	defer answer.Body.Close()
	text, err := io.ReadAll(answer.Body)
	require.NoError(p.t, err)
	require.Equal(p.t, 200, answer.StatusCode, "%s", text)
}

// idle waits until no run is on.
func (p *spot) idle(url string) {
	until(p.t, "the run has ended", func() bool {
		answer, err := http.Get(url + "api/state")
		require.NoError(p.t, err)
		defer answer.Body.Close()
		var s struct{ Nests []shownNest }
		require.NoError(p.t, json.NewDecoder(answer.Body).Decode(&s))
		return s.Nests[0].Phase == "done"
	})
}

// Whatever ends the program, the fixture is safe and the run is sealed, and
// what is no reason to end does not end it. FULLTHROW_LEAVING=N takes each way
// N times, at random moments; it prints how long it took until all was off.
func TestEveryWayOut(t *testing.T) {
	if testing.Short() {
		t.Skip("short: takes some 20 s of real time")
	}
	t.Parallel()
	rounds := 1
	if n, err := strconv.Atoi(os.Getenv("FULLTHROW_LEAVING")); err == nil {
		rounds = n
	}
	// Whoever runs the tests with nohup means the tests: the programs they start
	// heed the end of their terminal all the same.
	signal.Notify(make(chan os.Signal, 1), syscall.SIGHUP)
	seed := rand.Uint64()
	rng := rand.New(rand.NewPCG(seed, 0))
	t.Logf("moments drawn with seed %d", seed)
	type job struct {
		command string
		way     wayOut
		after   time.Duration
	}
	var jobs []job
	for range rounds {
		for _, w := range waysOut() {
			for _, command := range []string{"test", "serve"} {
				jobs = append(jobs, job{command, w, time.Duration(rng.Int64N(int64(3 * time.Second)))})
			}
		}
	}
	rng.Shuffle(len(jobs), func(i, j int) { jobs[i], jobs[j] = jobs[j], jobs[i] })
	todo := make(chan job, len(jobs))
	for _, j := range jobs {
		todo <- j
	}
	close(todo)
	var mu sync.Mutex
	var results []result
	var wg sync.WaitGroup
	places := 6 // most of the time each waits
	if rounds > 1 {
		places = 12
	}
	for i := range min(places, len(jobs)) {
		p := newPlace(t, i)
		wg.Go(func() {
			for j := range todo {
				r := p.leave(j.command, j.way, j.after)
				mu.Lock()
				results = append(results, r)
				mu.Unlock()
			}
		})
	}
	wg.Wait()
	assert.Len(t, results, len(jobs), "a way could not be taken to its end")
	t.Log("\n" + waysTable(results))
}

// waysTable is what was found, a row a way.
func waysTable(results []result) string {
	type row struct{ n, live, begun int }
	rows := map[string]*row{}
	times := map[string][]time.Duration{}
	for _, r := range results {
		key := fmt.Sprintf("%-6s %-28s", r.command, r.way.name)
		if rows[key] == nil {
			rows[key] = &row{}
		}
		rows[key].n++
		if r.live {
			rows[key].live++
		}
		if r.begun {
			rows[key].begun++
		}
		if !r.way.goesOn && r.live {
			times[key] = append(times[key], r.safeIn)
		}
	}
	var b strings.Builder
	fmt.Fprintf(&b, "%-35s %5s %5s %6s %12s %12s\n", "", "times", "on", "sealed", "off in, 50 %", "slowest")
	for _, key := range slices.Sorted(func(yield func(string) bool) {
		for k := range rows {
			if !yield(k) {
				return
			}
		}
	}) {
		fmt.Fprintf(&b, "%s %5d %5d %6d", key, rows[key].n, rows[key].live, rows[key].begun)
		if list := times[key]; len(list) > 0 {
			slices.Sort(list)
			fmt.Fprintf(&b, " %9d ms %9d ms", list[len(list)/2].Milliseconds(), list[len(list)-1].Milliseconds())
		}
		b.WriteByte('\n')
	}
	return b.String()
}

// A log whose reader has stopped reading holds up nobody: the station takes
// units, and stops when it is asked to.
func TestLogThatNobodyReads(t *testing.T) {
	if testing.Short() {
		t.Skip("short: takes some seconds of real time")
	}
	t.Parallel()
	p := newPlace(t, 90)
	stalled := wayOut{start: func(cmd *exec.Cmd, l *leaving) {
		r, w, err := os.Pipe()
		require.NoError(t, err)
		t.Cleanup(func() { r.Close() })
		_, err = unix.FcntlInt(w.Fd(), unix.F_SETPIPE_SZ, 4096)
		require.NoError(t, err)
		_, err = w.Write(make([]byte, 4096)) // full from the beginning
		require.NoError(t, err)
		cmd.Stderr = w
	}}
	records := filepath.Join(t.TempDir(), "records")
	l := p.begin(stalled, "serve", "--bench", p.bench, "--product", "../testdata/leaving", "--data", records, "--listen", "127.0.0.1:0")
	address := regexp.MustCompile(`http://127\.0\.0\.1:[0-9]+/`)
	url := ""
	until(t, "the station says where its pages are", func() bool { url = address.FindString(l.said.String()); return url != "" })
	for range 2 {
		p.scan(url)
		p.idle(url)
	}
	sends(syscall.SIGINT)(l)
	assert.NoError(t, l.cmd.Wait())
	assert.True(t, p.fixture.State().Safe())
	v, err := archive.Verify(records)
	require.NoError(t, err)
	assert.Equal(t, 2, v.Reports)
}

// A complaint at the end that nobody reads ends the program all the same.
func TestLastWordsThatNobodyReads(t *testing.T) {
	r, w, err := os.Pipe()
	require.NoError(t, err)
	defer r.Close()
	_, err = unix.FcntlInt(w.Fd(), unix.F_SETPIPE_SZ, 4096)
	require.NoError(t, err)
	_, err = w.Write(make([]byte, 4096)) // full from the beginning
	require.NoError(t, err)
	cmd := exec.CommandContext(t.Context(), "fullthrow", "lint", "--product", filepath.Join(t.TempDir(), "none"))
	cmd.Stderr = w
	var ended *exec.ExitError
	require.ErrorAs(t, cmd.Run(), &ended)
	assert.Equal(t, input.ExitInput, ended.ExitCode())
}

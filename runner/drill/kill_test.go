//go:build drill && linux

package drill

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"math/rand/v2"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"fullthrow/drivers"
	"fullthrow/drivers/sim"
	"fullthrow/reports"
	"fullthrow/reports/archive"
	"fullthrow/runner/demo"
)

// beside is how many benches a case kills side by side: mostly each waits.
const beside = 6

// ending is a way to end the program in the middle of a run.
type ending struct {
	name string
	// do ends it; it returns whether the program is on its way out.
	do func(*victim) bool
	// both: the guardian is killed as well, so that nothing is promised.
	both bool
}

func signalled(s syscall.Signal) func(*victim) bool {
	return func(v *victim) bool { return v.cmd.Process.Signal(s) == nil }
}

// endings are those that the campaign draws from.
var endings = []ending{
	{name: "KILL", do: signalled(syscall.SIGKILL)},
	{name: "KILL", do: signalled(syscall.SIGKILL)},
	{name: "KILL of the group", do: func(v *victim) bool {
		return syscall.Kill(-v.cmd.Process.Pid, syscall.SIGKILL) == nil
	}},
	{name: "SEGV", do: signalled(syscall.SIGSEGV)},
	{name: "ABRT", do: signalled(syscall.SIGABRT)},
	{name: "QUIT", do: signalled(syscall.SIGQUIT)},
	{name: "TSTP", do: signalled(syscall.SIGTSTP)},
	{name: "TERM", do: signalled(syscall.SIGTERM)},
	{name: "PIPE, then KILL", do: func(v *victim) bool {
		v.out.Close()
		_ = v.cmd.Process.Signal(syscall.SIGPIPE) // it may have ended by itself
		time.Sleep(v.gap)
		return v.cmd.Process.Kill() == nil
	}},
	{name: "out of memory", do: func(v *victim) bool {
		none := unix.Rlimit{Cur: 1, Max: 1}
		return unix.Prlimit(v.cmd.Process.Pid, unix.RLIMIT_DATA, &none, nil) == nil
	}},
	{name: "KILL of the guardian, then of the program", do: func(v *victim) bool {
		first := v.guardian()
		if first == 0 || syscall.Kill(first, syscall.SIGKILL) != nil {
			return false
		}
		for end := time.Now().Add(limit); time.Now().Before(end); time.Sleep(time.Millisecond) {
			if g := v.guardian(); g != 0 && g != first && strings.Contains(v.said.String(), "another took its place") {
				v.guard = g
				return v.cmd.Process.Kill() == nil
			}
			if v.hasEnded() {
				return false // the run was over
			}
		}
		v.Wrong("nobody took the guardian's place:\n%s", v.said.String())
		return false
	}},
	{name: "KILL of both", both: true, do: func(v *victim) bool {
		g := v.guardian()
		if g == 0 {
			return false
		}
		_ = syscall.Kill(g, syscall.SIGKILL)
		time.Sleep(v.gap / 20)
		return v.cmd.Process.Kill() == nil
	}},
}

// limit is when something that must come about is given up.
const limit = 40 * time.Second

// said collects what a program writes.
type said struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (s *said) Write(p []byte) (int, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.b.Write(p)
}

func (s *said) String() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.b.String()
}

// victim is a program on a bench of its own, whose fixture lives in this process.
type victim struct {
	*trial
	number  int
	dir     string
	bench   string
	fixture *sim.Bench
	way     ending
	command string
	after   time.Duration // from power on until the end
	gap     time.Duration
	soon    bool // the next start comes at once, while the guardian is at work

	cmd   *exec.Cmd
	out   *os.File
	said  *said
	ended chan struct{}
	guard int // the guardian's process
}

// guardian is the process that guards it, 0 if there is none.
func (v *victim) guardian() int {
	tasks, _ := filepath.Glob(fmt.Sprintf("/proc/%d/task/*/children", v.cmd.Process.Pid)) // the pattern is good
	for _, task := range tasks {
		children, err := os.ReadFile(task)
		if err != nil {
			continue
		}
		for _, child := range strings.Fields(string(children)) {
			line, err := os.ReadFile("/proc/" + child + "/cmdline")
			if err != nil || !strings.Contains(string(line), "\x00guardian\x00") {
				continue
			}
			if pid, err := strconv.Atoi(child); err == nil {
				return pid
			}
		}
	}
	return 0
}

func (v *victim) hasEnded() bool {
	select {
	case <-v.ended:
		return true
	default:
		return false
	}
}

// within waits for what must come about.
func (v *victim) within(what string, ok func() bool) bool {
	for end := time.Now().Add(limit); !ok(); time.Sleep(time.Millisecond) {
		if time.Now().After(end) {
			v.Wrong("%s, %s after %v: it did not come about: %s\n%s", v.command, v.way.name, v.after, what, v.said.String())
			return false
		}
	}
	return true
}

func (v *victim) records() string { return filepath.Join(v.dir, "records") }

// start begins the command; run says whether a unit is under way with power on.
func (v *victim) start(serial string) (run bool) {
	p, err := program()
	if err != nil {
		v.Fatal(err)
	}
	args := []string{v.command, "--bench", v.bench, "--product", filepath.Join(v.dir, "product"), "--data", v.records()}
	if v.command == "test" {
		args = append(args, serial)
	} else {
		args = append(args, "--listen", "127.0.0.1:0")
	}
	left := v.fixture.State().SupplyOn
	r, w, err := os.Pipe()
	if err != nil {
		v.Fatal(err)
	}
	v.cmd, v.out, v.said, v.ended = exec.Command(p, args...), r, &said{}, make(chan struct{})
	v.cmd.Stdout, v.cmd.Stderr = w, w
	v.cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true, Pdeathsig: syscall.SIGKILL}
	err = v.cmd.Start()
	w.Close()
	if err != nil {
		v.Fatal(err)
	}
	go io.Copy(v.said, r)
	go func(cmd *exec.Cmd, ended chan struct{}) {
		_ = cmd.Wait() // how it ended, the way says
		close(ended)
	}(v.cmd, v.ended)
	if v.command == "serve" {
		address := regexp.MustCompile(`http://127\.0\.0\.1:[0-9]+/`)
		url := ""
		v.within("its address", func() bool {
			url = address.FindString(v.said.String())
			return url != "" || v.hasEnded()
		})
		if url == "" {
			return false
		}
		body, err := json.Marshal(map[string]any{"id": serial, "text": serial, "nest": ""})
		if err != nil {
			v.Fatal(err)
		}
		answer, err := http.Post(url+"api/scan", "application/json", bytes.NewReader(body))
		if err != nil {
			return false
		}
		answer.Body.Close()
	}
	if left { // by the one before, which was killed together with its guardian
		off := false
		v.within("the next start makes safe", func() bool {
			off = !v.fixture.State().SupplyOn
			return off || v.hasEnded()
		})
		if off {
			v.Count("made safe by the next start")
		}
	}
	on := false
	v.within("power is on", func() bool {
		on = v.fixture.State().SupplyOn
		// On a machine that has no time for it a device answers too late, and the
		// run is over before that.
		return on || v.hasEnded() || strings.Contains(v.said.String(), `msg="run ended"`)
	})
	return on
}

// memory is what a check of a plan that takes memory does, with all on.
const memory = `
check("hungry", { about = "It takes memory", part = "power" }, function()
  local kept = {}
  for i = 1, 90 do
    kept[i] = string.rep(tostring(i), 500000)
    wait(0.02)
  end
end)
`

// prepare puts the fixture and the product in place.
func (v *victim) prepare(ctx context.Context) error {
	_, b, _, err := demo.Files(1)
	if err != nil {
		return err
	}
	b.Nests = b.Nests[:1]
	v.fixture = sim.NewBench(drivers.System, v.Seed*beside+uint64(v.number)+1)
	v.fixture.Load(sim.GoodOf("K824A00017M"))
	if _, err := b.Nests[0].Serve(ctx, v.fixture, filepath.Join(v.dir, "nest")); err != nil {
		return err
	}
	v.bench = filepath.Join(v.dir, "bench.toml")
	if err := b.WriteTo(v.bench); err != nil {
		return err
	}
	product := filepath.Join(v.dir, "product")
	if err := os.CopyFS(product, os.DirFS("../../testdata/leaving")); err != nil {
		return err
	}
	if v.way.name != "out of memory" {
		return nil
	}
	// Power stays on in the check that takes it: the plan itself never switches off.
	plan := filepath.Join(product, "plan.lua")
	f, err := os.OpenFile(plan, os.O_APPEND|os.O_WRONLY, 0)
	if err != nil {
		return err
	}
	_, err = f.WriteString(memory)
	if cerr := f.Close(); err == nil {
		err = cerr
	}
	return err
}

// one ends the program once and looks what is left behind.
func (v *victim) one(serial string, slow *slowest) {
	if !v.start(serial) {
		v.Count("over before")
		v.settle()
		return
	}
	if v.guard = v.guardian(); v.guard == 0 && !v.hasEnded() {
		v.Wrong("%s: power is on and nobody guards it:\n%s", v.command, v.said.String())
	}
	time.Sleep(v.after)
	on := !v.fixture.State().Safe() && !v.hasEnded()
	began := time.Now()
	if !v.way.do(v) {
		v.Count("over before")
		v.settle()
		return
	}
	if v.way.name == "KILL of the guardian, then of the program" || strings.HasPrefix(v.way.name, "PIPE") {
		began = time.Now() // the program had its time
	}
	if v.way.name == "out of memory" {
		// It dies when it wants more; then the time begins.
		if !v.within("it has died, or its run is over", func() bool {
			return v.hasEnded() || v.fixture.State().Safe()
		}) {
			return
		}
		if time.Sleep(100 * time.Millisecond); !v.hasEnded() { // it had what it wanted already
			v.Count("over before")
			_ = v.cmd.Process.Kill()
			v.settle()
			return
		}
		began = time.Now()
		text := v.said.String()
		if strings.Contains(text, "out of memory") || strings.Contains(text, "cannot allocate memory") {
			v.Count("out of memory")
		} else {
			v.Count("over before")
			v.settle()
			return
		}
	}
	name := v.way.name
	if v.way.both {
		<-v.ended
		v.Count("both killed")
		time.Sleep(time.Second)
		if v.fixture.State().Safe() {
			v.Count("of these safe")
		}
		v.settle()
		return
	}
	if v.way.name != "out of memory" {
		v.Count(name)
	}
	v.Count("kills")
	if on {
		v.Count("with power on")
	}
	if !v.within("everything is off", func() bool { return v.fixture.State().Safe() }) {
		return
	}
	took := time.Since(began)
	if took <= time.Second {
		v.Count("safe within 1 s")
	} else {
		v.Count("safe later")
		load, _ := os.ReadFile("/proc/loadavg") // for people
		v.Logf("seed %d, bench %d: %s, %s after %v: safe after %v, load %s", v.Seed, v.number, v.command, name, v.after, took,
			load)
	}
	slow.was(v.trial, took)
	<-v.ended
	v.settle()
	if !v.soon && !v.fixture.State().Safe() {
		v.Wrong("%s, %s after %v: something is on again: %+v\n%s", v.command, name, v.after, v.fixture.State(), v.said.String())
	}
}

// settle waits until program and guardian have left.
func (v *victim) settle() {
	if !v.hasEnded() {
		if v.command == "serve" {
			_ = v.cmd.Process.Signal(syscall.SIGTERM) // it may just have ended
		}
		v.within("the program has ended", v.hasEnded)
	}
	if v.guard != 0 && !v.soon {
		v.within("the guardian has left", func() bool {
			stat, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", v.guard))
			_, state, _ := strings.Cut(string(stat), ") ")
			return err != nil || strings.HasPrefix(state, "Z")
		})
	}
	v.out.Close()
}

// recovered opens the records as the next start does: none is lost, none is false.
func (v *victim) recovered() {
	before, err := archive.Verify(v.records())
	if err != nil {
		return // nothing was begun
	}
	if len(before.Problems) > 0 {
		v.Wrong("%s, %s after %v: before: %v", v.command, v.way.name, v.after, before.Problems)
	}
	a, err := archive.Open(v.records(), "LQ-1")
	if err != nil {
		v.Wrong("%s, %s after %v: %v", v.command, v.way.name, v.after, err)
		return
	}
	for _, s := range a.Recovered() {
		v.Count("sealed at the next start")
		if s.Report.Guardian != nil {
			v.Count("the guardian in the record")
		} else if !v.way.both && s.Report.Reason.CutShort() && s.Report.Reason.Code != reports.CutUnsealed {
			v.Wrong("%s, %s after %v: the report says nothing of its guardian: %+v\n%s", v.command, v.way.name, v.after,
				s.Report.Reason, v.said.String())
		}
		if len(s.Report.Unsafe) > 0 {
			v.Wrong("%s, %s after %v: the report says that it is not safe: %+v", v.command, v.way.name, v.after,
				s.Report.Unsafe)
		}
	}
	recovered := len(a.Recovered())
	if err := a.Close(); err != nil {
		v.Wrong("close: %v", err)
	}
	after, err := archive.Verify(v.records())
	if err != nil || len(after.Problems) > 0 || len(after.Pending) > 0 {
		v.Wrong("%s, %s after %v: %v: %v, pending %v", v.command, v.way.name, v.after, err, after.Problems, after.Pending)
	}
	if after.Outcomes[reports.Passed] != before.Outcomes[reports.Passed] {
		v.Wrong("%s, %s after %v: a run that was cut short has passed", v.command, v.way.name, v.after)
	}
	if after.Reports != before.Reports+recovered {
		v.Wrong("%s, %s after %v: %d reports, then %d recovered, makes %d", v.command, v.way.name, v.after, before.Reports,
			recovered, after.Reports)
	}
}

// slowest is the longest that it took until all was off, shown as a column.
type slowest struct {
	mu sync.Mutex
	ms int
}

func (s *slowest) was(c *trial, took time.Duration) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if ms := int(took.Milliseconds()); ms > s.ms {
		c.Add("ms at the slowest", ms-s.ms)
		s.ms = ms
	}
}

// Whatever ends the program in the middle of a run, the fixture is safe within a
// second and the next start finds the record whole.
func TestDrillKill(t *testing.T) {
	var slow slowest
	campaign(t, "the program ended in the middle of a run, in every way, `test` and `serve`", func(c *trial) {
		for _, name := range []string{"kills", "with power on", "safe within 1 s", "safe later", "ms at the slowest"} {
			c.Add(name, 0)
		}
		ctx, cancel := context.WithCancel(t.Context())
		defer cancel()
		var wg sync.WaitGroup
		for i := range beside {
			r := rand.New(rand.NewPCG(c.Seed, uint64(i)+1))
			v := &victim{trial: c, number: i, dir: filepath.Join(c.Dir, strconv.Itoa(i)), way: endings[r.IntN(len(endings))],
				command: []string{"test", "serve"}[r.IntN(2)], after: time.Duration(r.Int64N(int64(3 * time.Second))),
				gap: time.Duration(r.Int64N(int64(time.Second)))}
			if err := os.MkdirAll(v.dir, 0o755); err != nil {
				t.Fatal(err)
			}
			if err := v.prepare(ctx); err != nil {
				t.Fatal(err)
			}
			times := 1
			if r.IntN(4) == 0 {
				times = 2
			}
			wg.Go(func() {
				for n := range times {
					v.soon = n+1 < times
					serial, err := demo.Serial("24A", 10*i+n+1)
					if err != nil {
						v.Error(err)
						return
					}
					v.one(serial, &slow)
				}
				v.recovered()
			})
		}
		wg.Wait()
	})
}

package main

import (
	"encoding/json"
	"fmt"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"fullthrow/reports"
	"fullthrow/reports/archive"
	"fullthrow/runner/guardian"
	"fullthrow/runner/input"
)

// guarded is a command on a real bench, with power on.
type guarded struct {
	*leaving
	spot    *spot
	records string
	url     string        // of a station
	ended   chan struct{} // closed when the program has
}

// startGuarded begins test or serve and returns when power is on. Where the machine
// has no time for the bench, devices answer too late and the run is over before that:
// then it begins anew.
func (p *spot) startGuarded(command string, args ...string) *guarded {
	for {
		g := &guarded{spot: p, records: filepath.Join(p.t.TempDir(), "records"), ended: make(chan struct{})}
		all := append([]string{command, "--bench", p.bench, "--product", "../testdata/leaving", "--data", g.records}, args...)
		if command == "test" {
			g.leaving = p.begin(wayOut{}, append(all, p.serial())...)
		} else {
			g.leaving = p.begin(wayOut{}, append(all, "--listen", "127.0.0.1:0")...)
			at := regexp.MustCompile(`http://127\.0\.0\.1:[0-9]+/`)
			until(p.t, "the station says where its pages are", func() bool {
				g.url = at.FindString(g.said.String())
				return g.url != ""
			})
			p.scan(g.url)
		}
		go func() {
			_ = g.cmd.Wait() // how it ended, the process's state says
			close(g.ended)
		}()
		if g.power() {
			return g
		}
		p.t.Logf("again, the bench was disturbed (load %s): %s", load(), g.said.String())
		_ = g.cmd.Process.Signal(os.Interrupt) // it may have ended
		<-g.ended
	}
}

// power waits until power is on; false if the run is over without that.
func (g *guarded) power() (on bool) {
	until(g.t, "power is on", func() bool {
		on = g.spot.fixture.State().SupplyOn
		return on || g.over()
	})
	return on
}

// over reports whether no run is on any more.
func (g *guarded) over() bool {
	if g.url == "" {
		select {
		case <-g.ended:
			return true
		default:
			return false
		}
	}
	answer, err := http.Get(g.url + "api/state")
	if err != nil {
		return true
	}
	defer answer.Body.Close()
	var s struct{ Nests []shownNest }
	require.NoError(g.t, json.NewDecoder(answer.Body).Decode(&s))
	return s.Nests[0].Phase == "done"
}

// guardianOf finds the guardian that a runner has started, 0 if it has none.
func guardianOf(runner int) int {
	dirs, _ := filepath.Glob("/proc/[0-9]*") // the pattern is good
	for _, dir := range dirs {
		line, err := os.ReadFile(filepath.Join(dir, "cmdline"))
		if err != nil || !strings.Contains(string(line), "\x00"+guardian.Command+"\x00") {
			continue
		}
		stat, err := os.ReadFile(filepath.Join(dir, "stat"))
		if err != nil {
			continue
		}
		_, rest, _ := strings.Cut(string(stat), ") ")
		if f := strings.Fields(rest); len(f) > 1 && f[0] != "Z" && f[1] == strconv.Itoa(runner) {
			pid, _ := strconv.Atoi(filepath.Base(dir)) // the pattern says so
			return pid
		}
	}
	return 0
}

// left waits until a guardian has left.
func left(t *testing.T, pid int) {
	t.Helper()
	until(t, "the guardian has left", func() bool { return hasEnded(pid) })
}

// hasEnded reports whether a process has; whoever must ask for it may not have yet.
func hasEnded(pid int) bool {
	stat, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", pid))
	_, state, _ := strings.Cut(string(stat), ") ")
	return err != nil || strings.HasPrefix(state, "Z")
}

// unguarded is the program on a computer that cannot start its guardian.
func unguarded() {
	if os.Args[1] == guardian.Command {
		os.Exit(1)
	}
	main()
}

// kept opens the records as the next start does, and wants them whole.
func (g *guarded) kept() []archive.Sealed {
	t := g.t
	t.Helper()
	a, err := archive.Open(g.records, "LQ-1")
	require.NoError(t, err)
	var all []archive.Sealed
	for _, e := range a.Entries() {
		s, err := a.Load(e.Run)
		require.NoError(t, err)
		all = append(all, s)
	}
	require.NoError(t, a.Close())
	v, err := archive.Verify(g.records)
	require.NoError(t, err)
	assert.Empty(t, v.Problems)
	assert.Empty(t, v.Pending)
	return all
}

// A runner that is killed while power is on leaves a fixture that is safe, and a
// record that says who made it so; the next one takes the bench at once.
func TestKilledIsMadeSafe(t *testing.T) {
	t.Parallel()
	for i, way := range []struct {
		name string
		kill func(*guarded)
	}{
		{"test", func(g *guarded) { assert.NoError(g.t, g.cmd.Process.Kill()) }},
		{"serve", func(g *guarded) { assert.NoError(g.t, g.cmd.Process.Kill()) }},
		// As a fatal error of the runtime: no goroutine runs any more.
		{"test", sendsTo(syscall.SIGSEGV)},
	} {
		t.Run(fmt.Sprintf("%d %s", i, way.name), func(t *testing.T) {
			t.Parallel()
			p := newPlace(t, 70+i)
			g := p.startGuarded(way.name)
			pid := guardianOf(g.cmd.Process.Pid)
			require.NotZero(t, pid, g.said.String())
			began := time.Now()
			way.kill(g)
			<-g.ended
			until(t, "everything is off", func() bool { return p.fixture.State().Safe() })
			t.Logf("off after %v, load %s", time.Since(began), load())
			// At once: it waits for the guardian, then runs.
			next := p.begin(wayOut{}, "test", p.serial(), "--bench", p.bench, "--product", "../testdata/leaving",
				"--data", g.records)
			err := next.cmd.Wait()
			assert.Contains(t, []int{input.ExitPassed, input.ExitBench}, exitCode(err), next.said.String())
			left(t, pid)
			assert.True(t, p.fixture.State().Safe())
			all := g.kept()
			require.NotEmpty(t, all, next.said.String())
			r := all[0].Report
			assert.Equal(t, reports.Aborted, r.Outcome)
			require.NotNil(t, r.Guardian, "%+v", r.Reason)
			assert.Equal(t, reports.GuardianSafe, r.Guardian.Code)
			assert.Empty(t, r.Unsafe)
			assert.True(t, r.Reason.CutShort())
			assert.Equal(t, []reports.Reason{*r.Guardian}, r.Reason.Because)
			until(t, "it says so", func() bool {
				return strings.Contains(g.said.String(), "the program was gone; its guardian made the fixture safe within ")
			})
		})
	}
}

func sendsTo(s syscall.Signal) func(*guarded) {
	return func(g *guarded) { assert.NoError(g.t, g.cmd.Process.Signal(s)) }
}

// What cannot be made safe because it is unplugged is named in the record.
func TestGuardianSaysWhatItCouldNot(t *testing.T) {
	t.Parallel()
	p := newPlace(t, 75)
	g := p.startGuarded("test")
	pid := guardianOf(g.cmd.Process.Pid)
	require.NotZero(t, pid)
	for _, e := range p.ends {
		if e.Role == "supply" {
			e.Unplug()
		}
	}
	require.NoError(t, g.cmd.Process.Kill())
	<-g.ended
	left(t, pid)
	all := g.kept()
	require.Len(t, all, 1)
	r := all[0].Report
	require.NotNil(t, r.Guardian)
	assert.Equal(t, reports.GuardianUnsafe, r.Guardian.Code)
	require.Len(t, r.Unsafe, 1, "%+v", r.Unsafe)
	assert.Equal(t, "supply", r.Unsafe[0].Device)
	assert.Equal(t, []string{"power"}, r.Unsafe[0].Drives)
	s := p.fixture.State()
	assert.False(t, s.Moving)
	assert.True(t, s.Relays == [len(s.Relays)]bool{}, "what it could reach is off: %+v", s)
	until(t, "it says so", func() bool { return strings.Contains(g.said.String(), "NOT SAFE: ") })
}

// A run that left something on that it could not reach is sealed, and the guardian
// tries once more when the program has ended.
func TestGuardianTriesOnceMore(t *testing.T) {
	t.Parallel()
	p := newPlace(t, 80)
	g := p.startGuarded("test")
	pid := guardianOf(g.cmd.Process.Pid)
	require.NotZero(t, pid)
	for _, e := range p.ends {
		if e.Role == "supply" {
			e.Unplug()
		}
	}
	<-g.ended
	assert.Equal(t, input.ExitBench, g.cmd.ProcessState.ExitCode(), g.said.String())
	left(t, pid)
	until(t, "it says what it could not", func() bool {
		return strings.Contains(g.said.String(), "its guardian could not make the fixture safe: supply: ")
	})
	all := g.kept()
	require.Len(t, all, 1)
	assert.Equal(t, reports.Errored, all[0].Report.Outcome)
	assert.NotEmpty(t, all[0].Report.Unsafe)
	assert.Nil(t, all[0].Report.Guardian, "it was sealed before")
}

// A guardian that is killed is replaced, and its place is as good; the run goes on.
func TestGuardianIsReplaced(t *testing.T) {
	t.Parallel()
	p := newPlace(t, 76)
	g := p.startGuarded("serve", "--log", "text")
	runner := g.cmd.Process.Pid
	first := guardianOf(runner)
	require.NotZero(t, first)
	require.NoError(t, syscall.Kill(first, syscall.SIGKILL))
	until(t, "another took its place", func() bool {
		return strings.Contains(g.said.String(), "the guardian was ended; another took its place")
	})
	second := guardianOf(runner)
	require.NotZero(t, second)
	require.NotEqual(t, first, second)
	// One that stands still is noticed by its silence.
	require.NoError(t, syscall.Kill(second, syscall.SIGSTOP))
	third := 0
	until(t, "another took its place", func() bool {
		third = guardianOf(runner)
		return third != 0 && third != second
	})
	left(t, second)
	for {
		p.idle(g.url)
		p.scan(g.url)
		if g.power() {
			break
		}
	}
	require.NoError(t, g.cmd.Process.Kill())
	<-g.ended
	until(t, "everything is off", func() bool { return p.fixture.State().Safe() })
	left(t, third)
	all := g.kept()
	require.GreaterOrEqual(t, len(all), 2)
	assert.Nil(t, all[0].Report.Guardian)
	last := all[len(all)-1].Report
	require.NotNil(t, last.Guardian)
	assert.Equal(t, reports.GuardianSafe, last.Guardian.Code)
}

// Without a guardian nothing is opened and no unit is run.
func TestNoRunWithoutGuardian(t *testing.T) {
	t.Parallel()
	p := newPlace(t, 77)
	for _, command := range []string{"test", "serve"} {
		args := []string{command, "--bench", p.bench, "--product", "../testdata/leaving",
			"--data", filepath.Join(t.TempDir(), "records")}
		if command == "test" {
			args = append(args, p.serial())
		}
		out, err := exec.Command("fullthrow-unguarded", args...).CombinedOutput()
		assert.Equal(t, input.ExitBench, exitCode(err), "%s", out)
		assert.Contains(t, string(out), "guardian: ")
		assert.Contains(t, string(out), "hint: without a guardian no unit is run")
		assert.NoDirExists(t, args[6], "nothing was begun")
	}
}

// Two runners on one bench, whose wires are partly TCP, which lets anybody in: the
// second is told who has it, and neither it nor its guardian touches anything.
func TestTwoRunnersOnOneBench(t *testing.T) {
	t.Parallel()
	p := newPlace(t, 78)
	g := p.startGuarded("serve")
	for range 2 {
		out, err := exec.Command("fullthrow", "test", p.serial(), "--bench", p.bench, "--product",
			"../testdata/leaving", "--data", t.TempDir()).CombinedOutput()
		assert.Equal(t, input.ExitBench, exitCode(err), "%s", out)
		assert.Contains(t, string(out), fmt.Sprintf("held by process %d", g.cmd.Process.Pid))
		assert.Contains(t, string(out), "hint: one runner a bench at a time")
	}
	p.idle(g.url)
	pid := guardianOf(g.cmd.Process.Pid)
	assert.NoError(t, g.cmd.Process.Signal(os.Interrupt))
	<-g.ended
	assert.True(t, g.cmd.ProcessState.Success(), g.said.String())
	assert.True(t, hasEnded(pid), "it was dismissed before the runner ended")
	all := g.kept()
	require.Len(t, all, 1)
	assert.Nil(t, all[0].Report.Guardian)
	assert.NotContains(t, g.said.String(), "guardian")
}

// A runner that stands still with power on is ended, and then made safe for.
func TestStoppedRunnerIsEnded(t *testing.T) {
	if testing.Short() {
		t.Skip("short: takes ten seconds of real time")
	}
	t.Parallel()
	p := newPlace(t, 79)
	g := p.startGuarded("test")
	pid := guardianOf(g.cmd.Process.Pid)
	require.NoError(t, g.cmd.Process.Signal(syscall.SIGSTOP))
	<-g.ended
	assert.Equal(t, syscall.SIGKILL, g.cmd.ProcessState.Sys().(syscall.WaitStatus).Signal())
	until(t, "everything is off", func() bool { return p.fixture.State().Safe() })
	left(t, pid)
	all := g.kept()
	require.Len(t, all, 1)
	why := all[0].Report.Guardian
	require.NotNil(t, why)
	assert.Equal(t, reports.RunnerStuck, why.Code)
	require.Len(t, why.Because, 1)
	assert.Equal(t, reports.GuardianSafe, why.Because[0].Code)
}

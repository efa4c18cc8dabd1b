package main

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"fullthrow/drivers/sim"
	"fullthrow/reports"
	"fullthrow/reports/archive"
	"fullthrow/runner/bench"
	"fullthrow/runner/demo/demotest"
	"fullthrow/runner/input"
)

// fixture is fullthrow simulate, running as a process of its own.
type fixture struct {
	cmd   *exec.Cmd
	dir   string
	bench string
}

func startFixture(t testing.TB, args ...string) *fixture {
	t.Helper()
	f := &fixture{dir: t.TempDir()}
	f.bench = filepath.Join(f.dir, "bench.toml")
	// It stands for hardware, which does not wait for the computer's other work.
	f.cmd = prompt("fullthrow", append([]string{"simulate", "--dir", f.dir}, args...)...)
	out, err := f.cmd.StdoutPipe()
	require.NoError(t, err)
	f.cmd.Stderr = os.Stderr
	require.NoError(t, f.cmd.Start())
	said := make(chan string)
	go func() {
		defer close(said)
		for s := bufio.NewScanner(out); s.Scan(); {
			said <- s.Text()
		}
	}()
	t.Cleanup(func() { f.stop(t) })
	for line := range said {
		if strings.HasPrefix(line, "It runs until") {
			go func() {
				for range said { // nothing of it may wait for a reader
				}
			}()
			return f
		}
	}
	t.Fatal("the simulated fixture ended before it was up")
	return nil
}

// prompt is a command that goes before the machine's other work, where that is
// allowed: other tests run at the same time, and a station's computer does
// nothing else.
func prompt(name string, args ...string) *exec.Cmd {
	if chrt, err := exec.LookPath("chrt"); err == nil && exec.Command(chrt, "-r", "1", "true").Run() == nil {
		return exec.Command(chrt, append([]string{"-r", "1", name}, args...)...)
	}
	return exec.Command(name, args...)
}

// stop ends the fixture as a user does, and sees that it took its ports away.
func (f *fixture) stop(t testing.TB) {
	if f.cmd.ProcessState != nil {
		return
	}
	assert.NoError(t, f.cmd.Process.Signal(syscall.SIGTERM))
	assert.NoError(t, f.cmd.Wait(), "a stopped fixture has done what was asked")
	links, err := os.ReadDir(filepath.Join(f.dir, "nest-A"))
	assert.NoError(t, err)
	assert.Empty(t, links)
}

// port is the port of a role in the fixture's bench file.
func (f *fixture) port(t *testing.T, role string) bench.PortName {
	t.Helper()
	b, err := bench.Load(f.bench)
	require.NoError(t, err)
	p, err := bench.ParsePort(b.Nests[0].Devices[role].Port)
	require.NoError(t, err)
	return p
}

// supplyOutput asks the supply itself whether its output is on.
func (f *fixture) supplyOutput(t *testing.T) (answer string) {
	t.Helper()
	// The wire serves one connection after another; the last may still be ending.
	await(t, "the supply's answer", func() bool {
		c, err := net.Dial("tcp", f.port(t, "supply").Rest)
		if err != nil {
			return false
		}
		defer c.Close()
		if _, err := io.WriteString(c, "OUTP?\n"); err != nil {
			return false
		}
		answer, err = bufio.NewReader(c).ReadString('\n')
		return err == nil
	})
	return strings.TrimSpace(answer)
}

// findings are what a run got wrong.
type findings []string

// Errorf implements [assert.TestingT].
func (f *findings) Errorf(format string, args ...any) { *f = append(*f, fmt.Sprintf(format, args...)) }

// inRealTime repeats a run in real time until it is right. Where other programs
// take the processors, a simulated device answers too late and the kernel hands
// on late what was written to a pseudo-terminal, whoever has priority: such a run
// shows what the machine does and counts neither way. Three wrong ones on a
// machine that kept up are the program's.
func inRealTime(t *testing.T, run func(wrong *findings)) {
	t.Helper()
	counted := 0
	for try := 1; ; try++ {
		var wrong findings
		began, before := time.Now(), waited()
		run(&wrong)
		if len(wrong) == 0 {
			return
		}
		share, known := float64(waited()-before)/float64(time.Since(began)), before >= 0
		t.Logf("try %d, for %.0f %% of the time a program waited for a processor (known: %t), load %s:\n%s",
			try, 100*share, known, load(), strings.Join(wrong, "\n"))
		if known && share < keptUp {
			counted++
		}
		if counted == 3 {
			t.Fatalf("wrong %d times on a machine that kept up, in %d tries", counted, try)
		}
		inTime(t, "a run in real time that is right")
	}
}

// keptUp is the share of time in which some program waited for a processor, up
// to which a machine is said to keep up with real time.
const keptUp = 0.05

// waited is for how long, since the machine came up, there was a program that
// waited for a processor; negative where the kernel does not tell.
func waited() time.Duration {
	data, err := os.ReadFile("/proc/pressure/cpu")
	if err != nil {
		return -1
	}
	_, total, _ := strings.Cut(strings.SplitN(string(data), "\n", 2)[0], "total=")
	us, err := strconv.ParseInt(total, 10, 64)
	if err != nil {
		return -1
	}
	return time.Duration(us) * time.Microsecond
}

func load() string {
	data, err := os.ReadFile("/proc/loadavg")
	if err != nil {
		return "unknown"
	}
	return strings.Fields(string(data))[0]
}

// Two processes, real ports, real time: the drivers against a fixture that
// they share nothing with.
func TestUnitOnAFixtureInAnotherProcess(t *testing.T) {
	if testing.Short() {
		t.Skip("takes a minute of real time; not with -short")
	}
	t.Parallel()
	f := startFixture(t, "--defect", "foreign-tone")
	records := t.TempDir()
	inRealTime(t, func(wrong *findings) {
		cmd := prompt("fullthrow", "test", "K824A00017M", "--bench", f.bench, "--data", records, "--readings")
		output, err := cmd.CombinedOutput()
		code, out := exitCode(err), string(output)
		// Whatever the machine does.
		require.NotEqual(t, input.ExitPassed, code, "a bad unit passed\n%s", out)
		assert.NotContains(t, out, "simulated, nothing here", "the runner cannot know what is behind its ports")

		if !assert.Equal(wrong, input.ExitFailed, code, out) {
			return
		}
		assert.Regexp(wrong, `(?m)^  foreign_level .* NOT KEPT: `, out)
		assert.Contains(wrong, out, "likely cause: a self-oscillating sounder")
		assert.Contains(wrong, out, "K824A00017M FAILED: ")
		for _, name := range []string{"current", "notes", "near_error_rate", "mean", "shortest_off"} {
			assert.Regexp(wrong, `(?m)^  `+name+` .* kept$`, out)
		}
		assert.Equal(wrong, "0", f.supplyOutput(t), "the supply after the run")
	})
	out, err := exec.Command("fullthrow", "verify", records).CombinedOutput()
	assert.NoError(t, err, "%s", out)
}

// Ctrl-C in the middle of a run: aborted, and the outputs are off; a second
// one at once does not skip that.
func TestStopMakesSafe(t *testing.T) {
	t.Parallel()
	f := startFixture(t)
	inRealTime(t, func(wrong *findings) {
		cmd := prompt("fullthrow", "test", "K824A00017M", "--bench", f.bench, "--data", t.TempDir())
		r, err := cmd.StdoutPipe()
		require.NoError(t, err)
		var said, errs bytes.Buffer
		cmd.Stderr = &errs
		require.NoError(t, cmd.Start())
		for s := bufio.NewScanner(r); s.Scan(); {
			fmt.Fprintln(&said, s.Text())
			if strings.HasPrefix(s.Text(), "running  ") { // the handset is on now
				assert.NoError(t, cmd.Process.Signal(os.Interrupt))
				assert.NoError(t, cmd.Process.Signal(os.Interrupt))
			}
		}
		err = cmd.Wait()
		var exit *exec.ExitError
		require.True(t, err == nil || errors.As(err, &exit), "%v", err)
		out := said.String() + errs.String()
		assert.Equal(wrong, input.ExitAborted, exitCode(err), out)
		assert.Contains(wrong, out, "K824A00017M ABORTED: stopped by Ctrl-C (SIGINT)")
		assert.NotContains(wrong, out, "NOT SAFE")
		assert.Equal(wrong, "0", f.supplyOutput(t))
	})
}

// BenchmarkRealTime is the runner's own cost: how long a run of the stock plan
// takes in real time on a fixture in another process, by how long the plan and
// the devices wait by themselves, which is what the run takes on the simulated
// clock. 1 would be a runner that costs nothing.
func BenchmarkRealTime(b *testing.B) {
	n, _ := demotest.Nest(b, 1)
	virtual := n.Unit(b, 1, sim.GoodOf("K824A00017M"))
	require.Equal(b, reports.Passed, virtual.Outcome)
	waits := virtual.Ended.Sub(virtual.Started)

	f := startFixture(b)
	var real time.Duration
	b.ResetTimer()
	for range b.N {
		dir := b.TempDir()
		out, err := prompt("fullthrow", "test", "K824A00017M", "--bench", f.bench, "--data", dir).CombinedOutput()
		require.NoError(b, err, "%s", out)
		files, err := filepath.Glob(filepath.Join(dir, "2*", "*", "*", "*.json"))
		require.NoError(b, err)
		require.Len(b, files, 1)
		sealed, err := archive.Load(files[0])
		require.NoError(b, err)
		real += sealed.Report.Ended.Sub(sealed.Report.Started)
	}
	b.ReportMetric(real.Seconds()/float64(b.N), "s/run")
	b.ReportMetric(real.Seconds()/float64(b.N)/waits.Seconds(), "real/waits")
}

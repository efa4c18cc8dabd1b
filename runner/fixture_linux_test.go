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
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"fullthrow/reports"
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
	ready := make(chan struct{})
	go func() {
		for s := bufio.NewScanner(out); s.Scan(); {
			if strings.HasPrefix(s.Text(), "It runs until") {
				close(ready)
			}
		}
	}()
	t.Cleanup(func() { f.stop(t) })
	select {
	case <-ready:
	case <-time.After(20 * time.Second):
		t.Fatal("the simulated fixture did not come up in 20 s")
	}
	return f
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
func (f *fixture) port(t *testing.T, role string) portName {
	t.Helper()
	b, err := loadBench(f.bench)
	require.NoError(t, err)
	p, err := parsePort(b.Nests[0].Devices[role].Port)
	require.NoError(t, err)
	return p
}

// supplyOutput asks the supply itself whether its output is on.
func (f *fixture) supplyOutput(t *testing.T) string {
	t.Helper()
	var answer string
	// The wire serves one connection after another; the last may still be ending.
	require.Eventually(t, func() bool {
		c, err := net.Dial("tcp", f.port(t, "supply").rest)
		if err != nil {
			return false
		}
		defer c.Close()
		c.SetDeadline(time.Now().Add(5 * time.Second))
		if _, err := io.WriteString(c, "OUTP?\n"); err != nil {
			return false
		}
		answer, err = bufio.NewReader(c).ReadString('\n')
		return err == nil
	}, 20*time.Second, 100*time.Millisecond)
	return strings.TrimSpace(answer)
}

// whenQuiet runs what needs the processor in time, again if the fault was the
// bench's: where other programs take all processors, a simulated device
// answers too late, which is not what is tested here.
func whenQuiet(t *testing.T, run func() (code int, out string)) (int, string) {
	t.Helper()
	for try := 1; ; try++ {
		code, out := run()
		if code != exitBench || try == 5 {
			return code, out
		}
		t.Logf("try %d: the bench's fault, on a machine with load %s:\n%s", try, load(), out)
	}
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
		t.Skip("takes a minute of real time")
	}
	f := startFixture(t, "--defect", "foreign-tone")
	records := t.TempDir()
	code, out := whenQuiet(t, func() (int, string) {
		out, err := prompt("fullthrow", "test", "K824A00017M", "--bench", f.bench, "--data", records, "--readings").CombinedOutput()
		return exitCode(err), string(out)
	})
	require.Equal(t, exitFailed, code, out)
	assert.Regexp(t, `(?m)^  foreign_level .* NOT KEPT: `, out)
	assert.Contains(t, out, "likely cause: a self-oscillating sounder")
	assert.Contains(t, out, "K824A00017M FAILED: ")
	assert.NotContains(t, out, "simulated, nothing here", "the runner cannot know what is behind its ports")
	for _, name := range []string{"current", "notes", "near_error_rate", "mean", "shortest_off"} {
		assert.Regexp(t, `(?m)^  `+name+` .* kept$`, out)
	}
	assert.Equal(t, "0", f.supplyOutput(t), "the supply after the run")

	out2, err := exec.Command("fullthrow", "verify", records).CombinedOutput()
	assert.NoError(t, err, "%s", out2)
}

// Ctrl-C in the middle of a run: aborted, and the outputs are off; a second
// one at once does not skip that.
func TestStopMakesSafe(t *testing.T) {
	if testing.Short() {
		t.Skip("needs some seconds of real time")
	}
	f := startFixture(t)
	code, out := whenQuiet(t, func() (int, string) {
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
		return exitCode(err), said.String() + errs.String()
	})
	assert.Equal(t, exitAborted, code, out)
	assert.Contains(t, out, "K824A00017M ABORTED: stopped by Ctrl-C (SIGINT)")
	assert.NotContains(t, out, "NOT SAFE")
	assert.Equal(t, "0", f.supplyOutput(t))
}

// BenchmarkRealTime is the runner's own cost: how long a run of the stock plan
// takes in real time on a fixture in another process, by how long the plan and
// the devices wait by themselves, which is what the run takes on the simulated
// clock. 1 would be a runner that costs nothing.
func BenchmarkRealTime(b *testing.B) {
	n, _ := proofNest(b, 1)
	virtual := n.unit(b, 1, soundUnit("K824A00017M"))
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
		sealed, err := reports.Load(files[0])
		require.NoError(b, err)
		real += sealed.Report.Ended.Sub(sealed.Report.Started)
	}
	b.ReportMetric(real.Seconds()/float64(b.N), "s/run")
	b.ReportMetric(real.Seconds()/float64(b.N)/waits.Seconds(), "real/waits")
}

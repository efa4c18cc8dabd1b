//go:build drill

package drill

import (
	"bytes"
	"context"
	"errors"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"fullthrow/reports"
	"fullthrow/reports/archive"
)

const (
	mostMemory  = 300 << 10        // KiB that the program takes at any moment (ru_maxrss)
	mostCompute = 15 * time.Second // of processor time, which a busy machine does not change
	mostPatient = 3 * time.Minute  // then it hangs
)

const planLimits = `product = "kittiwake-k8"
[c.value]
lower = 0
upper = 1
unit = "A"
why = "drill"
[last.done]
lower = 1
unit = "1"
why = "drill"
`

// TestDrillPlan runs hostile plans on the simulated bench.
func TestDrillPlan(t *testing.T) {
	p, err := program()
	if err != nil {
		t.Fatal(err)
	}
	bench, err := filepath.Abs("../../scripts/kittiwake-k8/bench-demo.toml")
	if err != nil {
		t.Fatal(err)
	}
	campaign(t, "hostile plans on the simulated bench", func(c *trial) { onePlan(c, p, bench) })
}

func onePlan(c *trial, program, bench string) {
	class, plan := hostilePlan(c.Rand)
	for name, text := range map[string]string{"evil.lua": plan, "limits.toml": planLimits} {
		if err := os.WriteFile(filepath.Join(c.Dir, name), []byte(text), 0o600); err != nil {
			c.Fatal(err)
		}
	}
	ctx, cancel := context.WithTimeout(c.Context(), mostPatient)
	defer cancel()
	cmd := exec.CommandContext(ctx, program, "test", "K824A00017M", "--bench", bench, "--plan",
		filepath.Join(c.Dir, "evil.lua"), "--limits", filepath.Join(c.Dir, "limits.toml"), "--data", filepath.Join(c.Dir, "data"))
	cmd.SysProcAttr = &syscall.SysProcAttr{Pdeathsig: syscall.SIGKILL}
	var out bytes.Buffer
	cmd.Stdout, cmd.Stderr = &out, &out
	err := cmd.Run()
	said := out.String()
	tail := said[max(0, len(said)-1500):]
	wrong := func(format string, args ...any) {
		c.Helper()
		c.Wrong(class+": "+format+"\n%.700s\n... said:\n%s", append(args, plan, tail)...)
	}
	if ctx.Err() != nil {
		wrong("hangs")
		return
	}
	var exit *exec.ExitError
	if err != nil && !errors.As(err, &exit) {
		c.Fatal(err)
	}
	if u, ok := cmd.ProcessState.SysUsage().(*syscall.Rusage); ok {
		if u.Maxrss > mostMemory {
			wrong("took %d MiB", u.Maxrss>>10)
		}
		if used := cmd.ProcessState.UserTime() + cmd.ProcessState.SystemTime(); used > mostCompute {
			wrong("computed for %v", used)
		}
	}
	for _, word := range []string{"internal error", "goroutine ", "runtime error", "panic", "fatal error", "NOT SAFE"} {
		if strings.Contains(said, word) {
			wrong("says %q", word)
		}
	}
	for _, r := range said {
		if r != '\n' && (r < ' ' || r >= 0x7F && r < 0xA0) {
			wrong("a control character reaches the terminal: %U", r)
			break
		}
	}
	code := cmd.ProcessState.ExitCode()
	list := sealedIn(c, filepath.Join(c.Dir, "data"))
	switch {
	case code == 2 && len(list) == 0:
		c.Count("refused before anything was switched on")
		if !strings.Contains(said, "evil.lua") && !strings.Contains(said, "limits.toml") &&
			!strings.Contains(said, "there is a limit for") {
			wrong("does not name the file")
		}
		return
	case len(list) != 1:
		wrong("%d reports, exit code %d", len(list), code)
		return
	}
	r := list[0]
	if len(r.Unsafe) > 0 {
		wrong("not safe: %+v", r.Unsafe)
	}
	switch {
	case code == 0 && r.Outcome == reports.Passed:
		c.Count("passed, every limit kept")
		for _, want := range []string{"c.value", "last.done"} {
			if !passed(r, want) {
				wrong("passed, and %s was not judged", want)
			}
		}
	case code == 1 && r.Outcome == reports.Failed:
		c.Count("failed by a limit or a reading")
		if r.Reason == nil && !broken(r) {
			wrong("failed for no reason")
		}
	case code == 3 && r.Outcome == reports.Errored:
		ofPlan := false
		for _, f := range r.Faults {
			ofPlan = ofPlan || f.Reason.OfPlan()
		}
		switch {
		case ofPlan:
			c.Count("ended as an error of the plan")
			if !strings.Contains(said, "evil.lua:") && !strings.Contains(said, "check ") {
				wrong("an error of the plan without its line")
			}
		default:
			c.Count("ended as an error, not measured")
		}
		if r.Reason == nil && len(r.Faults) == 0 && !broken(r) {
			wrong("an error for no reason")
		}
	default:
		wrong("exit code %d, outcome %s", code, r.Outcome)
	}
}

// passed reports whether a reading was judged by a limit and kept it.
func passed(r reports.Report, name string) bool {
	for _, k := range r.Checks {
		for _, x := range k.Readings {
			if k.Name+"."+x.Name == name {
				return x.Limit != nil && x.Verdict == reports.Pass
			}
		}
	}
	return false
}

// broken reports whether a reading or check says why the run did not pass.
func broken(r reports.Report) bool {
	for _, k := range r.Checks {
		if k.Problem != nil {
			return true
		}
		for _, x := range k.Readings {
			if x.Verdict == reports.Fail || x.Verdict == reports.Inconclusive || x.Problem != nil {
				return true
			}
		}
	}
	return false
}

// sealedIn reads every sealed report below dir, proved against its seal.
func sealedIn(c *trial, dir string) (list []reports.Report) {
	err := filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() || filepath.Ext(path) != ".json" || !strings.Contains(d.Name(), "-LQ1-") {
			return err
		}
		s, err := archive.Load(path)
		if err != nil {
			c.Wrong("a report that cannot be read: %v", err)
			return nil
		}
		list = append(list, s.Report)
		return nil
	})
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		c.Fatal(err)
	}
	return list
}

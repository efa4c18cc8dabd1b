//go:build drill

package drill

import (
	"bytes"
	"encoding/json"
	"fmt"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"fullthrow/reports/serial"
)

// TestDrillTogether starts several programs on one archive at once and kills
// some of them: each run that said it was sealed is in the records once, each
// that could not have the archive says so, and no number is missing.
func TestDrillTogether(t *testing.T) {
	campaign(t, "several programs at one archive at once, some killed", func(c *trial) {
		p, err := program()
		if err != nil {
			t.Fatal(err)
		}
		bench, err := filepath.Abs("../../scripts/kittiwake-k8/bench-demo.toml")
		if err != nil {
			t.Fatal(err)
		}
		data := filepath.Join(c.Dir, "records")
		n := 2 + c.Rand.IntN(3)
		delay, kill := make([]time.Duration, n), make([]time.Duration, n)
		for i := range n {
			delay[i] = time.Duration(c.Rand.IntN(300)) * time.Millisecond
			if c.Rand.IntN(2) == 0 {
				kill[i] = time.Duration(1+c.Rand.IntN(800)) * time.Millisecond
			}
		}
		var mu sync.Mutex
		var ended []string // serial numbers of runs that returned an outcome
		var all sync.WaitGroup
		for i := range n {
			all.Go(func() {
				time.Sleep(delay[i])
				s, err := serial.AppendMod3736(fmt.Sprintf("K824A%05d", 100+10*(c.Seed%900)+uint64(i)))
				if err != nil {
					c.Wrong("%v", err)
					return
				}
				var out bytes.Buffer
				cmd := exec.Command(p, "test", s, "--bench", bench, "--data", data)
				cmd.Stdout, cmd.Stderr = &out, &out
				if err := cmd.Start(); err != nil {
					c.Wrong("%v", err)
					return
				}
				if kill[i] > 0 {
					timer := time.AfterFunc(kill[i], func() { _ = cmd.Process.Kill() })
					defer timer.Stop()
				}
				err = cmd.Wait()
				status, _ := cmd.ProcessState.Sys().(syscall.WaitStatus)
				mu.Lock()
				defer mu.Unlock()
				switch {
				case status.Signaled():
					c.Count("killed")
				case strings.Contains(out.String(), "is in use by process"):
					c.Count("told that another has the archive")
				case err == nil, status.ExitStatus() == 1:
					c.Count("sealed")
					ended = append(ended, s)
				default:
					c.Wrong("exit %d: %s", status.ExitStatus(), out.String())
				}
			})
		}
		all.Wait()
		out, err := exec.Command(p, "verify", data).CombinedOutput()
		if err != nil {
			if len(ended) == 0 && bytes.Contains(out, []byte("no reports")) {
				return
			}
			c.Wrong("verify: %v: %s", err, out)
		}
		rows, err := exec.Command(p, "export", "runs", "--data", data, "--period", "all", "--format", "jsonl").Output()
		if err != nil {
			c.Wrong("export: %v", err)
			return
		}
		var found []string
		for line := range bytes.Lines(rows) {
			var r struct {
				Serial string `json:"serial_number"`
			}
			if err := json.Unmarshal(line, &r); err != nil {
				c.Wrong("export: %v: %s", err, line)
				return
			}
			found = append(found, r.Serial)
		}
		for _, s := range ended {
			if k := len(slices.DeleteFunc(slices.Clone(found), func(f string) bool { return f != s })); k != 1 {
				c.Wrong("%s was sealed and is in the records %d times", s, k)
			}
		}
	})
}

package archive

import (
	"bufio"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"fullthrow/reports"
	"fullthrow/reports/recordtest"
)

// TestMain lets the test binary be the station that is killed.
func TestMain(m *testing.M) {
	if dir := os.Getenv("REPORTS_TEST_STATION"); dir != "" {
		runUntilKilled(dir)
		os.Exit(1)
	}
	os.Exit(m.Run())
}

// runUntilKilled runs units on two nests for ever and says on standard output
// what it was told: "e <run> <seq>" an event on the disk, "s <run> <outcome>
// <number>" a sealed report.
func runUntilKilled(dir string) {
	a, err := Open(dir, "LQ-1")
	if err != nil {
		fmt.Println("x", err)
		return
	}
	var out sync.Mutex
	say := func(format string, args ...any) {
		out.Lock()
		defer out.Unlock()
		fmt.Printf(format+"\n", args...)
	}
	var wg sync.WaitGroup
	for _, nest := range []string{"A", "B"} {
		wg.Go(func() {
			for i := 0; ; i++ {
				start := recordtest.Start(reports.NewRunID(time.Now(), "LQ-1", nest))
				j, err := a.Begin(start, recordtest.T0, func(e reports.Event) { say("e %s %d", start.Run, e.Seq) })
				if err != nil {
					say("x %v", err)
					return
				}
				if sum, size, err := j.Attach("csv", []byte(start.Run)); err == nil {
					j.Append(reports.Event{Time: recordtest.T0, Kind: reports.CaptureKept, Capture: &reports.Capture{Check: "standby", Name: "c", Media: "text/csv", SHA256: sum, Size: size}})
				}
				for _, e := range recordtest.Events([]reports.Outcome{reports.Passed, reports.Failed}[i%2]) {
					if err := j.Append(e); err != nil {
						say("x %v", err)
					}
					if i%3 == 0 {
						j.Sync() // small groups in some runs
					}
				}
				s, err := j.Seal()
				if err != nil {
					say("x %v", err)
					return
				}
				say("s %s %s %d", start.Run, s.Report.Outcome, s.Seal.Number)
			}
		})
	}
	wg.Wait()
}

// Killed at any moment, a station loses nothing it had told, and shows no pass
// it had not sealed. 50 kills of the same archive, each after a number of
// lines drawn from a seed; where exactly between two steps the kill strikes is
// the machine's to choose.
func TestKill(t *testing.T) {
	dir := t.TempDir()
	rng := rand.New(rand.NewPCG(50, 1))
	sealed := map[string]reports.Outcome{}
	before, read := map[string]reports.Outcome{}, map[string]bool{} // outcome by run, files
	aborted := 0
	for kill := range 50 {
		told := map[string]int{}
		cmd := exec.Command(os.Args[0])
		cmd.Env = append(os.Environ(), "REPORTS_TEST_STATION="+dir)
		pipe, err := cmd.StdoutPipe()
		if err != nil {
			t.Fatal(err)
		}
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		after := 1 + rng.IntN(60)
		lines := bufio.NewScanner(pipe)
		for n := 1; lines.Scan(); n++ {
			f := strings.Fields(lines.Text())
			switch {
			case f[0] == "x":
				t.Errorf("kill %d: the station says %q", kill, lines.Text())
			case f[0] == "e" && len(f) == 3:
				told[f[1]]++
			case f[0] == "s" && len(f) == 4:
				sealed[f[1]] = reports.Outcome(f[2])
				delete(told, f[1])
			}
			if n == after {
				cmd.Process.Kill() // SIGKILL; the rest of the pipe is still read
			}
		}
		cmd.Wait()

		// Reports that were sealed, but of which the word did not get out; those
		// of earlier kills stand as they were, or Verify finds them below.
		files, err := reportFiles(dir, false)
		if err != nil {
			t.Fatal(err)
		}
		for _, f := range files {
			if read[f] {
				continue
			}
			read[f] = true
			s, err := Load(filepath.Join(dir, f))
			if err != nil {
				t.Fatalf("kill %d: %v", kill, err)
			}
			before[s.Report.Run] = s.Report.Outcome
		}
		a, err := Open(dir, "LQ-1")
		if err != nil {
			t.Fatalf("kill %d: %v", kill, err)
		}
		now := map[string]reports.Outcome{}
		for _, e := range a.Entries() {
			now[e.Run] = e.Outcome
		}
		for run, o := range sealed {
			if now[run] != o {
				t.Errorf("kill %d: run %s was sealed as %s and is now %q", kill, run, o, now[run])
			}
		}
		for run, o := range now {
			if o == reports.Passed && before[run] != reports.Passed {
				t.Errorf("kill %d: run %s appears as passed and had not been sealed", kill, run)
			}
		}
		for run, n := range told {
			s, err := a.Load(run)
			if err != nil || s.Report.Events < int64(n) {
				t.Errorf("kill %d: run %s: told of %d events, report has %d (%v)", kill, run, n, s.Report.Events, err)
			}
		}
		for _, s := range a.Recovered() {
			if s.Report.Outcome == reports.Aborted {
				aborted++
			}
		}
		if p := a.Problems(); len(p) > 0 {
			t.Errorf("kill %d: %v", kill, p)
		}
		a.Close()
		if kill%10 == 9 {
			v, err := Verify(dir)
			if err != nil || len(v.Problems) > 0 || len(v.Pending) > 0 || v.Reports != len(now) {
				t.Fatalf("kill %d: verify %+v, %v", kill, v, err)
			}
		}
	}
	t.Logf("%d sealed, %d of them cut short", len(sealed), aborted)
	if aborted < 25 {
		t.Errorf("only %d runs were cut short by 50 kills: the test says little", aborted)
	}
}

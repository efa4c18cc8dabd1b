//go:build drill

package drill

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"fullthrow/reports"
	"fullthrow/reports/archive"
	"fullthrow/runner/input"
)

// TestDrillStall tests units on simulated fixtures in other processes, on
// pseudo-terminals and in real time, beside other work, while the runner and the
// fixtures are stopped at random moments for 30 ms to 3 s. What is late may make a
// run an error, never a sound unit fail or a bad one pass. A case is eight units
// at a time and takes as long as the stock plan, some 50 s.
func TestDrillStall(t *testing.T) {
	campaign(t, "units in real time, eight at a time, while runner and fixture stand still for 30 ms to 3 s, beside "+
		"up to 8 busy programs", stallCase)
}

// before are the arguments of nice for a program that the machine's other work does
// not hold up, as README says of a station: fixtures have processors of their own.
// Who may not ask for that goes without.
func before(program string) []string { return []string{"-n", "-10", program} }

// stagger is how long after each other the units of a case begin.
const stagger = 1500 * time.Millisecond

// badOnes are what every fourth unit has, in turn.
var badOnes = []string{"stick-play", "stick-dirty-spot", "foreign-tone", "slow-restart", "burst-loss"}

func stallCase(c *trial) {
	const units = 8
	for _, name := range []string{"sound passed", "sound error", "sound failed", "bad failed", "bad error", "bad passed"} {
		c.Add(name, 0)
	}
	fullthrow, err := program()
	if err != nil {
		c.Fatal(err)
	}
	busy := []int{0, 4, 8}[c.Rand.IntN(3)]
	for range busy {
		p, err := start(exec.Command("sh", "-c", "while :; do :; done"))
		if err != nil {
			c.Fatal(err)
		}
		defer p.end()
	}
	var wg sync.WaitGroup
	for i := range units {
		rng := rand.New(rand.NewPCG(c.Rand.Uint64(), c.Rand.Uint64()))
		defect := ""
		if i%4 == 3 {
			defect = badOnes[(int(c.Seed)*units/4+i/4)%len(badOnes)]
		}
		// Not all of them start at once: that is work of its own.
		wg.Go(func() {
			time.Sleep(time.Duration(i) * stagger)
			stallUnit(c, fullthrow, filepath.Join(c.Dir, fmt.Sprint(i)), defect, busy, rng)
		})
	}
	wg.Wait()
}

// process is a program that ends with this one, however that ends.
type process struct {
	*exec.Cmd
	ended chan struct{} // closed when it has; err is how
	err   error
	let   func()
}

func start(cmd *exec.Cmd) (*process, error) {
	cmd.SysProcAttr = &syscall.SysProcAttr{Pdeathsig: syscall.SIGKILL}
	p := &process{Cmd: cmd, ended: make(chan struct{})}
	began, done := make(chan error), make(chan struct{})
	p.let = sync.OnceFunc(func() { close(done) })
	go func() { // the kernel ends it with the thread that began it
		runtime.LockOSThread()
		defer runtime.UnlockOSThread()
		began <- cmd.Start()
		<-done
	}()
	if err := <-began; err != nil {
		p.let()
		return nil, err
	}
	go func() { p.err = cmd.Wait(); close(p.ended) }()
	return p, nil
}

// end kills it, if it has not ended.
func (p *process) end() {
	p.Process.Kill()
	<-p.ended
	p.let()
}

// standStill stops it for a while.
func (p *process) standStill(d time.Duration) {
	if p.Process.Signal(syscall.SIGSTOP) != nil {
		return
	}
	time.Sleep(d)
	p.Process.Signal(syscall.SIGCONT)
}

// stallUnit tests one unit on a fixture of its own.
func stallUnit(c *trial, fullthrow, dir, defect string, busy int, rng *rand.Rand) {
	fail := func(err error) bool {
		if err != nil {
			c.Wrong("%v", err)
		}
		return err != nil
	}
	if fail(os.MkdirAll(dir, 0o700)) {
		return
	}
	args := []string{"simulate", "--dir", dir, "--seed", fmt.Sprint(rng.Uint32())}
	if defect != "" {
		args = append(args, "--defect", defect)
	}
	cmd := exec.Command("nice", append(before(fullthrow), args...)...)
	out, err := cmd.StdoutPipe()
	if fail(err) {
		return
	}
	fixture, err := start(cmd)
	if fail(err) {
		return
	}
	defer fixture.end()
	up := make(chan bool, 1)
	go func() { // nothing of it may wait for a reader
		for s := bufio.NewScanner(out); s.Scan(); {
			if strings.HasPrefix(s.Text(), "It runs until") {
				up <- true
			}
		}
		up <- false
	}()
	if !<-up {
		c.Wrong("the simulated fixture ended before it was up")
		return
	}

	records := filepath.Join(dir, "records")
	serial := "K824A000011"
	cmd = exec.Command("nice", append(before(fullthrow), "test", serial, "--bench", filepath.Join(dir, "bench.toml"),
		"--data", records)...)
	var said bytes.Buffer
	cmd.Stdout, cmd.Stderr = &said, &said
	runner, err := start(cmd)
	if fail(err) {
		return
	}
	defer runner.end()
	began, stood := time.Now(), []string{}
	var when []time.Duration
	for range rng.IntN(4) {
		when = append(when, time.Duration(rng.Float64()*45*float64(time.Second)))
	}
	slices.Sort(when)
	for _, at := range when {
		lasts := time.Duration(0.03 * math.Pow(100, rng.Float64()) * float64(time.Second))
		who, name := runner, "runner"
		if rng.IntN(2) == 0 {
			who, name = fixture, "fixture"
		}
		select {
		case <-runner.ended:
			continue
		case <-time.After(at - time.Since(began)):
		}
		who.standStill(lasts)
		stood = append(stood, fmt.Sprintf("%s after %.2f s for %.3f s", name, at.Seconds(), lasts.Seconds()))
	}
	<-runner.ended

	var exit *exec.ExitError
	code := 0
	if errors.As(runner.err, &exit) {
		code = exit.ExitCode()
	}
	kind := "sound"
	if defect != "" {
		kind = "bad"
	}
	outcome, known := map[int]string{input.ExitPassed: "passed", input.ExitFailed: "failed", input.ExitBench: "error"}[code]
	if !known {
		c.Wrong("exit code %d, %v: %s", code, stood, said.String())
		return
	}
	c.Count(kind + " " + outcome)
	if len(stood) == 0 && busy == 0 {
		c.Count("not stopped " + outcome)
	}
	if kind == "sound" && outcome == "failed" || kind == "bad" && outcome == "passed" {
		c.Wrong("a %s unit (%s) %s beside %d busy programs, %v: %s", kind, defect, outcome, busy, stood, said.String())
	}
	if outcome == "error" {
		why := reasonOf(records)
		c.Count(why)
		c.Logf("seed %d: %s, %d busy, %v", c.Seed, why, busy, stood)
	}
}

// reasonOf is why the only run in a folder of records was an error.
func reasonOf(records string) string {
	files, _ := filepath.Glob(filepath.Join(records, "2*", "*", "*", "*.json"))
	if len(files) != 1 {
		return "no report"
	}
	sealed, err := archive.Load(files[0])
	if err != nil {
		return "no report"
	}
	r := sealed.Report.Reason
	for r != nil && r.Kind == "" && len(r.Because) > 0 {
		r = &r.Because[0]
	}
	switch {
	case r == nil:
		return "no reason"
	case r.Code != reports.DeviceFailed:
		return string(r.Code)
	}
	return strings.TrimSpace(fmt.Sprintf("%s: %s %s", r.Kind, r.Device, r.Verb))
}

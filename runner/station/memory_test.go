package station

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"runtime/debug"
	"strings"
	"sync"
	"testing"
	"testing/fstest"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"fullthrow/reports"
	"fullthrow/reports/wording"
)

const mib = 1 << 20

// gauge is a process's memory as a test sets it.
type gauge struct {
	mu                  sync.Mutex
	live, garbage, room int64
	cleaned             int
	bound               int64 // that the collector works to
}

func (g *gauge) set(live, garbage int64) {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.live, g.garbage = live*mib, garbage*mib
}

func (g *gauge) watch() *memoryWatch {
	return &memoryWatch{
		used: func() int64 { g.mu.Lock(); defer g.mu.Unlock(); return g.live + g.garbage },
		clean: func() {
			g.mu.Lock()
			defer g.mu.Unlock()
			g.garbage = 0
			g.cleaned++
		},
		room:  func() int64 { g.mu.Lock(); defer g.mu.Unlock(); return g.room },
		lives: func() int64 { g.mu.Lock(); defer g.mu.Unlock(); return g.live },
		bound: func(n int64) int64 {
			g.mu.Lock()
			defer g.mu.Unlock()
			before := g.bound
			if n >= 0 {
				g.bound = n
			}
			return before
		},
	}
}

func (g *gauge) bounded() int64 { g.mu.Lock(); defer g.mu.Unlock(); return g.bound / mib }

func newGauge() *gauge { return &gauge{live: 60 * mib, room: noBound, bound: noBound} }

// While plans are under way, garbage is collected before it takes the process past
// what they may take; with room for some, whatever else lives; and never above a
// bound that somebody set. With the last run that ends.
func TestGarbageIsBounded(t *testing.T) {
	for _, c := range []struct {
		name         string
		others, live int64 // MiB: set by somebody; lives after 1 s
		runs         int
		want         []int64 // MiB: at the start, after 2 s
	}{
		{"one plan", 0, 60, 1, []int64{60 + 192, 60 + 192}},
		{"two plans", 0, 60, 2, []int64{60 + 384, 60 + 384}},
		{"a page's long answer", 0, 230, 1, []int64{60 + 192, 230 + 64}},
		{"a bound of the system's", 100, 60, 1, []int64{100, 100}},
	} {
		t.Run(c.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				g := newGauge()
				if c.others > 0 {
					g.bound = c.others * mib
				}
				before := g.bounded()
				w := g.watch()
				done := make(chan reports.Report)
				rigs := []*rig{}
				for range c.runs {
					r := newRig(t, plan("bench.power:on()\nwait(5)"+measureStandby), oneLimit)
					r.memory = w
					rigs = append(rigs, r)
					go func() { done <- r.run(t, context.Background()) }()
				}
				time.Sleep(time.Second)
				synctest.Wait()
				got := []int64{g.bounded()}
				g.set(c.live, 0)
				time.Sleep(time.Second)
				synctest.Wait()
				got = append(got, g.bounded())
				assert.Equal(t, c.want, got)
				for range rigs {
					assert.Equal(t, reports.Passed, (<-done).Outcome)
				}
				synctest.Wait()
				assert.Equal(t, before, g.bounded(), "after the last run")
				for _, r := range rigs {
					r.archive.Close()
				}
			})
		})
	}
}

func TestMemoryEndsARun(t *testing.T) {
	for _, c := range []struct {
		name    string
		may     int64 // of the bench file, MiB
		room    int64 // left to the process, MiB; 0: no bound
		live    int64 // after 2 s, MiB
		garbage int64
		outcome reports.Outcome
		reason  reports.Reason
		cleaned int
	}{
		{name: "as at the beginning", live: 60, outcome: reports.Passed},
		{name: "as much as is allowed", live: 60 + 190, outcome: reports.Passed},
		{name: "garbage", live: 100, garbage: 900, outcome: reports.Passed, cleaned: 1},
		{name: "too much", live: 60 + 193, outcome: reports.Errored,
			reason: reports.Reason{Code: reports.MemoryTaken, Size: 128 * mib, File: "plan.lua", Line: 4}, cleaned: 1},
		{name: "too much for this bench", may: 16, live: 60 + 25, outcome: reports.Errored,
			reason: reports.Reason{Code: reports.MemoryTaken, Size: 16 * mib, File: "plan.lua", Line: 4}, cleaned: 1},
		{name: "much, which this bench allows", may: 1024, live: 1060, outcome: reports.Passed},
		{name: "a small computer", room: 120, live: 60 + 61, outcome: reports.Errored,
			reason: reports.Reason{Code: reports.MemoryTaken, Size: 40 * mib, File: "plan.lua", Line: 4}, cleaned: 1},
	} {
		t.Run(c.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				g := newGauge()
				if c.room > 0 {
					g.room = c.room * mib
				}
				r := newRig(t, plan("bench.power:on()\nwait(5)"+measureStandby), oneLimit)
				r.memory = g.watch()
				if c.may > 0 {
					r.Memory = c.may * mib
				}
				time.AfterFunc(2*time.Second, func() { g.set(c.live, c.garbage) })
				start := time.Now()
				rep := r.run(t, context.Background())
				assert.Equal(t, c.outcome, rep.Outcome, "%+v", rep.Reason)
				assert.True(t, says(rep.Reason, c.reason), "%+v, want %+v", rep.Reason, c.reason)
				assert.False(t, r.power.isOn(), "the output was left on")
				assert.Empty(t, r.InService(), "the plan came back: the nest goes on")
				assert.Equal(t, c.cleaned, g.cleaned)
				if c.outcome == reports.Errored {
					assert.Less(t, time.Since(start), 2200*time.Millisecond, "at the next look (time is virtual)")
					require.Len(t, rep.Faults, 1)
					assert.True(t, rep.Faults[0].Reason.OfPlan())
					assert.Empty(t, rep.Faults[0].Reason.Device, "no device is to blame")
				}
				r.archive.Close()
			})
		})
	}
}

// Of several plans under way it cannot be told which one it was: all end.
func TestMemoryOfSeveralNests(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		g := newGauge()
		w := g.watch()
		rigs := []*rig{}
		for range 2 {
			rigs = append(rigs, newRig(t, plan(`bench.power:on() wait(10)`), oneLimit))
		}
		done := make(chan reports.Report)
		for _, r := range rigs {
			r.memory = w
			go func() { done <- r.run(t, context.Background()) }()
		}
		time.Sleep(2 * time.Second)
		g.set(60+380, 0) // less than half more than both may take
		time.Sleep(time.Second)
		synctest.Wait()
		assert.True(t, rigs[0].power.isOn() && rigs[1].power.isOn(), "both may go on")
		g.set(60+390, 0)
		for range rigs {
			rep := <-done
			assert.Equal(t, reports.Errored, rep.Outcome)
			assert.Equal(t, &reports.Reason{Code: reports.MemoryTogether, Size: 256 * mib, Count: 2}, rep.Reason)
		}
		for _, r := range rigs {
			assert.False(t, r.power.isOn())
			r.archive.Close()
		}
	})
}

// A plan that cannot be stopped and takes more and more ends the program, once
// all nests are safe and on record.
func TestMemoryEndsTheProgram(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		g := newGauge()
		w := g.watch()
		ended := make(chan error, 2)
		exhausted := func(c *Config) { c.Exhausted = func(err error) { ended <- err } }
		stuck := newRig(t, plan(`bench.power:on()`+measureStandby), oneLimit, exhausted)
		stuck.power.stuck = make(chan struct{})
		other := newRig(t, plan(`bench.power:on() wait(10)`), oneLimit, exhausted)
		stuck.memory, other.memory = w, w
		sealed := make(chan reports.Report, 2)
		go func() { sealed <- stuck.run(t, context.Background()) }()
		time.Sleep(time.Second)
		g.set(60+200, 0)
		rep := <-sealed
		assert.Equal(t, reports.Errored, rep.Outcome)
		assert.Equal(t, &reports.Reason{Code: reports.PlanStuck, Because: []reports.Reason{
			{Code: reports.MemoryTaken, Size: 128 * mib}}}, rep.Reason)
		assert.False(t, stuck.power.isOn())
		assert.Equal(t, reports.PlanStuck, stuck.InService().Code)
		assert.Empty(t, ended, "the memory is not growing: the other nest can work")

		go func() { sealed <- other.run(t, context.Background()) }()
		time.Sleep(time.Second)
		assert.True(t, other.power.isOn())
		g.set(60+3*256+10, 0)
		err := <-ended
		assert.EqualError(t, err, "this program goes on taking memory for a plan that could not be stopped")
		select {
		case rep = <-sealed:
		default:
			t.Fatal("the program was told to end before the other run was on record")
		}
		assert.Equal(t, reports.Errored, rep.Outcome)
		assert.False(t, other.power.isOn())
		_, err = other.Run(context.Background(), Job{})
		var notReady *NotReady
		require.ErrorAs(t, err, &notReady)
		assert.Equal(t, reports.MemoryLost, notReady.Why.Code)
		time.Sleep(time.Second)
		assert.Empty(t, ended, "told once")

		close(stuck.power.stuck) // it comes back after all
		time.Sleep(time.Second)
		assert.NoError(t, w.mustEnd())
		stuck.archive.Close()
		other.archive.Close()
	})
}

// Memory that grows fast leaves no time to wait for a plan that does not come
// back.
func TestMemoryDoesNotWaitForAStuckPlan(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		g := newGauge()
		ended := make(chan error, 1)
		r := newRig(t, plan(`bench.power:on()`+measureStandby), oneLimit,
			func(c *Config) { c.Exhausted = func(err error) { ended <- err } })
		r.memory = g.watch()
		r.power.stuck = make(chan struct{})
		time.AfterFunc(time.Second, func() { g.set(60+4000, 0) })
		start := time.Now()
		rep := r.run(t, context.Background())
		assert.Equal(t, reports.Errored, rep.Outcome)
		assert.Error(t, <-ended)
		assert.Less(t, time.Since(start), 1500*time.Millisecond, "before the grace of 3 s is over (time is virtual)")
		close(r.power.stuck)
		synctest.Wait()
		r.archive.Close()
	})
}

// hog is an output that takes memory for good and obeys nobody.
type hog struct{ *fake }

func (h hog) Set(_ context.Context, on bool) error {
	h.fake.set(func() { h.on = on })
	var all [][]byte
	for len(all) < 2000 { // lest a fault of the watch takes the machine with it
		b := make([]byte, mib)
		for i := range b {
			b[i] = 1
		}
		all = append(all, b)
		time.Sleep(time.Millisecond)
	}
	return errors.New("2 GB, and nobody ended this")
}

// With the memory of a real process: everything is safe and on record before
// the program ends.
func TestRealMemoryEndsTheProgram(t *testing.T) {
	if os.Getenv("FULLTHROW_TEST_HOG") != "" {
		debug.SetGCPercent(50)
		r := newRig(t, plan(`bench.power:on()`+measureStandby), oneLimit, func(c *Config) { c.Memory = 32 * mib })
		r.Devices["power"] = hog{r.power}
		var rep reports.Report
		onRecord := make(chan struct{})
		r.Exhausted = func(err error) {
			<-onRecord
			fmt.Printf("ended: %v; %s: %s; on: %t\n", err, rep.Outcome, wording.English().Reason(rep.Reason), r.power.isOn())
			os.Exit(3)
		}
		rep = r.run(t, context.Background())
		close(onRecord)
		select {}
	}
	child := exec.CommandContext(t.Context(), os.Args[0], "-test.run=^TestRealMemoryEndsTheProgram$")
	child.Env = append(os.Environ(), "FULLTHROW_TEST_HOG=1")
	out, err := child.CombinedOutput()
	var exit *exec.ExitError
	require.ErrorAs(t, err, &exit, "%s", out)
	assert.Equal(t, 3, exit.ExitCode(), "%s", out)
	assert.Contains(t, string(out), "ended: this program goes on taking memory for a plan that could not be stopped; "+
		"error: the plan is stuck in a call that does not come back: the plan took more than 32 MiB of memory; on: false\n")
	t.Log(peak(child.ProcessState))
}

func TestMemoryLeft(t *testing.T) {
	const (
		meminfo = "MemTotal:       24684544 kB\nMemFree:        20000000 kB\nMemAvailable:   2097152 kB\nBuffers: 1 kB\n"
		status  = "Name:\tfullthrow\nVmPeak:\t 1900000 kB\nVmSize:\t 1048576 kB\nVmRSS:\t   60000 kB\nVmData:\t  102400 kB\n"
		limits  = "Limit                     Soft Limit           Hard Limit           Units     \n" +
			"Max cpu time              unlimited            unlimited            seconds   \n" +
			"Max data size             unlimited            unlimited            bytes     \n" +
			"Max address space         unlimited            unlimited            bytes     \n"
	)
	files := func(more ...string) fstest.MapFS {
		f := fstest.MapFS{}
		for i := 0; i+1 < len(more); i += 2 {
			f[more[i]] = &fstest.MapFile{Data: []byte(more[i+1])}
		}
		return f
	}
	set := func(name, to string) string {
		return strings.Replace(limits, name+"unlimited ", name+to+" ", 1)
	}
	for _, c := range []struct {
		name string
		fs   fstest.MapFS
		want int64
	}{
		{"no such files", files(), noBound},
		{"what the system has", files("proc/meminfo", meminfo, "proc/self/limits", limits,
			"proc/self/status", status, "proc/self/cgroup", "0::/\n"), 2048 * mib},
		{"ulimit -v", files("proc/meminfo", meminfo,
			"proc/self/limits", set("Max address space         ", "2147483648"), "proc/self/status", status), 1024 * mib},
		{"ulimit -d", files("proc/meminfo", meminfo,
			"proc/self/limits", set("Max data size             ", "209715200"), "proc/self/status", status), 100 * mib},
		{"ulimit passed already", files("proc/self/limits", set("Max data size             ", "1024"),
			"proc/self/status", status), 0},
		{"a limit, and no word of what is used", files(
			"proc/self/limits", set("Max data size             ", "1024")), noBound},
		{"cgroup v2", files("proc/meminfo", meminfo,
			"proc/self/cgroup", "0::/system.slice/fullthrow.service\n",
			"sys/fs/cgroup/system.slice/fullthrow.service/memory.max", "536870912\n",
			"sys/fs/cgroup/system.slice/fullthrow.service/memory.current", "268435456\n",
			"sys/fs/cgroup/system.slice/fullthrow.service/memory.stat",
			"anon 1\nfile 2\ninactive_file 104857600\nactive_file 3\n"), 356 * mib},
		{"cgroup v2, bound further up", files("proc/meminfo", meminfo,
			"proc/self/cgroup", "0::/a/b\n",
			"sys/fs/cgroup/a/b/memory.max", "max\n",
			"sys/fs/cgroup/a/b/memory.current", "1048576\n",
			"sys/fs/cgroup/a/memory.max", "104857600\n",
			"sys/fs/cgroup/a/memory.current", "52428800\n"), 50 * mib},
		{"cgroup v2, in a container", files("proc/self/cgroup", "0::/\n",
			"sys/fs/cgroup/memory.max", "104857600\n",
			"sys/fs/cgroup/memory.current", "0\n"), 100 * mib},
		{"cgroup v1", files("proc/meminfo", meminfo,
			"proc/self/cgroup", "11:cpu,cpuacct:/x\n4:memory:/x\n1:name=systemd:/x\n",
			"sys/fs/cgroup/memory/x/memory.limit_in_bytes", "314572800\n",
			"sys/fs/cgroup/memory/x/memory.usage_in_bytes", "104857600\n",
			"sys/fs/cgroup/memory/x/memory.stat", "cache 5\ninactive_file 1\ntotal_inactive_file 10485760\n",
			"sys/fs/cgroup/memory/memory.limit_in_bytes", "9223372036854771712\n",
			"sys/fs/cgroup/memory/memory.usage_in_bytes", "1\n"), 210 * mib},
		{"nonsense", files(
			"proc/meminfo", "MemAvailable: lots kB\nMemAvailable:\n", "proc/self/limits", "Max data size\n",
			"proc/self/cgroup", "x\n0:/\n"), noBound},
	} {
		assert.Equal(t, c.want, leftBy(c.fs), c.name)
	}
}

// What the program really reads makes sense.
func TestMemoryOfThisProcess(t *testing.T) {
	before := memoryInUse()
	require.Positive(t, before)
	b := make([]byte, 64*mib)
	assert.Greater(t, memoryInUse(), before+32*mib)
	b[0] = 1
	assert.Positive(t, memoryLeft())
}

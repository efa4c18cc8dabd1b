//go:build kernel

package gpio

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"fullthrow/drivers"
)

// These tests need a kernel with gpio-sim and run in the emulated computer of
// .ci/kernel. They see the lines from the other side: by the simulator's files
// of /sys and by the kernel's own trace of what is done to each line.

// simChip is a chip of the simulator.
type simChip struct {
	t      *testing.T
	config string // its directory in configfs
	dir    string // its directory in /sys
	path   string // its device
}

// newSim makes a chip of 8 lines; names are those of some of them.
func newSim(t *testing.T, label string, names map[int]string) *simChip {
	t.Helper()
	s := &simChip{t: t, config: filepath.Join("/sys/kernel/config/gpio-sim", label)}
	bank := filepath.Join(s.config, "bank0")
	s.must(os.Mkdir(s.config, 0o755))
	s.must(os.Mkdir(bank, 0o755))
	s.write(bank+"/num_lines", "8")
	s.write(bank+"/label", label)
	for n, name := range names {
		line := fmt.Sprintf("%s/line%d", bank, n)
		s.must(os.Mkdir(line, 0o755))
		s.write(line+"/name", name)
	}
	s.write(s.config+"/live", "1")
	chip := s.read(bank + "/chip_name")
	s.dir = filepath.Join("/sys/devices/platform", s.read(s.config+"/dev_name"), chip)
	s.path = "/dev/" + chip
	t.Cleanup(func() {
		s.remove()
		for n := range names {
			_ = os.Remove(fmt.Sprintf("%s/line%d", bank, n))
		}
		_ = os.Remove(bank)
		_ = os.Remove(s.config)
	})
	return s
}

func (s *simChip) must(err error) {
	s.t.Helper()
	if err != nil {
		s.t.Fatal(err)
	}
}

func (s *simChip) write(path, text string) {
	s.t.Helper()
	s.must(os.WriteFile(path, []byte(text), 0o644))
}

func (s *simChip) read(path string) string {
	s.t.Helper()
	b, err := os.ReadFile(path)
	s.must(err)
	return strings.TrimSpace(string(b))
}

// remove unplugs the chip.
func (s *simChip) remove() { _ = os.WriteFile(s.config+"/live", []byte("0"), 0o644) }

// pull drives line n from outside.
func (s *simChip) pull(n int, high bool) {
	s.t.Helper()
	to := "pull-down"
	if high {
		to = "pull-up"
	}
	s.write(fmt.Sprintf("%s/sim_gpio%d/pull", s.dir, n), to)
}

// high is the level of line n.
func (s *simChip) high(n int) bool {
	s.t.Helper()
	return s.read(fmt.Sprintf("%s/sim_gpio%d/value", s.dir, n)) == "1"
}

// traced runs f and returns what the kernel did to outputs meanwhile: "set 1",
// "in 0" (now an output).
func traced(t *testing.T, f func()) []string {
	t.Helper()
	const dir = "/sys/kernel/tracing/"
	for _, w := range [][2]string{{"tracing_on", "1"}, {"trace", ""}} {
		if err := os.WriteFile(dir+w[0], []byte(w[1]), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	f()
	b, err := os.ReadFile(dir + "trace")
	if err != nil {
		t.Fatal(err)
	}
	var list []string
	for _, l := range strings.Split(string(b), "\n") {
		for _, event := range []string{"gpio_value: ", "gpio_direction: "} {
			_, rest, found := strings.Cut(l, event)
			if fields := strings.Fields(rest); found && len(fields) > 1 && fields[1] != "get" {
				// "515 set 1"; "515 out (0)", where 0 means that it worked
				list = append(list, fields[1]+" "+strings.Trim(fields[2], "()"))
			}
		}
	}
	return list
}

func openSim(t *testing.T, s *simChip) *Lines {
	t.Helper()
	d, err := Open("board", s.path)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = d.Close() })
	return d
}

func TestKernelChip(t *testing.T) {
	s := newSim(t, "bench-sim", map[int]string{2: "RELAY", 5: "GUARD"})
	d := openSim(t, s)
	id, err := d.Ready(t.Context())
	if want := s.path + " (bench-sim), 8 lines"; id != want || err != nil {
		t.Errorf("identity %q, %v; want %q", id, err, want)
	}
	for name, want := range map[string]int{"RELAY": 2, "GUARD": 5} {
		if n, err := d.Find(name); n != want || err != nil {
			t.Errorf("%s: %d, %v", name, n, err)
		}
	}
	if _, err := d.Find("NONE"); drivers.KindOf(err) != drivers.OutOfRange {
		t.Errorf("no such name: %v", err)
	}
	byLabel, err := Open("board", "bench-sim")
	if err != nil {
		t.Fatal(err)
	}
	defer byLabel.Close()
	if _, err := d.Output("relay", 2, false, false); err != nil {
		t.Fatal(err)
	}
	list, err := List()
	if err != nil || len(list) != 1 || list[0].Path != s.path || list[0].Label != "bench-sim" || len(list[0].Lines) != 8 {
		t.Fatalf("list: %+v, %v", list, err)
	}
	if got, want := list[0].Lines[2], (LineInfo{2, "RELAY", "fullthrow relay", true}); got != want {
		t.Errorf("the held line is %+v, want %+v", got, want)
	}
	// The same line asked for through another handle: as by another program.
	_, err = byLabel.Input("guard", 2, false)
	if drivers.KindOf(err) != drivers.Busy || !strings.Contains(err.Error(), "in use by fullthrow relay") {
		t.Errorf("held by another: %v (kind %q)", err, drivers.KindOf(err))
	}
}

// The trace holds every level the kernel wrote, however short.
func TestKernelOutputBeginsAtItsSafeLevel(t *testing.T) {
	for _, c := range []struct{ activeLow, safe bool }{{false, false}, {false, true}, {true, false}, {true, true}} {
		t.Run(fmt.Sprintf("active low %v, safe %v", c.activeLow, c.safe), func(t *testing.T) {
			s := newSim(t, "bench-sim", nil)
			d := openSim(t, s)
			safe, other := "0", "1"
			if c.safe != c.activeLow {
				safe, other = "1", "0"
			}
			s.pull(3, safe == "1") // as wiring would
			var out drivers.Output
			got := traced(t, func() {
				var err error
				if out, err = d.Output("relay", 3, c.activeLow, c.safe); err != nil {
					t.Fatal(err)
				}
			})
			if !slices.Contains(got, "set "+safe) || !slices.Contains(got, "out 0") || slices.Contains(got, "set "+other) {
				t.Errorf("asked for: kernel did %q, want %s only", got, safe)
			}
			if s.high(3) != (safe == "1") {
				t.Error("not at the safe level")
			}
			if err := out.Set(t.Context(), !c.safe); err != nil || s.high(3) != (other == "1") {
				t.Errorf("set: %v, high %v", err, s.high(3))
			}
			got = traced(t, func() {
				if err := d.Safe(t.Context()); err != nil || s.high(3) != (safe == "1") {
					t.Errorf("safe: %v, high %v", err, s.high(3))
				}
			})
			if !slices.Equal(got, []string{"set " + safe}) {
				t.Errorf("made safe: kernel did %q", got)
			}
			if err := out.Set(t.Context(), !c.safe); err != nil {
				t.Fatal(err)
			}
			got = traced(t, func() {
				if err := d.Close(); err != nil {
					t.Error(err)
				}
			})
			if len(got) == 0 || got[0] != "set "+safe || slices.Contains(got, "set "+other) {
				t.Errorf("closed: kernel did %q", got)
			}
		})
	}
}

func TestKernelLevels(t *testing.T) {
	s := newSim(t, "bench-sim", nil)
	d := openSim(t, s)
	for _, activeLow := range []bool{false, true} {
		n := 1
		if activeLow {
			n = 2
		}
		in, err := d.Input("guard", n, activeLow)
		if err != nil {
			t.Fatal(err)
		}
		for _, high := range []bool{true, false, true} {
			s.pull(n, high)
			if got, err := in.Level(t.Context()); got != (high != activeLow) || err != nil {
				t.Errorf("active low %v, high %v: %v, %v", activeLow, high, got, err)
			}
		}
	}
}

// Waits for edges made at known times on line 1, reports how far At is from them,
// and holds it against its uncertainty, which may be 1 ms at most.
func TestKernelEdges(t *testing.T) {
	const worst = time.Millisecond
	s := newSim(t, "bench-sim", nil)
	d := openSim(t, s)
	in, err := d.Input("answer", 1, false)
	if err != nil {
		t.Fatal(err)
	}
	edges := in.(drivers.EdgeInput)
	if _, err := edges.Edge(t.Context(), 30*time.Millisecond); drivers.KindOf(err) != drivers.NoReply {
		t.Errorf("no edge: %v", err)
	}
	s.pull(1, true)
	s.pull(1, false) // both before the call: not meant
	if e, err := edges.Edge(t.Context(), 30*time.Millisecond); drivers.KindOf(err) != drivers.NoReply {
		t.Errorf("edges from before the call: %+v, %v", e, err)
	}
	var toStamp, toReturn, between []time.Duration
	high := false
	missed := 0
	for range 100 {
		high = !high
		type moment struct{ before, after time.Time }
		at := make(chan moment, 1)
		go func() {
			time.Sleep(20 * time.Millisecond) // Edge listens by now, unless the computer is very busy
			before := time.Now()
			s.pull(1, high)
			at <- moment{before, time.Now()}
		}()
		e, err := edges.Edge(t.Context(), time.Second)
		back := time.Now()
		m := <-at
		if drivers.KindOf(err) == drivers.NoReply && missed < 2 {
			missed++
			t.Logf("an edge was missed: it came before Edge listened")
			continue
		}
		if err != nil || e.Rising != high {
			t.Fatalf("edge: %+v, %v; want rising %v", e, err, high)
		}
		if e.At.Before(m.before.Add(-e.Uncertainty)) || e.At.After(m.after.Add(e.Uncertainty)) {
			t.Errorf("edge said %v after the pull began, which lasted %v: beyond its uncertainty of %v", e.At.Sub(m.before), m.after.Sub(m.before), e.Uncertainty)
		}
		if e.Uncertainty > worst {
			t.Errorf("uncertainty %v, want at most %v", e.Uncertainty, worst)
		}
		toStamp, toReturn = append(toStamp, e.At.Sub(m.before)), append(toReturn, back.Sub(m.before))
		between = append(between, back.Sub(e.At))
	}
	for name, d := range map[string][]time.Duration{"from the pull to At": toStamp, "from the pull to the return of Edge": toReturn, "from At to the return of Edge": between} {
		slices.Sort(d)
		t.Logf("%s: median %v, largest %v", name, d[len(d)/2], d[len(d)-1])
	}

	ctx, cancel := context.WithCancelCause(t.Context())
	why := fmt.Errorf("operator stopped")
	time.AfterFunc(20*time.Millisecond, func() { cancel(why) })
	start := time.Now()
	if _, err := edges.Edge(ctx, time.Minute); !strings.Contains(fmt.Sprint(err), why.Error()) || time.Since(start) > time.Second {
		t.Errorf("cancelled: %v after %v", err, time.Since(start))
	}
	time.AfterFunc(20*time.Millisecond, func() { _ = d.Close() })
	start = time.Now()
	if _, err := edges.Edge(t.Context(), time.Minute); drivers.KindOf(err) != drivers.Closed || time.Since(start) > time.Second {
		t.Errorf("closed while waiting: %v after %v", err, time.Since(start))
	}
}

// pulses pulls line n up and down, edges times in all, and waits pause before
// each.
func (s *simChip) pulses(n, edges int, pause time.Duration) {
	s.t.Helper()
	for i := range edges {
		time.Sleep(pause)
		s.pull(n, i%2 == 0)
	}
}

// whole checks that list has edges edges in order, up first.
func whole(t *testing.T, list []drivers.Edge, edges int) {
	t.Helper()
	if len(list) != edges {
		t.Errorf("%d edges, want %d", len(list), edges)
	}
	for i, e := range list {
		if e.Rising != (i%2 == 0) || i > 0 && e.At.Before(list[i-1].At) || e.Uncertainty <= 0 {
			t.Fatalf("edge %d: %+v after %+v", i, e, list[max(0, i-1)])
		}
	}
}

func TestKernelRecordsEdges(t *testing.T) {
	s := newSim(t, "bench-sim", nil)
	d := openSim(t, s)
	plain, err := d.Input("pulses", 1, false)
	if err != nil {
		t.Fatal(err)
	}
	in := plain.(drivers.EdgeRecorder)
	if list, err := in.Edges(t.Context(), 30*time.Millisecond); len(list) != 0 || err != nil {
		t.Errorf("no edge: %v, %v", list, err)
	}
	s.pulses(1, 3000, 0) // before the call, and more than the kernel keeps: not meant
	start := time.Now()
	const over = 2 * time.Second
	done := make(chan time.Duration)
	go func() {
		time.Sleep(20 * time.Millisecond)
		s.pulses(1, 600, 500*time.Microsecond)
		done <- time.Since(start)
	}()
	list, err := in.Edges(t.Context(), over)
	took := <-done
	if took > over-20*time.Millisecond {
		t.Fatalf("the pulses took %v, too long for the capture", took)
	}
	if err != nil {
		t.Fatal(err)
	}
	whole(t, list, 600)
	if first, last := list[0].At.Sub(start), list[len(list)-1].At.Sub(start); first < 20*time.Millisecond-list[0].Uncertainty || last > took+list[0].Uncertainty {
		t.Errorf("edges from %v to %v, pulled until %v", first, last, took)
	}
	t.Logf("600 edges within %v; uncertainty %v", took, list[0].Uncertainty)

	ctx, cancel := context.WithCancelCause(t.Context())
	why := fmt.Errorf("operator stopped")
	time.AfterFunc(20*time.Millisecond, func() { cancel(why) })
	start = time.Now()
	if _, err := in.Edges(ctx, time.Minute); !strings.Contains(fmt.Sprint(err), why.Error()) || drivers.KindOf(err) != "cancelled" || time.Since(start) > time.Second {
		t.Errorf("cancelled: %v after %v", err, time.Since(start))
	}
	time.AfterFunc(20*time.Millisecond, s.remove)
	start = time.Now()
	if _, err := in.Edges(t.Context(), time.Minute); drivers.KindOf(err) != drivers.Gone || time.Since(start) > time.Second {
		t.Errorf("unplugged: %v after %v", err, time.Since(start))
	}
}

// A program that is held up from the first moment of a capture until after its
// end: the kernel keeps as many edges as were asked for, and its numbers tell of
// the others.
func TestKernelRecordsEdgesHeldUp(t *testing.T) {
	for _, c := range []struct{ edges, lost int }{{0, 0}, {1, 0}, {edgeQueue, 0}, {edgeQueue + 1, 1}, {edgeQueue + 476, 476}, {3 * edgeQueue, 2 * edgeQueue}} {
		t.Run(fmt.Sprint(c.edges), func(t *testing.T) {
			s := newSim(t, "bench-sim", nil)
			board, err := openPath(s.path)
			if err != nil {
				t.Fatal(err)
			}
			defer board.Close()
			line, err := board.Input(1, "pulses", true)
			if err != nil {
				t.Fatal(err)
			}
			defer line.Halt()
			h := line.(*handle)
			now, err := readClocks()
			if err != nil {
				t.Fatal(err)
			}
			s.pulses(1, c.edges, 0)
			list, err := h.collect(t.Context(), now, time.Since(now.at))
			if c.lost == 0 {
				if err != nil {
					t.Fatal(err)
				}
				whole(t, list, c.edges)
			} else if drivers.KindOf(err) != drivers.Late || !strings.Contains(err.Error(), fmt.Sprintf(" %d edges were lost", c.lost)) || list != nil {
				t.Errorf("%d edges, %v; want to be told of %d lost", len(list), err, c.lost)
			}
			if list, err := h.Edges(t.Context(), 10*time.Millisecond); len(list) != 0 || err != nil {
				t.Errorf("the next capture: %d edges, %v", len(list), err)
			}
		})
	}
}

// Unplugs the chip while an input, an output and a wait are open.
func TestKernelGone(t *testing.T) {
	s := newSim(t, "bench-sim", nil)
	d := openSim(t, s)
	in, err := d.Input("guard", 1, true)
	if err != nil {
		t.Fatal(err)
	}
	waiting, err := d.Input("answer", 2, false)
	if err != nil {
		t.Fatal(err)
	}
	out, err := d.Output("relay", 3, false, false)
	if err != nil {
		t.Fatal(err)
	}
	time.AfterFunc(50*time.Millisecond, s.remove)
	start := time.Now()
	_, err = waiting.(drivers.EdgeInput).Edge(t.Context(), 10*time.Second)
	if drivers.KindOf(err) != drivers.Gone || time.Since(start) > time.Second {
		t.Errorf("waiting for an edge: %v (kind %q) after %v", err, drivers.KindOf(err), time.Since(start))
	}
	for _, c := range []struct {
		what string
		call func() error
	}{
		{"level", func() error { _, err := in.Level(t.Context()); return err }},
		{"edge", func() error { _, err := in.(drivers.EdgeInput).Edge(t.Context(), time.Second); return err }},
		{"level after edge", func() error { _, err := in.Level(t.Context()); return err }},
		{"set", func() error { return out.Set(t.Context(), true) }},
		{"safe", func() error { return d.Safe(t.Context()) }},
		{"ready", func() error { _, err := d.Ready(t.Context()); return err }},
		{"open", func() error { _, err := d.Input("late", 4, false); return err }},
	} {
		if err := c.call(); drivers.KindOf(err) != drivers.Gone {
			t.Errorf("%s: %v (kind %q), want gone", c.what, err, drivers.KindOf(err))
		}
	}
}

// Whoever holds no line any more leaves none behind.
func TestKernelGivesBack(t *testing.T) {
	s := newSim(t, "bench-sim", nil)
	d := openSim(t, s)
	in, err := d.Input("answer", 1, false)
	if err != nil {
		t.Fatal(err)
	}
	_, _ = in.(drivers.EdgeInput).Edge(t.Context(), time.Millisecond)
	if err := d.Close(); err != nil {
		t.Fatal(err)
	}
	list, err := List()
	if err != nil || len(list) != 1 {
		t.Fatalf("%+v, %v", list, err)
	}
	for _, l := range list[0].Lines {
		if l.Used {
			t.Errorf("still held: %+v", l)
		}
	}
	if _, err := unix.FcntlInt(0, unix.F_GETFD, 0); err != nil {
		t.Errorf("standard input: %v", err)
	}
}

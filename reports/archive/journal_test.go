package archive

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"fullthrow/reports"
	"fullthrow/reports/recordtest"
)

func openTest(t testing.TB, dir string) *Archive {
	t.Helper()
	a, err := Open(dir, "LQ-1")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { a.Close() })
	return a
}

func beginTest(t testing.TB, a *Archive, run string, tell ...func(reports.Event)) *Journal {
	t.Helper()
	j, err := a.Begin(recordtest.Start(run), recordtest.T0, tell...)
	if err != nil {
		t.Fatal(err)
	}
	return j
}

func appendAll(t testing.TB, j *Journal, events []reports.Event) {
	t.Helper()
	for _, e := range events {
		if err := j.Append(e); err != nil {
			t.Fatal(err)
		}
	}
}

func sealTest(t testing.TB, a *Archive, run string, events []reports.Event) Sealed {
	t.Helper()
	j := beginTest(t, a, run)
	appendAll(t, j, events)
	s, err := j.Seal()
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// journalBytes is a journal whose groups have the given sizes.
func journalBytes(t testing.TB, groups ...int) []byte {
	t.Helper()
	var b []byte
	n, synced := 0, 0
	for _, g := range groups {
		for range g {
			e := reports.Event{Seq: int64(n + 1), Time: recordtest.T0, Kind: reports.NoteMade, Text: fmt.Sprint("note ", n)}
			if n == 0 {
				s := recordtest.Start("r1")
				e = reports.Event{Seq: 1, Time: recordtest.T0, Kind: reports.RunStarted, Start: &s}
			}
			line, err := json.Marshal(e)
			if err != nil {
				t.Fatal(err)
			}
			b = appendLine(b, line, synced)
			n++
		}
		synced = n
	}
	return b
}

func TestJournalTornAndDamaged(t *testing.T) {
	whole := journalBytes(t, 1, 3, 2, 3) // lines 1 | 2 3 4 | 5 6 | 7 8 9
	lines := bytes.SplitAfter(whole, []byte("\n"))
	flip := func(line int) []byte {
		l := slices.Clone(lines)
		l[line-1] = bytes.Clone(l[line-1])
		l[line-1][40] ^= 1
		return bytes.Join(l, nil)
	}
	for _, tt := range []struct {
		name   string
		data   []byte
		events int
		damage string // "file:line" of the problem
	}{
		{"empty", nil, 0, ""},
		{"whole", whole, 9, ""},
		{"last line without its end", whole[:len(whole)-1], 8, ""},
		{"last line torn", whole[:len(whole)-20], 8, ""},
		{"torn within the first line", whole[:30], 0, ""},
		{"zeros at the end", append(bytes.Clone(whole), make([]byte, 512)...), 9, ""},
		{"last line flipped", flip(9), 8, ""},
		// The last group reached the disk in another order: nobody was told.
		{"last group, first line flipped", flip(7), 6, ""},
		{"last group, middle line flipped", flip(8), 7, ""},
		{"synced line flipped", flip(5), 4, "j.jsonl:5"},
		{"first line flipped", flip(1), 0, "j.jsonl:1"},
		{"line removed", bytes.Join(slices.Delete(slices.Clone(lines), 2, 3), nil), 2, "j.jsonl:3"},
		{"line twice", bytes.Join(slices.Insert(slices.Clone(lines), 2, lines[1]), nil), 2, "j.jsonl:3"},
		{"lines swapped", bytes.Join([][]byte{lines[0], lines[2], lines[1], lines[3], lines[4], lines[5]}, nil), 1, "j.jsonl:2"},
		{"foreign text", []byte("hello\nworld\n"), 0, ""},
	} {
		t.Run(tt.name, func(t *testing.T) {
			events, err := parseJournal("j.jsonl", tt.data)
			if len(events) != tt.events {
				t.Errorf("got %d events, want %d", len(events), tt.events)
			}
			var p *reports.Problem
			switch {
			case tt.damage == "" && err != nil:
				t.Errorf("got error %v, want none", err)
			case tt.damage != "" && (!errors.As(err, &p) || p.File != tt.damage):
				t.Errorf("got error %v, want a problem of %s", err, tt.damage)
			}
		})
	}
}

// Every single cut and every single flipped bit of a journal gives a prefix of
// the events, never other events.
func TestJournalAnyDamageGivesPrefix(t *testing.T) {
	whole := journalBytes(t, 1, 2, 2)
	want, err := parseJournal("j", whole)
	if err != nil {
		t.Fatal(err)
	}
	check := func(what string, data []byte) {
		t.Helper()
		got, _ := parseJournal("j", data)
		if len(got) > len(want) {
			t.Fatalf("%s: %d events of %d", what, len(got), len(want))
		}
		for i := range got {
			if got[i].Text != want[i].Text || got[i].Kind != want[i].Kind {
				t.Fatalf("%s: event %d is %+v, want %+v", what, i+1, got[i], want[i])
			}
		}
	}
	for i := range whole {
		check(fmt.Sprint("cut at ", i), whole[:i])
		for bit := range 8 {
			b := bytes.Clone(whole)
			b[i] ^= 1 << bit
			check(fmt.Sprintf("byte %d bit %d", i, bit), b)
		}
	}
}

// slowFile is a journal's file whose Sync waits until let go, counting.
type slowFile struct {
	journalFile
	gate  chan struct{}
	mu    sync.Mutex
	syncs int
}

func (f *slowFile) Sync() error {
	<-f.gate
	f.mu.Lock()
	f.syncs++
	f.mu.Unlock()
	return f.journalFile.Sync()
}

func TestJournalGroupsAndTellsAfterSync(t *testing.T) {
	a := openTest(t, t.TempDir())
	slow := &slowFile{gate: make(chan struct{}, 1)}
	create := a.create
	a.create = func(path string) (f journalFile, err error) {
		slow.journalFile, err = create(path)
		return slow, err
	}
	slow.gate <- struct{}{}
	var mu sync.Mutex
	var told []int64
	j := beginTest(t, a, "r1", func(e reports.Event) {
		mu.Lock()
		defer mu.Unlock()
		told = append(told, e.Seq)
	})
	const n = 100
	for i := range n {
		if err := j.Append(reports.Event{Time: recordtest.T0, Kind: reports.NoteMade, Text: fmt.Sprint(i)}); err != nil {
			t.Fatal(err)
		}
	}
	if got := len(j.Events()); got != 1 {
		t.Errorf("%d events are durable before any sync, want 1", got)
	}
	close(slow.gate)
	if err := j.Drain(); err != nil {
		t.Fatal(err)
	}
	mu.Lock()
	defer mu.Unlock()
	for i, seq := range told {
		if seq != int64(i+1) {
			t.Fatalf("told %v: out of order", told)
		}
	}
	if len(told) != n+1 {
		t.Errorf("told %d events, want %d", len(told), n+1)
	}
	if slow.syncs > 4 {
		t.Errorf("%d syncs for %d events: not grouped", slow.syncs, n+1)
	}
}

func TestJournalSlowSubscriberHoldsNobodyUp(t *testing.T) {
	a := openTest(t, t.TempDir())
	gate := make(chan struct{})
	var slow []int64
	j := beginTest(t, a, "r1", func(e reports.Event) { <-gate; slow = append(slow, e.Seq) })
	fast := make(chan int64, 100)
	j.Subscribe(3, func(e reports.Event) { fast <- e.Seq })
	appendAll(t, j, recordtest.Events(reports.Passed))
	if _, err := j.Seal(); err != nil {
		t.Fatalf("seal while a subscriber hangs: %v", err)
	}
	for want := int64(4); want <= 8; want++ {
		if got := <-fast; got != want {
			t.Errorf("fast subscriber got %d, want %d", got, want)
		}
	}
	close(gate)
	if err := j.Drain(); err != nil {
		t.Fatal(err)
	}
	if len(slow) != 8 {
		t.Errorf("slow subscriber got %v, want 8 events", slow)
	}
	var late []int64
	stop := j.Subscribe(6, func(e reports.Event) { late = append(late, e.Seq) })
	if err := j.Drain(); err != nil {
		t.Fatal(err)
	}
	stop()
	if !slices.Equal(late, []int64{7, 8}) {
		t.Errorf("after the run, from 6: got %v, want [7 8]", late)
	}
}

// Within a bubble of virtual time, runs take no time but that of the disk, and
// leave no goroutine behind.
func TestJournalVirtualTime(t *testing.T) {
	a := openTest(t, t.TempDir())
	synctest.Test(t, func(t *testing.T) {
		begun := time.Now()
		told := 0
		j, err := a.Begin(recordtest.Start("r1"), begun, func(reports.Event) { time.Sleep(time.Hour); told++ })
		if err != nil {
			t.Fatal(err)
		}
		for _, e := range recordtest.Events(reports.Passed) {
			time.Sleep(time.Minute)
			e.Time = time.Now()
			if err := j.Append(e); err != nil {
				t.Fatal(err)
			}
		}
		s, err := j.Seal()
		if err != nil || s.Report.Ended.Sub(s.Report.Started) != 7*time.Minute {
			t.Errorf("took %s (%v), want 7 minutes", s.Report.Ended.Sub(s.Report.Started), err)
		}
		if got := time.Since(begun); got != 7*time.Minute {
			t.Errorf("a subscriber that takes hours held the run up: %s", got)
		}
		if err := j.Drain(); err != nil || told != 8 {
			t.Errorf("told %d events (%v), want 8", told, err)
		}
	})
}

// fullFile fails like a full disk once it holds more than room bytes: it
// writes what still fits, as the kernel does.
type fullFile struct {
	*os.File
	room int
}

func (f *fullFile) Write(b []byte) (int, error) {
	n := min(len(b), f.room)
	f.room -= n
	if n, err := f.File.Write(b[:n]); err != nil {
		return n, err
	}
	if n < len(b) {
		return n, &os.PathError{Op: "write", Path: f.Name(), Err: syscall.ENOSPC}
	}
	return n, nil
}

func TestJournalDiskFull(t *testing.T) {
	dir := t.TempDir()
	a := openTest(t, dir)
	a.create = func(path string) (journalFile, error) {
		f, err := os.OpenFile(path, os.O_WRONLY|os.O_APPEND|os.O_CREATE|os.O_EXCL, 0o644)
		return &fullFile{f, 1200}, err
	}
	told := make(chan int64, 100)
	j := beginTest(t, a, "r1", func(e reports.Event) { told <- e.Seq })
	var err error
	n := 0
	for err == nil && n < 100 {
		err = j.Append(reports.Event{Time: recordtest.T0, Kind: reports.NoteMade, Text: "some text"})
		if err == nil {
			err = j.Sync()
		}
		n++
	}
	if !errors.Is(err, syscall.ENOSPC) {
		t.Fatalf("after %d events: got %v, want no space left", n, err)
	}
	var hint *reports.HintedError
	if !errors.As(err, &hint) || hint.Hint == "" {
		t.Errorf("%v comes without a hint", err)
	}
	if err := j.Append(reports.Event{Time: recordtest.T0, Kind: reports.NoteMade}); !errors.Is(err, syscall.ENOSPC) {
		t.Errorf("next append: got %v, want the disk error again", err)
	}
	durable := j.Events()
	onDisk, err := ReadJournal(filepath.Join(dir, "journal", "r1.jsonl"))
	if err != nil || len(onDisk) != len(durable) {
		t.Errorf("on disk %d events (%v), acknowledged %d: nothing earlier may be harmed", len(onDisk), err, len(durable))
	}
	s, err := j.Seal() // the disk has room again for the report
	if err != nil {
		t.Fatal(err)
	}
	if s.Report.Outcome != reports.Errored || s.Report.Reason.Code != reports.Unrecorded || !strings.Contains(s.Report.Reason.Text, "no space left") {
		t.Errorf("sealed as %s (%s), want error, no space left", s.Report.Outcome, s.Report.Reason.Text)
	}
	v, err := Verify(dir)
	if err != nil || len(v.Problems) > 0 {
		t.Errorf("verify: %v %v", err, v.Problems)
	}
}

func TestAppendRefuses(t *testing.T) {
	a := openTest(t, t.TempDir())
	j := beginTest(t, a, "r1")
	for _, tt := range []struct {
		name string
		e    reports.Event
		want string
	}{
		{"no time", reports.Event{Kind: reports.NoteMade}, "no time"},
		{"no kind", reports.Event{Time: recordtest.T0}, "unknown kind"},
		{"reading without content", reports.Event{Time: recordtest.T0, Kind: reports.ReadingTaken}, "without its content"},
		{"second start", reports.Event{Time: recordtest.T0, Kind: reports.RunStarted, Start: &reports.Start{}}, "written by Begin"},
	} {
		if err := j.Append(tt.e); err == nil || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("%s: got %v, want %q", tt.name, err, tt.want)
		}
	}
	appendAll(t, j, recordtest.Events(reports.Passed))
	if err := j.Append(reports.Event{Time: recordtest.T0, Kind: reports.NoteMade}); !errors.Is(err, reports.ErrEnded) {
		t.Errorf("after the end: got %v, want ErrEnded", err)
	}
	s, err := j.Seal()
	if err != nil || s.Report.Outcome != reports.Passed {
		t.Errorf("refused events harmed the run: %s %v", s.Report.Outcome, err)
	}
}

// Numbers that JSON does not know are never recorded as something else.
func TestAppendNotFinite(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	a := openTest(t, t.TempDir())
	limit := &reports.Limit{Upper: new(1.0)}
	for i, rd := range []reports.Reading{
		{Value: reports.Number(nan), Verdict: reports.Pass, Limit: limit},
		{Value: reports.Number(-inf), Verdict: reports.Pass, Limit: limit},
		{Value: reports.Number(0.5), Verdict: reports.Pass, Limit: limit, Uncertainty: inf},
		{Value: reports.Number(0.5), Verdict: reports.Pass, Limit: &reports.Limit{Upper: &inf}},
		{Value: reports.Number(0.5), Verdict: reports.Pass, Limit: &reports.Limit{Upper: new(1.0), Guard: nan}},
	} {
		rd.Check, rd.Name = "standby", "current"
		events := recordtest.Events(reports.Passed)
		events[2].Reading = &rd
		events = slices.Insert(events, 3, reports.Event{Time: recordtest.T0, Kind: reports.CaptureKept, Capture: &reports.Capture{Check: "standby", Name: "c", Media: "text/csv",
			Plot: &reports.Plot{XLabel: "t / s", YLabel: "I / A", Series: []reports.Series{{X: []float64{0, 1, nan, 3}, Y: []float64{1, inf, 2, 3}}}}}})
		s := sealTest(t, a, fmt.Sprint("r", i), events)
		got := s.Report.Checks[0].Readings[0]
		if got.Verdict != reports.Error || got.Problem == nil || s.Report.Outcome != reports.Errored {
			t.Errorf("%d: reading %+v, outcome %s: want error", i, got, s.Report.Outcome)
		}
		if p := s.Report.Captures[0].Plot.Series[0]; !slices.Equal(p.X, []float64{0, 3}) || !slices.Equal(p.Y, []float64{1, 3}) {
			t.Errorf("%d: plot %+v, want the finite points only", i, p)
		}
	}
}

func FuzzReadJournal(f *testing.F) {
	f.Add(journalBytes(f, 1, 2, 3))
	f.Add(journalBytes(f, 3)[:100])
	f.Add([]byte("{\"crc\":\"00000000\",\"synced\":0,\"event\":{}}\n"))
	f.Fuzz(func(t *testing.T, data []byte) {
		events, _ := parseJournal("j", data)
		for i, e := range events {
			if e.Seq != int64(i+1) {
				t.Fatalf("event %d has number %d", i+1, e.Seq)
			}
		}
		if r, err := reports.Fold(events); err == nil && r.Outcome == reports.Passed && events[len(events)-1].Kind != reports.RunEnded {
			t.Fatal("passed without an end")
		}
	})
}

package guardian

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"slices"
	"strings"
	"sync"
	"time"

	"fullthrow/reports"
	"fullthrow/reports/archive"
	"fullthrow/reports/wording"
	"fullthrow/runner/bench"
	"fullthrow/runner/crash"
	"fullthrow/runner/station"
)

// watcher is the guardian's side.
type watcher struct {
	bench    *bench.File
	runner   int
	claim    *bench.Claim
	armed    map[int]bool
	runs     map[string]message // begin, by run
	errs     io.Writer
	stuck    int // looks without a beat
	ended    bool
	patience time.Duration
}

// Main is the guardian's process: it reads what its runner tells it from in until
// that is closed, answers at out, and says at errs what it did.
func Main(in io.Reader, out, errs io.Writer) {
	prepare()
	watch(in, out, errs, patience)
}

// watch is Main without what concerns the whole process; patience as for Rescue.
func watch(in io.Reader, out, errs io.Writer, patience time.Duration) {
	w := &watcher{claim: bench.Inherited(nil), armed: map[int]bool{}, runs: map[string]message{}, errs: errs,
		patience: patience}
	defer func() { w.claim.Release() }()
	messages := make(chan message)
	go func() {
		defer crash.Guard()
		defer close(messages)
		for d := json.NewDecoder(in); ; {
			var m message
			if d.Decode(&m) != nil { // also of half a message: who wrote it is gone
				return
			}
			messages <- m
		}
	}()
	answers := json.NewEncoder(out)
	looks := time.NewTicker(beatEvery)
	defer looks.Stop()
	for {
		select {
		case m, ok := <-messages:
			if !ok {
				w.gone()
				return
			}
			w.stuck = 0
			var r reply
			if err := w.carryOut(m); err != nil {
				r.Problem = err.Error()
			}
			if m.Do == doDone {
				w.claim = bench.Inherited(nil) // its runner's to give up
				_ = answers.Encode(r)
				return
			}
			_ = answers.Encode(r) // who does not hear it is gone, and the next message says so
		case <-looks.C:
			w.stuck++
			switch {
			case w.ended && w.stuck > stuckAfter+stuckEnds: // the kernel itself holds it
				w.gone()
				return
			case !w.ended && w.stuck >= stuckAfter && len(w.runs) > 0:
				w.ended = endStuck(w.runner) // its pipe closes now
			}
		}
	}
}

// carryOut does what a message asks for.
func (w *watcher) carryOut(m message) (err error) {
	switch m.Do {
	case doTake:
		if w.bench, err = bench.Parse(m.Name, m.Data, m.Models...); err != nil {
			return err
		}
		w.runner = m.Runner
		var files []*os.File
		for i, name := range m.Claim {
			files = append(files, os.NewFile(uintptr(3+i), name))
		}
		w.claim = bench.Inherited(files)
	case doArm:
		if w.bench == nil || m.Index < 0 || m.Index >= len(w.bench.Nests) {
			return fmt.Errorf("there is no nest %d", m.Index)
		}
		w.armed[m.Index] = true
	case doBegin:
		w.runs[m.Run] = m
	case doEnd:
		delete(w.runs, m.Run)
	case doBeat, doDone:
	default:
		return fmt.Errorf("it does not know %.20q", m.Do)
	}
	return nil
}

// gone makes safe what the runner had open, and says so.
func (w *watcher) gone() {
	if len(w.armed) == 0 {
		return
	}
	began := time.Now()
	w.claim.Gone(w.runner)
	made := map[string]station.Safety{} // by nest
	var mu sync.Mutex
	var wg sync.WaitGroup
	for i := range w.armed {
		wg.Go(func() {
			defer crash.Guard()
			s := w.bench.Rescue(context.Background(), i, bench.Machine(), w.patience)
			mu.Lock()
			defer mu.Unlock()
			made[w.bench.Nests[i].Name] = s
		})
	}
	wg.Wait()
	took := time.Since(began)
	var unsafe []reports.Unsafe
	var notes []string
	for _, s := range made {
		unsafe = append(unsafe, s.Record()...)
	}
	for run, m := range w.runs {
		left := made[m.Nest].Record()
		why := w.why(left, took)
		e := reports.Event{Time: time.Now(), Kind: reports.MadeSafe, Unsafe: left, Guardian: &why}
		if err := record(m.Dir, run, e); err != nil {
			notes = append(notes, fmt.Sprintf("note: run %s does not record that: %v", run, err))
		}
	}
	slices.Sort(notes)
	why := w.why(unsafe, took)
	words := wording.English()
	text := "\nfullthrow: " + words.Reason(&why)
	if warning := words.UnsafeWarning(unsafe); warning != "" {
		text += "\nNOT SAFE: " + warning + "\n" + strings.Join(words.Unsafe(unsafe), "\n")
	}
	told := make(chan struct{})
	go func() { // nobody may be reading
		defer crash.Guard()
		defer close(told)
		fmt.Fprintln(w.errs, strings.Join(append([]string{text}, notes...), "\n"))
	}()
	select {
	case <-told:
	case <-time.After(time.Second):
	}
}

// why is what came of it, for the record.
func (w *watcher) why(unsafe []reports.Unsafe, took time.Duration) reports.Reason {
	why := reports.Reason{Code: reports.GuardianSafe, Seconds: took.Round(time.Millisecond).Seconds()}
	if len(unsafe) > 0 {
		why = reports.Reason{Code: reports.GuardianUnsafe, Because: reports.UnsafeReason(unsafe).Because}
	}
	if w.ended {
		why = reports.Reason{Code: reports.RunnerStuck, Seconds: (stuckAfter * beatEvery).Seconds(),
			Because: []reports.Reason{why}}
	}
	return why
}

// record writes into a run's journal. The archive may still be held for a moment by
// the runner, which is on its way out, or by somebody who reads.
func record(dir, run string, e reports.Event) (err error) {
	for range 100 {
		if err = archive.Guarded(dir, run, e); err == nil || errors.Is(err, fs.ErrNotExist) {
			return nil // no journal: the run had not begun, or is sealed
		}
		time.Sleep(20 * time.Millisecond)
	}
	return err
}

// traced reports whether a debugger holds a process; false where nobody tells.
func traced(pid int) bool {
	data, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", pid))
	if err != nil {
		return false
	}
	for line := range strings.Lines(string(data)) {
		if by, ok := strings.CutPrefix(line, "TracerPid:"); ok {
			return strings.TrimSpace(by) != "0"
		}
	}
	return false
}

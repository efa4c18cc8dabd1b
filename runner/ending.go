package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"time"

	"fullthrow/drivers"
	"fullthrow/reports"
	"fullthrow/reports/wording"
	"fullthrow/runner/bench"
	"fullthrow/runner/crash"
	"fullthrow/runner/guardian"
	"fullthrow/runner/input"
	"fullthrow/runner/station"
	"fullthrow/runner/terminal"
)

// ending decides what ends a command that has a bench open, and how: whatever
// it is, the fixture is made safe first and what is under way is sealed. It is
// the one place for that; a command begins with
//
//		ctx, e := a.begin(ctx)
//		defer e.done()
//
//	  - A signal that asks the program to end, to stop or to abandon itself, and
//	    a terminal that has gone away, abort in order, as [station.Abort].
//	  - A pipe that nobody reads any more, a full disk behind the output: after
//	    outliveReaders, what would have been written is dropped and the run goes
//	    on.
//	  - A panic in any goroutine makes safe at once, past everything that may be
//	    stuck by it, then ends the runs as error, then the program.
//	  - A command that has not returned some time after it was asked to is made
//	    safe and ended in the same way.
//
// What no program can do anything about itself (SIGKILL, want of memory, a fatal
// error of Go's runtime, SIGSTOP) is for its guardian: see [ending.guard]. Where that
// is gone too, there is the heartbeat output and the watchdog in the fixture.
type ending struct {
	app     *app
	cancel  context.CancelCauseFunc
	heard   chan os.Signal
	ended   chan struct{} // closed when the command returns
	restore func()
	out     io.Writer // as they were
	errs    io.Writer
	log     *backlog // of [ending.logger]; nil: none

	mu   sync.Mutex
	held map[*bench.Opened]string // hardware that is open, by nest
	// guardian: nil without hardware.
	guardian *guardian.Guardian
	last     sync.Once
	// leaving: the program ends by leave, with its code and its words, also if
	// the command returns meanwhile.
	leaving atomic.Bool
}

const (
	// endTime is how long a command may take to return after it was asked to:
	// a nest that is stuck takes 6 s to be given up, a slow disk some seconds
	// more.
	endTime = 30 * time.Second
	// crashTime is how long the runs have to be sealed after a panic.
	crashTime = 5 * time.Second
)

// begin guards a command until done is called. The context returned is
// cancelled with a [station.Abort] when something asks the program to end.
func (a *app) begin(ctx context.Context) (context.Context, *ending) {
	e := &ending{app: a, heard: make(chan os.Signal, 16), ended: make(chan struct{}),
		held: map[*bench.Opened]string{}, out: a.out, errs: a.Errs}
	ctx, e.cancel = context.WithCancelCause(ctx)
	a.ending = e
	e.restore = crash.Handle(func(p *crash.Panic) { e.crashed(p, p.Stack) })
	for _, s := range stops {
		// Whoever started the program with nohup wants it to outlive the terminal.
		if s.signal != syscall.SIGHUP || !signal.Ignored(s.signal) {
			signal.Notify(e.heard, s.signal)
		}
	}
	go e.listen()
	return ctx, e
}

// outliveReaders lets the command go on when nobody reads what it writes any
// more: it does more than write.
func (e *ending) outliveReaders() {
	e.app.out = terminal.Shown(e.stream(terminal.Bare(e.out)))
	e.app.Errs = terminal.Shown(e.stream(terminal.Bare(e.errs)))
	// A write to a pipe without a reader is an error like any other from here
	// on: what is said last, after done, may go to one too.
	for _, s := range drop {
		signal.Notify(make(chan os.Signal, 1), s)
	}
	for _, s := range endure {
		signal.Ignore(s)
	}
}

// stop is a signal that ends a command in order, as people know it.
type stop struct {
	signal os.Signal
	name   string
}

// listen is the goroutine that takes the signals.
func (e *ending) listen() {
	defer crash.Guard()
	var late <-chan time.Time
	for {
		select {
		case s := <-e.heard:
			for _, k := range stops {
				if k.signal != s {
					continue
				}
				if late != nil {
					fmt.Fprintln(e.app.Errs, "\nstopping already: the fixture is being made safe")
					break
				}
				e.abort(k.name)
				late = time.After(endTime)
			}
		case <-late:
			e.leave(fmt.Errorf("it did not end within %v of being asked to", endTime),
				"something held it up: an output that nobody reads, a disk, a device", nil, 0)
		case <-e.ended:
			return
		}
	}
}

// abort ends what is under way because of why.
func (e *ending) abort(why string) {
	e.cancel(&station.Abort{Why: reports.Reason{Code: reports.StoppedBySignal, Text: why}})
}

// done is deferred by the command.
func (e *ending) done() {
	if p := recover(); p != nil {
		q := crash.Of(p)
		e.crashed(q, q.Stack)
		panic(p)
	}
	close(e.ended)
	if e.leaving.Load() {
		select {}
	}
	e.dismiss()
	e.log.end()
	e.restore()
	signal.Stop(e.heard)
	for _, s := range endure {
		signal.Reset(s)
	}
	e.cancel(nil)
	e.app.out, e.app.Errs, e.app.ending = e.out, e.errs, nil
}

// guard has nests of a bench guarded from before they are opened until the command
// returns; say tells people what becomes of the guardian.
func (e *ending) guard(ctx context.Context, b *bench.File, nests []int, say func(string)) (*guardian.Guardian, error) {
	g, err := guardian.Start(ctx, guardian.Options{Bench: b, Nests: nests, Say: say})
	if err != nil {
		f := &input.Failure{Code: input.ExitBench, Err: err}
		if input.HintOf(err) == "" {
			f.Hint("without a guardian no unit is run: it makes the fixture safe should this program be killed")
		}
		return nil, f
	}
	e.mu.Lock()
	defer e.mu.Unlock()
	e.guardian = g
	return g, nil
}

// dismiss lets the guardian go: all is safe and closed.
func (e *ending) dismiss() {
	e.mu.Lock()
	g := e.guardian
	e.guardian = nil
	e.mu.Unlock()
	if g != nil {
		g.Dismiss()
	}
}

// hold keeps the hardware of a nest in mind until it is closed.
func (e *ending) hold(nest string, n *bench.Opened) {
	e.mu.Lock()
	defer e.mu.Unlock()
	e.held[n] = nest
	n.OnClose(func() error { // first of all when it is closed
		e.mu.Lock()
		defer e.mu.Unlock()
		delete(e.held, n)
		return nil
	})
}

// crashed ends the program for a defect of its own: safe at once, without asking
// anything that may be stuck; beside it what is under way gets the chance to be
// sealed as an error; what is not is sealed as aborted when the records are
// opened next. It does not return.
func (e *ending) crashed(cause error, trace []byte) {
	hint := "this is a defect of fullthrow: keep this text and tell its makers"
	e.leave(cause, hint, trace, crashTime)
}

// exhausted ends the program before the system does it for want of memory, once
// every run is sealed: see [station.Config]. It does not return.
func (e *ending) exhausted(cause error) {
	e.leave(cause, "look at the plan that its last report names, then start the program again", nil, 0)
}

// leave ends the program with what it has to say and what to do about it; wait
// is how long the command may take to return by itself.
func (e *ending) leave(cause error, hint string, trace []byte, wait time.Duration) {
	e.leaving.Store(true)
	e.last.Do(func() {
		e.cancel(&station.Fault{Why: reports.Reason{Code: reports.ProgramEnds, Text: cause.Error(), Hint: hint}})
		unsafe := e.makeSafe()
		select {
		case <-e.ended:
			if unsafe == "" {
				e.dismiss()
			}
		case <-time.After(wait): // what may still be running may set an output: the guardian comes after it
		}
		now := cmp.Or(unsafe, "the fixture was made safe")
		told := make(chan struct{})
		go func() { // the output may be what is stuck
			defer crash.Guard()
			defer close(told)
			fmt.Fprintf(e.app.Errs, "\nfullthrow: %v\n%s\nhint: %s\n%s", cause, now, hint, trace)
		}()
		select {
		case <-told:
		case <-time.After(time.Second):
		}
		os.Exit(input.ExitBench)
	})
	select {} // others that crash at the same time wait for the end
}

// makeSafe makes all open hardware safe, side by side, and says what of it is
// not, "" if all is.
func (e *ending) makeSafe() string {
	e.mu.Lock()
	nests := make(map[*bench.Opened]string, len(e.held))
	for n, name := range e.held {
		nests[n] = name
	}
	e.mu.Unlock()
	results := make(chan string, len(nests))
	for n, name := range nests {
		go func() {
			defer crash.Guard()
			text := ""
			if unsafe := station.MakeSafe(drivers.System, n.Devices, n.Drives).Record(); len(unsafe) > 0 {
				text = fmt.Sprintf("NOT SAFE: nest %s: %s", name, wording.English().UnsafeWarning(unsafe))
			}
			results <- text
		}()
	}
	var list []string
	for range nests {
		list = append(list, <-results)
	}
	return strings.Join(terminal.NonEmpty(list...), "\n")
}

// stream is an output that is no reason to end: who reads it may go away, the
// disk behind it may be full. Once its reader has gone it swallows everything.
type stream struct {
	w    io.Writer
	file *os.File // nil: w is none
	gone func(error)
	mu   sync.Mutex
	shut bool
}

// File is the file that it writes to, nil if it is none.
func (s *stream) File() *os.File { return s.file }

func (e *ending) stream(w io.Writer) io.Writer {
	s := &stream{w: w}
	s.file, _ = w.(*os.File)
	s.gone = func(err error) {
		if s.file != nil && errors.Is(err, terminal.Gone) {
			e.abort("the end of its terminal")
		}
	}
	return s
}

// Write implements io.Writer; it never fails.
func (s *stream) Write(p []byte) (int, error) {
	s.mu.Lock()
	shut := s.shut
	s.mu.Unlock()
	if shut {
		return len(p), nil
	}
	if _, err := s.w.Write(p); err != nil && !errors.Is(err, syscall.ENOSPC) {
		s.mu.Lock()
		s.shut = true
		s.mu.Unlock()
		s.gone(err)
	}
	return len(p), nil
}

// backlog is an output that nobody waits for: a log whose reader has stopped
// reading must not hold up a station. What does not fit is dropped and counted.
type backlog struct {
	w     io.Writer
	lines chan []byte
	empty chan struct{} // closed when all is written after end
	mu    sync.Mutex
	lost  int
	shut  bool
	// note is the line that says how many were lost.
	note func(lost int) []byte
}

// backlogLines is how many lines may wait: some seconds of the busiest station.
const backlogLines = 1024

func newBacklog(w io.Writer, note func(lost int) []byte) *backlog {
	b := &backlog{w: w, lines: make(chan []byte, backlogLines), empty: make(chan struct{}), note: note}
	go func() {
		defer crash.Guard()
		defer close(b.empty)
		for line := range b.lines {
			b.w.Write(line)
			b.mu.Lock()
			lost := b.lost
			b.lost = 0
			b.mu.Unlock()
			if lost > 0 {
				b.w.Write(b.note(lost))
			}
		}
	}()
	return b
}

// Write implements io.Writer; it neither waits nor fails.
func (b *backlog) Write(p []byte) (int, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.shut {
		return len(p), nil
	}
	select {
	case b.lines <- append([]byte(nil), p...):
	default:
		b.lost++
	}
	return len(p), nil
}

// end writes what is left, as far as its reader takes it within a second.
func (b *backlog) end() {
	if b == nil {
		return
	}
	b.mu.Lock()
	if !b.shut {
		b.shut = true
		close(b.lines)
	}
	b.mu.Unlock()
	select {
	case <-b.empty:
	case <-time.After(time.Second):
	}
}

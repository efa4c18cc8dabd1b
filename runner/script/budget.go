package script

import (
	"fmt"
	"runtime"
	"runtime/metrics"
	"time"

	lua "github.com/yuin/gopher-lua"
)

// budget bounds what Lua computes and takes. Its fields are used by whoever
// holds the run's lock, the timer's function excepted.
type budget struct {
	run     *run
	steps   int64 // instructions since the run began
	next    int64 // when to poll
	last    int64 // steps at the last poll
	charged int64 // bytes of strings and captures made
	polled  int64 // charged at the last poll

	mark   int64  // own count at which the heap is looked at next
	base   uint64 // heap when the count reached a quarter of the bound, 0 before
	memory int64  // bytes it may take

	left     time.Duration // of Wall
	since    time.Time     // when Lua was entered
	timer    *time.Timer
	stepsEnd int64
}

const (
	pollSteps = 1 << 14 // instructions between polls: under a millisecond
	pollBytes = 1 << 20 // bytes charged between polls
	// stepBytes is the most an instruction takes, on average over any
	// sequence: a table with one named field takes about 2.5 kB in 5
	// instructions.
	stepBytes = 512
	// stepTime bounds instructions where the wall clock stands still (a
	// synctest bubble): no machine runs an instruction faster.
	stepTime = 5 * time.Nanosecond
)

func (m *budget) init(r *run) {
	m.run, m.memory, m.next = r, r.host.Memory, pollSteps
	m.mark = m.memory / 4
}

// begin gives a new check its processor time.
func (m *budget) begin() {
	m.left = m.run.host.Wall
	m.stepsEnd = m.steps + int64(m.run.host.Wall/stepTime)
}

func (m *budget) end() {
	if m.timer != nil {
		m.timer.Stop()
		m.timer = nil
	}
}

func (m *budget) resume() {
	m.since = time.Now()
	if m.timer == nil {
		r := m.run
		m.timer = time.AfterFunc(m.left, func() { r.end(r.outOfTime()) })
		return
	}
	m.timer.Reset(max(m.left, 0))
}

func (m *budget) pause() {
	m.left -= time.Since(m.since)
	if m.timer != nil {
		m.timer.Stop()
	}
}

// outOfTime may be called without the lock.
func (r *run) outOfTime() *Error {
	s := &Stop{Kind: StopProcessor, Text: fmt.Sprintf("the script computed for longer than %s without an end",
		seconds(r.host.Wall)),
		Hint: "look for a loop that never ends", After: r.host.Wall}
	return &Error{Text: s.Text, Hint: s.Hint, Err: s}
}

// charge counts bytes made for Lua by a binding.
func (t *task) charge(n int) {
	m := &t.run.budget
	m.charged += int64(n) + 16
	if m.charged-m.polled >= pollBytes {
		m.poll(t)
	}
}

// work counts what a binding does without the interpreter as n instructions,
// and raises what ends the run.
func (t *task) work(L *lua.LState, n int) {
	m := &t.run.budget
	if m.steps += int64(n); m.steps >= m.next {
		m.poll(t)
		t.checkpoint(L, nil)
	}
}

// poll looks at the bounds. It ends the run by its context; the interpreter
// notices before the next instruction.
func (m *budget) poll(t *task) {
	m.last, m.next, m.polled = m.steps, m.steps+pollSteps, m.charged
	r := m.run
	if r.ended.Load() != nil {
		return
	}
	if m.steps > m.stepsEnd && m.stepsEnd > 0 {
		e := r.outOfTime()
		e.File, e.Line = t.where(t.L)
		e.Check, e.Trace = r.current, t.trace(t.L)
		r.end(e)
		return
	}
	own := m.charged + m.steps*stepBytes
	if own < m.mark {
		return
	}
	if m.base == 0 {
		m.base = max(liveBytes(), 1)
		m.mark = m.memory
		return
	}
	m.mark = own + m.memory/64
	if int64(heapBytes())-int64(m.base) <= m.memory {
		return
	}
	runtime.GC()
	if int64(heapBytes())-int64(m.base) <= m.memory {
		m.mark = own + m.memory/4 // it was garbage
		return
	}
	// The heap is everybody's: who computes for long beside one that is greedy has
	// counted as much, and holds little.
	if underWay.Load() > 1 && t.holds(m.memory/4) < m.memory/4 {
		m.mark = own + m.memory/4
		return
	}
	s := &Stop{Kind: StopMemory, Text: fmt.Sprintf("the script took more than %d MiB of memory", m.memory>>20),
		Hint: "look for a table or a text that grows without end", Size: m.memory}
	e := &Error{Text: s.Text, Hint: s.Hint, Check: r.current, Err: s, Trace: t.trace(t.L)}
	e.File, e.Line = t.where(t.L)
	r.end(e)
}

// heapBytes is what the process has on its heap: live, and dead but not yet
// collected.
func heapBytes() uint64 { return heapMetric("/memory/classes/heap/objects:bytes") }

// liveBytes is what lived on the heap when the collector last looked. Growth is
// counted from it: garbage in its place would be room that the run may fill.
func liveBytes() uint64 { return heapMetric("/gc/heap/live:bytes") }

func heapMetric(name string) uint64 {
	s := []metrics.Sample{{Name: name}}
	metrics.Read(s)
	if s[0].Value.Kind() != metrics.KindUint64 {
		return 0
	}
	return s[0].Value.Uint64()
}

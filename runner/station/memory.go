package station

import (
	"errors"
	"math"
	"runtime/debug"
	"runtime/metrics"
	"slices"
	"sync"
	"time"

	"fullthrow/reports"
	"fullthrow/runner/crash"
)

// memoryPoll is how often the process's memory is looked at while a run is on,
// in real time. A plan that runs away takes some 50 MB in it.
const memoryPoll = 100 * time.Millisecond

// processMemory is the watch of this process: all nests share its memory.
var processMemory = &memoryWatch{used: memoryInUse, lives: memoryAlive, clean: debug.FreeOSMemory, room: memoryLeft,
	bound: debug.SetMemoryLimit}

// memoryWatch looks at the process's own memory while a run is on. The script
// host bounds by itself what a plan takes and knows its line; this is for what
// escapes it, such as a loop within the Lua library that nothing can stop.
//
// Growth past the first bound, half more than what the plans under way may take
// together, ends every run under way: they are made safe at once. Growth past
// twice that, with a plan that did not come back, ends the program, by
// [Config.Exhausted].
type memoryWatch struct {
	used  func() int64 // bytes the process uses, garbage not yet collected included
	lives func() int64 // of them without garbage, when the collector last looked
	clean func()       // collects the garbage
	room  func() int64 // bytes the process may still take; [noBound] where nothing says
	// bound sets what the collector works to keep the process within, and returns
	// what was set before, see [debug.SetMemoryLimit].
	bound func(int64) int64

	mu      sync.Mutex
	uses    []*memoryUse
	cleaned int64         // in use after the last cleaning
	stop    chan struct{} // ends the looks; nil: there are none
	others  int64         // the bound that was set when no run was on
	ending  error         // why the program must end, nil while it need not
}

// memoryUse is one run as the watch sees it: from the start of its plan until
// the plan came back and the report is sealed.
type memoryUse struct {
	watch     *memoryWatch
	may       int64 // what the plan may take
	base      int64 // in use when it began
	room      int64 // there was then
	end       func(error)
	exhausted func(error) // Config.Exhausted
	// press is closed when there is no time left to wait for the plan.
	press chan struct{}

	told, pressed, isBack, isSealed bool
}

// noBound is more than any computer has.
const noBound = 1 << 50

// enter begins to watch a run whose plan may take so many bytes; end cancels
// it. What is left of the system's memory may allow it less: see may.
func (w *memoryWatch) enter(may int64, end, exhausted func(error)) *memoryUse {
	room := w.room()
	u := &memoryUse{watch: w, may: min(may, room/3), base: w.used(), room: room,
		end: end, exhausted: exhausted, press: make(chan struct{})}
	w.mu.Lock()
	defer w.mu.Unlock()
	w.uses = append(w.uses, u)
	if w.stop == nil {
		w.cleaned = 0
		w.others = w.bound(-1)
		w.stop = make(chan struct{})
		stop := w.stop
		go func() {
			defer crash.Guard()
			w.run(stop)
		}()
	}
	w.collect()
	return u
}

// collect has garbage collected before the process passes the first bound. A third
// of that is left to garbage whatever lives, such as the answer to a page's
// question: a collector without room would do nothing else.
func (w *memoryWatch) collect() {
	most := int64(0)
	for _, u := range w.uses {
		first, _ := w.bounds(u)
		most = max(most, u.base+first, w.lives()+first/3)
	}
	w.bound(min(most, w.others))
}

// back says that the plan's goroutine has ended.
func (u *memoryUse) back() { u.leave(&u.isBack) }

// sealed says that everything is safe and on record.
func (u *memoryUse) sealed() { u.leave(&u.isSealed) }

func (u *memoryUse) leave(by *bool) {
	w := u.watch
	w.mu.Lock()
	defer w.mu.Unlock()
	*by = true
	if !slices.ContainsFunc(w.uses, func(o *memoryUse) bool { return o.told && !o.isBack }) {
		w.ending = nil // all came back after all
	}
	if u.isBack && u.isSealed {
		w.uses = slices.DeleteFunc(w.uses, func(o *memoryUse) bool { return o == u })
	}
	if len(w.uses) == 0 && w.stop != nil {
		w.bound(w.others)
		close(w.stop)
		w.stop = nil
	}
}

// mustEnd is why the program takes no more runs, nil if it does.
func (w *memoryWatch) mustEnd() error {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.ending
}

func (w *memoryWatch) run(stop chan struct{}) {
	tick := time.NewTicker(memoryPoll)
	defer tick.Stop()
	for {
		select {
		case <-stop:
			return
		case <-tick.C:
			w.look()
		}
	}
}

// bounds are what the process may grow by while u is on: past the first, runs
// are ended; past the second, the program.
func (w *memoryWatch) bounds(u *memoryUse) (first, second int64) {
	sum := int64(0)
	for _, o := range w.uses {
		sum += o.may
	}
	first = min(sum+sum/2, u.room/2)
	return first, min(2*first, u.room/4*3)
}

// past tells whether growth since a run began is past one of its bounds, and
// not only by garbage.
func (w *memoryWatch) past(runs []*memoryUse, bound func(*memoryUse) int64) bool {
	over := func(now int64) bool {
		return slices.ContainsFunc(runs, func(u *memoryUse) bool {
			b := bound(u)
			// Once found to be garbage, it takes half as much again for
			// another cleaning: each stops the plans for a moment.
			return now-u.base > b && now > w.cleaned+b/2
		})
	}
	if !over(w.used()) {
		return false
	}
	w.clean()
	w.cleaned = 0
	now := w.used()
	if over(now) {
		return true
	}
	w.cleaned = now
	for _, u := range w.uses {
		u.base = min(u.base, now) // there was garbage when it began
	}
	return false
}

// look compares what is in use with the bounds and does what must be done.
func (w *memoryWatch) look() {
	w.mu.Lock()
	defer w.mu.Unlock()
	if len(w.uses) == 0 {
		return // the last left just now
	}
	w.collect()
	var on, lost []*memoryUse // plans under way; those that were told to end and have not
	for _, u := range w.uses {
		if !u.isBack {
			on = append(on, u)
			if u.told {
				lost = append(lost, u)
			}
		}
	}
	if len(lost) > 0 && w.ending == nil && w.past(lost, func(u *memoryUse) int64 { _, b := w.bounds(u); return b }) {
		w.ending = &Fault{Why: reports.Reason{Code: reports.MemoryLost}}
	}
	if w.ending != nil || w.past(on, func(u *memoryUse) int64 { b, _ := w.bounds(u); return b }) {
		fault := w.fault(on)
		for _, u := range on {
			if !u.told {
				u.told = true
				u.end(fault)
			}
			if w.ending != nil && !u.pressed {
				u.pressed = true
				close(u.press)
			}
		}
	}
	if w.ending == nil || slices.ContainsFunc(w.uses, func(u *memoryUse) bool { return !u.isSealed }) {
		return
	}
	for _, u := range lost {
		if u.exhausted != nil {
			hook := u.exhausted
			for _, o := range w.uses {
				o.exhausted = nil // once is enough
			}
			go func(why error) {
				defer crash.Guard()
				hook(why)
			}(w.ending)
			return
		}
	}
}

// errMemory marks the fault of a run whose plan took the memory.
var errMemory = errors.New("too much memory")

// fault is why runs are ended. Only of a single run can it be said that its
// plan took the memory.
func (w *memoryWatch) fault(on []*memoryUse) *Fault {
	sum := int64(0)
	for _, u := range on {
		sum += u.may
	}
	if len(on) > 1 {
		return &Fault{Why: reports.Reason{Code: reports.MemoryTogether, Size: sum, Count: len(on)}}
	}
	return &Fault{reports.Reason{Code: reports.MemoryTaken, Size: sum}, errMemory}
}

// memoryInUse is what Go holds of the system's memory: all that a plan takes is
// Go's. What it holds ready for later use is not counted.
func memoryInUse() int64 {
	m := goMemory("/memory/classes/total:bytes", "/memory/classes/heap/released:bytes",
		"/memory/classes/heap/free:bytes")
	return m[0] - m[1] - m[2]
}

// memoryAlive is [memoryInUse] without garbage, as far as the last collection knows.
func memoryAlive() int64 {
	m := goMemory("/gc/heap/live:bytes", "/memory/classes/heap/objects:bytes")
	return memoryInUse() + min(0, m[0]-m[1])
}

// goMemory reads figures of the Go runtime, 0 each where it does not know one.
func goMemory(names ...string) []int64 {
	s := make([]metrics.Sample, len(names))
	for i, n := range names {
		s[i].Name = n
	}
	metrics.Read(s)
	out := make([]int64, len(names))
	for i, v := range s {
		if v.Value.Kind() != metrics.KindUint64 {
			return make([]int64, len(names))
		}
		out[i] = int64(min(v.Value.Uint64(), math.MaxInt64))
	}
	return out
}

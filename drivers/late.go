package drivers

import (
	"slices"
	"sync"
	"time"
)

// LateHint is what to do about an error of kind [Late].
const LateHint = "the computer could not keep up, or held a wire up: close other programs, let it neither sleep nor " +
	"save power, and test again; this says nothing about the unit"

// LateError is an error of kind [Late], with its hint.
func LateError(device, op, format string, args ...any) *Error {
	return Errorf(device, op, Late, format, args...).WithHint(LateHint)
}

// A Staller is a clock that knows when this process stood still: stopped, put to
// sleep with the computer, or without a processor. [System] does while somebody
// has called [WatchStalls]; the simulated clock knows what it was told.
type Staller interface {
	// Stalled is the longest stretch between from and to in which the process
	// stood still, 0 if it did not.
	Stalled(from, to time.Time) time.Duration
}

// Stalled asks a clock; one that does not know has not stood still.
func Stalled(clock Clock, from, to time.Time) time.Duration {
	if s, ok := clock.(Staller); ok && from.Before(to) {
		return s.Stalled(from, to)
	}
	return 0
}

const (
	// stallTick is how often the watch wakes up.
	stallTick = 5 * time.Millisecond
	// stallLeast is by how much it must wake up late for it to be noted: less is
	// what a timer of a computer with something else to do is late by.
	stallLeast = 10 * time.Millisecond
	// stallsKept is how many stalls are kept, the newest; a run has few, or is
	// late many times over.
	stallsKept = 1024
)

// stall is a stretch in which the process stood still.
type stall struct{ from, to time.Time }

// within is how much of it lies between from and to.
func (s stall) within(from, to time.Time) time.Duration {
	if s.from.After(from) {
		from = s.from
	}
	if s.to.Before(to) {
		to = s.to
	}
	return max(0, to.Sub(from))
}

// stallWatch notes gaps between its own wake-ups.
type stallWatch struct {
	mu     sync.Mutex
	users  int
	stop   chan struct{}
	last   time.Time // it was awake
	stalls []stall   // in order of time
	failed PanicOf   // of the watch
}

var stalls stallWatch

// WatchStalls has [System] note when this process stands still, until stop is
// called. It may be called by several at once.
func WatchStalls() (stop func()) {
	stalls.mu.Lock()
	defer stalls.mu.Unlock()
	if stalls.users++; stalls.users == 1 {
		stalls.last, stalls.stop = time.Now(), make(chan struct{})
		go func(stop chan struct{}) {
			defer stalls.failed.Recover()
			stalls.watch(stop)
		}(stalls.stop)
	}
	return sync.OnceFunc(func() {
		stalls.mu.Lock()
		defer stalls.mu.Unlock()
		if stalls.users--; stalls.users == 0 {
			close(stalls.stop)
		}
		stalls.failed.Raise()
	})
}

func (w *stallWatch) watch(stop <-chan struct{}) {
	tick := time.NewTicker(stallTick)
	defer tick.Stop()
	asleep := suspended()
	for {
		select {
		case <-stop:
			return
		case <-tick.C:
		}
		was := asleep
		asleep = suspended()
		w.mu.Lock()
		if stop == w.stop {
			w.wake(time.Now(), asleep-was)
		}
		w.mu.Unlock()
	}
}

// wake notes that the watch is awake. The machine's clock stands still while
// the computer sleeps, which slept is known by.
func (w *stallWatch) wake(now time.Time, slept time.Duration) {
	from := w.last.Add(stallTick)
	w.last = now
	if slept > stallLeast {
		from = now.Add(-slept)
	} else if now.Sub(from) < stallLeast {
		return
	}
	if len(w.stalls) == stallsKept {
		w.stalls = slices.Delete(w.stalls, 0, stallsKept/2)
	}
	w.stalls = append(w.stalls, stall{from, now})
}

// longest is the longest stretch between from and to. What has been going on
// since the watch was last awake counts: who asks may be awake before it.
func (w *stallWatch) longest(from, to time.Time) (longest time.Duration) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.users > 0 && to.Sub(w.last) > stallTick+stallLeast {
		longest = stall{w.last.Add(stallTick), to}.within(from, to)
	}
	for _, s := range slices.Backward(w.stalls) {
		if s.to.Before(from) {
			break
		}
		longest = max(longest, s.within(from, to))
	}
	return longest
}

func (systemClock) Stalled(from, to time.Time) time.Duration { return stalls.longest(from, to) }

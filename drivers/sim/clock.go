package sim

import (
	"context"
	"math"
	"sync"
	"sync/atomic"
	"time"

	"fullthrow/drivers"
)

// Clock is a virtual clock: waiting costs nothing and always happens in the
// same order.
//
// The functions started by [Clock.Together] are tasks. One task of a group runs
// at a time; it runs until it calls Sleep (or waits at a port of the bench),
// and then the task with the earliest wake time goes on, ties in the order in
// which they began to wait. A task whose context is cancelled wakes at the
// present moment. A Together inside a task adds to the task's group.
//
// A caller whose context carries no task of this clock is foreign: its Sleep
// moves the clock on and returns, without waiting for anybody. So a task that
// never comes back to the clock holds up its own group and nobody else; when it
// does come back after its context was cancelled, Sleep returns the cause.
//
// A Together from a foreign caller makes a group of its own. Two groups at work
// at the same time share the present moment but not the order: use a clock per
// nest where repeatability matters.
//
// [NewPacedClock] makes one whose waits take their time, for people to watch.
type Clock struct {
	start time.Time
	now   atomic.Int64 // ns since start; changed under mu
	mu    sync.Mutex   // held for moments only, never over a wait
	pace  *pace        // nil: waiting costs nothing

	stalls stretches // of the program, in ns since start; under mu
}

var (
	_ drivers.Clock   = (*Clock)(nil)
	_ drivers.Staller = (*Clock)(nil)
)

// NewClock returns a clock that stands at start.
func NewClock(start time.Time) *Clock { return &Clock{start: start} }

// group is a set of tasks of which one runs at a time.
type group struct {
	waiting []*task
	seq     uint64
	roots   int           // tasks of the first Together not yet returned
	done    chan struct{} // closed when roots is 0
	poke    chan struct{} // capacity 1, on a paced clock: look at the waiting again
}

type task struct {
	group    *group
	wake     chan struct{}   // capacity 1: the baton
	ctx      context.Context // of the Sleep under way
	at       int64           // wake time, ns
	seq      uint64
	parked   bool
	finished bool
	parent   *task // nil for the tasks of the first Together
	children int   // tasks of the Together under way
}

// taskKey finds the task of clock c in a context.
type taskKey struct{ c *Clock }

// Now is the present moment.
func (c *Clock) Now() time.Time {
	if c.pace != nil {
		c.mu.Lock()
		c.pace.idle(c)
		c.mu.Unlock()
	}
	return c.start.Add(time.Duration(c.now.Load()))
}

// Sleep waits for d; see [Clock] for who goes on meanwhile. d <= 0 only checks
// ctx. A wake time beyond the range of time.Duration (292 years) is the end of
// that range.
func (c *Clock) Sleep(ctx context.Context, d time.Duration) error {
	if ctx.Err() != nil {
		return context.Cause(ctx)
	}
	if d <= 0 {
		return nil
	}
	t, _ := ctx.Value(taskKey{c}).(*task)
	c.mu.Lock()
	if c.pace != nil && (t == nil || t.parked || t.finished) {
		c.mu.Unlock()
		return c.foreign(ctx, d)
	}
	until := c.now.Load()
	if int64(d) > math.MaxInt64-until {
		until = math.MaxInt64
	} else {
		until += int64(d)
	}
	until = c.stalls.after(until)
	if t == nil || t.parked || t.finished {
		c.now.Store(until)
		c.mu.Unlock()
		return context.Cause(ctx)
	}
	t.ctx = ctx
	next := t
	switch {
	case c.pace != nil:
		t.group.park(t, until)
		next = c.await(t.group)
	case len(t.group.waiting) == 0:
		c.now.Store(until)
	default:
		t.group.park(t, until)
		next = c.next(t.group)
	}
	c.mu.Unlock()
	if next != t {
		next.wake <- struct{}{}
		<-t.wake
	}
	if ctx.Err() != nil {
		return context.Cause(ctx)
	}
	return nil
}

// park puts t among the waiting. c.mu is held.
func (g *group) park(t *task, at int64) {
	g.seq++
	t.at, t.seq, t.parked = at, g.seq, true
	g.waiting = append(g.waiting, t)
}

// next takes out the waiting task whose turn it is and moves the clock to its
// wake time. There must be one. c.mu is held.
func (c *Clock) next(g *group) *task {
	now := c.now.Load()
	best := 0
	for i, w := range g.waiting {
		if w.at > now && w.ctx.Err() != nil {
			w.at = now
		}
		if b := g.waiting[best]; w.at < b.at || w.at == b.at && w.seq < b.seq {
			best = i
		}
	}
	t := g.waiting[best]
	last := len(g.waiting) - 1
	g.waiting[best], g.waiting[last] = g.waiting[last], nil
	g.waiting = g.waiting[:last]
	t.parked = false
	if t.at > now {
		c.now.Store(t.at)
	}
	return t
}

// Together runs the functions as tasks and returns when every one has
// returned.
func (c *Clock) Together(ctx context.Context, fns ...func(context.Context)) {
	if len(fns) == 0 {
		return
	}
	parent, _ := ctx.Value(taskKey{c}).(*task)
	c.mu.Lock()
	if parent != nil && (parent.parked || parent.finished) {
		parent = nil
	}
	g := &group{}
	if parent != nil {
		g = parent.group
		parent.ctx, parent.children = ctx, len(fns)
	} else {
		g.roots, g.done = len(fns), make(chan struct{})
		if c.pace != nil {
			c.pace.begin(c)
		}
	}
	var first drivers.PanicOf
	for _, fn := range fns {
		t := &task{group: g, wake: make(chan struct{}, 1), parent: parent}
		t.ctx = context.WithValue(ctx, taskKey{c}, t)
		g.park(t, c.now.Load())
		go func(ctx context.Context) {
			<-t.wake
			defer c.finish(t)
			defer first.Recover()
			fn(ctx)
		}(t.ctx)
	}
	next := c.next(g)
	c.mu.Unlock()
	next.wake <- struct{}{}
	if parent != nil {
		<-parent.wake
	} else {
		<-g.done
	}
	first.Raise()
}

// finish passes the baton on from a task that has returned.
func (c *Clock) finish(t *task) {
	c.mu.Lock()
	g := t.group
	t.finished = true
	if p := t.parent; p != nil {
		if p.children--; p.children == 0 {
			g.park(p, c.now.Load())
		}
	} else if g.roots--; g.roots == 0 {
		if c.pace != nil {
			c.pace.groups--
		}
		close(g.done)
	}
	var next *task
	if len(g.waiting) > 0 {
		if c.pace != nil {
			next = c.await(g)
		} else {
			next = c.next(g)
		}
	}
	c.mu.Unlock()
	if next != nil {
		next.wake <- struct{}{}
	}
}

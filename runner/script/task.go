package script

import (
	"context"
	"errors"
	"fmt"
	"runtime/debug"
	"time"

	lua "github.com/yuin/gopher-lua"
)

const (
	maxCalls    = 200 // Lua functions under way in one task
	maxTasks    = 64  // tasks of a run, waiting ones counted
	maxTogether = 16  // functions of one together
)

// task is one line of Lua: the plan itself, or one function of a together. Its
// fields are used by whoever holds the run's lock.
type task struct {
	run  *run
	L    *lua.LState
	ctx  context.Context // for Go calls: carries the simulated clock's task
	done <-chan struct{}
	// Where a together started this task, "" for the plan itself.
	file  string
	line  int
	above string // trace of the task that waits for this one

	since    time.Time // the end of the last call of this check, zero before the first
	beside   *beside   // of the together that started this task, nil for the plan itself
	waited   bool      // in it
	captured bool      // in it
}

func newTask(r *run, L *lua.LState, ctx context.Context) *task {
	t := &task{run: r, L: L}
	t.use(ctx)
	return t
}

// use makes ctx the one that ends this task.
func (t *task) use(ctx context.Context) {
	t.ctx, t.done = ctx, ctx.Done()
	t.L.SetContext(&pulse{ctx, t})
}

// pulse is the context the interpreter asks before every instruction whether
// to go on; that is where instructions are counted.
type pulse struct {
	context.Context
	t *task
}

// Done is called by the interpreter, with the lock held.
func (p *pulse) Done() <-chan struct{} {
	m := &p.t.run.budget
	if m.steps++; m.steps >= m.next {
		m.poll(p.t)
	}
	return p.t.done
}

// taskOf finds the task a binding is called by.
func taskOf(L *lua.LState) *task { return L.Context().(*pulse).t }

// enter waits for the interpreter. It takes no notice of the context: whoever
// holds the lock gives it up soon (at a wait, or ended by the budget), and a
// task may not run without it.
func (t *task) enter() { t.run.lock <- struct{}{}; t.run.budget.resume() }

func (t *task) leave() { t.run.budget.pause(); <-t.run.lock }

// outside makes a Go call that may wait, while other tasks run.
func (t *task) outside(f func(ctx context.Context) error) error {
	t.leave()
	defer t.enter()
	return f(t.ctx)
}

// device makes a call to a device or the clock and raises what went wrong.
func (t *task) device(L *lua.LState, f func(ctx context.Context) error) {
	t.checkpoint(L, nil)
	err := t.outside(f)
	t.since = t.run.host.Clock.Now()
	t.checkpoint(L, err)
}

// checkpoint raises err, and before it whatever must end the run.
func (t *task) checkpoint(L *lua.LState, err error) {
	if ended := t.run.ended.Load(); ended != nil {
		t.raise(L, ended, ended.Hint)
	}
	if cause := context.Cause(t.ctx); cause != nil {
		var s *Stop
		if errors.As(cause, &s) { // a deadline of the real clock
			t.stop(L, s.because(err))
		}
		t.raise(L, cause, "")
	}
	if s := t.run.passed(); s != nil {
		t.stop(L, s.because(err))
	}
	if err != nil {
		t.raise(L, err, "")
	}
}

// because adds the error of the call that took so long.
func (s *Stop) because(err error) *Stop {
	if err == nil || errors.Is(err, s) {
		return s
	}
	c := *s
	c.Text += ": " + err.Error()
	c.Err = err
	return &c
}

// left is the time to the nearest deadline.
func (t *task) left() (time.Duration, *Stop) {
	d := t.run.deadline.or(t.run.whole)
	return d.at.Sub(t.run.host.Clock.Now()), d.stop
}

// fits ends the run at once if something that takes d would not end in time.
func (t *task) fits(L *lua.LState, what string, d time.Duration) {
	if left, s := t.left(); d > left {
		c := *s
		c.Text = fmt.Sprintf("%s, or would during %s of %s", s.Text, what, seconds(d))
		t.stop(L, &c)
	}
}

// wait is wait(seconds).
func wait(t *task, L *lua.LState) int {
	t.inCheck(L, "wait")
	d := t.duration(L, "wait: the time", L.Get(1))
	if left, _ := t.left(); d > left {
		d = max(left, 0) + 1 // past it, by as little as the clock can tell
	}
	_, took := t.timed(L, "wait", seconds(d), func(ctx context.Context) error {
		return t.run.host.Clock.Sleep(ctx, d)
	})
	if took > waits(d) {
		t.late(L, "wait", seconds(d), "took %v", took.Round(time.Millisecond))
	}
	t.waited = true
	return 0
}

// together is together(f, g, ...).
func together(t *task, L *lua.LState) int {
	t.inCheck(L, "together")
	n := L.GetTop()
	if n == 0 {
		return t.raisef(L, "together(function() ... end, function() ... end)", "together: no functions")
	}
	if n > maxTogether {
		return t.raisef(L, "", "together: %d functions: at most %d", n, maxTogether)
	}
	fns := make([]*lua.LFunction, n)
	for i := range fns {
		fn, ok := L.Get(i + 1).(*lua.LFunction)
		if !ok {
			return t.raisef(L, "hand over the function itself, or wrap the call: function() ... end",
				"together: argument %d is %s; it must be a function", i+1, describe(L.Get(i+1)))
		}
		fns[i] = fn
	}
	r := t.run
	if r.tasks+n > maxTasks {
		return t.raisef(L, "a together calls itself without end?", "together: more than %d tasks at once", maxTasks)
	}
	t.checkpoint(L, nil)
	r.tasks += n
	defer func() { r.tasks -= n }()

	file, line := t.where(L)
	above := t.trace(L)
	ctx, cancel := context.WithCancelCause(t.ctx)
	defer cancel(nil)
	results := make([]lua.LValue, n)
	var first error // with the lock held
	side := &beside{}
	calls := make([]func(context.Context), n)
	for i := range fns {
		t.charge(64 << 10) // stacks
		th, drop := L.NewThread()
		drop()
		calls[i] = func(ctx context.Context) {
			r.lock <- struct{}{}
			r.budget.resume()
			defer func() { r.budget.pause(); <-r.lock }()
			sub := newTask(r, th, ctx)
			sub.file, sub.line, sub.above, sub.since, sub.beside = file, line, above, t.since, side
			v, err := sub.call(fns[i])
			results[i] = v
			if err != nil && first == nil {
				first = err
				cancel(err)
			}
		}
	}
	err := t.outside(func(context.Context) error {
		r.host.Clock.Together(ctx, calls...)
		return nil
	})
	t.checkpoint(L, err)
	if first != nil {
		var api *lua.ApiError
		if errors.As(first, &api) {
			L.Error(api.Object, 0) // as it was: a value that pcall can look into
		}
		t.raise(L, first, "")
	}
	t.since = r.host.Clock.Now()
	if err := side.order(); err != nil {
		t.raise(L, err, "")
	}
	for _, v := range results {
		L.Push(v)
	}
	return n
}

// call runs fn in this task and returns its first result.
func (t *task) call(fn *lua.LFunction) (v lua.LValue, err error) {
	v = lua.LNil
	defer func() {
		if p := recover(); p != nil {
			err = t.run.panicked(t, p)
		}
	}()
	L := t.L
	L.Push(fn)
	if err := L.PCall(0, 1, nil); err != nil {
		t.noPanic(err)
		return lua.LNil, err
	}
	if err := context.Cause(t.ctx); err != nil {
		return lua.LNil, err
	}
	return L.Get(-1), nil
}

// panicked ends the run for a Go panic.
func (r *run) panicked(t *task, p any) *Error {
	s := &Stop{Kind: StopPanic, Text: fmt.Sprintf("internal error: %v", p), Hint: defectHint}
	if err, ok := p.(error); ok {
		s.Err = err
	}
	e := &Error{Text: s.Text, Hint: s.Hint, Check: r.current, Err: s, Trace: string(debug.Stack())}
	e.File, e.Line = t.where(t.L)
	r.end(e)
	return e
}

// noPanic ends the run if err is a Go panic that the interpreter caught.
func (t *task) noPanic(err error) {
	var api *lua.ApiError
	if errors.As(err, &api) && api.Type == lua.ApiErrorPanic {
		t.run.end(t.asError(err))
	}
}

// pcall is pcall(f, ...): see the package comment for what it does not catch.
func pcall(t *task, L *lua.LState) int {
	if L.GetTop() == 0 {
		return t.raisef(L, "", "pcall: no function")
	}
	err := L.PCall(L.GetTop()-1, lua.MultRet, nil)
	if err == nil {
		t.mustGoOn(L, nil)
		L.Insert(lua.LTrue, 1)
		return L.GetTop()
	}
	v := t.caught(L, err)
	L.SetTop(0)
	L.Push(lua.LFalse)
	L.Push(v)
	return 2
}

// xpcall is xpcall(f, handler): the handler runs after the call has ended.
func xpcall(t *task, L *lua.LState) int {
	fn, handler := L.Get(1), L.Get(2)
	L.SetTop(0)
	L.Push(fn)
	err := L.PCall(0, lua.MultRet, nil)
	if err == nil {
		t.mustGoOn(L, nil)
		L.Insert(lua.LTrue, 1)
		return L.GetTop()
	}
	v := t.caught(L, err)
	L.SetTop(0)
	L.Push(handler)
	L.Push(v)
	L.Call(1, lua.MultRet)
	L.Insert(lua.LFalse, 1)
	return L.GetTop()
}

// caught is the value a script gets to see for err, if it may.
func (t *task) caught(L *lua.LState, err error) lua.LValue {
	t.noPanic(err)
	t.mustGoOn(L, err)
	var api *lua.ApiError
	if errors.As(err, &api) {
		return api.Object
	}
	return lua.LString(err.Error())
}

// mustGoOn raises again what no script may catch.
func (t *task) mustGoOn(L *lua.LState, err error) {
	if t.run.ended.Load() == nil && t.ctx.Err() == nil {
		return
	}
	var api *lua.ApiError
	if errors.As(err, &api) {
		L.Error(api.Object, 0)
	}
	t.checkpoint(L, nil)
}

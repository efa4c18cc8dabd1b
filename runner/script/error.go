package script

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	lua "github.com/yuin/gopher-lua"

	"fullthrow/drivers"
)

// Error is an error in a plan, or one that ended it. It reads
// "plan.lua:12: text".
type Error struct {
	File  string // plan file as given to [Load], or "lib/name.lua"; "" where no line of Lua is to blame
	Line  int    // 0 with File: the file as a whole
	Text  string
	Hint  string // what to do about it, for people; may be empty
	Trace string // one line per Lua function under way, innermost first; may be empty
	Check string // the check under way, "" at the top level
	Err   error  // the Go cause (a *drivers.Error, a [*Stop], a context's cause), nil for an error of the script
}

// Advice is the hint: what to do about it, for people.
func (e *Error) Advice() string { return e.Hint }

func (e *Error) Error() string {
	switch {
	case e.File == "":
		return e.Text
	case e.Line == 0:
		return e.File + ": " + e.Text
	}
	return fmt.Sprintf("%s:%d: %s", e.File, e.Line, e.Text)
}

func (e *Error) Unwrap() error { return e.Err }

// StopKind says which bound ended a run.
type StopKind string

// The kinds of [Stop].
const (
	StopDeadline  StopKind = "deadline"       // of a check or of the plan, in time of the bench's clock
	StopProcessor StopKind = "processor time" // Lua ran for longer than Host.Wall
	StopMemory    StopKind = "memory"
	StopPanic     StopKind = "panic"  // a defect of this program or of a driver
	StopMisuse    StopKind = "misuse" // the plan did what makes its readings unsure: the same reading twice
	StopRecord    StopKind = "record" // the Recorder failed
)

// Stop ends a run; a script cannot catch it. Find it with errors.As.
type Stop struct {
	Kind StopKind
	Text string
	Hint string
	Err  error // cause, may be nil

	After    time.Duration // of a deadline or of processor time
	Size     int64         // bytes, of memory
	Check    string        // of a check's deadline, or of misuse
	Readings []string      // of misuse
}

func (s *Stop) Error() string { return s.Text }

func (s *Stop) Unwrap() error { return s.Err }

// Timeout reports whether a deadline passed.
func (s *Stop) Timeout() bool { return s.Kind == StopDeadline }

// failure is the Lua value that carries a Go error through Lua.
type failure struct {
	err   error
	hint  string
	file  string
	line  int
	trace string
}

func (f *failure) text() string { return f.err.Error() }

// field is what a script can read of a caught error.
func (f *failure) field(key string) (string, bool) {
	var d *drivers.Error
	isDevice := errors.As(f.err, &d)
	switch key {
	case "message":
		return f.text(), true
	case "hint":
		return f.hint, true
	case "device":
		if isDevice {
			return d.Device, true
		}
		return "", true
	case "kind":
		if isDevice {
			return string(d.Kind), true
		}
		return "script", true
	}
	return "", false
}

// hintOf finds the hint of a Go error.
func hintOf(err error) string {
	var d *drivers.Error
	var s *Stop
	var h interface{ Hint() string }
	switch {
	case errors.As(err, &d) && d.Hint != "":
		return d.Hint
	case errors.As(err, &s):
		return s.Hint
	case errors.As(err, &h):
		return h.Hint()
	}
	return ""
}

// raise ends the current Lua call with a Go error. It does not return.
func (t *task) raise(L *lua.LState, err error, hint string) int {
	if hint == "" {
		hint = hintOf(err)
	}
	f := &failure{err: err, hint: hint}
	f.file, f.line = t.where(L)
	f.trace = t.trace(L)
	t.charge(len(f.trace) + len(f.hint) + 1024)
	L.Error(t.run.failureValue(f), 0)
	return 0
}

// raisef raises an error of the script, with the position of the Lua line that
// called.
func (t *task) raisef(L *lua.LState, hint, format string, args ...any) int {
	return t.raise(L, fmt.Errorf(format, args...), hint)
}

// stop ends the run and then the current Lua call.
func (t *task) stop(L *lua.LState, s *Stop) int {
	f, l := t.where(L)
	t.run.end(&Error{File: f, Line: l, Text: s.Text, Hint: s.Hint, Trace: t.trace(L), Check: t.run.current, Err: s})
	return t.raise(L, s, s.Hint)
}

func (r *run) failureValue(f *failure) *lua.LUserData {
	return &lua.LUserData{Value: f, Env: r.globals, Metatable: r.meta.failure}
}

// where is the innermost Lua line under way: of this task, else of the
// together that started it.
func (t *task) where(L *lua.LState) (file string, line int) {
	for level := 0; ; level++ {
		d, ok := L.GetStack(level)
		if !ok {
			return t.file, t.line
		}
		if _, err := L.GetInfo("Sl", d, nil); err == nil && d.CurrentLine > 0 {
			return d.Source, d.CurrentLine
		}
	}
}

func (t *task) trace(L *lua.LState) string {
	var b strings.Builder
	for level := 0; level < 40; level++ {
		d, ok := L.GetStack(level)
		if !ok {
			break
		}
		if _, err := L.GetInfo("nSl", d, nil); err != nil || d.CurrentLine <= 0 {
			continue
		}
		fmt.Fprintf(&b, "%s:%d", d.Source, d.CurrentLine)
		if d.Name != "" && d.Name != "?" {
			fmt.Fprintf(&b, " in %s", d.Name)
		}
		b.WriteByte('\n')
	}
	if t.above != "" {
		b.WriteString(t.above)
	}
	return strings.TrimSuffix(b.String(), "\n")
}

// asError turns what a protected call returned into an *Error. What ended the
// run goes before what Lua made of it.
func (t *task) asError(err error) *Error {
	e := &Error{Check: t.run.current}
	var api *lua.ApiError
	isLua := errors.As(err, &api)
	if ended := t.run.ended.Load(); ended != nil {
		if ended.File != "" || !isLua {
			return ended
		}
		c := *ended // ended by a timer, which knows no place: where it was noticed
		c.Check = t.run.current
		t.place(&c, api)
		return &c
	}
	if !isLua {
		e.Text, e.Err, e.Hint = err.Error(), err, hintOf(err)
		return e
	}
	if cause := context.Cause(t.ctx); cause != nil {
		// Cancelled from outside: the cause, at the line where it was noticed.
		e.Text, e.Err, e.Hint = cause.Error(), cause, hintOf(cause)
		t.place(e, api)
		return e
	}
	if api.Type == lua.ApiErrorPanic {
		s := &Stop{Kind: StopPanic, Text: "internal error: " + api.Object.String(), Hint: defectHint}
		e.Text, e.Hint, e.Err = s.Text, s.Hint, s
		e.Trace = t.tidy(api.StackTrace)
		e.File, e.Line, _ = t.run.plan.position(e.Trace)
		return e
	}
	if f, ok := failureOf(api.Object); ok {
		e.File, e.Line, e.Text, e.Hint, e.Trace = f.file, f.line, f.text(), f.hint, f.trace
		e.Err = f.err
		var inner *Error
		if errors.As(f.err, &inner) && inner != e {
			e.Err = inner.Err
		}
		return e
	}
	e.Trace = t.tidy(api.StackTrace)
	e.File, e.Line, _ = t.run.plan.position(e.Trace)
	switch v := api.Object.(type) {
	case lua.LString:
		file, line, rest := t.run.plan.position(string(v))
		if file != "" {
			e.File, e.Line = file, line
		}
		e.Text = clip(rest, maxErrorText)
		e.Hint = languageHint(e.Text)
	case *lua.LNilType:
		e.Text, e.Hint = "error was called without a message", `say what went wrong: error("...")`
	case *lua.LTable:
		e.Text = "error was called with a table"
		if m, ok := v.RawGetString("message").(lua.LString); ok {
			e.Text = clip(string(m), maxErrorText)
		}
	default:
		e.Text = clip(fmt.Sprintf("error was called with a %s: %s", v.Type(), v), maxErrorText)
	}
	return e
}

// place says where e was noticed.
func (t *task) place(e *Error, api *lua.ApiError) {
	if f, ok := failureOf(api.Object); ok {
		e.File, e.Line, e.Trace = f.file, f.line, f.trace
		return
	}
	e.Trace = t.tidy(api.StackTrace)
	if e.File, e.Line, _ = t.run.plan.position(api.Object.String()); e.File == "" {
		e.File, e.Line, _ = t.run.plan.position(e.Trace)
	}
}

const (
	maxErrorText = 2000
	defectHint   = "this is a defect of fullthrow or of a driver, not of the unit: keep the report and tell the " +
		"maintainers"
)

func clip(s string, n int) string {
	if len(s) <= n {
		return s
	}
	return strings.ToValidUTF8(s[:n], "") + "..."
}

// languageHint says what the interpreter's own messages mean.
func languageHint(text string) string {
	switch {
	case strings.HasPrefix(text, "attempt to index a non-table object(nil)"):
		return "what stands before the dot or bracket is nil here"
	case strings.HasPrefix(text, "attempt to call a non-function object"):
		return "what stands before the parenthesis is not a function here"
	case text == "stack overflow":
		return fmt.Sprintf("a function calls itself without end: "+
			"at most %d calls may be under way at once, those in a return too", maxCalls)
	case strings.HasPrefix(text, "too many recursions in "):
		return "a metatable's __index or __newindex leads back to itself"
	case text == "registry overflow":
		return "too many values at once: unpack fewer"
	}
	return ""
}

func failureOf(v lua.LValue) (*failure, bool) {
	ud, ok := v.(*lua.LUserData)
	if !ok {
		return nil, false
	}
	f, ok := ud.Value.(*failure)
	return f, ok
}

// tidy keeps the lines of an interpreter's trace that name a line of Lua.
func (t *task) tidy(trace string) string {
	var b strings.Builder
	for line := range strings.Lines(trace) {
		line = strings.TrimSpace(line)
		if file, n, rest := t.run.plan.position(line); file != "" {
			fmt.Fprintf(&b, "%s:%d%s\n", file, n, strings.TrimSuffix(" "+rest, " "))
		}
	}
	b.WriteString(t.above)
	return strings.TrimSuffix(b.String(), "\n")
}

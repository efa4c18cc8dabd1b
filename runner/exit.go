package main

import (
	"errors"
	"fmt"
	"io"
	"strings"

	"fullthrow/drivers"
	"fullthrow/reports"
	"fullthrow/reports/wording"
	"fullthrow/runner/script"
	"fullthrow/runner/station"
)

// What the program answers its caller with. Help and README print exitTable.
const (
	exitPassed  = 0
	exitFailed  = 1
	exitInput   = 2
	exitBench   = 3
	exitAborted = 4
)

// exitTable is the one place where exit codes are explained.
func exitTable() string {
	return `  0  passed, or the command did what was asked
  1  failed: the unit breaks a limit, verify or forward found a report that is not as it was sealed, a rehearsal
     missed too much, or selfcheck is further from a published value than allowed
  2  the command line, or a file given to it, is wrong
  3  the bench or this computer could not do it: nothing is known about the unit
  4  aborted: the operator, the guard or a signal ended the run
`
}

// exitOf is the exit code for a run's outcome.
func exitOf(o reports.Outcome) int {
	switch o {
	case reports.Passed:
		return exitPassed
	case reports.Failed:
		return exitFailed
	case reports.Aborted:
		return exitAborted
	default:
		return exitBench
	}
}

// failure is an error that ends the program, with the code to exit with and
// what to do about it. A failure without err only sets the code: everything
// was said already.
type failure struct {
	code  int
	err   error
	hints []string
}

func (f *failure) Error() string {
	if f.err == nil {
		return fmt.Sprintf("exit code %d", f.code)
	}
	return f.err.Error()
}
func (f *failure) Unwrap() error { return f.err }

// hint adds what to do; "" adds nothing.
func (f *failure) hint(s string) *failure {
	if s != "" {
		f.hints = append(f.hints, s)
	}
	return f
}

// usage is a command line or input file that cannot be used.
func usage(format string, args ...any) *failure {
	return &failure{code: exitInput, err: fmt.Errorf(format, args...)}
}

// quiet ends the program with code after everything was said.
func quiet(code int) error {
	if code == exitPassed {
		return nil
	}
	return &failure{code: code}
}

// complain prints err as people read it and returns the exit code for it: what
// is wrong on the first line, what to do about it on the hint lines.
func complain(w io.Writer, err error) int {
	code, hints := exitBench, []string(nil)
	var f *failure
	if errors.As(err, &f) {
		code, hints = f.code, f.hints
		if f.err == nil {
			return code
		}
	}
	list, input := asProblems(err)
	if input {
		code = exitInput
	}
	fmt.Fprintf(w, "fullthrow: %v\n", err)
	switch {
	case len(list) == 1:
		hints = append(hints, list[0].Hint)
	case len(list) > 1:
		for _, p := range list {
			printProblem(w, p)
		}
	}
	if d := hintOf(err); d != "" {
		hints = append(hints, d)
	}
	for _, h := range hints {
		for line := range strings.Lines(h) {
			if line = strings.TrimRight(line, "\n"); line != "" {
				fmt.Fprintf(w, "hint: %s\n", line)
			}
		}
	}
	return code
}

func printProblem(w io.Writer, p problem) {
	fmt.Fprintln(w, p)
	if p.Hint != "" {
		fmt.Fprintf(w, "    %s\n", p.Hint)
	}
}

// hintOf finds what to do about err, as far as whoever made it knew.
func hintOf(err error) string {
	var (
		device *drivers.Error
		record *reports.HintedError
		lua    *script.Error
	)
	why := station.Why(err)
	switch {
	case errors.As(err, &device) && device.Hint != "":
		return device.Hint
	case errors.As(err, &record):
		return record.Hint
	case why != nil:
		return wording.English().Hint(why)
	case errors.As(err, &lua):
		return lua.Hint
	}
	return ""
}

package main

import (
	"errors"
	"fmt"
	"io"
	"strings"

	"fullthrow/reports"
	"fullthrow/runner/input"
	"fullthrow/runner/terminal"
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
		return input.ExitPassed
	case reports.Failed:
		return input.ExitFailed
	case reports.Aborted:
		return input.ExitAborted
	default:
		return input.ExitBench
	}
}

// quiet ends the program with code after everything was said.
func quiet(code int) error {
	if code == input.ExitPassed {
		return nil
	}
	return &input.Failure{Code: code}
}

// complain prints err as people read it and returns the exit code for it: what
// is wrong on the first line, what to do about it on the hint lines.
func complain(w io.Writer, err error) int {
	code, hints := input.ExitBench, []string(nil)
	var f *input.Failure
	if errors.As(err, &f) {
		code, hints = f.Code, f.Hints
		if f.Err == nil {
			return code
		}
	}
	list, wrong := input.Problems(err)
	if wrong {
		code = input.ExitInput
	}
	// Several errors are a line each; what a name of a file breaks begins none.
	fmt.Fprintf(w, "fullthrow: %s\n", terminal.Indented(err.Error()))
	switch {
	case len(list) == 1:
		hints = append(hints, list[0].Hint)
	case len(list) > 1:
		for _, p := range list {
			printProblem(w, p)
		}
	}
	if d := input.HintOf(err); d != "" {
		hints = append(hints, d)
	}
	for _, h := range hints {
		for line := range strings.Lines(h) {
			if line = strings.TrimRight(line, "\n"); line != "" {
				fmt.Fprintf(w, "hint: %s\n", terminal.Line(line))
			}
		}
	}
	return code
}

func printProblem(w io.Writer, p input.Problem) {
	fmt.Fprintln(w, terminal.Line(fmt.Sprint(p)))
	if p.Hint != "" {
		fmt.Fprintf(w, "    %s\n", p.Hint)
	}
}

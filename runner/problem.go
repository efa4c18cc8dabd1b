package main

import (
	"cmp"
	"errors"
	"fmt"
	"slices"
	"strings"

	"fullthrow/runner/causes"
	"fullthrow/runner/limits"
)

// problem is one thing wrong with an input file, at a line.
type problem struct {
	File string
	Line int // 0: the file as a whole
	Text string
	Hint string
}

func (p problem) where() string {
	if p.Line > 0 {
		return fmt.Sprintf("%s:%d", p.File, p.Line)
	}
	return p.File
}

func (p problem) String() string { return p.where() + ": " + p.Text }

// inputError is an input file that cannot be used, or a list of what is wrong
// with several.
type inputError struct{ problems []problem }

func (e *inputError) Error() string {
	switch n := len(e.problems); n {
	case 0:
		return "no problem"
	case 1:
		return e.problems[0].String()
	default:
		return fmt.Sprintf("%d problems in %s", n, strings.Join(filesOf(e.problems), ", "))
	}
}

// filesOf lists the files named by problems, each once, in order.
func filesOf(list []problem) []string {
	var names []string
	for _, p := range list {
		if !slices.Contains(names, p.File) {
			names = append(names, p.File)
		}
	}
	return names
}

// inOrder sorts problems by file and line; equal ones keep their order.
func inOrder(list []problem) []problem {
	slices.SortStableFunc(list, func(a, b problem) int {
		return cmp.Or(cmp.Compare(a.File, b.File), cmp.Compare(a.Line, b.Line))
	})
	return slices.Compact(list)
}

// asProblems finds the problems of an input file in an error, whoever read the
// file; ok is false for any other error.
func asProblems(err error) (list []problem, ok bool) {
	var own *inputError
	var limit *limits.FileError
	var cause *causes.FileError
	switch {
	case errors.As(err, &own):
		return own.problems, true
	case errors.As(err, &limit):
		for _, p := range limit.Problems() {
			list = append(list, problem(p))
		}
		return list, true
	case errors.As(err, &cause):
		for _, p := range cause.Problems() {
			list = append(list, problem(p))
		}
		return list, true
	}
	return nil, false
}

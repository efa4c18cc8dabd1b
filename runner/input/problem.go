package input

import (
	"cmp"
	"errors"
	"fmt"
	"slices"
	"strings"
)

// Problem is one thing wrong with an input file, at a line.
type Problem struct {
	File string
	Line int // 0: the file as a whole
	Text string
	Hint string
}

// At is a problem at a line of a file; line 0 is the file as a whole.
func At(file string, line int, text, hint string) Problem {
	return Problem{File: file, Line: line, Text: text, Hint: hint}
}

func (p Problem) where() string {
	if p.Line > 0 {
		return fmt.Sprintf("%s:%d", p.File, p.Line)
	}
	return p.File
}

func (p Problem) String() string { return p.where() + ": " + p.Text }

// Error is an input file that cannot be used, or a list of what is wrong
// with several.
type Error struct{ Problems []Problem }

// Wrong is the error of some problems.
func Wrong(list []Problem) *Error { return &Error{Problems: list} }

// Advice is the hint of the first problem.
func (e *Error) Advice() string {
	if len(e.Problems) == 0 {
		return ""
	}
	return e.Problems[0].Hint
}

func (e *Error) Error() string {
	switch n := len(e.Problems); n {
	case 0:
		return "no problem"
	case 1:
		return e.Problems[0].String()
	default:
		return fmt.Sprintf("%d problems in %s", n, strings.Join(filesOf(e.Problems), ", "))
	}
}

// filesOf lists the files named by problems, each once, in order.
func filesOf(list []Problem) []string {
	var names []string
	for _, p := range list {
		if !slices.Contains(names, p.File) {
			names = append(names, p.File)
		}
	}
	return names
}

// InOrder sorts problems by file and line; equal ones keep their order.
func InOrder(list []Problem) []Problem {
	slices.SortStableFunc(list, func(a, b Problem) int {
		return cmp.Or(cmp.Compare(a.File, b.File), cmp.Compare(a.Line, b.Line))
	})
	return slices.Compact(list)
}

// List gathers what is wrong with one file.
type List struct {
	File string
	list []Problem
}

// Add takes a problem at a line, 1 first; the same one is taken once.
func (l *List) Add(line int, hint, format string, args ...any) {
	one := At(l.File, max(line, 1), fmt.Sprintf(format, args...), hint)
	if !slices.Contains(l.list, one) {
		l.list = append(l.list, one)
	}
}

// Sorted lists the problems by line.
func (l *List) Sorted() []Problem { return InOrder(l.list) }

// Err is an [*Error] with all problems by line, nil where there is none.
func (l *List) Err() error {
	if len(l.list) == 0 {
		return nil
	}
	return Wrong(l.Sorted())
}

// Problems finds the problems of an input file in an error; ok is false for any
// other error.
func Problems(err error) (list []Problem, ok bool) {
	var e *Error
	if errors.As(err, &e) {
		return e.Problems, true
	}
	return nil, false
}

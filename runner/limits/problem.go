package limits

import (
	"fmt"
	"sort"
	"strconv"
)

// Problem is one thing wrong with a limits file.
type Problem struct {
	File string
	Line int    // 1 first
	Text string // what is wrong: "lower 12 is above upper 1"
	Hint string // what to do about it; may be empty
}

func (p Problem) String() string {
	return p.File + ":" + strconv.Itoa(p.Line) + ": " + p.Text
}

// FileError is what [Parse] returns: everything that is wrong with a file, by
// line.
type FileError struct{ problems []Problem }

// Problems lists what is wrong, in order of line.
func (e *FileError) Problems() []Problem { return e.problems }

// Error is the first problem, and how many more there are.
func (e *FileError) Error() string {
	s := e.problems[0].String()
	if n := len(e.problems) - 1; n > 0 {
		s += fmt.Sprintf(" (and %d more)", n)
	}
	return s
}

// Hint is that of the first problem.
func (e *FileError) Hint() string { return e.problems[0].Hint }

// problems collects.
type problems struct {
	file string
	list []Problem
}

func (p *problems) add(line int, hint, format string, args ...any) {
	p.list = append(p.list, Problem{File: p.file, Line: max(line, 1), Text: fmt.Sprintf(format, args...), Hint: hint})
}

func (p *problems) err() error {
	if len(p.list) == 0 {
		return nil
	}
	sort.SliceStable(p.list, func(i, j int) bool { return p.list[i].Line < p.list[j].Line })
	return &FileError{p.list}
}

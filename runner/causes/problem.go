package causes

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"github.com/agnivade/levenshtein"
)

// Problem is one thing wrong with a rule file.
type Problem struct {
	File string
	Line int    // 1 first
	Text string // what is wrong
	Hint string // what to do about it; may be empty
}

func (p Problem) String() string { return p.File + ":" + strconv.Itoa(p.Line) + ": " + p.Text }

// FileError is what [Parse] returns: everything that is wrong, by line.
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
	one := Problem{File: p.file, Line: max(line, 1), Text: fmt.Sprintf(format, args...), Hint: hint}
	if !slices.Contains(p.list, one) { // the same of each name
		p.list = append(p.list, one)
	}
}

func (p *problems) sorted() []Problem {
	slices.SortStableFunc(p.list, func(a, b Problem) int { return a.Line - b.Line })
	return p.list
}

func (p *problems) err() error {
	if len(p.list) == 0 {
		return nil
	}
	return &FileError{p.sorted()}
}

// meant is the hint for a near miss, else instead: at most a third of the
// letters wrong, capitals not counted; the nearest, of equals the first.
func meant(word string, among []string, instead string) string {
	best, least := "", max(1, len(word)/3)+1
	for _, c := range among {
		if d := levenshtein.ComputeDistance(strings.ToLower(word), strings.ToLower(c)); c != word && d < least {
			best, least = c, d
		}
	}
	if best != "" {
		return fmt.Sprintf("did you mean %q?", best)
	}
	return instead
}

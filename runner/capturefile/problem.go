package capturefile

import "fmt"

// Error says what is wrong with a file, at a line; line 0 is the file as a
// whole.
type Error struct {
	File string
	Line int
	Text string
	Hint string // what to do about it, for people; may be ""
}

func (e *Error) Error() string {
	if e.Line > 0 {
		return fmt.Sprintf("%s:%d: %s", e.File, e.Line, e.Text)
	}
	return e.File + ": " + e.Text
}

// wrong makes an error of a line of the file.
func (f *File) wrong(line int, hint, format string, args ...any) *Error {
	return &Error{File: f.Name, Line: line, Text: fmt.Sprintf(format, args...), Hint: hint}
}

package input

import (
	"errors"
	"fmt"
	"os"
)

// What the program answers its caller with. Help and README print exitTable.
const (
	ExitPassed  = 0
	ExitFailed  = 1
	ExitInput   = 2
	ExitBench   = 3
	ExitAborted = 4
)

// Failure is an error that ends the program, with the code to exit with and
// what to do about it. A failure without err only sets the code: everything
// was said already.
type Failure struct {
	Code  int
	Err   error
	Hints []string
}

func (f *Failure) Error() string {
	if f.Err == nil {
		return fmt.Sprintf("exit code %d", f.Code)
	}
	return f.Err.Error()
}

func (f *Failure) Unwrap() error { return f.Err }

// Hint adds what to do; "" adds nothing.
func (f *Failure) Hint(s string) *Failure {
	if s != "" {
		f.Hints = append(f.Hints, s)
	}
	return f
}

// Usage is a command line or input file that cannot be used.
func Usage(format string, args ...any) *Failure {
	return &Failure{Code: ExitInput, Err: fmt.Errorf(format, args...)}
}

// HintOf finds what to do about err, as far as whoever made it knew.
func HintOf(err error) string {
	for err != nil {
		if e, ok := err.(interface{ Advice() string }); ok && e.Advice() != "" {
			return e.Advice()
		}
		switch e := err.(type) {
		case interface{ Unwrap() error }:
			err = e.Unwrap()
		case interface{ Unwrap() []error }:
			for _, one := range e.Unwrap() {
				if hint := HintOf(one); hint != "" {
					return hint
				}
			}
			return ""
		default:
			return ""
		}
	}
	return ""
}

// MissingFile is the failure for an input file that cannot be read.
func MissingFile(what, path string, err error) error {
	if os.IsNotExist(err) {
		return Usage("%s %s: no such file", what, path)
	}
	var large *TooLarge
	if errors.As(err, &large) {
		return Wrong([]Problem{At(path, 0, large.Error(), "is this the right file?")})
	}
	return &Failure{Code: ExitInput, Err: fmt.Errorf("%s: %w", what, err)}
}

package reports

import (
	"fmt"
	"runtime/debug"
)

// Caught calls f and makes a panic in it an error. Work on files of any content
// is done under it where it has a goroutine of its own, in which a panic would
// end the program, whatever that is driving.
func Caught(f func() error) (err error) {
	defer func() {
		if p := recover(); p != nil {
			err = &HintedError{Err: fmt.Errorf("internal error: %v\n%s", p, debug.Stack()),
				Hint: "this is a defect of fullthrow: keep this text and the file, and tell its makers"}
		}
	}()
	return f()
}

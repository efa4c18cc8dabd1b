package capturefile

import (
	"fmt"

	"fullthrow/runner/input"
)

// wrong makes an error of a line of the file; line 0 is the file as a whole.
func (f *File) wrong(line int, hint, format string, args ...any) *input.Error {
	return input.Wrong([]input.Problem{input.At(f.Name, line, fmt.Sprintf(format, args...), hint)})
}

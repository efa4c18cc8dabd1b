package drivers

import (
	"context"
	"errors"
	"fmt"
)

// Kind says what sort of failure an [Error] is, so that generic code can act
// on it: all of these are faults of the bench, never of the unit under test.
type Kind string

// The kinds of failure.
const (
	NoReply    Kind = "no reply"     // silent until the time-out
	Garbled    Kind = "garbled"      // a reply that cannot be understood, or only part of one
	Gone       Kind = "gone"         // unplugged, connection closed by the other side
	Busy       Kind = "busy"         // held by another process or another call
	OutOfRange Kind = "out of range" // asked for more than the device can do; nothing was sent
	// the device answered that it will not (SCPI error queue, G-code error, Modbus exception)
	Refused Kind = "refused"
	Closed  Kind = "closed" // used after our own Close
	// done, but not when it was to be: the computer or the wire stood still, and what was measured may not be so
	Late  Kind = "late"
	Fault Kind = "fault" // anything else: the machine's own failure
)

// Error is a failure of a device. It reads "device: verb: cause".
type Error struct {
	Device string // role in the bench file, for example "meter"
	Op     string // what was being done: "read current"
	Kind   Kind
	Err    error  // cause; its text should not repeat Kind
	Hint   string // what to do about it, for people; may be empty
}

// Advice is the hint: what to do about it, for people.
func (e *Error) Advice() string { return e.Hint }

func (e *Error) Error() string {
	s := e.Device + ": " + e.Op + ": "
	if e.Err != nil {
		return s + e.Err.Error()
	}
	return s + string(e.Kind)
}

func (e *Error) Unwrap() error { return e.Err }

// Errorf makes an [*Error]; %w in the format keeps a cause.
func Errorf(device, op string, kind Kind, format string, args ...any) *Error {
	return &Error{Device: device, Op: op, Kind: kind, Err: fmt.Errorf(format, args...)}
}

// WithHint returns a copy of e carrying hint.
func (e *Error) WithHint(hint string) *Error { c := *e; c.Hint = hint; return &c }

// KindOf finds the Kind of the first [*Error] in err's chain, "" if none.
func KindOf(err error) Kind {
	if err == nil { // what most callers have, some thousand times a run
		return ""
	}
	if e, ok := errors.AsType[*Error](err); ok {
		return e.Kind
	}
	return ""
}

// Wrap gives err, returned by a [Port], the name of the device and of what was
// being done. A context's cause stays recognisable by errors.Is. The Kind of
// an inner Error is kept.
func Wrap(device, op string, err error) error {
	if err == nil {
		return nil
	}
	var e *Error
	if errors.As(err, &e) {
		return &Error{Device: device, Op: op, Kind: e.Kind, Err: inner(e), Hint: e.Hint}
	}
	kind := Fault
	if errors.Is(err, context.Canceled) || errors.Is(err, context.DeadlineExceeded) {
		kind = "cancelled"
	}
	return &Error{Device: device, Op: op, Kind: kind, Err: err}
}

// inner drops the port's own name and verb from the text: the device's role
// says more to the reader than the port's path, which the hint may carry.
func inner(e *Error) error {
	if e.Err != nil {
		return e.Err
	}
	return errors.New(string(e.Kind))
}

package drivers

import (
	"context"
	"errors"
	"time"
)

// Port is a byte stream to a device: a serial port, a TCP connection, a
// simulated wire, or a transcript of an earlier conversation. One conversation
// at a time: the device that owns a Port guards it (see [Guard]).
type Port interface {
	// String names the port for people: "/dev/ttyUSB0", "tcp 127.0.0.1:5025".
	String() string
	// Write sends all of p or fails (Gone, NoReply when it cannot be sent in a
	// second, Closed).
	Write(ctx context.Context, p []byte) error
	// Read waits until at least one byte is there and returns what is there, at
	// most len(p) bytes. n is 0 exactly when err is not nil. Nothing within
	// timeout (of the clock the port runs on) is a NoReply error, never 0, nil.
	// timeout <= 0 takes only what is already there.
	Read(ctx context.Context, p []byte, timeout time.Duration) (n int, err error)
	// Discard drops what was received and not yet read.
	Discard() error
	// Close gives the port back. It may be called more than once and from any
	// goroutine; calls under way return Closed.
	Close() error
}

// Unchecked says whether bytes can come damaged through a port without anybody
// knowing: anywhere but where the port has a method Checked that says true, as
// over TCP, whose check sum drops what was damaged. A driver asks twice there
// what decides, and a failure counts only once it has been seen twice.
func Unchecked(p Port) bool {
	c, ok := p.(interface{ Checked() bool })
	return !ok || !c.Checked()
}

// cancelled is the kind of an error that is the cause of a context's end.
const cancelled Kind = "cancelled"

// Ended is err, except where err is the cause of ctx's end: then it is that
// cause with the kind "cancelled". A driver passes what a Port or a Clock
// returned through it before it asks for the kind, since a run may be cancelled
// because of another device's time-out: that NoReply is not its own. A port may
// have wrapped the cause, so that only its kind is left to tell it by.
func Ended(ctx context.Context, err error) error {
	if err == nil || ctx.Err() == nil {
		return err
	}
	cause := context.Cause(ctx)
	kind := KindOf(err)
	if kind != cancelled && (errors.Is(err, cause) || kind != "" && kind == KindOf(cause)) {
		return &Error{Kind: cancelled, Err: cause}
	}
	return err
}

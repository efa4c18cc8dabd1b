package drivers

import (
	"context"
	"time"
)

// Awaited is what a [Console] or a [ByteDevice] is to wait for.
type Awaited struct {
	// Fits says whether a line, or a frame, is it. nil: any is.
	Fits func(said []byte) (bool, error)
	// As is what is waited for, for messages: `"v(%d+)"`; "" an answer.
	As     string
	Within time.Duration // 0: 2 s
	// Unfinished takes also a line whose end has not come, once nothing has come
	// for 0.2 s: a question, as of a login.
	Unfinished bool
	// Silence: nothing at all within the time is a result, not an error.
	Silence bool
	// Length is how many bytes are waited for where there are no frames: silence does
	// not tell their end from a computer that was held up.
	Length int
}

// Answer is what came.
type Answer struct {
	Said  []byte // without line end, or without what makes a frame of it
	Heard bool   // false: silence, which was allowed
}

// Console is a device that speaks lines of text.
type Console interface {
	Talker
	// OfUnit says that the unit under test itself is at the other end: its silence
	// is a result, and not a fault of the bench, unless a plan says otherwise.
	OfUnit() bool
	// Send sends a line, with the line end of the device.
	Send(ctx context.Context, line string) error
	// Ask sends a line and waits for the line that answers it. What came before and
	// was not waited for, and lines that do not fit, are no answers; see Others. No
	// such line in time is an error: NoReply where nothing came but the echo, else
	// Garbled, which says what came.
	Ask(ctx context.Context, line string, want Awaited) (Answer, error)
	// Expect waits for a line, also among what came since the last one waited for.
	Expect(ctx context.Context, want Awaited) (Answer, error)
	// Others are the lines that came and were no answers, the newest 200, since it
	// was last called.
	Others(ctx context.Context) ([]string, error)
}

// ByteDevice is a device that speaks bytes, in frames or without.
type ByteDevice interface {
	Talker
	OfUnit() bool
	Framed() bool
	// Send, Ask and Expect are those of a [Console], with frames in place of lines.
	// A frame whose check sum does not fit is none.
	Send(ctx context.Context, data []byte) error
	Ask(ctx context.Context, data []byte, want Awaited) (Answer, error)
	Expect(ctx context.Context, want Awaited) (Answer, error)
}

package gpio

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"os"
	"time"
	"unsafe"

	"golang.org/x/sys/unix"

	"fullthrow/drivers"
)

// stampError is how far a kernel time stamp may be from the edge, noStampError
// how far the time of the call that returned it.
const (
	stampError   = 100 * time.Microsecond
	noStampError = 10 * time.Millisecond
)

// clockReadings is how often the present is read to date an edge.
const clockReadings = 4

// eventSize is that of a struct gpio_v2_line_event, readEvents how many of
// them are read at once.
const (
	eventSize  = int(unsafe.Sizeof(unix.GPIOV2LineEvent{}))
	readEvents = 64
)

func (h *handle) Edge(ctx context.Context, timeout time.Duration) (drivers.Edge, error) {
	var buf [readEvents * eventSize]byte
	if err := h.pending(buf[:], func(event) bool { return true }); err != nil {
		return drivers.Edge{}, err // those were of before the call
	}
	n, err := h.read(ctx, buf[:eventSize], time.Now().Add(timeout))
	if err != nil {
		return drivers.Edge{}, err
	}
	var got event
	if err := h.parse(buf[:n], func(e event) bool { got = e; return true }); err != nil {
		return drivers.Edge{}, err
	}
	return date(got), nil
}

func (h *handle) Edges(ctx context.Context, over time.Duration) ([]drivers.Edge, error) {
	now, err := readClocks()
	if err != nil {
		return nil, fmt.Errorf("read the kernel's clock: %w", err)
	}
	return h.collect(ctx, now, over)
}

// collect records for the duration over from the moment given, which may be
// past: what came since then is in the kernel's queue.
func (h *handle) collect(ctx context.Context, now moment, over time.Duration) ([]drivers.Edge, error) {
	c := capture{from: now.stamp, to: now.stamp + int64(over), last: h.last}
	buf := make([]byte, readEvents*eventSize)
	stamped := true
	add := func(e event) bool {
		stamped = stamped && e.stamp != 0
		return c.add(e)
	}
	end := now.at.Add(over)
	for {
		n, err := h.read(ctx, buf, end)
		if errors.Is(err, os.ErrDeadlineExceeded) {
			break
		}
		if err != nil {
			return nil, err
		}
		if err := h.parse(buf[:n], add); err != nil {
			return nil, err
		}
	}
	if ctx.Err() != nil {
		return nil, context.Cause(ctx)
	}
	// The time was over before all was read, if the program was held up.
	if err := h.pending(buf, add); err != nil {
		return nil, err
	}
	if !stamped {
		return nil, errors.New("the kernel gives edges no time stamps")
	}
	if err := c.end(); err != nil {
		return nil, err
	}
	list := make([]drivers.Edge, len(c.events))
	for i, e := range c.events {
		list[i] = now.date(e)
	}
	return list, nil
}

// read waits for events until end.
func (h *handle) read(ctx context.Context, buf []byte, end time.Time) (int, error) {
	if err := h.file.SetReadDeadline(end); err != nil {
		return 0, err
	}
	moved := make(chan struct{})
	stop := context.AfterFunc(ctx, func() {
		_ = h.file.SetReadDeadline(time.Unix(1, 0))
		close(moved)
	})
	n, err := h.file.Read(buf)
	if !stop() {
		<-moved
	}
	if errors.Is(err, unix.ENODEV) {
		err = errChipGone
	}
	return n, err
}

// pending gives the events that wait in the kernel's queue to f, until there
// are no more or f returns false.
func (h *handle) pending(buf []byte, f func(event) bool) error {
	if err := h.file.SetReadDeadline(time.Time{}); err != nil {
		return err
	}
	conn, err := h.file.SyscallConn()
	if err != nil {
		return err
	}
	for more := true; more; {
		var n int
		var result error
		err := conn.Read(func(fd uintptr) bool {
			for {
				if n, result = unix.Read(int(fd), buf); result != unix.EINTR {
					return true
				}
			}
		})
		switch {
		case err != nil:
			return err
		case result == unix.EAGAIN:
			return nil
		case result == unix.ENODEV:
			return errChipGone
		case result != nil:
			return result
		}
		if err := h.parse(buf[:n], func(e event) bool { more = f(e); return more }); err != nil {
			return err
		}
	}
	return nil
}

// parse gives the events in b to f, until f returns false.
func (h *handle) parse(b []byte, f func(event) bool) error {
	if len(b) == 0 {
		return errors.New("no event")
	}
	more := true
	for ; len(b) > 0; b = b[min(eventSize, len(b)):] {
		e, err := parseEvent(b[:min(eventSize, len(b))])
		if err != nil {
			return err
		}
		h.last = e.number
		more = more && f(e)
	}
	return nil
}

// parseEvent reads a struct gpio_v2_line_event. Its time stamp is of
// CLOCK_MONOTONIC, which has no date.
func parseEvent(b []byte) (event, error) {
	if len(b) != eventSize {
		return event{}, fmt.Errorf("an event of %d bytes", len(b))
	}
	e := event{stamp: int64(binary.NativeEndian.Uint64(b)), number: binary.NativeEndian.Uint32(b[20:])}
	switch id := binary.NativeEndian.Uint32(b[8:]); id {
	case unix.GPIO_V2_LINE_EVENT_RISING_EDGE:
		e.rising = true
	case unix.GPIO_V2_LINE_EVENT_FALLING_EDGE:
	default:
		return event{}, fmt.Errorf("an event of kind %d", id)
	}
	return e, nil
}

// date gives an event that has just been read its date: that of its stamp or,
// if that makes no sense, of the present.
func date(e event) drivers.Edge {
	edge := drivers.Edge{At: time.Now(), Rising: e.rising, Uncertainty: noStampError}
	if now, err := readClocks(); e.stamp != 0 && err == nil {
		dated := now.date(e)
		if ago := now.stamp - e.stamp; ago >= 0 && ago < int64(time.Hour) && dated.Uncertainty < edge.Uncertainty {
			return dated
		}
	}
	return edge
}

// moment is one moment on both clocks. They are read one after the other:
// between is how far the two readings may be apart.
type moment struct {
	at      time.Time
	stamp   int64 // CLOCK_MONOTONIC, in ns
	between time.Duration
}

// readClocks reads the two clocks a few times, of which the closest counts,
// because the program may be held up between them.
func readClocks() (best moment, err error) {
	for i := range clockReadings {
		var now unix.Timespec
		at := time.Now()
		if err := unix.ClockGettime(unix.CLOCK_MONOTONIC, &now); err != nil {
			return moment{}, err
		}
		if m := (moment{at, now.Nano(), time.Since(at)}); i == 0 || m.between < best.between {
			best = m
		}
	}
	return best, nil
}

// date sets e off from m.
func (m moment) date(e event) drivers.Edge {
	return drivers.Edge{At: m.at.Add(time.Duration(e.stamp - m.stamp)), Rising: e.rising, Uncertainty: stampError +
		m.between}
}

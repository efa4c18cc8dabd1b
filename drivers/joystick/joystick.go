// Package joystick is [drivers.Receiver] over a handset that is a game controller
// on USB: Linux's input devices (/dev/input/eventN). Its axes come first, in the
// order of their codes (X, Y, Z, RX, RY, RZ, throttle, ...), then its buttons;
// channel 1 is the first. Each runs from 1000 to 2000 us of a pulse, as its own
// smallest and largest value say.
//
// The unit under test is the device, so it comes and goes: it is looked for, by
// the identity on USB, when a capture begins. One that is not there is silence,
// which is the unit's failure; one that goes away in a capture is Gone.
//
// A controller speaks when something changes, and the kernel drops what does not.
// Between events a capture therefore holds frames of the held values, one each
// 5 ms; it has no period, and what needs one (losses) cannot be measured on it.
// Times are the kernel's, of its monotonic clock, taken when the transfer ended;
// the device is asked every 1 to 10 ms, as it wishes. Where the kernel had to drop
// events because the program was held up, the capture is a Late error, never
// one with holes.
//
// The layer below is our own and thin, because the pure-Go libraries for input
// devices keep their file to themselves: events then have times of the wall
// clock, which may step.
//
// Tried: on events made up for tests, and on a virtual controller of a real
// kernel (uinput, .ci/kernel). Not tried: a real controller.
package joystick

import (
	"context"
	"errors"
	"fmt"
	"math"
	"os"
	"slices"
	"strconv"
	"strings"
	"sync/atomic"
	"syscall"
	"time"

	"fullthrow/drivers"
)

// Of linux/input-event-codes.h.
const (
	evSyn, evKey, evAbs   = 0, 1, 3
	synReport, synDropped = 0, 3
	firstButton           = 0x100 // BTN_MISC; what is below are keys of keyboards
)

// Axis is one axis or button of a controller.
type Axis struct {
	Type, Code uint16
	Min, Max   int32
	Value      int32
}

// Event is one event of the kernel's.
type Event struct {
	At         time.Time
	Type, Code uint16
	Value      int32
}

// Source is a controller that was opened: the kernel's, or made up for a test.
type Source interface {
	// Axes are those of the device with their present values, in any order.
	Axes() ([]Axis, error)
	// Read waits for events until a time; none by then is os.ErrDeadlineExceeded.
	Read(until time.Time) ([]Event, error)
	Close() error
}

// Identity is what a bench file says of a controller.
type Identity struct {
	Path            string // "/dev/input/event3"; or
	Vendor, Product uint16
	Serial          string // "" any
}

// ParseIdentity reads "1209:4f54", "1209:4f54:LQ7F2" or a path.
func ParseIdentity(s string) (Identity, error) {
	if strings.HasPrefix(s, "/") {
		return Identity{Path: s}, nil
	}
	var id Identity
	p := strings.SplitN(s, ":", 3)
	if len(p) < 2 || len(p[0]) != 4 || len(p[1]) != 4 {
		return id, fmt.Errorf("want vendor and product as four hex digits each, and perhaps a serial number: 1209:4f54")
	}
	for i, to := range []*uint16{&id.Vendor, &id.Product} {
		n, err := strconv.ParseUint(p[i], 16, 16)
		if err != nil {
			return id, fmt.Errorf("%q are no four hex digits", p[i])
		}
		*to = uint16(n)
	}
	if len(p) == 3 {
		id.Serial = p[2]
	}
	return id, nil
}

// Controller is the handset as a receiver.
type Controller struct {
	name   string
	clock  drivers.Clock
	guard  drivers.Guard
	find   func() (Source, error) // nil, nil: it is not there
	closed atomic.Bool
}

var _ drivers.Receiver = (*Controller)(nil)

// Open makes a device of a controller that may not be there yet. Nothing is
// opened.
func Open(name string, id Identity, clock drivers.Clock) *Controller {
	return New(name, clock, func() (Source, error) { return find(id) })
}

// New is Open for a source that find opens; nil without an error where there is
// none.
func New(name string, clock drivers.Clock, find func() (Source, error)) *Controller {
	return &Controller{name: name, clock: clock, guard: drivers.NewGuard(clock), find: find}
}

func (c *Controller) String() string { return c.name }

// Safe does nothing: it only listens.
func (c *Controller) Safe(context.Context) error { return nil }

// Close ends the use of the device.
func (c *Controller) Close() error { c.closed.Store(true); return nil }

// Ready proves that this computer has input devices: the unit may not be
// switched on yet.
func (c *Controller) Ready(ctx context.Context) (string, error) {
	const op = "ready"
	if err := c.use(ctx); err != nil {
		return "", drivers.Wrap(c.name, op, err)
	}
	s, err := c.find()
	if err != nil {
		return "", drivers.Wrap(c.name, op, err)
	}
	if s != nil {
		return "", drivers.Wrap(c.name, op, s.Close())
	}
	return "", nil
}

func (c *Controller) use(ctx context.Context) error {
	if c.closed.Load() {
		return drivers.Errorf(c.name, "use", drivers.Closed, "closed")
	}
	return context.Cause(ctx)
}

const (
	fill = 5 * time.Millisecond  // between frames of held values
	poll = 20 * time.Millisecond // how long a Read waits before the context is looked at
	full = math.MaxUint16
)

// Record takes every frame in the duration over; see the package's comment.
func (c *Controller) Record(ctx context.Context, over time.Duration) (drivers.Frames, error) {
	const op = "record"
	if err := c.guard.Enter(ctx); err != nil {
		return drivers.Frames{}, drivers.Wrap(c.name, op, err)
	}
	defer c.guard.Leave()
	f, err := c.record(ctx, over)
	if err != nil {
		return drivers.Frames{}, drivers.Wrap(c.name, op, err)
	}
	return f, nil
}

func (c *Controller) record(ctx context.Context, over time.Duration) (f drivers.Frames, err error) {
	if err := c.use(ctx); err != nil {
		return f, err
	}
	f = drivers.Frames{Length: over, Format: "USB", Gain: 1000.0 / full, Offset: 1000}
	s, err := c.find()
	if err != nil {
		return f, err
	}
	f.Start = c.clock.Now()
	end := f.Start.Add(over)
	if s == nil {
		return f, c.clock.Sleep(ctx, over)
	}
	defer s.Close()
	axes, err := s.Axes()
	if err != nil {
		return f, told(err)
	}
	slices.SortFunc(axes, func(a, b Axis) int {
		if a.Type != b.Type {
			return int(b.Type) - int(a.Type) // axes before buttons
		}
		return int(a.Code) - int(b.Code)
	})
	held := make([]uint16, len(axes))
	for i, a := range axes {
		held[i] = a.scaled(a.Value)
	}
	last := time.Duration(-1)
	frame := func(at time.Duration) {
		f.Frames = append(f.Frames, drivers.Frame{At: at, Channels: slices.Clone(held)})
		last = at
	}
	frame(0)
	// hold adds frames of the held values up to a time.
	hold := func(to time.Duration) {
		for at := last + fill; at < to; at += fill {
			frame(at)
		}
	}
	changed := held // by events whose report has not come yet
	for {
		if err := context.Cause(ctx); err != nil {
			return f, err
		}
		now := c.clock.Now()
		if !now.Before(end) {
			hold(over)
			return f, nil
		}
		until := now.Add(poll)
		if until.After(end) {
			until = end
		}
		events, err := s.Read(until)
		if err != nil && !errors.Is(err, os.ErrDeadlineExceeded) {
			return f, told(err)
		}
		for _, e := range events {
			switch {
			case e.Type == evSyn && e.Code == synDropped:
				return f, drivers.LateError(c.name, "record", "the computer was held up and lost events")
			case e.Type == evSyn && e.Code == synReport:
				switch at := e.At.Sub(f.Start); {
				case at >= over:
					hold(over)
					return f, nil
				case at > last:
					hold(at)
					held = changed
					frame(at)
				default: // before the capture began, or in the same moment
					held = changed
					f.Frames[len(f.Frames)-1].Channels = slices.Clone(held)
				}
			default:
				if i := slices.IndexFunc(axes, func(a Axis) bool { return a.Type == e.Type && a.Code == e.Code }); i >= 0 {
					changed = slices.Clone(changed)
					changed[i] = axes[i].scaled(e.Value)
				}
			}
		}
	}
}

// scaled is a value as a share of the axis's span.
func (a Axis) scaled(v int32) uint16 {
	if a.Max <= a.Min {
		return 0
	}
	x := (float64(v) - float64(a.Min)) / (float64(a.Max) - float64(a.Min))
	return uint16(math.Round(min(max(x, 0), 1) * full))
}

// told is a failure of the kernel's in the words of drivers.
func told(err error) error {
	switch {
	case errors.Is(err, syscall.ENODEV):
		return drivers.Errorf("controller", "use", drivers.Gone, "it went away").
			WithHint("Did the unit switch itself off? Is its USB cable seated?")
	case errors.Is(err, os.ErrPermission):
		return drivers.Errorf("controller", "use", drivers.Fault, "%w", err).
			WithHint("The account may not read input devices: add it to the group input and log in again.")
	}
	return err
}

// Package gpio is drivers.Lines over the GPIO lines of a Linux computer: its
// character devices /dev/gpiochipN (kernel 5.10 or later, uAPI v2). Elsewhere
// Open says that there is none.
//
// Lines are numbered as the chip numbers them (0 first), which has nothing to
// do with pin numbers on a board; [Lines.Find] looks one up by the name the
// kernel has for it, and the command "ports" lists both.
//
// A line becomes an output already at its safe level: the level is part of the
// request that makes it one, so there is no moment at another level. Between
// power-on and that request the line is what the board makes it, and after
// Close too: choose wiring and active_low so that the safe level is the level
// of an unconnected pin.
//
// Setting a line drives it; it does not prove that the wire is at that level. A
// read that fails is an error and never a level.
//
// Edges carry the kernel's time stamp, taken in its interrupt handler. Their
// uncertainty is given as 0.1 ms, which covers the interrupt latency of an
// idle machine; where that matters, measure with the fixture's own timer. A chip
// behind a bus such as I2C stamps only when that has been read.
//
// Edge drops what came before each call. Edges (drivers.EdgeRecorder) records
// all of a duration: the kernel keeps 1024 while the program is held up, and
// numbers them, so that lost ones are known and make the capture an error. What
// the interrupt itself did not see, because the level changed back meanwhile,
// has no number. One such change shows by two edges of one direction, which is
// an error too; a whole pulse within the time of an interrupt leaves no trace.
//
// Tried in an emulated computer with Linux 7.3.4 and its simulated chip
// (.ci/kernel): levels, edges, lines held by another, the level from the first
// moment to the last, a chip unplugged under a waiting call, recording 600 edges,
// and up to 3072 at a program that is held up, where each one beyond 1024 was told
// of. Not tried: real hardware.
package gpio

import (
	"context"
	"errors"
	"fmt"
	"os"
	"sync"
	"time"

	"periph.io/x/conn/v3/gpio"

	"fullthrow/drivers"
)

// Chip is a GPIO chip: the kernel's, or a [Fake]. Levels are electrical.
type Chip interface {
	String() string
	// Lines lists the lines, number 0 first.
	Lines() ([]LineInfo, error)
	// Output makes line n an output that is at the given level from the moment
	// it is one. consumer says who holds it.
	Output(n int, consumer string, first gpio.Level) (Line, error)
	// Input makes line n an input, noting edges if asked.
	Input(n int, consumer string, edges bool) (Line, error)
	Close() error
}

// Line is a line that was asked for. It has the words of periph's pins
// (periph.io/x/conn/v3/gpio), but tells each failure.
type Line interface {
	Level() (gpio.Level, error)
	Out(gpio.Level) error
	// Edge waits for an edge after the call. No edge is os.ErrDeadlineExceeded.
	Edge(ctx context.Context, timeout time.Duration) (drivers.Edge, error)
	// Edges is as in drivers.EdgeRecorder, levels electrical; lost edges are
	// what capture.end says.
	Edges(ctx context.Context, over time.Duration) ([]drivers.Edge, error)
	// Halt gives the line back; waiting calls end.
	Halt() error
}

// LineInfo is a line as the kernel knows it.
type LineInfo struct {
	Number   int
	Name     string // "" if it has none
	Consumer string // who holds it
	Used     bool
}

// ChipInfo is a chip of this machine.
type ChipInfo struct {
	Path  string
	Label string
	Lines []LineInfo
}

// errLineBusy is what a Chip returns for a line that someone holds.
var errLineBusy = errors.New("line is in use")

// errChipGone is what a Chip returns when it has been unplugged.
var errChipGone = errors.New("chip is gone")

// Lines is a GPIO chip as a device. Its calls do not wait, except for edges,
// and may come from any goroutine.
type Lines struct {
	name  string
	chip  Chip
	count int

	mu     sync.Mutex
	open   map[int]*line
	closed bool
}

var _ drivers.Lines = (*Lines)(nil)

// New makes a device of a chip. name is its role.
func New(name string, chip Chip) (*Lines, error) {
	infos, err := chip.Lines()
	if err != nil {
		return nil, fail(name, "open", err)
	}
	return &Lines{name: name, chip: chip, count: len(infos), open: map[int]*line{}}, nil
}

// Open opens a chip by its path, name or label: "/dev/gpiochip0", "gpiochip0",
// "pinctrl-bcm2711".
func Open(name, chip string) (*Lines, error) {
	c, err := openChip(chip)
	if err != nil {
		return nil, fail(name, "open", err)
	}
	l, err := New(name, c)
	if err != nil {
		_ = c.Close()
		return nil, err
	}
	return l, nil
}

// fail gives an error of a chip its kind.
func fail(name, op string, err error) error {
	var e *drivers.Error
	switch {
	case errors.As(err, &e):
		return drivers.Wrap(name, op, err)
	case errors.Is(err, errLineBusy):
		return drivers.Errorf(name, op, drivers.Busy, "%w", err).
			WithHint("Another program holds the line: the command \"ports\" says which.")
	case errors.Is(err, errChipGone), errors.Is(err, os.ErrNotExist):
		return drivers.Errorf(name, op, drivers.Gone, "%w", err)
	case errors.Is(err, os.ErrClosed): // meanwhile, by another goroutine
		return drivers.Errorf(name, op, drivers.Closed, "closed")
	case errors.Is(err, context.Canceled), errors.Is(err, context.DeadlineExceeded):
		return drivers.Wrap(name, op, err)
	}
	return drivers.Errorf(name, op, drivers.Fault, "%w", err)
}

func (d *Lines) String() string { return d.name }

// Ready asks the chip for its lines; the identity is the chip's own.
func (d *Lines) Ready(ctx context.Context) (string, error) {
	const op = "ready"
	if err := context.Cause(ctx); err != nil {
		return "", drivers.Wrap(d.name, op, drivers.Ended(ctx, err))
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.closed {
		return "", drivers.Errorf(d.name, op, drivers.Closed, "closed")
	}
	infos, err := d.chip.Lines()
	if err != nil {
		return "", fail(d.name, op, err)
	}
	return fmt.Sprintf("%s, %d lines", d.chip, len(infos)), nil
}

// Safe puts every output at its safe level, all of them even if one fails. It
// does not look at ctx: nothing in it waits.
func (d *Lines) Safe(context.Context) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.safe()
}

func (d *Lines) safe() error {
	if d.closed {
		return nil
	}
	var errs []error
	for _, l := range d.open {
		if l.output {
			errs = append(errs, l.set("make safe", l.safeLevel))
		}
	}
	return errors.Join(errs...)
}

// Close puts every output at its safe level once more, because what a line
// does after it is given back is up to the board, and gives everything back.
func (d *Lines) Close() error {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.closed {
		return nil
	}
	err := d.safe()
	d.closed = true
	for n, l := range d.open {
		l.mu.Lock()
		err = errors.Join(err, l.line.Halt())
		l.closed = true
		l.mu.Unlock()
		delete(d.open, n)
	}
	if err = errors.Join(err, d.chip.Close()); err != nil {
		return fail(d.name, "close", err)
	}
	return nil
}

// Find returns the number of the line with that name.
func (d *Lines) Find(name string) (int, error) {
	infos, err := d.chip.Lines()
	if err != nil {
		return 0, fail(d.name, "find line", err)
	}
	found := -1
	for _, i := range infos {
		if i.Name != name || name == "" {
			continue
		}
		if found >= 0 {
			return 0, drivers.Errorf(d.name, "find line", drivers.Fault, "lines %d and %d are both named %q", found,
				i.Number, name).
				WithHint("Give the number instead.")
		}
		found = i.Number
	}
	if found < 0 {
		return 0, drivers.Errorf(d.name, "find line", drivers.OutOfRange, "%s has no line named %q", d.chip, name)
	}
	return found, nil
}

// Output opens line n as an output, at once at its safe level.
func (d *Lines) Output(name string, n int, activeLow, safe bool) (drivers.Output, error) {
	l, err := d.request(name, "open output", n, activeLow, func(consumer string) (Line, error) {
		return d.chip.Output(n, consumer, gpio.Level(safe != activeLow))
	})
	if err != nil {
		return nil, err
	}
	l.output, l.safeLevel = true, safe
	return output{l}, nil
}

// Input opens line n as an input. What it returns is a drivers.EdgeRecorder, if
// the chip has interrupts, which the first Edge or Edges finds out.
func (d *Lines) Input(name string, n int, activeLow bool) (drivers.Input, error) {
	l, err := d.request(name, "open input", n, activeLow, func(consumer string) (Line, error) {
		return d.chip.Input(n, consumer, false)
	})
	if err != nil {
		return nil, err
	}
	return &input{line: l, number: n}, nil
}

func (d *Lines) request(name, op string, n int, activeLow bool, ask func(consumer string) (Line, error)) (*line,
	error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	switch {
	case d.closed:
		return nil, drivers.Errorf(name, op, drivers.Closed, "%s is closed", d.name)
	case n < 0 || n >= d.count:
		return nil, drivers.Errorf(name, op, drivers.OutOfRange, "%s has lines 0 to %d, no line %d", d.chip, d.count-1,
			n)
	case d.open[n] != nil:
		return nil, drivers.Errorf(name, op, drivers.Busy, "line %d is already %s", n, d.open[n].name)
	}
	got, err := ask("fullthrow " + name)
	if err != nil {
		return nil, fail(name, op, err)
	}
	l := &line{name: name, device: d, activeLow: activeLow, line: got}
	d.open[n] = l
	return l, nil
}

// line is one open line.
type line struct {
	name      string
	device    *Lines
	activeLow bool
	output    bool
	safeLevel bool // logical

	mu     sync.Mutex // not held while waiting for an edge
	line   Line
	closed bool
}

func (l *line) String() string { return l.name }

// current is the line, or that it was closed.
func (l *line) current(ctx context.Context, op string) (Line, error) {
	if err := context.Cause(ctx); err != nil {
		return nil, drivers.Wrap(l.name, op, drivers.Ended(ctx, err))
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.closed {
		return nil, drivers.Errorf(l.name, op, drivers.Closed, "closed")
	}
	return l.line, nil
}

// Ready reads the line once; the identity is the chip and the number.
func (l *line) Ready(ctx context.Context) (string, error) {
	if _, err := l.level(ctx, "ready"); err != nil {
		return "", err
	}
	return l.device.chip.String(), nil
}

func (l *line) level(ctx context.Context, op string) (bool, error) {
	line, err := l.current(ctx, op)
	if err != nil {
		return false, err
	}
	high, err := line.Level()
	if err != nil {
		return false, fail(l.name, op, err)
	}
	return bool(high) != l.activeLow, nil
}

func (l *line) set(op string, on bool) error {
	line, err := l.current(context.Background(), op)
	if err != nil {
		return err
	}
	if err := line.Out(gpio.Level(on != l.activeLow)); err != nil {
		return fail(l.name, op, err)
	}
	return nil
}

// Close does nothing: the line goes with its device.
func (l *line) Close() error { return nil }

// output is an open line that is driven.
type output struct{ *line }

var _ drivers.Output = output{}

// Set sets the logical level.
func (o output) Set(ctx context.Context, on bool) error {
	if err := context.Cause(ctx); err != nil {
		return drivers.Wrap(o.name, "set", drivers.Ended(ctx, err))
	}
	return o.set("set", on)
}

// Safe sets the safe level.
func (o output) Safe(context.Context) error { return o.set("make safe", o.safeLevel) }

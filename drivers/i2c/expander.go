package i2c

import (
	"context"
	"errors"
	"sync"

	"fullthrow/drivers"
)

// expander is inputs and outputs behind a bus.
type expander struct {
	*part
	mu      sync.Mutex // of what follows, never held while speaking
	outputs []*line
	used    map[int]string
	// What the lines are to be, a bit each, line 1 the lowest.
	out   uint32 // lines that are outputs
	level uint32 // electrical level of outputs
}

var (
	_ drivers.Lines  = (*expander)(nil)
	_ drivers.Output = (*line)(nil)
	_ drivers.Input  = input{}
)

func newExpander(p *part) *expander { return &expander{part: p, used: map[int]string{}} }

// Ready proves that the part answers; it changes nothing.
func (e *expander) Ready(ctx context.Context) (string, error) { return e.identify(ctx) }

// Safe puts every opened output at its safe level.
func (e *expander) Safe(ctx context.Context) error {
	e.mu.Lock()
	outputs := append([]*line(nil), e.outputs...)
	e.mu.Unlock()
	var errs []error
	for _, o := range outputs {
		errs = append(errs, o.Safe(ctx))
	}
	return errors.Join(errs...)
}

func (e *expander) take(name string, n int) error {
	if n < 1 || n > e.model.Lines {
		return drivers.Errorf(name, "open", drivers.OutOfRange, "line %d: a %s has 1..%d", n, e.model.Name, e.model.Lines)
	}
	e.mu.Lock()
	defer e.mu.Unlock()
	if other, ok := e.used[n]; ok {
		return drivers.Errorf(name, "open", drivers.Busy, "line %d is %s", n, other)
	}
	e.used[n] = name
	return nil
}

// Output opens line n as an output. Nothing is sent: until it is first set or
// made safe, the line is as the part has it, an input after power-on.
func (e *expander) Output(name string, n int, activeLow, safe bool) (drivers.Output, error) {
	if err := e.take(name, n); err != nil {
		return nil, err
	}
	l := &line{e: e, name: name, bit: 1 << (n - 1), activeLow: activeLow, safe: safe}
	e.mu.Lock()
	e.outputs = append(e.outputs, l)
	e.mu.Unlock()
	return l, nil
}

// Input opens line n as an input.
func (e *expander) Input(name string, n int, activeLow bool) (drivers.Input, error) {
	if err := e.take(name, n); err != nil {
		return nil, err
	}
	return input{e, name, 1 << (n - 1), activeLow}, nil
}

// line is one output.
type line struct {
	e               *expander
	name            string
	bit             uint32
	activeLow, safe bool
}

func (l *line) String() string { return l.name }
func (l *line) Close() error   { return nil }

// Ready is the part's.
func (l *line) Ready(ctx context.Context) (string, error) {
	id, err := l.e.identify(ctx)
	return id, drivers.Wrap(l.name, "ready", err)
}

// Set drives the line and proves at its pin that it is there.
func (l *line) Set(ctx context.Context, on bool) error {
	return drivers.Wrap(l.name, "set", l.e.hold(ctx, "set", func(ctx context.Context) error { return l.drive(ctx, on) }))
}

// Safe drives the line to its safe level.
func (l *line) Safe(ctx context.Context) error {
	return drivers.Wrap(l.name, "make safe",
		l.e.makeSafe(ctx, func(ctx context.Context) error { return l.drive(ctx, l.safe) }))
}

func (l *line) drive(ctx context.Context, on bool) error {
	e := l.e
	e.mu.Lock()
	e.out |= l.bit
	e.level &^= l.bit
	if on != l.activeLow {
		e.level |= l.bit
	}
	want := e.level
	e.mu.Unlock()
	if err := e.write(ctx); err != nil {
		return err
	}
	pins, err := e.pins(ctx)
	if err == nil && (pins^want)&l.bit != 0 {
		stays := map[bool]string{true: "high", false: "low"}[pins&l.bit != 0]
		err = e.errorf(drivers.Fault, "the line stays %s", stays).
			WithHint("Look for a short at this line, and whether its load is more than the part can drive.")
	}
	return err
}

// write tells the part all it is to be: after a dip of its supply it is as
// after power-on. Levels go before directions, so that no line is an output at
// another level for a moment.
func (e *expander) write(ctx context.Context) error {
	m := e.model
	e.mu.Lock()
	out, level := e.out, e.level
	e.mu.Unlock()
	if len(m.Latch) == 0 {
		return e.tx(ctx, []byte{byte(level | ^out)}, nil)
	}
	for i := range m.Latch {
		if err := e.put(ctx, m.Latch[i], byte((level&out)>>(8*i))); err != nil {
			return err
		}
	}
	for i := range m.Direction {
		if err := e.put(ctx, m.Direction[i], byte(^out>>(8*i))); err != nil {
			return err
		}
	}
	return nil
}

// pins reads the levels at the pins.
func (e *expander) pins(ctx context.Context) (uint32, error) {
	if len(e.model.Level) == 0 {
		b := make([]byte, 1)
		err := e.tx(ctx, nil, b)
		return uint32(b[0]), err
	}
	var v uint32
	for i, reg := range e.model.Level {
		b, err := e.get(ctx, reg, 1)
		if err != nil {
			return 0, err
		}
		v |= uint32(b[0]) << (8 * i)
	}
	return v, nil
}

// input is one input.
type input struct {
	e         *expander
	name      string
	bit       uint32
	activeLow bool
}

func (i input) String() string             { return i.name }
func (i input) Close() error               { return nil }
func (i input) Safe(context.Context) error { return nil }

// Ready is the part's.
func (i input) Ready(ctx context.Context) (string, error) {
	id, err := i.e.identify(ctx)
	return id, drivers.Wrap(i.name, "ready", err)
}

// Level reads the pin, after proving that it is an input: a line that another
// program left as an output reads as what that drives.
func (i input) Level(ctx context.Context) (on bool, err error) {
	err = drivers.Wrap(i.name, "read", i.e.hold(ctx, "read", func(ctx context.Context) error {
		if err := i.e.write(ctx); err != nil {
			return err
		}
		pins, err := i.e.pins(ctx)
		on = pins&i.bit != 0 != i.activeLow
		return err
	}))
	return on && err == nil, err
}

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

// Fake is a GPIO chip in memory, for tests and for looking at a bench file
// without its hardware. What it is driven to, and in which order, can be read;
// it can be broken, and lines can be held by others.
type Fake struct {
	mu     sync.Mutex
	lines  []fakeLine
	log    []string
	broken error
	closed bool
}

type fakeLine struct {
	LineInfo
	high   gpio.Level
	output bool
	edges  bool
	late   time.Duration
	noted  uint32  // edges since the line was asked for
	queue  []event // stamps are UnixNano
	wake   chan struct{}
}

var _ Chip = (*Fake)(nil)

// NewFake makes a chip with n lines named LINE0, LINE1, ...; all are low and
// held by nobody.
func NewFake(n int) *Fake {
	f := &Fake{lines: make([]fakeLine, n)}
	for i := range f.lines {
		f.lines[i].LineInfo = LineInfo{Number: i, Name: fmt.Sprintf("LINE%d", i)}
	}
	return f
}

func (f *Fake) String() string { return "fake chip" }

// High is the electrical level of line n.
func (f *Fake) High(n int) bool {
	f.mu.Lock()
	defer f.mu.Unlock()
	return bool(f.lines[n].high)
}

// Drive sets the electrical level of line n from outside.
func (f *Fake) Drive(n int, high bool) {
	f.mu.Lock()
	defer f.mu.Unlock()
	l := &f.lines[n]
	if bool(l.high) == high {
		return
	}
	l.high = gpio.Level(high)
	if l.edges {
		l.noted++
		l.queue = append(l.queue, event{l.noted, time.Now().UnixNano(), high})
		if len(l.queue) > edgeQueue {
			l.queue = l.queue[1:] // the kernel drops the oldest as well
		}
		l.tell()
	}
}

// tell wakes who waits for edges.
func (l *fakeLine) tell() {
	select {
	case l.wake <- struct{}{}:
	default:
	}
}

// Delay makes calls that wait for edges of line n go on only d after there is
// one to read, or after their time is over, as on a computer that is busy.
func (f *Fake) Delay(n int, d time.Duration) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.lines[n].late = d
}

// Break makes every later call fail with err, and those that wait for edges
// (nil: work again).
func (f *Fake) Break(err error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.broken = err
	for i := range f.lines {
		f.lines[i].tell()
	}
}

// Hold makes line n belong to someone else.
func (f *Fake) Hold(n int, consumer string) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.lines[n].Used, f.lines[n].Consumer = true, consumer
}

// Log is what was done to the lines, in order: "3 output High", "3 Low",
// "3 given back".
func (f *Fake) Log() []string {
	f.mu.Lock()
	defer f.mu.Unlock()
	return append([]string(nil), f.log...)
}

// Lines lists the lines.
func (f *Fake) Lines() ([]LineInfo, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.broken != nil {
		return nil, f.broken
	}
	var list []LineInfo
	for _, l := range f.lines {
		list = append(list, l.LineInfo)
	}
	return list, nil
}

// Output makes line n an output.
func (f *Fake) Output(n int, consumer string, first gpio.Level) (Line, error) {
	return f.ask(n, consumer, func(l *fakeLine) {
		l.output, l.high = true, first
		f.log = append(f.log, fmt.Sprintf("%d output %s", n, first))
	})
}

// Input makes line n an input.
func (f *Fake) Input(n int, consumer string, edges bool) (Line, error) {
	return f.ask(n, consumer, func(l *fakeLine) {
		l.output, l.edges = false, edges
		l.noted, l.queue, l.wake = 0, nil, make(chan struct{}, 1)
		f.log = append(f.log, fmt.Sprintf("%d input", n))
	})
}

func (f *Fake) ask(n int, consumer string, take func(*fakeLine)) (Line, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	switch {
	case f.broken != nil:
		return nil, f.broken
	case f.closed:
		return nil, os.ErrClosed
	case n < 0 || n >= len(f.lines):
		return nil, fmt.Errorf("no line %d", n)
	case f.lines[n].Used:
		return nil, fmt.Errorf("%w by %s", errLineBusy, f.lines[n].Consumer)
	}
	f.lines[n].Used, f.lines[n].Consumer = true, consumer
	take(&f.lines[n])
	return &fakeHandle{chip: f, n: n, closed: make(chan struct{})}, nil
}

// Close closes the chip.
func (f *Fake) Close() error {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.closed = true
	return nil
}

// fakeHandle is a line that was asked for.
type fakeHandle struct {
	chip   *Fake
	n      int
	last   uint32 // number of the last event read
	closed chan struct{}
}

func (h *fakeHandle) Level() (gpio.Level, error) {
	h.chip.mu.Lock()
	defer h.chip.mu.Unlock()
	return h.chip.lines[h.n].high && h.chip.broken == nil, h.chip.broken
}

func (h *fakeHandle) Out(level gpio.Level) error {
	h.chip.mu.Lock()
	defer h.chip.mu.Unlock()
	l := &h.chip.lines[h.n]
	switch {
	case h.chip.broken != nil:
		return h.chip.broken
	case !l.output:
		return errors.New("not an output")
	}
	l.high = level
	h.chip.log = append(h.chip.log, fmt.Sprintf("%d %s", h.n, level))
	return nil
}

func (h *fakeHandle) Edge(ctx context.Context, timeout time.Duration) (drivers.Edge, error) {
	if _, err := h.read(); err != nil { // from before the call
		return drivers.Edge{}, err
	}
	end := time.Now().Add(timeout)
	for {
		err := h.wait(ctx, end)
		if err != nil {
			return drivers.Edge{}, err
		}
		list, err := h.read()
		if err != nil {
			return drivers.Edge{}, err
		}
		if len(list) > 0 {
			return fakeEdge(list[0]), nil
		}
	}
}

func (h *fakeHandle) Edges(ctx context.Context, over time.Duration) ([]drivers.Edge, error) {
	now := time.Now()
	c := capture{from: now.UnixNano(), to: now.Add(over).UnixNano(), last: h.last}
	for end := false; !end; {
		err := h.wait(ctx, now.Add(over))
		if end = errors.Is(err, os.ErrDeadlineExceeded); err != nil && !end {
			return nil, err
		}
		list, err := h.read()
		if err != nil {
			return nil, err
		}
		for _, e := range list {
			c.add(e)
		}
	}
	if err := c.end(); err != nil {
		return nil, err
	}
	list := make([]drivers.Edge, len(c.events))
	for i, e := range c.events {
		list[i] = fakeEdge(e)
	}
	return list, nil
}

// fakeEdge is an event with its date.
func fakeEdge(e event) drivers.Edge { return drivers.Edge{At: time.Unix(0, e.stamp), Rising: e.rising} }

// wait waits for an edge until end, and then for the line's delay.
func (h *fakeHandle) wait(ctx context.Context, end time.Time) error {
	h.chip.mu.Lock()
	wake, late := h.chip.lines[h.n].wake, h.chip.lines[h.n].late
	h.chip.mu.Unlock()
	t := time.NewTimer(time.Until(end))
	defer t.Stop()
	select {
	case <-wake:
	case <-t.C:
		return errors.Join(os.ErrDeadlineExceeded, drivers.System.Sleep(ctx, late))
	case <-ctx.Done():
		return context.Cause(ctx)
	case <-h.closed:
		return os.ErrClosed
	}
	return drivers.System.Sleep(ctx, late)
}

// read takes all events that wait.
func (h *fakeHandle) read() ([]event, error) {
	h.chip.mu.Lock()
	defer h.chip.mu.Unlock()
	l := &h.chip.lines[h.n]
	switch {
	case h.chip.broken != nil:
		return nil, h.chip.broken
	case !l.edges:
		return nil, errors.New("asked for without edges")
	}
	list := l.queue
	l.queue = nil
	if len(list) > 0 {
		h.last = list[len(list)-1].number
	}
	return list, nil
}

func (h *fakeHandle) Halt() error {
	h.chip.mu.Lock()
	defer h.chip.mu.Unlock()
	select {
	case <-h.closed:
		return nil
	default:
	}
	close(h.closed)
	l := &h.chip.lines[h.n]
	l.Used, l.Consumer, l.output, l.edges = false, "", false, false
	h.chip.log = append(h.chip.log, fmt.Sprintf("%d given back", h.n))
	return nil
}

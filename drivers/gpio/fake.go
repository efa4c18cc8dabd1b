package gpio

import (
	"context"
	"errors"
	"fmt"
	"os"
	"sync"
	"time"

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
	high   bool
	output bool
	edges  bool
	events chan drivers.Edge
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
	return f.lines[n].high
}

// Drive sets the electrical level of line n from outside.
func (f *Fake) Drive(n int, high bool) {
	f.mu.Lock()
	defer f.mu.Unlock()
	l := &f.lines[n]
	if l.high == high {
		return
	}
	l.high = high
	if l.edges {
		select {
		case l.events <- drivers.Edge{At: time.Now(), Rising: high}:
		default: // the kernel's buffer overflows too
		}
	}
}

// Break makes every later call fail with err (nil: work again).
func (f *Fake) Break(err error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.broken = err
}

// Hold makes line n belong to someone else.
func (f *Fake) Hold(n int, consumer string) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.lines[n].Used, f.lines[n].Consumer = true, consumer
}

// Log is what was done to the lines, in order: "3 output high", "3 low",
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
func (f *Fake) Output(n int, consumer string, high bool) (Line, error) {
	return f.ask(n, consumer, func(l *fakeLine) {
		l.output, l.high = true, high
		f.log = append(f.log, fmt.Sprintf("%d output %s", n, level(high)))
	})
}

// Input makes line n an input.
func (f *Fake) Input(n int, consumer string, edges bool) (Line, error) {
	return f.ask(n, consumer, func(l *fakeLine) {
		l.output, l.edges = false, edges
		l.events = make(chan drivers.Edge, 16)
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
	return &fakeHandle{f, n, make(chan struct{})}, nil
}

// Close closes the chip.
func (f *Fake) Close() error {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.closed = true
	return nil
}

func level(high bool) string {
	if high {
		return "high"
	}
	return "low"
}

// fakeHandle is a line that was asked for.
type fakeHandle struct {
	chip   *Fake
	n      int
	closed chan struct{}
}

func (h *fakeHandle) Level() (bool, error) {
	h.chip.mu.Lock()
	defer h.chip.mu.Unlock()
	return h.chip.lines[h.n].high && h.chip.broken == nil, h.chip.broken
}

func (h *fakeHandle) SetLevel(high bool) error {
	h.chip.mu.Lock()
	defer h.chip.mu.Unlock()
	l := &h.chip.lines[h.n]
	switch {
	case h.chip.broken != nil:
		return h.chip.broken
	case !l.output:
		return errors.New("not an output")
	}
	l.high = high
	h.chip.log = append(h.chip.log, fmt.Sprintf("%d %s", h.n, level(high)))
	return nil
}

func (h *fakeHandle) Edge(ctx context.Context, timeout time.Duration) (drivers.Edge, error) {
	h.chip.mu.Lock()
	l := &h.chip.lines[h.n]
	err, edges, events := h.chip.broken, l.edges, l.events
	h.chip.mu.Unlock()
	if err != nil {
		return drivers.Edge{}, err
	}
	if !edges {
		return drivers.Edge{}, errors.New("asked for without edges")
	}
	for len(events) > 0 {
		<-events // from before the call
	}
	t := time.NewTimer(timeout)
	defer t.Stop()
	select {
	case e := <-events:
		return e, nil
	case <-t.C:
		return drivers.Edge{}, os.ErrDeadlineExceeded
	case <-ctx.Done():
		return drivers.Edge{}, context.Cause(ctx)
	case <-h.closed:
		return drivers.Edge{}, os.ErrClosed
	}
}

func (h *fakeHandle) Close() error {
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

package gpio

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"time"

	"golang.org/x/sys/unix"
	"periph.io/x/conn/v3/driver/driverreg"
	"periph.io/x/conn/v3/gpio"
	"periph.io/x/host/v3/gpioioctl"

	"fullthrow/drivers"
)

// periphSlice is how long a wait for an edge lasts before it looks at its
// context and whether the line was closed: the package's own Halt can come
// before the wait it is meant for, and is lost then.
const periphSlice = 20 * time.Millisecond

// periphChip asks for lines by the package gpioioctl. Which lines there are,
// who holds them and whether the chip is still there comes from the kernel: the
// package reads that once, at its start.
type periphChip struct {
	*chip
	lines *gpioioctl.GPIOChip
}

func openPeriphChip(name string) (Chip, error) {
	c, err := openChip(name)
	if err != nil {
		return nil, err
	}
	p, err := findPeriph(c.(*chip))
	if err != nil {
		_ = c.Close()
		return nil, err
	}
	return p, nil
}

func findPeriph(c *chip) (*periphChip, error) {
	path := c.file.Name()
	// The package closes a chip that it meets by a second name, and with it the
	// program's descriptor 0, and by chance one that was opened meanwhile.
	all, err := filepath.Glob("/dev/gpiochip*")
	if err != nil {
		return nil, err
	}
	for _, p := range all {
		if info, err := os.Lstat(p); err != nil || info.Mode()&os.ModeSymlink != 0 {
			return nil, drivers.Errorf(path, "open", drivers.Fault, "%s is a second name of a chip, which the package periph cannot bear", p).
				WithHint(useKernel)
		}
	}
	if _, err := driverreg.Init(); err != nil {
		return nil, err
	}
	for _, p := range gpioioctl.Chips {
		if p.Path() == path {
			return &periphChip{c, p}, nil
		}
	}
	return nil, drivers.Errorf(path, "open", drivers.Gone, "the package periph does not know it: it looks for chips once, when first used").
		WithHint("End the program and start it again, or: " + useKernel)
}

const useKernel = `Write driver = "gpio" for this chip in the bench file.`

func (c *periphChip) String() string { return c.chip.String() + " by periph" }

// Output refuses lines that must begin high: the package makes them low first.
func (c *periphChip) Output(n int, _ string, high bool) (Line, error) {
	if high {
		return nil, drivers.Errorf(c.file.Name(), "open output", drivers.OutOfRange, "line %d must begin high, and the package periph makes every output low first", n).
			WithHint(useKernel)
	}
	return c.request(n, gpioioctl.LineOutput, gpio.NoEdge)
}

func (c *periphChip) Input(n int, _ string, edges bool) (Line, error) {
	if edges {
		return c.request(n, gpioioctl.LineInput, gpio.BothEdges)
	}
	return c.request(n, gpioioctl.LineInput, gpio.NoEdge)
}

// request asks for a set of one line: only sets tell of failed reads.
func (c *periphChip) request(n int, direction gpioioctl.LineDir, edge gpio.Edge) (Line, error) {
	if n >= c.lines.LineCount() {
		return nil, errChipGone // another chip came in the place of the one it knows
	}
	name := c.lines.ByNumber(n).Name()
	if name == "" || c.lines.ByName(name).Number() != n {
		return nil, drivers.Errorf(c.file.Name(), "open line", drivers.OutOfRange, "line %d has no name of its own (%q), by which alone the package periph can ask for it", n, name).
			WithHint(useKernel)
	}
	l := &periphLine{ask: func() (*gpioioctl.LineSet, error) {
		set, err := c.lines.LineSet(direction, edge, gpio.PullNoChange, name)
		return set, periphError(err)
	}}
	var err error
	if l.set, err = l.ask(); err != nil {
		return nil, c.requestError(n, err)
	}
	return l, nil
}

// periphError finds the kernel's error again, of which the package keeps the
// text only.
func periphError(err error) error {
	switch {
	case err == nil:
		return nil
	case errors.Is(err, unix.ENODEV) || strings.HasSuffix(err.Error(), unix.ENODEV.Error()):
		return errChipGone
	case strings.HasSuffix(err.Error(), unix.EBUSY.Error()):
		return errLineBusy
	}
	return err
}

// periphLine is a set of one line.
type periphLine struct {
	ask func() (*gpioioctl.LineSet, error)

	mu     sync.RWMutex // read: using the set; write: changing it
	set    *gpioioctl.LineSet
	closed bool
}

// use calls f with the set.
func (l *periphLine) use(f func(*gpioioctl.LineSet) error) error {
	l.mu.RLock()
	defer l.mu.RUnlock()
	switch {
	case l.closed:
		return os.ErrClosed
	case l.set == nil:
		return errors.New("line was lost")
	}
	return periphError(f(l.set))
}

func (l *periphLine) Level() (high bool, err error) {
	err = l.use(func(s *gpioioctl.LineSet) error {
		v, err := s.Read(1)
		high = v&1 != 0
		return err
	})
	return high && err == nil, err
}

func (l *periphLine) SetLevel(high bool) error {
	return l.use(func(s *gpioioctl.LineSet) error {
		if high {
			return s.Out(1, 1)
		}
		return s.Out(0, 1)
	})
}

// renew asks for the line again. What the kernel noted before it is dropped
// so: without time stamps nothing else tells it from what comes after.
func (l *periphLine) renew() error {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.closed {
		return os.ErrClosed
	}
	if l.set != nil {
		if err := l.set.Close(); err != nil {
			return periphError(err)
		}
		l.set = nil
	}
	var err error
	l.set, err = l.ask()
	return err
}

func (l *periphLine) Edge(ctx context.Context, timeout time.Duration) (drivers.Edge, error) {
	if err := l.renew(); err != nil {
		return drivers.Edge{}, err
	}
	end := time.Now().Add(timeout)
	for {
		// At least 1 ms: the package takes 0 for "for ever".
		wait := max(time.Millisecond, min(periphSlice, time.Until(end)))
		e := drivers.Edge{Uncertainty: noStampError}
		err := l.use(func(s *gpioioctl.LineSet) error {
			_, edge, err := s.WaitForEdge(wait)
			e.At, e.Rising = time.Now(), edge == gpio.RisingEdge
			if err == nil && edge == gpio.NoEdge {
				return errors.New("an event of unknown kind")
			}
			return err
		})
		switch {
		case err == nil:
			return e, nil
		case ctx.Err() != nil:
			return drivers.Edge{}, context.Cause(ctx)
		case !errors.Is(err, os.ErrDeadlineExceeded) || !time.Now().Before(end):
			return drivers.Edge{}, err
		}
	}
}

func (l *periphLine) Close() error {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.closed = true
	if l.set == nil {
		return nil
	}
	return periphError(l.set.Close())
}

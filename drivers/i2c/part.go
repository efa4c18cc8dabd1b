package i2c

import (
	"context"
	"errors"
	"io/fs"
	"sync/atomic"
	"syscall"
	"time"

	"periph.io/x/conn/v3/i2c"

	"fullthrow/drivers"
)

// part is what all parts have in common: one conversation at a time, registers,
// errors in the words of drivers.
type part struct {
	name   string
	bus    i2c.BusCloser
	addr   uint16
	clock  drivers.Clock
	guard  drivers.Guard
	model  Model
	closed atomic.Bool
}

func (p *part) String() string { return p.name }

// Close gives the bus back. It does not make safe.
func (p *part) Close() error {
	if p.closed.Swap(true) {
		return nil
	}
	return drivers.Wrap(p.name, "close", p.bus.Close())
}

// hold runs f while nobody else speaks with the part.
func (p *part) hold(ctx context.Context, op string, f func(ctx context.Context) error) error {
	ctx, leave, err := p.guard.Hold(ctx)
	if err != nil {
		return drivers.Wrap(p.name, op, err)
	}
	defer leave()
	return drivers.Wrap(p.name, op, f(ctx))
}

// makeSafe runs f past what is under way.
func (p *part) makeSafe(ctx context.Context, f func(ctx context.Context) error) error {
	if p.closed.Load() {
		return nil
	}
	leave, _ := p.guard.Interrupt(ctx)
	defer leave()
	return drivers.Wrap(p.name, "make safe", f(ctx))
}

// tx is one transaction. The kernel bounds how long it takes.
func (p *part) tx(ctx context.Context, w, r []byte) error {
	if p.closed.Load() {
		return p.errorf(drivers.Closed, "closed")
	}
	if err := context.Cause(ctx); err != nil {
		return err
	}
	err := p.bus.Tx(p.addr, w, r)
	if err == nil {
		return nil
	}
	for _, row := range failures {
		if errors.Is(err, row.is) {
			return p.errorf(row.kind, row.text+": %w", p.addr, err).WithHint(row.hint)
		}
	}
	return p.errorf(drivers.Fault, "address 0x%02X: %w", p.addr, err)
}

// failures are what the kernel says of a transaction (its Documentation/i2c,
// fault codes).
var failures = []struct {
	is   error
	kind drivers.Kind
	text string
	hint string
}{
	{syscall.ENXIO, drivers.NoReply, "nothing answers at address 0x%02X", noPart},
	{syscall.EREMOTEIO, drivers.NoReply, "nothing answers at address 0x%02X", noPart},
	{syscall.EIO, drivers.NoReply, "nothing answers at address 0x%02X", noPart},
	{syscall.ENODEV, drivers.NoReply, "nothing answers at address 0x%02X", noPart}, // some SMBus adapters
	{syscall.ETIMEDOUT, drivers.Fault, "the bus of address 0x%02X is stuck",
		"A line of the bus is held low: switch the fixture off and on; then look for a short, a part without " +
			"power, a missing pull-up."},
	{syscall.EAGAIN, drivers.Busy, "another master has the bus of address 0x%02X",
		"Only one computer may drive this bus."},
	{syscall.ESHUTDOWN, drivers.Gone, "the bus of address 0x%02X is gone", "Is the adapter plugged in?"},
	{syscall.EBADF, drivers.Closed, "the bus of address 0x%02X is closed", ""},
	{fs.ErrClosed, drivers.Closed, "the bus of address 0x%02X is closed", ""},
	{syscall.EOPNOTSUPP, drivers.Refused, "the adapter cannot do what the part at 0x%02X needs",
		"It knows SMBus transactions only: use another adapter."},
}

const noPart = "Is the part powered, and are its address pins wired as the bench file says?"

func (p *part) errorf(kind drivers.Kind, format string, args ...any) *drivers.Error {
	return drivers.Errorf(p.name, "speak on the bus", kind, format, args...)
}

// get reads n bytes from a register on.
func (p *part) get(ctx context.Context, reg byte, n int) ([]byte, error) {
	r := make([]byte, n)
	return r, p.tx(ctx, []byte{reg}, r)
}

// word reads a register of two bytes, high byte first.
func (p *part) word(ctx context.Context, reg byte) (uint16, error) {
	b, err := p.get(ctx, reg, 2)
	return uint16(b[0])<<8 | uint16(b[1]), err
}

// setWord writes a register of two bytes.
func (p *part) setWord(ctx context.Context, reg byte, v uint16) error {
	return p.tx(ctx, []byte{reg, byte(v >> 8), byte(v)}, nil)
}

// put writes a register of one byte and reads it back.
func (p *part) put(ctx context.Context, reg, v byte) error {
	if err := p.tx(ctx, []byte{reg, v}, nil); err != nil {
		return err
	}
	b, err := p.get(ctx, reg, 1)
	if err == nil && b[0] != v {
		err = p.unlike(reg, uint16(b[0]), uint16(v))
	}
	return err
}

// unlike is the error of a register that does not keep what it was told: the
// part lost its power meanwhile, or it is another part.
func (p *part) unlike(reg byte, got, want uint16) error {
	return p.errorf(drivers.Fault, "register 0x%02X reads 0x%02X after 0x%02X was written", reg, got, want).
		WithHint("Is this part a " + p.model.Name + ", and its supply steady?")
}

// identify proves that the part is there and what its row says, as far as it
// can be told.
func (p *part) identify(ctx context.Context) (string, error) {
	err := p.hold(ctx, "ready", func(ctx context.Context) error {
		if len(p.model.Known) == 0 { // a part without registers
			return p.tx(ctx, nil, make([]byte, 1))
		}
		for _, k := range p.model.Known {
			b, err := p.get(ctx, k.Register, k.Bytes)
			if err != nil {
				return err
			}
			var v uint16
			for _, x := range b {
				v = v<<8 | uint16(x)
			}
			if v&k.Mask != k.Value {
				return p.errorf(drivers.Refused, "register 0x%02X reads 0x%0*X, which is no %s", k.Register, 2*k.Bytes, v,
					p.model.Name).WithHint("Another part answers at this address, or none does and the bus reads as ones.")
			}
		}
		return nil
	})
	if err != nil {
		return "", err
	}
	return p.model.Name, nil
}

// settle waits on the part's clock.
func (p *part) settle(ctx context.Context, d time.Duration) error { return p.clock.Sleep(ctx, d) }

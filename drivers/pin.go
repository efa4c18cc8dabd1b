package drivers

import (
	"context"
	"time"

	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/physic"
)

// Drivers of parts (behind I2C, say) are written against the interfaces of
// periph.io/x/conn/v3: i2c.Bus, gpio.PinOut, gpio.PinIn. PinOut and PinIn hand
// such a driver a line of ours, a GPIO line or one of a board. It stays under our
// rules: its safe state on each way out, nobody else's, one direction. High is on:
// active_low in the bench file says how that is wired. ctx is for all its calls.

// PinOut is an output as a pin of periph's. Halt makes it safe.
func PinOut(ctx context.Context, out Output) gpio.PinOut { return pinOut{pin{out}, ctx, out} }

// PinIn is an input as a pin of periph's, whose Read cannot tell of a failure:
// failed is called with it (never nil), and must see to it that nothing read is
// believed, by ending the context of whoever reads. It has no edges: periph's
// WaitForEdge wants those from before the call as well, and cannot say that some
// were lost. What needs edges takes an [EdgeInput].
func PinIn(ctx context.Context, in Input, failed func(error)) gpio.PinIn {
	return pinIn{pin{in}, ctx, in, failed}
}

type pin struct{ Device }

func (p pin) Name() string   { return p.String() }
func (pin) Number() int      { return -1 } // of which device, its name says
func (pin) Function() string { return "" }

type pinOut struct {
	pin
	ctx context.Context
	out Output
}

func (p pinOut) Halt() error            { return p.out.Safe(p.ctx) }
func (p pinOut) Out(l gpio.Level) error { return p.out.Set(p.ctx, bool(l)) }
func (p pinOut) PWM(gpio.Duty, physic.Frequency) error {
	return Errorf(p.String(), "modulate pulse width", OutOfRange, "it can only be on or off")
}

type pinIn struct {
	pin
	ctx    context.Context
	in     Input
	failed func(error)
}

func (pinIn) Halt() error            { return nil }
func (pinIn) Pull() gpio.Pull        { return gpio.PullNoChange }
func (pinIn) DefaultPull() gpio.Pull { return gpio.PullNoChange }

// In proves that the line can be read; it is an input already.
func (p pinIn) In(pull gpio.Pull, edge gpio.Edge) error {
	if edge != gpio.NoEdge || pull != gpio.PullNoChange {
		return Errorf(p.String(), "set up", OutOfRange, "the input has no %v and no %v", pull, edge)
	}
	_, err := p.in.Level(p.ctx)
	return err
}

func (p pinIn) Read() gpio.Level {
	on, err := p.in.Level(p.ctx)
	if err != nil {
		p.failed(err)
	}
	return gpio.Level(on && err == nil)
}

func (p pinIn) WaitForEdge(time.Duration) bool {
	p.failed(Errorf(p.String(), "wait for edge", OutOfRange, "the input was set up without edges"))
	return false
}

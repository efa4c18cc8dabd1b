package i2c

import (
	"context"
	"math"
	"time"

	"fullthrow/drivers"
)

// ColourPart are the registers of a sensor of clear, red, green and blue light.
type ColourPart struct {
	Enable, Time, Control, Status byte // registers of 8 bits
	Data                          byte // first of eight: clear, red, green, blue, low byte first
	Power, Measure                byte // bits of Enable
	Valid                         byte // bit of Status: an integration is complete
	Step                          time.Duration
	Steps, StepCounts             int // most steps of integration, and the counts that each of them can add
	WakeUp                        time.Duration
	Gains                         []Gain
	// Below so many steps the part clips before its counter does: at this share.
	RippleSteps int
	RippleShare float64
}

// Gain is one amplification.
type Gain struct {
	Factor float64
	Bits   byte
}

// colourSensor reads light.
type colourSensor struct {
	*part
	matrix []float64 // X, Y, Z from red, green, blue; none: no chromaticity
}

var _ drivers.ColourSensor = (*colourSensor)(nil)

func newColourSensor(p *part, o Options) (drivers.Device, error) {
	if n := len(o.Matrix); n != 0 && n != 9 {
		return nil, drivers.Errorf(p.name, "open", drivers.OutOfRange,
			"matrix of %d numbers: nine, X, Y and Z from red, green and blue", n)
	}
	for _, v := range o.Matrix {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return nil, drivers.Errorf(p.name, "open", drivers.OutOfRange, "matrix with %v", v)
		}
	}
	return &colourSensor{p, o.Matrix}, nil
}

// Ready proves that the part answers, and as what.
func (s *colourSensor) Ready(ctx context.Context) (string, error) { return s.identify(ctx) }

// Safe does nothing: a sensor only reads.
func (s *colourSensor) Safe(context.Context) error { return nil }

// Light integrates once, for about as long as asked and with the gain asked for.
func (s *colourSensor) Light(ctx context.Context, over time.Duration, gain float64) (l drivers.Light, err error) {
	const op = "read light"
	c := s.model.Colour
	steps := int(math.Round(float64(over) / float64(c.Step)))
	var bits *Gain
	for i := range c.Gains {
		if c.Gains[i].Factor == gain {
			bits = &c.Gains[i]
		}
	}
	switch {
	case steps < 1 || steps > c.Steps:
		return l, drivers.Errorf(s.name, op, drivers.OutOfRange, "integration over %v: %v to %v", over, c.Step,
			time.Duration(c.Steps)*c.Step)
	case bits == nil:
		var has []float64
		for _, g := range c.Gains {
			has = append(has, g.Factor)
		}
		return l, drivers.Errorf(s.name, op, drivers.OutOfRange, "a gain of %v: it has %v", gain, has)
	}
	err = s.hold(ctx, op, func(ctx context.Context) error {
		// Off between, so that what is valid is of this integration.
		for _, set := range [][2]byte{{c.Enable, c.Power}, {c.Time, byte(256 - steps)}, {c.Control, bits.Bits}} {
			if err := s.put(ctx, set[0], set[1]); err != nil {
				return err
			}
		}
		if err := s.settle(ctx, c.WakeUp); err != nil {
			return err
		}
		if err := s.put(ctx, c.Enable, c.Power|c.Measure); err != nil {
			return err
		}
		took := time.Duration(steps) * c.Step
		if err := s.settle(ctx, took); err != nil {
			return err
		}
		for end := s.clock.Now().Add(took/2 + 20*time.Millisecond); ; {
			b, err := s.get(ctx, c.Status, 1)
			if err != nil {
				return err
			}
			if b[0]&c.Valid != 0 {
				break
			}
			if !s.clock.Now().Before(end) {
				return s.errorf(drivers.NoReply, "no light was read in %v", took+took/2+20*time.Millisecond)
			}
			if err := s.settle(ctx, c.Step/2); err != nil {
				return err
			}
		}
		b, err := s.get(ctx, c.Data, 8)
		if err != nil {
			return err
		}
		l, err = s.light(b, steps, bits.Factor)
		return err
	})
	return l, err
}

// light turns the eight bytes of a reading into light.
func (s *colourSensor) light(b []byte, steps int, gain float64) (drivers.Light, error) {
	c := s.model.Colour
	var counts [4]float64
	for i := range counts {
		counts[i] = float64(b[2*i]) + 256*float64(b[2*i+1])
	}
	l := drivers.Light{Full: float64(min(math.MaxUint16, steps*c.StepCounts)), Gain: gain,
		Over: time.Duration(steps) * c.Step, X: math.NaN(), Y: math.NaN()}
	top := 0.0
	for _, n := range counts {
		top = max(top, n)
	}
	if top > l.Full {
		return l, s.errorf(drivers.Garbled, "%v counts where there can be %v", top, l.Full).
			WithHint("Look at the wires of the bus: it has no check sum.")
	}
	if l.Saturated = top >= l.Full || steps <= c.RippleSteps && top >= c.RippleShare*l.Full; l.Saturated {
		// What a clipped channel counts is less than there is: nothing of it is a value.
		l.Clear, l.Red, l.Green, l.Blue = math.NaN(), math.NaN(), math.NaN(), math.NaN()
		return l, nil
	}
	l.Clear, l.Red, l.Green, l.Blue = counts[0], counts[1], counts[2], counts[3]
	if len(s.matrix) == 9 {
		var xyz [3]float64
		for i := range xyz {
			m := s.matrix[3*i : 3*i+3]
			xyz[i] = m[0]*l.Red + m[1]*l.Green + m[2]*l.Blue
		}
		if all := xyz[0] + xyz[1] + xyz[2]; all > 0 && min(xyz[0], xyz[1], xyz[2]) >= 0 {
			l.X, l.Y = xyz[0]/all, xyz[1]/all
		}
	}
	return l, nil
}

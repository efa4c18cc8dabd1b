package i2c

import (
	"context"
	"math"

	"fullthrow/drivers"
)

// analogue is a DAC whose full scale is its supply.
type analogue struct {
	*part
	reference float64 // V
}

var _ drivers.AnalogueOutput = (*analogue)(nil)

// MaxLevel is one step below the part's supply.
func (d *analogue) MaxLevel() float64 {
	n := math.Exp2(float64(d.model.Bits))
	return d.reference * (n - 1) / n
}

// Ready proves that the part answers: a part without registers.
func (d *analogue) Ready(ctx context.Context) (string, error) { return d.identify(ctx) }

// Safe applies 0 V.
func (d *analogue) Safe(ctx context.Context) error {
	return d.makeSafe(ctx, func(ctx context.Context) error { return d.apply(ctx, 0) })
}

// SetLevel applies a voltage.
func (d *analogue) SetLevel(ctx context.Context, volts float64) error {
	if !(volts >= 0 && volts <= d.MaxLevel()*(1+1e-9)) {
		return drivers.Errorf(d.name, "set level", drivers.OutOfRange, "%v V, from 0 to %.4g", volts, d.MaxLevel())
	}
	code := math.Round(volts / d.reference * math.Exp2(float64(d.model.Bits)))
	return d.hold(ctx, "set level", func(ctx context.Context) error { return d.apply(ctx, uint16(code)) })
}

// apply writes a code and reads it back.
func (d *analogue) apply(ctx context.Context, code uint16) error {
	if err := d.tx(ctx, []byte{byte(code >> 8), byte(code)}, nil); err != nil {
		return err
	}
	r := make([]byte, 3) // status and power-down bits, value
	if err := d.tx(ctx, nil, r); err != nil {
		return err
	}
	got := uint16(r[1])<<4 | uint16(r[2])>>4
	if power := r[0] >> 1 & 3; got != code || power != 0 {
		return d.errorf(drivers.Fault, "it holds %d with power-down %d after %d was written", got, power, code).
			WithHint("Is this part a " + d.model.Name + ", and its supply steady?")
	}
	return nil
}

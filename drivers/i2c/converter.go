package i2c

import (
	"context"
	"math"
	"slices"
	"time"

	"fullthrow/drivers"
)

// converter indicates voltages and currents.
type converter struct {
	*part
	shunt       float64 // ohm; 0: none
	calibration drivers.Calibration
}

// currentConverter also captures a current.
type currentConverter struct{ *converter }

var (
	_ drivers.Indicator = (*converter)(nil)
	_ drivers.Meter     = currentConverter{}
)

func newConverter(p *part, o Options) (drivers.Device, error) {
	c := &converter{p, o.Shunt, o.Calibration}
	if !slices.ContainsFunc(p.model.Inputs, func(in Input) bool { return in.Quantity == drivers.Current }) {
		return c, nil
	}
	if !(o.Shunt > 0) || o.Shunt > 1e3 {
		return nil, drivers.Errorf(p.name, "open", drivers.OutOfRange,
			"shunt of %v ohm: say the resistance that the current goes through", o.Shunt)
	}
	return currentConverter{c}, nil
}

// Ready proves that the part answers, and as what.
func (c *converter) Ready(ctx context.Context) (string, error) { return c.identify(ctx) }

// Safe does nothing: a converter only reads.
func (c *converter) Safe(context.Context) error { return nil }

// Indications lists the pins.
func (c *converter) Indications() []drivers.Indication {
	var list []drivers.Indication
	for _, in := range c.model.Inputs {
		full := 0.0
		for _, r := range in.Ranges {
			full = max(full, r.Full)
		}
		list = append(list, drivers.Indication{Quantity: in.Quantity, Channel: in.Channel, Max: full / c.per(in)})
	}
	return list
}

// per is how much of an input's own unit one unit of its quantity makes: volts
// across the shunt for an ampere.
func (c *converter) per(in Input) float64 {
	if in.Quantity == drivers.Current {
		return c.shunt
	}
	return 1
}

// input finds a pin and its narrowest range that holds rng.
func (c *converter) input(q drivers.Quantity, channel int, rng float64) (Input, Range, error) {
	i := slices.IndexFunc(c.model.Inputs, func(in Input) bool { return in.Quantity == q && in.Channel == channel })
	if i < 0 {
		return Input{}, Range{}, c.errorf(drivers.OutOfRange, "a %s has no %s at channel %d", c.model.Name, q, channel)
	}
	in := c.model.Inputs[i]
	widest := slices.MaxFunc(in.Ranges, func(a, b Range) int { return int(math.Copysign(1, a.Full-b.Full)) })
	if math.IsNaN(rng) || rng < 0 || rng*c.per(in) > widest.Full*(1+1e-9) {
		return Input{}, Range{}, c.errorf(drivers.OutOfRange, "a range of %v %s, at most %.6g", rng, q.Unit(),
			widest.Full/c.per(in))
	}
	best := widest
	for _, r := range in.Ranges {
		if rng > 0 && r.Full*(1+1e-9) >= rng*c.per(in) && r.Full < best.Full {
			best = r
		}
	}
	return in, best, nil
}

// value turns the bits of a result into the input's quantity.
func (c *converter) value(in Input, r Range, raw uint16) (float64, error) {
	v := int(raw >> in.Shift)
	if in.Signed {
		v = int(int16(raw)) >> in.Shift
	}
	x := float64(v) * r.LSB / c.per(in)
	// A current's register may count beyond its range: the part clips there.
	edge := math.Abs(float64(v)) * r.LSB
	if in.Overflow != 0 && raw&in.Overflow != 0 || in.Low != in.High && (v <= in.Low || v >= in.High) ||
		in.Low == in.High && edge >= r.Full-1.5*r.LSB {
		return 0, c.errorf(drivers.OutOfRange, "%.4g %s is beyond the range of %.4g", x,
			in.Quantity.Unit(), r.Full/c.per(in)).
			WithHint("Ask for a wider range, or use a smaller shunt.")
	}
	if in.Quantity == drivers.Current || len(c.model.Inputs) > 0 && in.Quantity == c.model.Inputs[0].Quantity {
		x = c.calibration.Apply(x)
	}
	return x, nil
}

// flag waits until the part says that its conversion is done.
func (c *converter) flag(ctx context.Context, within time.Duration) error {
	k := c.model.Ready
	for end := c.clock.Now().Add(2*within + 20*time.Millisecond); ; {
		v, err := c.word(ctx, k.Register)
		if err != nil || v&k.Mask == k.Value {
			return err
		}
		if !c.clock.Now().Before(end) {
			return c.errorf(drivers.NoReply, "no conversion in %v", 2*within+20*time.Millisecond)
		}
		if err := c.settle(ctx, max(within/8, 200*time.Microsecond)); err != nil {
			return err
		}
	}
}

// Indicate converts once.
func (c *converter) Indicate(ctx context.Context, q drivers.Quantity, channel int, rng float64) (x float64, err error) {
	in, r, err := c.input(q, channel, rng)
	if err != nil {
		return 0, drivers.Wrap(c.name, "read "+string(q), err)
	}
	err = c.hold(ctx, "read "+string(q), func(ctx context.Context) error {
		if err := c.start(ctx, in.Start|r.Bits); err != nil {
			return err
		}
		if err := c.settle(ctx, in.Takes*3/4); err != nil {
			return err
		}
		if err := c.flag(ctx, in.Takes); err != nil {
			return err
		}
		raw, err := c.word(ctx, in.Result)
		if err != nil {
			return err
		}
		x, err = c.value(in, r, raw)
		return err
	})
	return x, err
}

// started are bits of a configuration that read otherwise than written: those
// that start a conversion.
const started = 0x8000

// start writes the configuration and proves that it was taken. Reading a
// conversion flag's register before would clear nothing that counts: the write
// does.
func (c *converter) start(ctx context.Context, config uint16) error {
	if err := c.setWord(ctx, c.model.Config, config); err != nil {
		return err
	}
	got, err := c.word(ctx, c.model.Config)
	if err == nil && got&^started != config&^started {
		err = c.unlike(c.model.Config, got, config)
	}
	return err
}

// Current samples the current through the shunt. Each sample is the mean over
// the longest conversion that the rate leaves room for.
func (c currentConverter) Current(ctx context.Context, rng, rate float64,
	over time.Duration) (s drivers.Samples, err error) {
	const op = "read current"
	in, r, err := c.input(drivers.Current, 1, rng)
	if err != nil {
		return s, drivers.Wrap(c.name, op, err)
	}
	if rate == 0 {
		rate = usualRate
	}
	period := time.Duration(float64(time.Second) / rate)
	var speed *Rate
	for i := range in.Rates {
		if in.Rates[i].Takes <= period {
			speed = &in.Rates[i]
		}
	}
	n := int(math.Round(over.Seconds() * rate))
	if !(rate > 0) || speed == nil || rate > maxRate {
		return s, drivers.Errorf(c.name, op, drivers.OutOfRange, "%v samples/s, at most %d", rate, maxRate)
	}
	if n < 1 || n > maxSamples {
		return s, drivers.Errorf(c.name, op, drivers.OutOfRange, "%d samples, 1 to %d", n, maxSamples)
	}
	err = c.hold(ctx, op, func(ctx context.Context) error {
		if err := c.start(ctx, in.Continuous|speed.Bits|r.Bits); err != nil {
			return err
		}
		// The first conversion began under the old configuration.
		if err := c.settle(ctx, 2*speed.Takes); err != nil {
			return err
		}
		s = drivers.Samples{Start: c.clock.Now(), Rate: rate, Unit: "A", Channels: 1, Values: make([]float64, 0, n)}
		for i := range n {
			due := s.Start.Add(time.Duration(float64(i) * float64(time.Second) / rate))
			if err := c.settle(ctx, due.Sub(c.clock.Now())); err != nil {
				return err
			}
			raw, err := c.word(ctx, in.Result)
			if err != nil {
				return err
			}
			// A sample is read when it is due, or the capture is none: what came
			// late is of another moment.
			if late := c.clock.Now().Sub(due); late > max(period, 2*time.Millisecond) {
				return c.errorf(drivers.Late, "sample %d of %d was read %v late", i+1, n, late.Round(time.Millisecond)).
					WithHint("The computer or the bus is too slow for this rate: ask for a lower one.")
			}
			x, err := c.value(in, r, raw)
			if err != nil {
				return err
			}
			s.Values = append(s.Values, x)
		}
		return nil
	})
	if err != nil {
		return drivers.Samples{}, err
	}
	return s, nil
}

const (
	usualRate  = 50   // samples/s
	maxRate    = 1000 // samples/s; a reading takes some 0.2 ms of a bus at 400 kHz
	maxSamples = 1_000_000
)

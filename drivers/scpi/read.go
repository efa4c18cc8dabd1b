package scpi

import (
	"context"
	"math"
	"slices"
	"strconv"
	"strings"

	"fullthrow/drivers"
)

// Multimeter gives single values. Safe sends the row's safe word, if it has one.
type Multimeter struct {
	*unit
	reads
}

// Load is an electronic load: it takes current, or power, or is a resistance.
// Safe switches it off.
type Load struct{ *unit }

// A supply or load that reads back what its terminals carry.
type (
	readingSupply struct {
		*Supply
		reads
	}
	readingLoad struct {
		*Load
		reads
	}
)

var (
	_ drivers.Indicator = (*Multimeter)(nil)
	_ drivers.Indicator = (*readingSupply)(nil)
	_ drivers.Indicator = (*readingLoad)(nil)
	_ drivers.Load      = (*Load)(nil)
)

// reads are the single values of an instrument.
type reads struct{ of *unit }

// Indications lists the row's reads, each channel of them.
func (r reads) Indications() (list []drivers.Indication) {
	for _, x := range r.of.model.Reads {
		for n := range max(x.Channels, 1) {
			list = append(list, drivers.Indication{Quantity: drivers.Quantity(x.Quantity), Channel: n + 1, Max: x.Max})
		}
	}
	return list
}

// Indicate asks for one value; see drivers.Indicator. What SCPI has for infinity
// and the row's words for it are an OutOfRange error; no number, and what the
// instrument cannot give, are Garbled. The calibration of a multimeter corrects
// the value.
func (r reads) Indicate(ctx context.Context, q drivers.Quantity, channel int, rng float64) (float64, error) {
	op := "read " + string(q)
	u := r.of
	i := slices.IndexFunc(u.model.Reads, func(x Read) bool { return x.Quantity == string(q) })
	if i < 0 {
		return 0, drivers.Errorf(u.name, op, drivers.OutOfRange, "it cannot give this")
	}
	x := u.model.Reads[i]
	if channel < 1 || channel > max(x.Channels, 1) {
		return 0, drivers.Errorf(u.name, op, drivers.OutOfRange, "channel %d, it has 1 to %d", channel,
			max(x.Channels, 1))
	}
	if err := within(u.name, op, "range", q.Unit(), rng, 0, x.Max); err != nil {
		return 0, err
	}
	at := strconv.Itoa(u.channel)
	if x.Channels > 1 {
		at = strconv.Itoa(channel)
	}
	full := rng
	if full == 0 {
		full = x.Max
	}
	ask := fill(x.Ask, "channel", at, "value", formatNumber(full))
	var v float64
	err := u.do(ctx, u.name, op, func(ctx context.Context) (err error) {
		if err := u.choose(ctx, x, at, rng); err != nil {
			return err
		}
		v, err = u.agreeing(ctx, x, q.Unit(), ask, full)
		return err
	})
	if err != nil {
		return 0, err
	}
	if u.model.Function == MultimeterFunction {
		v = u.cal.Apply(v)
	}
	return v, nil
}

// choose sets the range of a read where it is another than the last one.
func (u *unit) choose(ctx context.Context, x Read, channel string, rng float64) error {
	word := x.Range
	if rng == 0 {
		word = x.Auto
	}
	key := x.Quantity + " " + channel
	if last, known := u.ranges[key]; word == "" || known && last == rng {
		return nil
	}
	delete(u.ranges, key)
	if err := u.command(ctx, fill(word, "channel", channel, "value", formatNumber(rng))); err != nil {
		return err
	}
	if u.ranges == nil {
		u.ranges = map[string]float64{}
	}
	u.ranges[key] = rng
	return u.clock.Sleep(ctx, u.model.AfterRange)
}

// How far two readings of one thing may lie apart over a wire without check sum:
// a share of the larger, and of the end of the scale.
const (
	apartOf   = 0.02
	apartFull = 1e-5
)

// agreeing asks for one value; over a wire without a check sum until two that
// follow each other are alike, three times at most.
func (u *unit) agreeing(ctx context.Context, x Read, unit, ask string, full float64) (v float64, err error) {
	var before float64
	for n := range 3 {
		if v, err = u.single(ctx, x, unit, ask); err != nil || !u.unchecked {
			return v, err
		}
		if n > 0 && math.Abs(v-before) <= apartOf*max(math.Abs(v), math.Abs(before))+apartFull*full {
			return v, nil
		}
		if n < 2 {
			before = v
		}
	}
	return 0, errorf(drivers.Garbled, "one question is answered by %v and by %v %s", before, v, unit).WithHint(wireHint)
}

// single asks for one value, once.
func (u *unit) single(ctx context.Context, x Read, unit, ask string) (float64, error) {
	m := &u.model
	answer, err := u.ask(ctx, "", ask, m.Timeout)
	if err != nil {
		return 0, err
	}
	beyond := func() error {
		return errorf(drivers.OutOfRange, "overload: it says %.40q", answer).
			WithHint("choose a larger range, or look for what is open or short")
	}
	if slices.Contains(m.Overload, strings.TrimSpace(answer)) {
		return 0, beyond()
	}
	v, err := m.value(answer, unit)
	switch {
	case err != nil:
		return 0, errorf(drivers.Garbled, "%w", err)
	case math.IsInf(v, 0):
		return 0, beyond()
	case math.IsNaN(v):
		return 0, errorf(drivers.Garbled, "it says %.40q: not a number", answer)
	case math.Abs(v) > x.Max*(1+m.Beyond):
		return 0, errorf(drivers.Garbled, "it says %.40q, and its largest value is %v %s", answer, x.Max, unit)
	}
	return v, nil
}

// SetOutput switches the load.
func (l *Load) SetOutput(ctx context.Context, on bool) error {
	word := l.model.Words.OutputOff
	if on {
		word = l.model.Words.OutputOn
	}
	return l.do(ctx, l.name, "switch load", func(ctx context.Context) error { return l.set(ctx, l.output(word, on)) })
}

// loadOf is what the load can be set to of a quantity.
func (l *Load) loadOf(q drivers.Quantity) (word, ask string, step, full float64) {
	m, w := &l.model, &l.model.Words
	switch q {
	case drivers.Current:
		return w.LoadCurrent, w.LoadCurrentState, m.CurrentStep, m.MaxCurrent
	case drivers.Resistance:
		return w.Resistance, w.ResistanceState, m.ResistanceStep, m.MaxResistance
	case drivers.ActivePower:
		return w.Power, w.PowerState, m.PowerStep, m.MaxPower
	}
	return "", "", 0, 0
}

// Loads lists what the load can be set to.
func (l *Load) Loads() (list []drivers.Quantity) {
	for _, q := range []drivers.Quantity{drivers.Current, drivers.Resistance, drivers.ActivePower} {
		if word, _, _, _ := l.loadOf(q); word != "" {
			list = append(list, q)
		}
	}
	return list
}

// SetLoad sets what the load takes: A, W, or the Ohm that it is.
func (l *Load) SetLoad(ctx context.Context, q drivers.Quantity, v float64) error {
	op := "set " + string(q)
	word, ask, step, full := l.loadOf(q)
	if word == "" {
		return drivers.Errorf(l.name, op, drivers.OutOfRange, "this load has no such mode")
	}
	if err := within(l.name, op, string(q), q.Unit(), v, 0, full); err != nil {
		return err
	}
	return l.do(ctx, l.name, op, func(ctx context.Context) error {
		return l.set(ctx, l.model.quantity(l.word(word, "value", formatNumber(v)), l.word(ask), q.Unit(), v, step, full))
	})
}

// Safe switches the load off.
func (l *Load) Safe(ctx context.Context) error {
	return l.safe(ctx, l.name, l.output(l.model.Words.Safe, false))
}

package scpi

import (
	"context"
	"math"

	"fullthrow/drivers"
)

// Supply is a power supply. Its calibration is that of the voltage; the current
// limit is not corrected. Safe switches the output off.
type Supply struct{ *unit }

var _ drivers.Supply = (*Supply)(nil)

// SetVoltage sets the output voltage, in V.
func (s *Supply) SetVoltage(ctx context.Context, volts float64) error {
	const op = "set voltage"
	if err := within(s.name, op, "voltage", "V", volts, 0, s.model.MaxVoltage); err != nil {
		return err
	}
	v := min(max(uncalibrated(s.cal, volts), 0), s.model.MaxVoltage)
	return s.do(ctx, s.name, op, func(ctx context.Context) error {
		w := &s.model.Words
		return s.set(ctx, s.model.quantity(s.word(w.Voltage, "value", formatNumber(v)), s.word(w.VoltageState), "V", v,
			s.model.VoltageStep, s.model.MaxVoltage))
	})
}

// SetCurrentLimit sets the current limit, in A.
func (s *Supply) SetCurrentLimit(ctx context.Context, amperes float64) error {
	const op = "set current limit"
	if err := within(s.name, op, "current limit", "A", amperes, 0, s.model.MaxCurrent); err != nil {
		return err
	}
	return s.do(ctx, s.name, op, func(ctx context.Context) error {
		w := &s.model.Words
		say := s.word(w.CurrentLimit, "value", formatNumber(amperes))
		return s.set(ctx, s.model.quantity(say, s.word(w.CurrentLimitState), "A", amperes, s.model.CurrentStep,
			s.model.MaxCurrent))
	})
}

// SetOutput switches the output.
func (s *Supply) SetOutput(ctx context.Context, on bool) error {
	word := s.model.Words.OutputOff
	if on {
		word = s.model.Words.OutputOn
	}
	return s.do(ctx, s.name, "switch output", func(ctx context.Context) error {
		return s.set(ctx, s.output(word, on))
	})
}

// output is the setting of the output of a supply or a load.
func (u *unit) output(word string, on bool) setting {
	s := u.model.state(u.word(word), u.word(u.model.Words.OutputState), on, "off", "on")
	s.settle = u.model.AfterSwitch
	return s
}

// Safe switches the output off.
func (s *Supply) Safe(ctx context.Context) error {
	return s.safe(ctx, s.name, s.output(s.model.Words.Safe, false))
}

// Attenuator is a step attenuator in the radio path. Without a calibration the
// attenuation must be a whole number of steps; with one, the nearest step is
// set, which may be half a step off. Safe sets 0 dB, so that no unit begins
// with the attenuation of the one before it.
type Attenuator struct{ *unit }

var _ drivers.Attenuator = (*Attenuator)(nil)

// SetAttenuation sets the attenuation, in dB.
func (a *Attenuator) SetAttenuation(ctx context.Context, dB float64) error {
	const op = "set attenuation"
	if err := within(a.name, op, "attenuation", "dB", dB, 0, a.model.MaxAttenuation); err != nil {
		return err
	}
	v := dB
	if step := a.model.Step; step > 0 {
		v = math.Round(uncalibrated(a.cal, dB)/step) * step
		trivial := a.cal.Offset == 0 && (a.cal.Gain == 0 || a.cal.Gain == 1)
		if trivial && math.Abs(v-dB) > 1e-9*a.model.MaxAttenuation {
			return drivers.Errorf(a.name, op, drivers.OutOfRange, "attenuation of %v dB is not a multiple of %v dB", dB,
				step)
		}
		v = min(max(v, 0), a.model.MaxAttenuation)
	}
	return a.do(ctx, a.name, op, func(ctx context.Context) error {
		return a.set(ctx, a.attenuation(fill(a.model.Words.Attenuation, "value", formatNumber(v)), v))
	})
}

func (a *Attenuator) attenuation(word string, dB float64) setting {
	return a.model.quantity(word, a.model.Words.AttenuationState, "dB", dB, a.model.Step, a.model.MaxAttenuation)
}

// Safe sets 0 dB.
func (a *Attenuator) Safe(ctx context.Context) error {
	return a.safe(ctx, a.name, a.attenuation(a.model.Words.Safe, 0))
}

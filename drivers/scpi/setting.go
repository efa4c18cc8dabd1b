package scpi

import (
	"context"
	"math"
	"strings"
	"time"

	"fullthrow/drivers"
)

// setting is something to set, and how to ask whether it was done.
type setting struct {
	say  string
	ask  string  // "": cannot be asked
	want float64 // every number of the answer
	// tolerance is how far the answer may be from it: half a step of the
	// instrument.
	tolerance float64
	show      func(float64) string // a value for people
	who       string               // "it" if empty
	parse     func(string) (float64, error)
	settle    time.Duration // until it has its effect
}

const deafHint = "the instrument acknowledges and does not do it: is it locked by its front panel or by remote " +
	"control, or broken? Switch it off and on"

// set sends a setting and compares what the instrument says of it. A
// difference is a Fault.
func (l *link) set(ctx context.Context, s setting) error {
	if s.ask == "" {
		if err := l.command(ctx, s.say); err != nil {
			return err
		}
		return l.clock.Sleep(ctx, s.settle)
	}
	answer, err := l.ask(ctx, s.say, s.ask, l.model.Timeout)
	if err != nil {
		return err
	}
	if err := s.compare(answer); err != nil {
		return err
	}
	return l.clock.Sleep(ctx, s.settle)
}

// compare is the error of an answer that is not what was asked for.
func (s setting) compare(answer string) error {
	for part := range strings.SplitSeq(answer, ",") {
		v, err := s.parse(part)
		if err != nil {
			return errorf(drivers.Garbled, "asked for %s: %w", s.show(s.want), err)
		}
		if !(math.Abs(v-s.want) <= s.tolerance) {
			who := s.who
			if who == "" {
				who = "it"
			}
			return errorf(drivers.Fault, "asked for %s, %s says %s", s.show(s.want), who, s.show(v)).WithHint(deafHint)
		}
	}
	return nil
}

// quantity is the setting of a quantity with a step of the instrument; full is
// the end of its range.
func (m *Model) quantity(say, ask, unit string, v, step, full float64) setting {
	// An answer has six digits or more.
	return setting{say: say, ask: ask, want: v, tolerance: step/2 + 1e-6*full,
		parse: func(s string) (float64, error) { return m.value(s, unit) },
		show:  func(v float64) string { return formatNumber(v) + " " + unit }}
}

// state is the setting of what has two states, 0 and 1 to the instrument.
func (m *Model) state(say, ask string, on bool, zero, one string) setting {
	s := setting{say: say, ask: ask, parse: m.level, show: func(v float64) string {
		switch v {
		case 0:
			return zero
		case 1:
			return one
		}
		return formatNumber(v)
	}}
	if on {
		s.want = 1
	}
	return s
}

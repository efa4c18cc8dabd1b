package motion

import (
	"context"
	"math"
	"strconv"
	"strings"

	"fullthrow/drivers"
)

// near is how far, in mm, a machine may say that it stands from where it was
// sent: two decimals are rounded.
const near = 0.02

const wireHint = "bytes are damaged between this computer and the machine, or it did not go where it was sent: check " +
	"the cable, its shield and ground, and the machine"

// stands makes sure, over a wire without a check sum, that the machine stands
// where it was sent, in throws: a damaged line may have sent it elsewhere, and it
// acknowledges that as well.
func (m *Machine) stands(ctx context.Context, want map[string]float64) error {
	return m.standsAt(ctx, want, status{})
}

// standsAt is stands for a machine that may have said so in its status.
func (m *Machine) standsAt(ctx context.Context, want map[string]float64, said status) error {
	if m.model.Status != "" {
		if !m.unchecked || len(said.at) == 0 {
			return nil
		}
		off := m.off(said.at, want)
		if off == nil {
			return nil
		}
		s, err := m.ask(ctx, drivers.Within(m.clock, m.model.Timeout), false, &heard{})
		if err != nil {
			return err
		}
		return m.off(s.at, want) // the answer may be what was damaged
	}
	if !m.unchecked || m.mute || m.model.Where == "" {
		return nil
	}
	var off error
	for range 2 { // the answer may be what was damaged
		said, err := m.where(ctx)
		if drivers.KindOf(err) == drivers.Refused {
			if said, err = m.where(ctx); drivers.KindOf(err) == drivers.Refused {
				m.mute = true
				return nil
			}
		}
		if err != nil {
			return err
		}
		if off = m.off(said, want); off == nil || drivers.KindOf(off) == drivers.Garbled {
			return off // nothing said: an acknowledgement too many, and all that follow are out of step
		}
	}
	return off
}

// off is the error of a machine that says it stands elsewhere. An axis that it
// does not speak of is believed; a machine that speaks of none has not answered.
func (m *Machine) off(said map[string]float64, want map[string]float64) error {
	told := 0
	for _, n := range m.names {
		a := m.axes[n]
		at, ok := said[a.Letter]
		if !ok {
			continue
		}
		told++
		if to := want[n]*a.Scale + a.Offset; !(math.Abs(at-to) <= near) {
			return errorf(drivers.Fault, "%s was sent to %s mm, and it says %s mm", a.Letter, decimal(to), decimal(at)).
				WithHint(wireHint)
		}
	}
	if told == 0 {
		return errorf(drivers.Garbled, "it does not say where it stands").WithHint(wireHint)
	}
	return nil
}

// where asks the machine where it stands: mm by letter.
func (m *Machine) where(ctx context.Context) (map[string]float64, error) {
	if err := m.send(ctx, m.model.Where); err != nil {
		return nil, err
	}
	said := map[string]float64{}
	end := drivers.Within(m.clock, m.model.Timeout)
	var refused error
	for range maxSkipped {
		line, err := m.next(ctx, end)
		if err != nil {
			return nil, err
		}
		switch k, text := m.model.parseReply(line); k {
		case acknowledged:
			return said, refused
		case failed:
			return nil, m.refused(text)
		case refusal:
			refused = errorf(drivers.Refused, "the machine answers: %.100s", text)
		case restarted:
			return nil, restart(line)
		case alarmed:
			return nil, m.alarm(text)
		case unknown:
			if len(said) > 0 {
				return nil, errorf(drivers.Garbled, "%.60q is no answer", line)
			}
			if said = position(line); len(said) == 0 {
				return nil, errorf(drivers.Garbled, "%.60q is no position", line)
			}
		}
	}
	return nil, errorf(drivers.Garbled, "%d lines and no answer", maxSkipped)
}

// position reads "X:12.50 Y:0.00 ..."; of a letter that comes twice the first
// counts (what follows may be steps of a motor). What is none is passed over.
func position(line string) map[string]float64 {
	at := map[string]float64{}
	for _, f := range strings.Fields(line) {
		letter, number, ok := strings.Cut(f, ":")
		if !ok || len(letter) != 1 || strings.Trim(number, "0123456789.-") != "" {
			continue
		}
		v, err := strconv.ParseFloat(number, 64)
		if _, again := at[letter]; err == nil && !again {
			at[letter] = v
		}
	}
	return at
}

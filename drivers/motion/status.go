package motion

import (
	"context"
	"slices"
	"strconv"
	"strings"
	"time"

	"fullthrow/drivers"
)

const (
	// pollEvery is how often a machine is asked whether it stands.
	pollEvery = 20 * time.Millisecond
	// pollReply is how long an answer to that may take before it is asked again: in
	// some states the question is not heard.
	pollReply = 100 * time.Millisecond

	restartHint = "everything that was set is gone, and where it stands is not known: check its supply, its cable " +
		"and its emergency stop, then home it"
	lockedHint = "see what it says on its own display or pendant"
)

// status is what a machine says of itself: "<Run|MPos:1.000,2.000,0.000|FS:0,0>".
type status struct {
	state string             // "Hold:0"
	at    map[string]float64 // mm by letter; empty: it does not say
}

// status reads a line; ok is false where it is none.
func (m *Machine) parseStatus(line string) (s status, ok bool) {
	line = strings.TrimSpace(line)
	if !strings.HasPrefix(line, "<") || !strings.HasSuffix(line, ">") {
		return s, false
	}
	fields := strings.Split(line[1:len(line)-1], "|")
	s.state, s.at = fields[0], map[string]float64{}
	var work, offset []string
	for _, f := range fields[1:] {
		name, values, _ := strings.Cut(f, ":")
		list := strings.Split(values, ",")
		switch strings.ToUpper(name) {
		case "MPOS":
			m.places(s.at, list, nil)
		case "WPOS":
			work = list
		case "WCO":
			offset = list
		}
	}
	if offset != nil {
		m.offset = offset
	}
	if work != nil && m.offset != nil { // machine = work + offset
		m.places(s.at, work, m.offset)
	}
	return s, s.state != ""
}

// places puts what numbers say into at, by letter; plus may be nil.
func (m *Machine) places(at map[string]float64, numbers, plus []string) {
	for i, n := range numbers {
		v, err := strconv.ParseFloat(n, 64)
		if err != nil || i >= len(m.model.PositionLetters) {
			return
		}
		if plus != nil {
			if i >= len(plus) {
				return
			}
			more, err := strconv.ParseFloat(plus[i], 64)
			if err != nil {
				return
			}
			v += more
		}
		at[m.model.PositionLetters[i:i+1]] = v
	}
}

// is says whether a state is one of the list: "Hold" there stands for all of its
// parts.
func is(state string, list []string) bool {
	return slices.ContainsFunc(list, func(s string) bool {
		whole, _, _ := strings.Cut(state, ":")
		return strings.EqualFold(state, s) || strings.EqualFold(whole, s)
	})
}

// locked is the error of a machine in a state in which it takes no movement.
func (m *Machine) locked(state string) error {
	hint := lockedHint
	for s, text := range m.model.Locked {
		if is(state, []string{s}) {
			hint = text
		}
	}
	return errorf(drivers.Refused, "the machine says that it is in state %.40s", state).WithHint(hint)
}

// alarm is the error of a machine that has given up.
func (m *Machine) alarm(number string) error {
	hint := m.model.Alarms[number]
	if hint == "" {
		hint = "alarm numbers are in the machine's manual; home it when it is free"
	}
	return errorf(drivers.Fault, "the machine gives an alarm: %.60s", number).WithHint(hint)
}

func restart(line string) error {
	return errorf(drivers.Fault, "the controller restarted: it says %.60q", line).WithHint(restartHint)
}

// poke sends real-time bytes.
func (m *Machine) poke(ctx context.Context, s string) error {
	return drivers.Ended(ctx, m.port.Write(ctx, bytesOf(s)))
}

// heard is what came while a status was waited for, for an error to name.
type heard struct{ last string }

// ask asks for the status until it comes or end has passed. Alarms and banners
// are errors, unless expected.
func (m *Machine) ask(ctx context.Context, end drivers.TimeOut, expected bool, h *heard) (status, error) {
	for {
		if err := m.poke(ctx, m.model.Status); err != nil {
			return status{}, err
		}
		part := drivers.Within(m.clock, pollReply).Sooner(end)
		for {
			line, err := m.line(ctx, part)
			if err != nil {
				if kind := drivers.KindOf(err); kind != drivers.NoReply && !(expected && kind == drivers.Garbled) {
					return status{}, err
				}
				if expected {
					h.note(string(m.buf))
				}
				break
			}
			if s, ok := m.parseStatus(line); ok {
				return s, nil
			}
			h.note(line)
			if expected {
				continue
			}
			switch k, text := m.model.parseReply(line); k {
			case restarted:
				return status{}, restart(line)
			case alarmed:
				return status{}, m.alarm(text)
			case unknown:
				return status{}, errorf(drivers.Garbled, "%.60q is no state", line)
			}
		}
		if end.Passed() {
			if h.last != "" {
				return status{}, errorf(drivers.Garbled, "it does not say its state in %v, but %.60q", end, h.last)
			}
			return status{}, errorf(drivers.NoReply, "it does not say its state in %v", end).WithHint(offHint)
		}
	}
}

func (h *heard) note(line string) {
	if line = strings.TrimSpace(line); line != "" {
		h.last = line
	}
}

// arrived waits until a machine with states stands and takes movements, and
// returns its status and when that was known to be so: since it acknowledged, where
// its first word is that it is idle.
func (m *Machine) arrived(ctx context.Context, end drivers.TimeOut) (s status, at time.Time, err error) {
	at = m.clock.Now()
	for first := true; ; first = false {
		if s, err = m.ask(ctx, drivers.Within(m.clock, m.model.Timeout), false, &heard{}); err != nil {
			return s, at, err
		}
		if !first {
			at = m.clock.Now()
		}
		switch {
		case is(s.state, m.model.Idle):
			return s, at, nil
		case is(s.state, m.model.Still):
			return s, at, m.locked(s.state)
		case end.Passed():
			return s, at, errorf(drivers.NoReply, "it does not stand still in %v: it says %.40s", end, s.state)
		}
		if err := m.clock.Sleep(ctx, pollEvery); err != nil {
			return s, at, err
		}
	}
}

// because says of a machine that owes an answer in what state it is.
func (m *Machine) because(ctx context.Context, err error) error {
	if m.model.Status == "" || drivers.KindOf(err) != drivers.NoReply {
		return err
	}
	s, asked := m.ask(ctx, drivers.Within(m.clock, pollReply), false, &heard{})
	switch {
	case asked != nil && drivers.KindOf(asked) != drivers.NoReply:
		return asked
	case asked != nil || is(s.state, m.model.Idle):
		return err
	}
	return m.locked(s.state)
}

// wake gets a machine with states into one in which it can be homed: idle, or an
// alarm that homing ends.
func (m *Machine) wake(ctx context.Context) error {
	s, err := m.ask(ctx, drivers.Within(m.clock, m.model.Timeout), true, &heard{})
	if err != nil && drivers.KindOf(err) != drivers.NoReply {
		return err
	}
	if err == nil && (is(s.state, m.model.Idle) || is(s.state, []string{"Alarm"})) {
		return nil
	}
	// Held, moving, or in an alarm after which it says nothing and takes nothing but
	// a reset.
	if _, err := m.brake(ctx); err != nil {
		return err
	}
	if s, err = m.ask(ctx, drivers.Within(m.clock, m.model.Timeout), true, &heard{}); err != nil {
		return err
	}
	if is(s.state, m.model.Idle) || is(s.state, []string{"Alarm"}) {
		return nil
	}
	return m.locked(s.state)
}

// brake holds a machine that has real-time bytes and, when it stands, has it
// forget what was planned. One that does not stand in half its stop time is reset
// at once: then it stands, and does not know where. It returns after what time
// the machine was known to stand.
func (m *Machine) brake(ctx context.Context) (after time.Duration, err error) {
	began := m.clock.Now()
	end := drivers.Within(m.clock, m.model.StopTime)
	patience := drivers.Within(m.clock, m.model.StopTime/2)
	if err := m.poke(ctx, m.model.Hold); err != nil {
		return 0, err
	}
	var h heard
	reset, stood, last := false, false, ""
	for {
		s, err := m.ask(ctx, drivers.Within(m.clock, pollReply).Sooner(end), true, &h)
		switch kind := drivers.KindOf(err); {
		case err != nil && kind != drivers.NoReply && kind != drivers.Garbled:
			return 0, err
		case err == nil:
			last = s.state
			if is(s.state, m.model.Still) {
				if !stood {
					stood, after = true, m.clock.Now().Sub(began)
				}
				if reset {
					return after, nil
				}
			}
		}
		if end.Passed() {
			break
		}
		// A homing under way heeds a reset alone, and so does a machine that does not
		// answer.
		if stood && !reset || err != nil || patience.Passed() && !reset || is(last, []string{"Home"}) {
			if err := m.poke(ctx, m.model.Reset); err != nil {
				return 0, err
			}
			reset = true
		}
		if err := m.clock.Sleep(ctx, pollEvery); err != nil {
			return 0, err
		}
	}
	switch {
	case last != "":
		return 0, errorf(drivers.Fault, "not known to stand still after %v: it says %.40s", m.model.StopTime, last)
	case h.last != "":
		return 0, errorf(drivers.Garbled, "not known to stand still: it does not say its state in %v, but %.60q",
			m.model.StopTime, h.last)
	}
	return 0, errorf(drivers.NoReply, "not known to stand still: it does not say its state in %v", m.model.StopTime)
}

package scpi

import (
	"math"
	"strings"
	"sync"

	"fullthrow/drivers"
)

// Open returns the instrument of that model behind port: a drivers.Supply,
// Meter, Attenuator or Recorder, or (a board) drivers.Lines and Timer. It sends
// nothing. An unknown model or a calibration that is no number is an OutOfRange
// error.
func Open(name string, port drivers.Port, clock drivers.Clock, model string, cal drivers.Calibration) (drivers.Device,
	error) {
	var names []string
	for _, m := range Models() {
		if m.Name == model {
			return New(name, port, clock, m, cal)
		}
		names = append(names, m.Name)
	}
	return nil, drivers.Errorf(name, "open", drivers.OutOfRange, "unknown model %q", model).
		WithHint("known models are " + strings.Join(names, ", "))
}

// New is Open for a row that is not in the table.
func New(name string, port drivers.Port, clock drivers.Clock, m Model, cal drivers.Calibration) (drivers.Device,
	error) {
	return NewChannel(name, port, clock, m, 1, cal)
}

// NewChannel is New for a channel, 1 first, of an instrument that may have several:
// open each on a [Shared] port.
func NewChannel(name string, port drivers.Port, clock drivers.Clock, m Model, channel int,
	cal drivers.Calibration) (drivers.Device, error) {
	if !finite(cal.Gain) || !finite(cal.Offset) {
		return nil, drivers.Errorf(name, "open", drivers.OutOfRange, "calibration with gain %v and offset %v", cal.Gain,
			cal.Offset)
	}
	if channel < 1 || channel > max(m.Channels, 1) {
		return nil, drivers.Errorf(name, "open", drivers.OutOfRange, "channel %d, model %q has 1 to %d", channel, m.Name,
			max(m.Channels, 1))
	}
	u, err := open(name, port, clock, m, cal)
	if err != nil {
		return nil, err
	}
	u.channel = channel
	switch m.Function {
	case SupplyFunction:
		if len(m.Reads) > 0 {
			return &readingSupply{&Supply{u}, reads{u}}, nil
		}
		return &Supply{u}, nil
	case MeterFunction:
		return &Meter{u}, nil
	case BoardFunction:
		return &Board{unit: u, outputs: map[int]*relay{}}, nil
	case AttenuatorFunction:
		return &Attenuator{u}, nil
	case DigitiserFunction:
		return &Digitiser{u}, nil
	case MultimeterFunction:
		return &Multimeter{u, reads{u}}, nil
	case LoadFunction:
		if len(m.Reads) > 0 {
			return &readingLoad{&Load{u}, reads{u}}, nil
		}
		return &Load{u}, nil
	}
	return nil, drivers.Errorf(name, "open", drivers.OutOfRange, "model %q has the unknown function %q", m.Name,
		m.Function)
}

// Shared is a port to an instrument whose channels are devices of their own: they
// hold one conversation at a time.
type Shared struct {
	drivers.Port
	mu   sync.Mutex // of what follows, never held while waiting
	unit *unit
}

// Share makes a port one that several channels can be opened on.
func Share(port drivers.Port) *Shared { return &Shared{Port: port} }

// Checked is the port's own.
func (s *Shared) Checked() bool { return !drivers.Unchecked(s.Port) }

// open makes the conversation with an instrument, or joins the one that another
// channel has.
func open(name string, port drivers.Port, clock drivers.Clock, m Model, cal drivers.Calibration) (*unit, error) {
	s, ok := port.(*Shared)
	if !ok {
		return newLink(name, port, clock, m, cal), nil
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	switch {
	case s.unit == nil:
		s.unit = newLink(name, port, clock, m, cal)
	case s.unit.model.Name != m.Name:
		return nil, drivers.Errorf(name, "open", drivers.OutOfRange, "one instrument is of model %q and of %q",
			s.unit.model.Name, m.Name)
	}
	return &unit{link: s.unit.link, name: name, cal: cal}, nil
}

func finite(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }

// uncalibrated is what to set so that the calibrated value is v.
func uncalibrated(c drivers.Calibration, v float64) float64 {
	if c.Gain == 0 {
		return v - c.Offset
	}
	return (v - c.Offset) / c.Gain
}

// within refuses what is not a number between lo and hi.
func within(name, op, what, unit string, v, lo, hi float64) error {
	if v >= lo && v <= hi {
		return nil
	}
	return drivers.Errorf(name, op, drivers.OutOfRange, "%s of %v %s, range is %v to %v %s", what, v, unit, lo, hi,
		unit)
}

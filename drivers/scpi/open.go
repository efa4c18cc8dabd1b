package scpi

import (
	"math"
	"strings"

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
	if !finite(cal.Gain) || !finite(cal.Offset) {
		return nil, drivers.Errorf(name, "open", drivers.OutOfRange, "calibration with gain %v and offset %v", cal.Gain,
			cal.Offset)
	}
	l := newLink(name, port, clock, m, cal)
	switch m.Function {
	case SupplyFunction:
		return &Supply{l}, nil
	case MeterFunction:
		return &Meter{l}, nil
	case BoardFunction:
		return &Board{link: l, outputs: map[int]*relay{}}, nil
	case AttenuatorFunction:
		return &Attenuator{l}, nil
	case DigitiserFunction:
		return &Digitiser{l}, nil
	}
	return nil, drivers.Errorf(name, "open", drivers.OutOfRange, "model %q has the unknown function %q", m.Name,
		m.Function)
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

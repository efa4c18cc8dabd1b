package bench

import (
	"cmp"
	"errors"
	"slices"
	"strings"
	"time"

	periph "periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/physic"

	"fullthrow/drivers"
	"fullthrow/drivers/gpio"
	"fullthrow/drivers/i2c"
	"fullthrow/drivers/joystick"
	"fullthrow/drivers/modbus"
	"fullthrow/drivers/motion"
	"fullthrow/drivers/program"
	"fullthrow/drivers/receiver"
	"fullthrow/drivers/scpi"
	"fullthrow/drivers/sim"
	"fullthrow/drivers/sound"
)

// driverRow is one driver that a bench file can name. Drivers differ by row:
// what ports they take, which keys, and how they are made.
type driverRow struct {
	name    string
	ports   []string   // kinds of port, see Port
	example string     // of a port
	keys    []string   // it takes beside driver and port
	models  []modelRow // rows of its own table; nil: none
	// drives is what a device of it can hurt people with, where it has no
	// models, which say it themselves.
	drives  drivers.Hazard
	formats []string
	servos  bool                            // its axes are outputs with pulses, not letters
	serial  func(d deviceFile) portSettings // usual settings where the port is serial
	lines   bool                            // has numbered outputs and inputs
	// checked: its messages carry a check sum of their own, or where it has
	// formats, those named in it do; what was damaged is never taken.
	checked bool
	sums    []string
	bare    bool // it has no port of bytes, and its wire no check sum
	// bus makes of a port one that several devices share, by address or channel; nil: a
	// device of this driver is alone on its port.
	bus func(port drivers.Port, clock drivers.Clock, d deviceFile, s portSettings) drivers.Port
	// byChannel: those that share a port are channels of one instrument.
	byChannel bool
	open      func(o opening) (drivers.Device, error)
	// talks: what it drives and how it is made safe stands in the bench file.
	talks bool
}

// modelRow is what the tables of all drivers say of a model alike.
type modelRow struct {
	name    string
	drives  drivers.Hazard
	address int // where the file names none; 0: it must, or there is no bus
	// channels that are devices of their own; 0: it is one device
	channels int
	// of a machine: its homing cannot be proved, and how it can be stopped
	unproved bool
	stop     stopping
}

// stopping is how a machine can be stopped.
type stopping int

const (
	stopsAtOnce stopping = iota // also what moves nothing
	stopsAhead                  // at once only where the controller reads ahead, which it says itself
	stopsNever                  // by its power alone
)

// model is the row of a device's model, if it has one.
func (r driverRow) model(d deviceFile) (row modelRow) {
	for _, m := range r.models {
		if m.name == d.Model {
			return m
		}
	}
	return row
}

// hazard is what a device of this driver drives; "" where no row says it.
func (r driverRow) hazard(model string) drivers.Hazard {
	if len(r.models) == 0 {
		return r.drives
	}
	for _, m := range r.models {
		if m.name == model || model == "" && len(r.models) == 1 {
			return m.drives
		}
	}
	return ""
}

// address is where a device is on its bus, that of its model where the file names
// none.
func (r driverRow) address(d deviceFile) int {
	for _, m := range r.models {
		if m.name == d.Model && d.Address == 0 {
			return m.address
		}
	}
	return d.Address
}

// modelNames lists the models of a driver.
func (r driverRow) modelNames() []string {
	return Names(r.models, func(m modelRow) string { return m.name })
}

// opening is what a driver is made of.
type opening struct {
	role        string
	file        deviceFile
	at          PortName
	port        drivers.Port // nil where at is no stream of bytes
	clock       drivers.Clock
	calibration drivers.Calibration
	none        bool                              // lint: open nothing
	camera      func(role string) drivers.Program // the simulated one; nil: there is none
}

// checks says whether what a device of this driver reads is protected by a check
// sum whatever its wire is.
func (r driverRow) checks(d deviceFile) bool {
	return r.checked || slices.Contains(r.sums, d.Format) || d.Frame != nil && d.Frame.strong()
}

// settings are those of the serial port of a device: as the bench file says,
// else as usual for the driver.
func (r driverRow) settings(d deviceFile) portSettings {
	s := portSettings{115200, "8N1"}
	if r.serial != nil {
		s = r.serial(d)
	}
	if d.Baud != 0 {
		s.baud = d.Baud
	}
	if d.Framing != "" {
		s.framing = d.Framing
	}
	return s
}

// driverRows is the list of every driver there is, with the models that are built
// in.
func driverRows() []driverRow { return rowsOf(builtIn()) }

// driverRows is the list of every driver, with the models that the bench has.
func (b *File) driverRows() []driverRow {
	if b.tables == nil {
		return driverRows()
	}
	return rowsOf(b.tables)
}

func rowsOf(tables *models) []driverRow {
	wire := []string{"serial", "usb", "tcp", "sim"}
	return []driverRow{
		{
			name: "scpi", ports: wire, example: "tcp:192.168.7.20:5025",
			keys: []string{"baud", "framing", "model", "channel", "calibration"}, lines: true,
			models: modelRows(tables.scpi.All, func(m scpi.Model) modelRow {
				return modelRow{name: m.Name, drives: m.Drives, channels: m.Channels}
			}),
			bus: func(port drivers.Port, _ drivers.Clock, _ deviceFile, _ portSettings) drivers.Port {
				return scpi.Share(port)
			},
			byChannel: true,
			open: func(o opening) (drivers.Device, error) {
				row, ok := tables.scpi.Find(o.file.Model)
				if !ok {
					return scpi.Open(o.role, o.port, o.clock, o.file.Model, o.calibration)
				}
				return scpi.NewChannel(o.role, o.port, o.clock, row, max(o.file.Channel, 1), o.calibration)
			},
		},
		{
			name: "motion", ports: wire, example: "/dev/ttyUSB0",
			keys: []string{"baud", "framing", "model", "axis", "home", "stop"},
			models: modelRows(tables.motion.All, func(m motion.Model) modelRow {
				row := modelRow{name: m.Name, drives: m.Drives, unproved: m.Proof == ""}
				switch {
				case !m.Stops():
					row.stop = stopsNever
				case m.StopAhead != "":
					row.stop = stopsAhead
				}
				return row
			}),
			open: func(o opening) (drivers.Device, error) {
				opts := motion.Options{Axes: o.file.axes(), Model: o.file.Model, Home: o.file.Home}
				if row, ok := tables.motion.Find(o.file.Model); ok {
					opts.Row = &row
				}
				return motion.Open(o.role, o.port, o.clock, opts)
			},
		},
		{
			name: "receiver", ports: wire, example: "usb:0403:6001", drives: drivers.Nothing,
			keys: []string{"baud", "framing", "format", "period"}, formats: []string{"SBUS", "CRSF", "iBUS", "SUMD"},
			sums: []string{"CRSF", "iBUS", "SUMD"},
			serial: func(d deviceFile) portSettings {
				switch d.Format {
				case "CRSF":
					return portSettings{420000, "8N1"}
				case "iBUS", "SUMD":
					return portSettings{115200, "8N1"}
				}
				return portSettings{100000, "8E2"}
			},
			open: func(o opening) (drivers.Device, error) {
				return receiver.Open(o.role, o.port, o.clock, receiver.Options{Format: cmp.Or(o.file.Format, "SBUS"),
					Period: time.Duration(o.file.Period * float64(time.Second))})
			},
		},
		{
			name: "modbus", ports: wire, example: "/dev/ttyUSB0",
			keys: []string{"baud", "framing", "model", "address", "format"}, lines: true, checked: true,
			formats: []string{"rtu_over_tcp"}, sums: []string{"rtu_over_tcp"},
			models: modelRows(tables.modbus.All, func(m modbus.Model) modelRow {
				return modelRow{name: m.Name, drives: m.Drives}
			}),
			serial: func(d deviceFile) portSettings {
				s := portSettings{19200, "8E1"}
				if m, ok := tables.modbus.Find(d.Model); ok && m.Baud != 0 {
					s.baud = m.Baud
				}
				return s
			},
			bus: func(port drivers.Port, clock drivers.Clock, d deviceFile, s portSettings) drivers.Port {
				if at, err := ParsePort(d.Port); err == nil && at.kind == "tcp" && d.Format == "" {
					return modbus.NewTCPBus(port, clock)
				}
				return modbus.NewBus(port, clock, s.baud)
			},
			open: func(o opening) (drivers.Device, error) {
				opts := modbus.Options{Model: o.file.Model, Address: o.file.Address}
				if row, ok := tables.modbus.Find(o.file.Model); ok {
					opts.Row = &row
				}
				return modbus.Open(o.role, o.port, o.clock, opts)
			},
		},
		{
			name: "i2c", ports: []string{"i2c"}, example: "i2c:1", lines: true, servos: true, bare: true,
			keys: []string{"model", "address", "shunt", "reference", "matrix", "axis", "calibration"},
			models: modelRows(i2c.Models(), func(m i2c.Model) modelRow {
				return modelRow{name: m.Name, drives: m.Drives, address: int(m.Address)}
			}),
			open: openPart,
		},
		{
			name: "gpio", ports: []string{"gpio"}, example: "gpio:gpiochip0", drives: drivers.ByOutputs, lines: true,
			open: func(o opening) (drivers.Device, error) { return openChip(o) },
		},
		{
			name: "ppm", ports: []string{"gpio"}, example: "gpio:gpiochip0",
			keys: []string{"line", "active_low"}, drives: drivers.Nothing,
			open: openPulses,
		},
		{
			name: "controller", ports: []string{"input"}, example: "input:1209:4f54", drives: drivers.Nothing,
			open: func(o opening) (drivers.Device, error) {
				id, err := joystick.ParseIdentity(o.at.Rest)
				return joystick.Open(o.role, id, o.clock), err
			},
		},
		consoleRow(wire),
		bytesRow(wire),
		{
			// What a program does is not known: it counts as able to hurt, unless its
			// outputs are named so.
			name: "program", ports: []string{"program", "sim"}, example: "program:/opt/flash/flash", drives: drivers.Power,
			keys: []string{"arguments", "directory", "environment", "timeout"},
			open: func(o opening) (drivers.Device, error) {
				if o.at.kind == "sim" {
					return openCamera(o)
				}
				return program.Open(o.role, o.clock, program.Options{Path: o.at.Rest, Args: o.file.Arguments,
					Directory: o.file.Directory, Environment: o.file.Environment,
					Timeout: time.Duration(o.file.Timeout * float64(time.Second))})
			},
		},
		{
			name: "sound", ports: []string{"sound"}, example: "sound:hw:1,0",
			keys: []string{"rate", "calibration"}, drives: drivers.Nothing,
			open: func(o opening) (drivers.Device, error) {
				if o.none {
					return sound.New(o.role, noSource{}, o.clock, o.calibration), nil
				}
				return sound.Open(o.role, o.at.Rest, o.clock, sound.Options{Rate: o.file.Rate,
					Calibration: o.calibration})
			},
		},
	}
}

// openCamera opens the camera of the simulated bench, the one program that it has.
func openCamera(o opening) (drivers.Device, error) {
	switch {
	case o.at.Rest != sim.Camera:
		return nil, drivers.Errorf(o.role, "open", drivers.OutOfRange, "no simulated program %q", o.at.Rest).
			WithHint("There is one: sim:camera.")
	case o.none:
		return sim.NewBench(o.clock, 1).CameraOf(o.role), nil
	case o.camera == nil:
		return nil, drivers.Errorf(o.role, "open", drivers.Gone, "there is no simulated bench")
	}
	return o.camera(o.role), nil
}

func openChip(o opening) (*gpio.Lines, error) {
	if o.none {
		return gpio.New(o.role, gpio.NewFake(lintLines))
	}
	return gpio.Open(o.role, o.at.Rest)
}

// openPart opens a part on an I2C bus of this computer.
func openPart(o opening) (drivers.Device, error) {
	var bus periph.BusCloser = noBus{}
	if !o.none {
		var err error
		if bus, err = i2c.OpenBus(o.at.Rest); err != nil {
			return nil, err
		}
	}
	axes := map[string]i2c.Axis{}
	for name, a := range o.file.Axes {
		if a.Min == 0 && a.Max == 0 {
			a.Min, a.Max = -1, 1
		}
		axes[name] = i2c.Axis{Output: a.Output, Scale: a.Scale, Offset: a.Offset, Min: a.Min, Max: a.Max}
	}
	d, err := i2c.Open(o.role, bus, o.clock, i2c.Options{Model: o.file.Model, Address: o.file.Address,
		Shunt: o.file.Shunt, Reference: o.file.Reference, Axes: axes, Matrix: o.file.Matrix, Calibration: o.calibration})
	if err != nil {
		return nil, errors.Join(err, bus.Close())
	}
	return d, nil
}

// noBus is a bus that lint opens.
type noBus struct{}

func (noBus) String() string                  { return "no bus" }
func (noBus) Close() error                    { return nil }
func (noBus) SetSpeed(physic.Frequency) error { return nil }
func (noBus) Tx(uint16, []byte, []byte) error {
	return drivers.Errorf("bus", "use", drivers.Closed, "nothing is behind it")
}

// pulseReceiver is a receiver's pulse output at a GPIO line, with the chip that
// was opened for it.
type pulseReceiver struct {
	*receiver.PulseReceiver
	chip *gpio.Lines
}

func (r pulseReceiver) Close() error { return errors.Join(r.PulseReceiver.Close(), r.chip.Close()) }

func openPulses(o opening) (drivers.Device, error) {
	chip, err := openChip(o)
	if err != nil {
		return nil, err
	}
	in, err := chip.Input(o.role, o.file.Line, false)
	if err != nil {
		return nil, errors.Join(err, chip.Close())
	}
	return pulseReceiver{receiver.OpenPPM(o.role, in.(drivers.EdgeRecorder), o.clock, o.file.ActiveLow), chip}, nil
}

// noSource is a sound input that lint opens.
type noSource struct{ sound.Source }

func (noSource) Close() error { return nil }

// lintLines is how many lines lint believes a GPIO chip to have: as many as
// the kernel allows one.
const lintLines = 512

func Names[T any](rows []T, name func(T) string) []string {
	var list []string
	for _, r := range rows {
		list = append(list, name(r))
	}
	slices.Sort(list)
	return list
}

func modelRows[T any](rows []T, row func(T) modelRow) []modelRow {
	var list []modelRow
	for _, r := range rows {
		list = append(list, row(r))
	}
	slices.SortFunc(list, func(a, b modelRow) int { return strings.Compare(a.name, b.name) })
	return list
}

// axes are those of a motion controller as its driver takes them; nil for the
// usual ones.
func (d deviceFile) axes() map[string]motion.Axis {
	if len(d.Axes) == 0 {
		return nil
	}
	m := map[string]motion.Axis{}
	for name, a := range d.Axes {
		if a.Min == 0 && a.Max == 0 {
			a.Min, a.Max = -1.05, 1.05
		}
		m[name] = motion.Axis{Letter: a.Letter, Scale: a.Scale, Min: a.Min, Max: a.Max, Offset: a.Offset}
	}
	return m
}

package bench

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"
	"time"

	"fullthrow/drivers"
	"fullthrow/drivers/motion"
	"fullthrow/drivers/serialport"
	"fullthrow/drivers/sim"
	"fullthrow/drivers/tcpport"
	"fullthrow/reports"
	"fullthrow/reports/wording"
	"fullthrow/runner/input"
)

// hardware is what the ports of a nest are made of: the machine's own ports,
// the simulated fixture's, or (for lint) none at all.
type hardware struct {
	Clock drivers.Clock
	// port opens one port. A bus is opened once and handed to each device on it.
	port func(ctx context.Context, p PortName, settings portSettings) (drivers.Port, error)
	// none: nothing may be opened. Drivers of hardware that is no byte stream
	// (GPIO, sound) give a device that can do all and does nothing.
	none bool
	// controller, if not nil, makes a simulated stick machine one of that model.
	controller func(model string) error
	// camera, if not nil, gives the simulated one a role.
	camera func(role string) drivers.Program
}

// portSettings are a serial port's.
type portSettings struct {
	baud    int
	framing string
}

// Opened is a nest with its devices open.
type Opened struct {
	Devices map[string]drivers.Device // by role, outputs and inputs included
	// drives is what each role can hurt people with; "" in it: no row says.
	Drives    map[string][]drivers.Hazard
	Unchecked []string       // roles whose wires have no check sum, in order
	interlock drivers.Input  // nil: the bench file says that there is none
	heartbeat drivers.Output // nil: none
	closers   []func() error // in order of opening
}

// OnClose has f called when the nest is closed, before anything is given back.
func (n *Opened) OnClose(f func() error) { n.closers = append(n.closers, f) }

// Close gives the hardware back, last opened first.
func (n *Opened) Close() error {
	var errs []error
	for _, c := range slices.Backward(n.closers) {
		errs = append(errs, c())
	}
	n.closers = nil
	return errors.Join(errs...)
}

// Open makes the devices of nest i: ports, drivers, lines. Nothing is asked of
// the devices yet; that they answer is proved when a run begins. On an error
// everything opened so far is closed again.
func (b *File) Open(ctx context.Context, i int, h hardware) (_ *Opened, err error) {
	file := b.Nests[i]
	n := &Opened{Devices: map[string]drivers.Device{}, Drives: map[string][]drivers.Hazard{}}
	defer func() {
		if err != nil {
			err = errors.Join(err, n.Close())
		}
	}()
	rows := map[string]driverRow{}
	for _, r := range b.driverRows() {
		rows[r.name] = r
	}
	buses := map[string]drivers.Port{}
	for _, role := range slices.Sorted(maps.Keys(file.Devices)) {
		d := file.Devices[role]
		row := rows[d.Driver]
		o := opening{role: role, file: d, clock: h.Clock, calibration: d.calibration(), none: h.none}
		if o.at, err = ParsePort(d.Port); err != nil {
			return nil, err
		}
		if row.bare {
			n.Unchecked = append(n.Unchecked, role)
		}
		if h.controller != nil && d.Port == "sim:"+sim.Sticks {
			if err := h.controller(d.Model); err != nil {
				return nil, b.openError(file.Name, role, d.Port, err)
			}
		}
		o.camera = h.camera
		if o.at.isStream() && d.Port != "sim:"+sim.Camera {
			if o.port = buses[d.Port]; o.port == nil {
				open := func(ctx context.Context) (drivers.Port, error) { return h.port(ctx, o.at, row.settings(d)) }
				if d.Open == whenUsed {
					o.port = &lazyPort{name: o.at.String(), clock: h.Clock, checked: o.at.kind == "tcp", open: open}
				} else if o.port, err = open(ctx); err != nil {
					return nil, b.openError(file.Name, role, d.Port, err)
				}
				n.closers = append(n.closers, o.port.Close)
				if drivers.Unchecked(o.port) && !row.checks(d) {
					n.Unchecked = append(n.Unchecked, role)
				}
				if row.bus != nil {
					o.port = row.bus(o.port, h.Clock, d, row.settings(d))
					buses[d.Port] = o.port
				}
			}
		}
		dev, err := row.open(o)
		if err != nil {
			return nil, b.openError(file.Name, role, d.Port, err)
		}
		n.Devices[role] = dev
		n.Drives[role] = []drivers.Hazard{row.drivesOf(d)}
		n.closers = append(n.closers, dev.Close)
	}
	if err := b.openLines(i, n); err != nil {
		return nil, err
	}
	return n, nil
}

func (b *File) openLines(i int, n *Opened) error {
	file := b.Nests[i]
	for _, role := range slices.Sorted(maps.Keys(file.Outputs)) {
		o := file.Outputs[role]
		lines, ok := n.Devices[o.Device].(drivers.Lines)
		if !ok {
			return b.noLines(i, "output", role, o.Device)
		}
		out, err := lines.Output(role, o.Line, o.ActiveLow, o.Safe)
		if err != nil {
			return b.lineError(i, "output", role, err)
		}
		n.Devices[role] = out
		n.Drives[role] = []drivers.Hazard{o.drives()}
	}
	for _, role := range slices.Sorted(maps.Keys(file.Inputs)) {
		f := file.Inputs[role]
		lines, ok := n.Devices[f.Device].(drivers.Lines)
		if !ok {
			return b.noLines(i, "input", role, f.Device)
		}
		in, err := lines.Input(role, f.Line, f.ActiveLow)
		if err != nil {
			return b.lineError(i, "input", role, err)
		}
		n.Devices[role] = in
		n.Drives[role] = []drivers.Hazard{drivers.Nothing}
		if role == file.Interlock {
			n.interlock = in
		}
	}
	for role, d := range file.Devices {
		// An output that is made safe by another process is not opened here.
		if out, ok := n.Devices[d.Stop]; d.Stop != "" && ok {
			n.Devices[role].(*motion.Machine).CutBy(d.Stop, out)
		}
	}
	if file.Heartbeat != "" {
		n.heartbeat, _ = n.Devices[file.Heartbeat].(drivers.Output)
	}
	for role := range file.Devices {
		if slices.Equal(n.Drives[role], []drivers.Hazard{drivers.ByOutputs}) {
			n.Drives[role] = file.byOutputs(role)
		}
	}
	return nil
}

// byOutputs is what the outputs of a board drive together. A plan reaches no
// line that has no name, so a board without outputs drives nothing.
func (f nestFile) byOutputs(board string) []drivers.Hazard {
	var list []drivers.Hazard
	for _, o := range f.Outputs {
		if h := o.drives(); o.Device == board && h != drivers.Nothing && !slices.Contains(list, h) {
			list = append(list, h)
		}
	}
	if list == nil {
		list = []drivers.Hazard{drivers.Nothing}
	}
	slices.Sort(list)
	return list
}

// openError names nest, role and port of a device that could not be opened.
func (b *File) openError(nest, role, port string, err error) error {
	err = fmt.Errorf("nest %s: %s on %s: %w", nest, role, port, err)
	if input.HintOf(err) == "" {
		return reports.Hinted(err, "fullthrow ports lists what this computer has; "+b.Name+" says what is wanted")
	}
	return err
}

// noLines and lineError are problems of the file that only the device's own
// driver can know: a model without lines, a line it does not have.
func (b *File) noLines(i int, kind, role, device string) error {
	d := b.Nests[i].Devices[device]
	return input.Wrong([]input.Problem{input.At(b.Name, b.lineOf(i, kind, role, "device"),
		fmt.Sprintf("%s %q: %s has no lines (driver %s, model %s)", kind, role, device, d.Driver, cmp.Or(d.Model, "-")),
		"")})
}

func (b *File) lineError(i int, kind, role string, err error) error {
	return input.Wrong([]input.Problem{input.At(b.Name, b.lineOf(i, kind, role, "line"), err.Error(),
		input.HintOf(err))})
}

// lineOf is the line of the file where a key of nest i stands.
func (b *File) lineOf(i int, path ...string) int {
	return b.At.At(append([]string{"nest", fmt.Sprint(i)}, path...)...)
}

func (d deviceFile) calibration() drivers.Calibration {
	k := d.Calibration
	if k == nil {
		return drivers.Calibration{}
	}
	return drivers.Calibration{Gain: k.Gain, Offset: k.Offset, Certificate: k.Certificate,
		Due: k.Due.AsTime(time.Local).AddDate(0, 0, 1)} // good until the end of the day
}

// Overdue lists the calibrations of nest i that have run out, in words.
func (b *File) Overdue(i int, now time.Time) []string {
	var list []string
	devices := b.Nests[i].Devices
	for _, role := range slices.Sorted(maps.Keys(devices)) {
		if k := devices[role].Calibration; k != nil && !now.Before(devices[role].calibration().Due) {
			list = append(list, fmt.Sprintf("the calibration of %s was due on %s%s", role, k.Due,
				wording.Prefixed(", certificate ", k.Certificate)))
		}
	}
	return list
}

// noPort is a port without anything behind it: lint opens drivers on it to
// see what they can do.
type noPort string

func (p noPort) String() string { return string(p) }
func (p noPort) Write(context.Context, []byte) error {
	return drivers.Errorf(string(p), "write", drivers.Closed, "nothing is behind this port")
}
func (p noPort) Read(context.Context, []byte, time.Duration) (int, error) {
	return 0, drivers.Errorf(string(p), "read", drivers.Closed, "nothing is behind this port")
}
func (p noPort) Discard() error { return nil }
func (p noPort) Close() error   { return nil }

// NoHardware opens every device on nothing.
func NoHardware() hardware {
	return hardware{Clock: drivers.System, none: true, port: func(_ context.Context, p PortName,
		_ portSettings) (drivers.Port, error) {
		return noPort(p.String()), nil
	}}
}

// Machine is this computer's own hardware, in real time.
func Machine() hardware {
	return hardware{Clock: drivers.System,
		port: func(ctx context.Context, p PortName, s portSettings) (drivers.Port, error) {
			switch p.kind {
			case "tcp":
				return tcpport.Open(ctx, p.Rest, tcpport.Options{Reopen: true})
			case "serial", "usb":
				return serialport.Open(serialAddress(p), s.options())
			}
			return nil, fmt.Errorf("a %s port is no byte stream of this computer", p.kind)
		}}
}

// Simulated is the hardware of a simulated bench, on its virtual clock.
func Simulated(b *sim.Bench, clock drivers.Clock) hardware {
	return hardware{Clock: clock, port: func(_ context.Context, p PortName, _ portSettings) (drivers.Port, error) {
		return b.Port(p.Rest)
	}, controller: func(model string) error { return b.SetController(simulatedController[model]) },
		camera: b.CameraOf}
}

// simulatedController is the controller of the simulated stick machine that a
// model is for.
var simulatedController = map[string]string{"generic-queue": sim.QueueControl, "generic-gcode": sim.PlainControl}

// SetController gives every simulated stick machine of the bench a controller of
// that model.
func (b *File) SetController(model string) error {
	names := Names(motion.Models(), func(m motion.Model) string { return m.Name })
	i := slices.IndexFunc(motion.Models(), func(m motion.Model) bool { return m.Name == model })
	if i < 0 {
		return input.Usage("there is no controller %q", model).Hint(input.Meant(model, names))
	}
	for _, n := range b.Nests {
		for role, d := range n.Devices {
			if d.Port != "sim:"+sim.Sticks {
				continue
			}
			d.Model, d.Home = model, ""
			if motion.Models()[i].Proof == "" {
				d.Home = motion.Trusted
			}
			n.Devices[role] = d
		}
	}
	return nil
}

// Through is h with every port handed through wrap, for tests that stand in the
// wire.
func (h hardware) Through(wrap func(p PortName, port drivers.Port) drivers.Port) hardware {
	open := h.port
	h.port = func(ctx context.Context, p PortName, s portSettings) (drivers.Port, error) {
		port, err := open(ctx, p, s)
		if err != nil {
			return nil, err
		}
		return wrap(p, port), nil
	}
	return h
}

func serialAddress(p PortName) serialport.Address {
	if p.kind == "serial" {
		return serialport.Address{Path: p.Rest}
	}
	part := strings.SplitN(p.Rest, ":", 3)
	usb := serialport.USB{Vendor: part[0], Product: part[1]}
	if len(part) == 3 {
		usb.Serial = part[2]
	}
	return serialport.Address{USB: usb}
}

// options reads "8N1"; the bench file's check has made sure that it fits.
func (s portSettings) options() serialport.Options {
	o := serialport.Options{Baud: s.baud, Reopen: true}
	if len(s.framing) < 3 {
		return o
	}
	o.DataBits = int(s.framing[0] - '0')
	o.Parity = map[byte]serialport.Parity{'N': serialport.None, 'E': serialport.Even, 'O': serialport.Odd}[s.framing[1]]
	o.StopBits, _ = strconv.ParseFloat(s.framing[2:], 64)
	return o
}

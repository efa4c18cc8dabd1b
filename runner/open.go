package main

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"
	"time"

	"fullthrow/drivers"
)

// hardware is what the ports of a nest are made of: the machine's own ports,
// the simulated fixture's, or (for lint) none at all.
type hardware struct {
	clock drivers.Clock
	// port opens one port. A bus is opened once and handed to each device on it.
	port func(ctx context.Context, p portName, settings portSettings) (drivers.Port, error)
	// none: nothing may be opened. Drivers of hardware that is no byte stream
	// (GPIO, sound) give a device that can do all and does nothing.
	none bool
}

// portSettings are a serial port's.
type portSettings struct {
	baud    int
	framing string
}

// openNest is a nest with its devices open.
type openNest struct {
	devices map[string]drivers.Device // by role, outputs and inputs included
	// drives is what each role can hurt people with; "" in it: no row says.
	drives    map[string][]drivers.Hazard
	interlock drivers.Input  // nil: the bench file says that there is none
	heartbeat drivers.Output // nil: none
	close     []func() error // in order of opening
}

// Close gives the hardware back, last opened first.
func (n *openNest) Close() error {
	var errs []error
	for _, c := range slices.Backward(n.close) {
		errs = append(errs, c())
	}
	n.close = nil
	return errors.Join(errs...)
}

// open makes the devices of nest i: ports, drivers, lines. Nothing is asked of
// the devices yet; that they answer is proved when a run begins. On an error
// everything opened so far is closed again.
func (b *benchFile) open(ctx context.Context, i int, h hardware) (_ *openNest, err error) {
	file := b.Nests[i]
	n := &openNest{devices: map[string]drivers.Device{}, drives: map[string][]drivers.Hazard{}}
	defer func() {
		if err != nil {
			err = errors.Join(err, n.Close())
		}
	}()
	rows := map[string]driverRow{}
	for _, r := range driverRows() {
		rows[r.name] = r
	}
	buses := map[string]drivers.Port{}
	for _, role := range slices.Sorted(maps.Keys(file.Devices)) {
		d := file.Devices[role]
		row := rows[d.Driver]
		o := opening{role: role, file: d, clock: h.clock, calibration: d.calibration(), none: h.none}
		if o.at, err = parsePort(d.Port); err != nil {
			return nil, err
		}
		if o.at.isStream() {
			if o.port = buses[d.Port]; o.port == nil {
				if o.port, err = h.port(ctx, o.at, row.settings(d)); err != nil {
					return nil, b.openError(file.Name, role, d.Port, err)
				}
				n.close = append(n.close, o.port.Close)
				if row.bus != nil {
					o.port = row.bus(o.port, h.clock, row.settings(d))
					buses[d.Port] = o.port
				}
			}
		}
		dev, err := row.open(o)
		if err != nil {
			return nil, b.openError(file.Name, role, d.Port, err)
		}
		n.devices[role] = dev
		n.drives[role] = []drivers.Hazard{row.hazard(d.Model)}
		n.close = append(n.close, dev.Close)
	}
	if err := b.openLines(i, n); err != nil {
		return nil, err
	}
	return n, nil
}

func (b *benchFile) openLines(i int, n *openNest) error {
	file := b.Nests[i]
	for _, role := range slices.Sorted(maps.Keys(file.Outputs)) {
		o := file.Outputs[role]
		lines, ok := n.devices[o.Device].(drivers.Lines)
		if !ok {
			return b.noLines(i, "output", role, o.Device)
		}
		out, err := lines.Output(role, o.Line, o.ActiveLow, o.Safe)
		if err != nil {
			return b.lineError(i, "output", role, err)
		}
		n.devices[role] = out
		n.drives[role] = []drivers.Hazard{o.drives()}
	}
	for _, role := range slices.Sorted(maps.Keys(file.Inputs)) {
		f := file.Inputs[role]
		lines, ok := n.devices[f.Device].(drivers.Lines)
		if !ok {
			return b.noLines(i, "input", role, f.Device)
		}
		in, err := lines.Input(role, f.Line, f.ActiveLow)
		if err != nil {
			return b.lineError(i, "input", role, err)
		}
		n.devices[role] = in
		n.drives[role] = []drivers.Hazard{drivers.Nothing}
		if role == file.Interlock {
			n.interlock = in
		}
	}
	if file.Heartbeat != "" {
		n.heartbeat, _ = n.devices[file.Heartbeat].(drivers.Output)
	}
	for role := range file.Devices {
		if slices.Equal(n.drives[role], []drivers.Hazard{drivers.ByOutputs}) {
			n.drives[role] = file.byOutputs(role)
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
func (b *benchFile) openError(nest, role, port string, err error) error {
	f := &failure{code: exitBench, err: fmt.Errorf("nest %s: %s on %s: %w", nest, role, port, err)}
	if hintOf(err) == "" {
		f.hint("fullthrow ports lists what this computer has; " + b.name + " says what is wanted")
	}
	return f
}

// noLines and lineError are problems of the file that only the device's own
// driver can know: a model without lines, a line it does not have.
func (b *benchFile) noLines(i int, kind, role, device string) error {
	d := b.Nests[i].Devices[device]
	return &inputError{[]problem{{b.name, b.lineOf(i, kind, role, "device"),
		fmt.Sprintf("%s %q: %s has no lines (driver %s, model %s)", kind, role, device, d.Driver, orElse(d.Model, "-")), ""}}}
}

func (b *benchFile) lineError(i int, kind, role string, err error) error {
	return &inputError{[]problem{{b.name, b.lineOf(i, kind, role, "line"), err.Error(), hintOf(err)}}}
}

// lineOf is the line of the file where a key of nest i stands.
func (b *benchFile) lineOf(i int, path ...string) int {
	return b.at.at(append([]string{"nest", fmt.Sprint(i)}, path...)...)
}

func (d deviceFile) calibration() drivers.Calibration {
	k := d.Calibration
	if k == nil {
		return drivers.Calibration{}
	}
	return drivers.Calibration{Gain: k.Gain, Offset: k.Offset, Certificate: k.Certificate,
		Due: k.Due.AsTime(time.Local).AddDate(0, 0, 1)} // good until the end of the day
}

// overdue lists the calibrations of nest i that have run out, in words.
func (b *benchFile) overdue(i int, now time.Time) []string {
	var list []string
	devices := b.Nests[i].Devices
	for _, role := range slices.Sorted(maps.Keys(devices)) {
		if k := devices[role].Calibration; k != nil && !now.Before(devices[role].calibration().Due) {
			list = append(list, fmt.Sprintf("the calibration of %s was due on %s%s", role, k.Due, prefixed(", certificate ", k.Certificate)))
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

// noHardware opens every device on nothing.
func noHardware() hardware {
	return hardware{clock: drivers.System, none: true, port: func(_ context.Context, p portName, _ portSettings) (drivers.Port, error) {
		return noPort(p.String()), nil
	}}
}

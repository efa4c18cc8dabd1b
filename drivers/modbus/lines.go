// Package modbus is drivers.Lines over relay boards that speak Modbus RTU:
// coils are the outputs (FC 05, read back by FC 01), discrete inputs the inputs
// (FC 02). Boards differ by a row of a table: how many lines, at which
// addresses. Lines are numbered from 1, as printed on boards.
//
// Several boards may share one port, each with its own address: make a [Bus]
// of the port and open each on that.
//
// What comes back is believed only if address, function and CRC fit. Faults:
// no reply within the time-out (NoReply); part of a reply, a wrong CRC, another
// device's reply (Garbled); an exception reply, in the words of the standard
// (Refused).
//
// Messages are made and checked here, because the Go libraries for Modbus open
// their own serial port or socket and cannot be handed a [drivers.Port], so
// they would neither obey our contexts nor run on the simulated bench; tests
// hold this against one of them.
//
// Sources: MODBUS Application Protocol Specification V1.1b3; MODBUS over Serial
// Line V1.02.
//
// Tried: against transcripts and the other library. Not tried: a real board.
package modbus

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	"fullthrow/drivers"
)

// replyTime is how long a board may take to answer.
const replyTime = time.Second

// Model is a row of the table of boards.
type Model struct {
	Name      string
	Drives    drivers.Hazard // what it can hurt people with
	Coils     int            // outputs 1..Coils
	CoilBase  uint16         // address of output 1, counted from 0 as on the wire
	Inputs    int            // inputs 1..Inputs
	InputBase uint16         // address of input 1
	ReadBack  bool           // the board can be asked for its coils (FC 01)
	Baud      int            // as the board comes
}

// Models lists the boards. The first is taken where none is named.
func Models() []Model {
	return []Model{
		{Name: "generic-relay-8", Drives: drivers.ByOutputs, Coils: 8, Inputs: 8, ReadBack: true, Baud: 9600},
		{Name: "generic-relay-4", Drives: drivers.ByOutputs, Coils: 4, Inputs: 4, ReadBack: true, Baud: 9600},
		{Name: "generic-relay-16", Drives: drivers.ByOutputs, Coils: 16, Inputs: 16, ReadBack: true, Baud: 9600},
		{Name: "generic-input-16", Drives: drivers.Nothing, Inputs: 16, Baud: 9600},
	}
}

// Options are what a bench file says of a board.
type Options struct {
	Model   string        // "": the first of the table
	Address int           // of the board on its bus, 1..247; 0: 1
	Baud    int           // of the port, for the silence between messages; 0: the model's
	Timeout time.Duration // for a reply; 0: 1 s
}

// Lines is a relay board.
type Lines struct {
	name    string
	bus     *Bus
	own     bool // the port is not shared: Close closes it
	model   Model
	address byte
	timeout time.Duration

	mu      sync.Mutex // of the fields below, never held while waiting
	outputs []*output
	closed  bool
}

var _ drivers.Lines = (*Lines)(nil)

// Open makes a board of a port, or of a [Bus] that it shares. Nothing is sent.
// Close closes a port, but not a Bus.
func Open(name string, port drivers.Port, clock drivers.Clock, opts Options) (*Lines, error) {
	const op = "open"
	d := &Lines{name: name, timeout: opts.Timeout, address: byte(opts.Address)}
	if d.timeout <= 0 {
		d.timeout = replyTime
	}
	if opts.Address == 0 {
		d.address = 1
	}
	if opts.Address < 0 || opts.Address > 247 {
		return nil, drivers.Errorf(name, op, drivers.OutOfRange, "address %d: want 1..247", opts.Address)
	}
	models := Models()
	var names []string
	for _, m := range models {
		names = append(names, m.Name)
		if m.Name == opts.Model {
			d.model = m
		}
	}
	if opts.Model == "" {
		d.model = models[0]
	}
	if d.model.Name == "" {
		return nil, drivers.Errorf(name, op, drivers.OutOfRange, "no model %q", opts.Model).
			WithHint(fmt.Sprintf("There are %q.", names))
	}
	var shared bool
	if d.bus, shared = port.(*Bus); !shared {
		baud := opts.Baud
		if baud == 0 {
			baud = d.model.Baud
		}
		d.bus, d.own = NewBus(port, clock, baud), true
	}
	return d, nil
}

func (d *Lines) String() string { return d.name }

func (d *Lines) isClosed() bool {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.closed
}

// ask holds one conversation for the line or board called who.
func (d *Lines) ask(ctx context.Context, who, op string, function byte, a, b uint16) ([]byte, error) {
	if d.isClosed() {
		return nil, drivers.Errorf(who, op, drivers.Closed, "closed")
	}
	return d.bus.converse(ctx, who, op, request(d.address, function, a, b), d.timeout)
}

// read asks for n coils or inputs from address a on.
func (d *Lines) read(ctx context.Context, who, op string, function byte, a uint16, n int) ([]bool, error) {
	data, err := d.ask(ctx, who, op, function, a, uint16(n))
	if err != nil {
		return nil, err
	}
	levels, bad := bits(data, n)
	if bad != nil {
		return nil, drivers.Errorf(who, op, bad.kind, "%w", bad)
	}
	return levels, nil
}

// Ready reads all coils, or all inputs of a board without. A board has no
// words for what it is.
func (d *Lines) Ready(ctx context.Context) (string, error) {
	var err error
	if d.model.ReadBack && d.model.Coils > 0 {
		_, err = d.read(ctx, d.name, "ready", readCoils, d.model.CoilBase, d.model.Coils)
	} else {
		_, err = d.read(ctx, d.name, "ready", readInputs, d.model.InputBase, max(1, d.model.Inputs))
	}
	return "", err
}

// Safe puts every opened output at its safe level, all of them even if one
// fails.
func (d *Lines) Safe(ctx context.Context) error {
	d.mu.Lock()
	outputs := append([]*output(nil), d.outputs...)
	closed := d.closed
	d.mu.Unlock()
	if closed {
		return nil
	}
	var errs []error
	for _, o := range outputs {
		errs = append(errs, o.Safe(ctx))
	}
	return errors.Join(errs...)
}

// Close gives the port back if the board has it for itself.
func (d *Lines) Close() error {
	d.mu.Lock()
	again := d.closed
	d.closed = true
	d.mu.Unlock()
	if again || !d.own {
		return nil
	}
	return drivers.Wrap(d.name, "close", d.bus.Close())
}

// Output opens output n. Nothing is sent.
func (d *Lines) Output(name string, n int, activeLow, safe bool) (drivers.Output, error) {
	if err := d.inRange(name, "output", n, d.model.Coils); err != nil {
		return nil, err
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	for _, o := range d.outputs {
		if o.n == n {
			return nil, drivers.Errorf(name, "open output", drivers.Busy, "output %d is already %s", n, o.name)
		}
	}
	o := &output{line{name, d, n, d.model.CoilBase + uint16(n-1), activeLow}, safe}
	d.outputs = append(d.outputs, o)
	return o, nil
}

// Input opens input n. Nothing is sent.
func (d *Lines) Input(name string, n int, activeLow bool) (drivers.Input, error) {
	if err := d.inRange(name, "input", n, d.model.Inputs); err != nil {
		return nil, err
	}
	return &input{line{name, d, n, d.model.InputBase + uint16(n-1), activeLow}}, nil
}

func (d *Lines) inRange(name, what string, n, count int) error {
	switch {
	case d.isClosed():
		return drivers.Errorf(name, "open "+what, drivers.Closed, "%s is closed", d.name)
	case count == 0:
		return drivers.Errorf(name, "open "+what, drivers.OutOfRange, "%s has no %ss", d.model.Name, what)
	case n < 1 || n > count:
		return drivers.Errorf(name, "open "+what, drivers.OutOfRange, "%s has %ss 1 to %d, no %s %d", d.model.Name,
			what, count, what, n)
	}
	return nil
}

// line is what outputs and inputs have in common.
type line struct {
	name      string
	board     *Lines
	n         int
	address   uint16
	activeLow bool
}

func (l *line) String() string { return l.name }

// Close does nothing: the line goes with its board.
func (l *line) Close() error { return nil }

// output is one coil.
type output struct {
	line
	safe bool
}

var _ drivers.Output = (*output)(nil)

// Ready reads the coil, or the board where coils cannot be read.
func (o *output) Ready(ctx context.Context) (string, error) {
	if !o.board.model.ReadBack {
		return o.board.Ready(ctx)
	}
	_, err := o.board.read(ctx, o.name, "ready", readCoils, o.address, 1)
	return "", err
}

// Set writes the coil and, where the board can be asked, reads it back.
func (o *output) Set(ctx context.Context, on bool) error {
	if err := o.write(ctx, "set", on); err != nil || !o.board.model.ReadBack {
		return err
	}
	got, err := o.board.read(ctx, o.name, "set", readCoils, o.address, 1)
	if err != nil {
		return err
	}
	if got[0] != (on != o.activeLow) {
		return drivers.Errorf(o.name, "set", drivers.Refused, "coil %d was confirmed but reads back as %v", o.address,
			got[0]).
			WithHint("An adapter that hears what it sends looks like a board that confirms; is the board there?")
	}
	return nil
}

// Safe writes the safe level and does not read it back.
func (o *output) Safe(ctx context.Context) error { return o.write(ctx, "make safe", o.safe) }

func (o *output) write(ctx context.Context, op string, on bool) error {
	value := uint16(coilOff)
	if on != o.activeLow {
		value = coilOn
	}
	data, err := o.board.ask(ctx, o.name, op, writeSingleCoil, o.address, value)
	if err != nil {
		return err
	}
	if want := []byte{byte(o.address >> 8), byte(o.address), byte(value >> 8), byte(value)}; string(data) != string(
		want) {
		return drivers.Errorf(o.name, op, drivers.Garbled, "the board confirms % X, sent was % X", data, want)
	}
	return nil
}

// input is one discrete input.
type input struct{ line }

var _ drivers.Input = (*input)(nil)

// Ready reads the input.
func (i *input) Ready(ctx context.Context) (string, error) {
	_, err := i.Level(ctx)
	return "", err
}

// Safe does nothing: an input drives nothing.
func (i *input) Safe(context.Context) error { return nil }

// Level reads the input.
func (i *input) Level(ctx context.Context) (bool, error) {
	got, err := i.board.read(ctx, i.name, "read level", readInputs, i.address, 1)
	if err != nil {
		return false, err
	}
	return got[0] != i.activeLow, nil
}

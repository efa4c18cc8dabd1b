// Package modbus is drivers.Lines over relay boards that speak Modbus, over a
// serial line (RTU) or TCP: coils are the outputs (FC 05 or 15, read back by FC 01),
// discrete inputs the inputs (FC 02), or registers are either (FC 06, 03, 04).
// Boards differ by a row of a table: how many lines, at which addresses, written
// and read how. Lines are numbered from 1, as printed on boards.
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
// Line V1.02; MODBUS Messaging on TCP/IP V1.0b.
//
// Tried: against transcripts and the other library. Not tried: a real board.
package modbus

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"time"

	"fullthrow/drivers"
)

// replyTime is how long a board may take to answer whose row does not say it.
const replyTime = time.Second

// Options are what a bench file says of a board.
type Options struct {
	Model   string        // "": the first of the table
	Address int           // of the board on its bus, 1..247; 0: 1
	Row     *Model        // in place of Model: a row that is not in the table
	Baud    int           // of the port, for the silence between messages; 0: the model's
	Timeout time.Duration // for a reply; 0: the model's
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
	// Outputs that are to be made safe and wait for their turn, and what came of
	// those that had it.
	wanted map[*output]bool
	made   map[*output]error

	turn  drivers.Guard // of making safe
	clock drivers.Clock
}

var _ drivers.Lines = (*Lines)(nil)

// Open makes a board of a port, or of a [Bus] that it shares. Nothing is sent.
// Close closes a port, but not a Bus.
func Open(name string, port drivers.Port, clock drivers.Clock, opts Options) (*Lines, error) {
	const op = "open"
	d := &Lines{name: name, timeout: opts.Timeout, address: byte(opts.Address), turn: drivers.NewGuard(clock),
		clock: clock}
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
	switch {
	case opts.Row != nil:
		d.model = *opts.Row
	case opts.Model == "":
		d.model = models[0]
	}
	if opts.Row == nil && d.model.Name == "" {
		return nil, drivers.Errorf(name, op, drivers.OutOfRange, "no model %q", opts.Model).
			WithHint(fmt.Sprintf("There are %q.", names))
	}
	if d.timeout <= 0 {
		d.timeout = cmp.Or(d.model.Timeout, replyTime)
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
func (d *Lines) ask(ctx context.Context, who, op string, question []byte) ([]byte, error) {
	if d.isClosed() {
		return nil, drivers.Errorf(who, op, drivers.Closed, "closed")
	}
	return d.bus.converse(ctx, who, op, d.address, question, d.timeout)
}

// read asks for n lines from address a on, as the row says that they are read.
func (d *Lines) read(ctx context.Context, who, op string, function byte, a uint16, n int) ([]bool, error) {
	data, err := d.ask(ctx, who, op, question(function, a, uint16(n)))
	if err != nil {
		return nil, err
	}
	var levels []bool
	var bad *fault
	if function == readCoils || function == readInputs {
		levels, bad = bits(data, n)
	} else {
		levels, bad = d.model.levels(data, n)
	}
	if bad != nil {
		return nil, drivers.Errorf(who, op, bad.kind, "%w", bad)
	}
	return levels, nil
}

// Ready reads all outputs, or all inputs of a board whose outputs cannot be read.
// A board has no words for what it is.
func (d *Lines) Ready(ctx context.Context) (string, error) {
	var err error
	m := &d.model
	if m.ReadBack && m.Coils > 0 {
		_, err = d.read(ctx, d.name, "ready", m.readsOutputs(), m.CoilBase, min(m.Coils, mostAtOnce))
	} else {
		_, err = d.read(ctx, d.name, "ready", m.readsInputs(), m.InputBase, min(max(1, m.Inputs), mostAtOnce))
	}
	return "", err
}

// mostAtOnce is how many lines are read in one message: registers fit no more
// (V1.1b3, 6.3).
const mostAtOnce = 125

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
	return d.makeSafe(ctx, outputs...)
}

// SafeTime is how long making safe takes at most: a round of outputs may have begun
// before.
func (d *Lines) SafeTime() time.Duration { return 2*d.safeTime() + d.timeout }

// safeTime bounds a round of making outputs safe.
func (d *Lines) safeTime() time.Duration {
	if d.model.SafeTime > 0 {
		return d.model.SafeTime
	}
	return min(2*d.timeout, 10*time.Second)
}

// makeSafe puts outputs at their safe levels. Those of a board that are to be made
// safe at the same time are so in one round, which the board's time-out bounds and
// not that of each line.
func (d *Lines) makeSafe(ctx context.Context, outputs ...*output) error {
	d.mu.Lock()
	if d.wanted == nil {
		d.wanted, d.made = map[*output]bool{}, map[*output]error{}
	}
	for _, o := range outputs {
		d.wanted[o] = true
	}
	d.mu.Unlock()
	if err := d.turn.Enter(ctx); err != nil {
		return drivers.Wrap(d.name, opSafe, drivers.Ended(ctx, err))
	}
	defer d.turn.Leave()
	d.mu.Lock()
	var round []*output
	for _, o := range d.outputs {
		if d.wanted[o] {
			round = append(round, o)
		}
	}
	clear(d.wanted)
	d.mu.Unlock()
	made := d.safeRound(ctx, round)
	d.mu.Lock()
	defer d.mu.Unlock()
	for o, err := range made {
		d.made[o] = err
	}
	var errs []error
	for _, o := range outputs {
		errs = append(errs, d.made[o])
	}
	return errors.Join(errs...)
}

const opSafe = "make safe"

// safeRound writes the safe levels of outputs: neighbours in one message where the
// row says that the board takes that. Once the board has not answered, the others
// are sent all the same, and nobody waits for their answers.
func (d *Lines) safeRound(ctx context.Context, outputs []*output) map[*output]error {
	slices.SortFunc(outputs, func(a, b *output) int { return a.n - b.n })
	made := map[*output]error{}
	end := d.clock.Now().Add(d.safeTime())
	silent := false
	// What is sent at the end, together: between messages to a silent board another
	// one may take its own for replies (Bus.unheard).
	var unconfirmed [][]byte
	var late []*output
	for len(outputs) > 0 {
		n := 1
		for d.model.Together && n < len(outputs) && outputs[n].n == outputs[n-1].n+1 {
			n++
		}
		group := outputs[:n]
		outputs = outputs[n:]
		var levels []bool
		for _, o := range group {
			levels = append(levels, o.safe != o.activeLow)
		}
		q := d.model.writing(group[0].address, levels, n > 1)
		timeout := min(d.timeout, end.Sub(d.clock.Now()))
		if silent || timeout <= 0 {
			unconfirmed, late = append(unconfirmed, q), append(late, group...)
			continue
		}
		data, err := d.bus.converse(ctx, "", "", d.address, q, timeout)
		if err == nil {
			err = confirmed(data, q)
		}
		switch drivers.KindOf(err) {
		case "", drivers.Refused:
		default:
			silent = true
		}
		for _, o := range group {
			made[o] = drivers.Wrap(o.name, opSafe, err)
		}
	}
	if len(unconfirmed) > 0 {
		err := d.bus.only(ctx, d.address, unconfirmed...)
		if err == nil {
			err = drivers.Errorf("", "", drivers.NoReply, "sent, but the board confirms nothing")
		}
		for _, o := range late {
			made[o] = drivers.Wrap(o.name, opSafe, err)
		}
	}
	if !silent && d.model.ReadBack {
		d.readBack(ctx, made, end)
	}
	return made
}

// readBack replaces what came of outputs that are not at their safe levels though the
// board confirmed them: a wire that only gives back what it is given confirms
// everything.
func (d *Lines) readBack(ctx context.Context, made map[*output]error, end time.Time) {
	var first, last *output
	for o, err := range made {
		if err != nil {
			continue
		}
		if first == nil || o.n < first.n {
			first = o
		}
		if last == nil || o.n > last.n {
			last = o
		}
	}
	if first == nil {
		return
	}
	var levels []bool
	var err error
	for a := first.address; len(levels) <= last.n-first.n && err == nil; {
		n := min(last.n-first.n+1-len(levels), mostAtOnce)
		var more []bool
		more, err = d.within(end).read(ctx, "", "", d.model.readsOutputs(), a, n)
		levels, a = append(levels, more...), a+uint16(n)
	}
	for o, confirmed := range made {
		switch {
		case confirmed != nil:
		case err != nil:
			made[o] = drivers.Wrap(o.name, opSafe, err)
		case levels[o.n-first.n] != (o.safe != o.activeLow):
			made[o] = drivers.Errorf(o.name, opSafe, drivers.Refused, "output %d was confirmed but reads back as %v", o.n,
				levels[o.n-first.n]).WithHint("treat the fixture as live until it has been switched off")
		}
	}
}

// within is the board with no more time for a reply than there is until end.
func (d *Lines) within(end time.Time) *Lines {
	return &Lines{name: d.name, bus: d.bus, model: d.model, address: d.address,
		timeout: max(min(d.timeout, end.Sub(d.clock.Now())), time.Millisecond)}
}

// confirmed is the error of a reply to a write that is not what was written.
func confirmed(data, question []byte) error {
	if string(data) == string(question[1:5]) {
		return nil
	}
	return drivers.Errorf("", "", drivers.Garbled, "the board confirms % X, sent was % X", data, question[1:5])
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
	_, err := o.board.read(ctx, o.name, "ready", o.board.model.readsOutputs(), o.address, 1)
	return "", err
}

// Set writes the coil and, where the board can be asked, reads it back.
func (o *output) Set(ctx context.Context, on bool) error {
	if err := o.write(ctx, "set", on); err != nil || !o.board.model.ReadBack {
		return err
	}
	got, err := o.board.read(ctx, o.name, "set", o.board.model.readsOutputs(), o.address, 1)
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

// Safe writes the safe level and, where the board can be asked, reads it back.
func (o *output) Safe(ctx context.Context) error {
	if o.board.isClosed() {
		return drivers.Errorf(o.name, opSafe, drivers.Closed, "closed")
	}
	return o.board.makeSafe(ctx, o)
}

// SafeTime is the board's.
func (o *output) SafeTime() time.Duration { return o.board.SafeTime() }

func (o *output) write(ctx context.Context, op string, on bool) error {
	q := o.board.model.writing(o.address, []bool{on != o.activeLow}, false)
	data, err := o.board.ask(ctx, o.name, op, q)
	if err != nil {
		return err
	}
	return drivers.Wrap(o.name, op, confirmed(data, q))
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
	got, err := i.board.read(ctx, i.name, "read level", i.board.model.readsInputs(), i.address, 1)
	if err != nil {
		return false, err
	}
	return got[0] != i.activeLow, nil
}

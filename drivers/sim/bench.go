package sim

import (
	"fmt"
	"maps"
	"slices"
	"strings"
	"sync"
	"time"

	"fullthrow/drivers"
)

// The wires of a bench.
const (
	Supply     = "supply"     // SCPI
	Meter      = "meter"      // SCPI, blocks of samples
	Board      = "board"      // SCPI: relays, inputs, interval timer
	Attenuator = "attenuator" // SCPI
	Microphone = "microphone" // SCPI, blocks of samples
	Sticks     = "sticks"     // G-code
	Receiver   = "receiver"   // SBUS, CRSF, iBUS or SUMD
	Multimeter = "multimeter" // SCPI, single values
	Load       = "load"       // SCPI
	Console    = "console"    // lines: the handset's own, as console.md describes it
)

// Relays of the fixture board.
const (
	relayPower  = 1 // the handset's power switch
	relaySwitch = 2 // 2..5: actuators on the switches SA..SD
	relayClutch = 6 // closed: the fingers hold the sticks
	relays      = 8
)

// Inputs of the fixture board.
const (
	inputGuard   = 1 // 1 = guard closed
	inputPresent = 2 // 1 = a unit lies in the fixture
)

// Bench is the simulated fixture: seven devices around one handset, and its console.
type Bench struct {
	clock   drivers.Clock
	virtual bool // clock is a Clock of this package
	epoch   time.Time
	seed    uint64

	mu      sync.Mutex
	wires   map[string]*wire
	devices struct {
		supply     *supply
		meter      *digitiser
		microphone *digitiser
		board      *board
		attenuator *attenuator
		sticks     *gantry
		receiver   *receiver
		console    *console
		load       *load
	}
	table []float32 // noise

	handset   *Handset
	loadedAt  time.Duration
	power     history
	captures  uint64        // since Load: numbers the noise
	intervals uint64        // since Load
	guardOpen time.Duration // when the guard opens; see OpenInterlockAt
	guardSet  bool
	holds     stretches // of all wires
}

// NewBench returns a bench without a handset, everything off, the guard
// closed. Times of the bench begin at the clock's present moment.
func NewBench(clock drivers.Clock, seed uint64) *Bench {
	_, virtual := clock.(*Clock)
	b := &Bench{
		clock:   clock,
		virtual: virtual,
		epoch:   clock.Now(),
		seed:    seed,
		table:   newNoiseTable(seed),
	}
	d := &b.devices
	d.supply = newSupply(b)
	d.meter = newMeter(b)
	d.microphone = newMicrophone(b)
	d.board = newBoard(b)
	d.attenuator = newAttenuator(b)
	d.load = newLoad(b)
	d.sticks = newGantry(SticksHabit{})
	d.receiver = newReceiver(b)
	d.console = newConsole(b)
	b.wires = map[string]*wire{
		Supply:     newWire(b, Supply, d.supply.scpi),
		Meter:      newWire(b, Meter, d.meter.scpi),
		Board:      newWire(b, Board, d.board.scpi),
		Attenuator: newWire(b, Attenuator, d.attenuator.scpi),
		Microphone: newWire(b, Microphone, d.microphone.scpi),
		Sticks:     newWire(b, Sticks, newStateControl(d.sticks, SticksHabit{}, 0)),
		Receiver:   newWire(b, Receiver, d.receiver),
		Console:    newWire(b, Console, d.console),
		Multimeter: newWire(b, Multimeter, newMultimeter(b)),
		Load:       newWire(b, Load, d.load.scpi),
	}
	return b
}

// Wires lists the roles Port knows, in alphabetical order.
func (b *Bench) Wires() []string { return slices.Sorted(maps.Keys(b.wires)) }

// Port opens the wire of a role. A wire has one user at a time: until that
// Port is closed, the next Port of the same role is a Busy error.
func (b *Bench) Port(role string) (drivers.Port, error) {
	w := b.wires[role]
	if w == nil {
		return nil, drivers.Errorf(role, "open", drivers.Fault, "no such wire on the simulated bench").
			WithHint("wires: " + strings.Join(b.Wires(), ", "))
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	if w.user != nil {
		return nil, drivers.Errorf(role, "open", drivers.Busy, "in use")
	}
	p := &port{wire: w, closed: make(chan struct{})}
	w.user = p
	if m, ok := w.machine.(interface{ opened(time.Duration) }); ok {
		m.opened(b.now())
	}
	return p, nil
}

// now is the time since the bench began.
func (b *Bench) now() time.Duration { return b.clock.Now().Sub(b.epoch) }

// Load lays a handset on the bench, in place of the one that was there. Its
// restart node is empty, its sticks are centred.
func (b *Bench) Load(h Handset) {
	b.mu.Lock()
	defer b.mu.Unlock()
	t := b.now()
	b.handset, b.loadedAt = &h, t
	b.power = history{since: t}
	b.captures, b.intervals = 0, 0
	b.devices.sticks.prune(t)
	b.devices.receiver.bind(t)
	b.devices.console.bind()
	b.repower(t)
	b.wake()
}

// Unload takes the handset away.
func (b *Bench) Unload() {
	b.mu.Lock()
	defer b.mu.Unlock()
	t := b.now()
	if b.handset != nil {
		// What it did stays in the captures under way.
		b.power.step(&b.handset.Power, t, 0, 0, false)
	}
	b.devices.receiver.unbind(t)
	b.devices.console.bind()
	b.handset = nil
	b.wake()
}

// repower tells the handset what supply and switch give it from t on.
func (b *Bench) repower(t time.Duration) {
	if b.handset == nil {
		return
	}
	s := b.devices.supply
	volts := 0.0
	if s.on {
		volts = s.volts
	}
	b.power.step(&b.handset.Power, t, volts, s.currentLimit, b.devices.board.relay[relayPower])
	b.devices.console.power(t, b.power.at(t).phase == running)
}

// noise is the noise of the next capture; key tells streams apart.
func (b *Bench) noise(key uint64) noise {
	b.captures++
	return noise{table: b.table, state: b.stream(key) ^ mix(b.captures)}
}

// stream is the seed of one kind of randomness of the handset on this bench.
func (b *Bench) stream(key uint64) uint64 {
	s := mix(b.seed) ^ key
	if b.handset != nil {
		s ^= mix(b.handset.Seed + 1)
	}
	return mix(s)
}

// wake makes every waiting port look again (in real time; on the virtual clock
// they look by themselves).
func (b *Bench) wake() {
	if !b.virtual {
		for _, w := range b.wires {
			w.wake()
		}
	}
}

// OpenInterlockAt opens the guard at t (of the bench's clock), and CloseInterlock
// closes it. The simulated machine does not stop by itself: that is the
// runner's task, and here its tests see whether it did.
func (b *Bench) OpenInterlockAt(t time.Time) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.guardOpen, b.guardSet = t.Sub(b.epoch), true
}

// CloseInterlock closes the guard and forgets an opening still to come.
func (b *Bench) CloseInterlock() {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.guardSet = false
}

// guard says whether the guard is closed at t.
func (b *Bench) guard(t time.Duration) bool { return !b.guardSet || t < b.guardOpen }

// SetFormat chooses what the receiver sends, at its usual rate: "SBUS" (at first),
// "CRSF", "iBUS" or "SUMD".
func (b *Bench) SetFormat(format string) error {
	known := []string{"SBUS", "CRSF", "iBUS", "SUMD"}
	if !slices.Contains(known, format) {
		return fmt.Errorf("receiver: no format %q (known: %s)", format, strings.Join(known, ", "))
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	b.devices.receiver.setFormat(format, b.now())
	return nil
}

// SetPeriod makes the receiver send a frame every period from now on.
func (b *Bench) SetPeriod(period time.Duration) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.devices.receiver.setPeriod(period, b.now())
}

// State is what the fixture and the handset are doing.
type State struct {
	SupplyOn     bool
	LoadOn       bool
	Volts        float64
	CurrentLimit float64
	Relays       [relays + 1]bool // by number; [0] is not used
	Attenuation  float64          // dB
	Moving       bool
	Homed        bool
	Positions    map[string]float64 // of the stick machine, throws
	GuardClosed  bool
	Handset      string  // absent, unpowered, off, dead, hung, running
	Node         float64 // V on the handset's restart node
}

// Safe says whether every output is in its safe state: supply and load off, relays
// open, nothing moving.
func (s State) Safe() bool {
	return !s.SupplyOn && !s.LoadOn && s.Relays == [relays + 1]bool{} && !s.Moving
}

// State is the state at the present moment.
func (b *Bench) State() State {
	b.mu.Lock()
	defer b.mu.Unlock()
	t := b.now()
	d := &b.devices
	s := State{
		SupplyOn: d.supply.on, LoadOn: d.load.on, Volts: d.supply.volts, CurrentLimit: d.supply.currentLimit,
		Relays:      d.board.relay,
		Attenuation: d.attenuator.dB,
		Moving:      d.sticks.moving(t),
		Homed:       d.sticks.homed,
		Positions:   map[string]float64{},
		GuardClosed: b.guard(t),
		Handset:     string(absent),
	}
	for i, p := range d.sticks.position(t) {
		s.Positions[axisNames[i]] = p
	}
	if b.handset != nil {
		ph := b.power.at(t).phase
		s.Handset = string(ph)
		s.Node = b.power.node
		if !ph.powered() {
			s.Node = b.handset.Power.Node.Voltage(b.power.node, seconds(t-b.power.since))
		}
	}
	return s
}

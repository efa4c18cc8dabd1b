package sim

import (
	"encoding/binary"
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"
)

// The replies of SCPI for what is no number (SCPI-1999 volume 1, 7.2.1.4 and
// 7.2.1.5).
const (
	infinity  = 9.9e37
	notNumber = 9.91e37
)

// supply is the laboratory supply.
type supply struct {
	*scpi
	volts, currentLimit float64
	on                  bool
}

func newSupply(b *Bench) *supply {
	s := &supply{}
	reset := func(t time.Duration) {
		s.volts, s.currentLimit, s.on = 0, 1, false
		b.repower(t)
	}
	setting := func(pattern, unit string, hi float64, value *float64) *command {
		return &command{pattern: pattern,
			set: func(t time.Duration, args []string) int {
				v, code := number(args, unit, 0, hi)
				if code == 0 {
					*value = v
					b.repower(t)
				}
				return code
			},
			query: func(time.Duration, []string) (answer, int) { return decimal(*value) },
		}
	}
	s.scpi = newSCPI("INVENTED,GENERIC SUPPLY,SIM1,1.0", 2*time.Millisecond, reset,
		setting("[SOURce:]VOLTage[:LEVel][:IMMediate][:AMPLitude]", "V", 20, &s.volts),
		setting("[SOURce:]CURRent[:LEVel][:IMMediate][:AMPLitude]", "A", 5, &s.currentLimit),
		&command{pattern: "OUTPut[:STATe]",
			set: func(t time.Duration, args []string) int {
				on, code := boolean(args)
				if code == 0 {
					s.on = on
					b.repower(t)
				}
				return code
			},
			query: func(time.Duration, []string) (answer, int) { return text(flag(s.on)) },
		},
		b.reading("MEASure[:SCALar]:VOLTage[:DC]", "supply V", 1e-3, func(t time.Duration) float64 {
			v, _, _ := b.terminals(t)
			return v
		}),
		b.reading("MEASure[:SCALar]:CURRent[:DC]", "supply A", 1e-4, func(t time.Duration) float64 {
			_, unit, loaded := b.terminals(t)
			return unit + loaded
		}),
	)
	s.currentLimit = 1
	return s
}

// attenuator is the step attenuator in the radio path.
type attenuator struct {
	*scpi
	dB    float64
	steps []step // since the handset was loaded
}

func newAttenuator(b *Bench) *attenuator {
	a := &attenuator{steps: []step{{}}}
	set := func(t time.Duration, dB float64) {
		a.dB = dB
		a.steps = append(a.steps, step{t, dB})
	}
	a.scpi = newSCPI("INVENTED,GENERIC ATTENUATOR,SIM1,1.0", 2*time.Millisecond, func(t time.Duration) { set(t, 0) },
		&command{pattern: "INPut:ATTenuation",
			set: func(t time.Duration, args []string) int {
				v, code := number(args, "DB", 0, 110)
				if code == 0 {
					set(t, math.Round(2*v)/2) // steps of 0.5 dB
				}
				return code
			},
			query: func(time.Duration, []string) (answer, int) { return decimal(a.dB) },
		})
	return a
}

// at is the attenuation at t.
func (a *attenuator) at(t time.Duration) float64 {
	i := len(a.steps) - 1
	for i > 0 && a.steps[i].at > t {
		i--
	}
	return a.steps[i].dB
}

// meterRanges are those of the meter, in A; it reads 5 % beyond each.
var meterRanges = [...]float64{100e-6, 1e-3, 10e-3, 100e-3, 1, 3}

// digitiser samples: the current meter, or the microphone's digitiser.
type digitiser struct {
	*scpi
	bench  *Bench
	stream uint64
	// sample fills values from start; rng is the range (0: automatic).
	sample func(values []float64, start time.Duration, tint, rng float64, nz *noise)

	ascii, swapped bool
	rng            float64 // 0: automatic
	tint           float64
	points         int
	started        bool
	init, ready    time.Duration
	values         []float64
	// kept is the answer to the last FETCh: asked again for the same capture, an
	// instrument reads the same memory.
	kept   []byte
	keptAs form
}

// digitise makes the commands common to both; quantity is the last node of
// FETCh:ARRay.
func (d *digitiser) digitise(b *Bench, identity, quantity string, least, most, tint float64, more ...*command) {
	d.bench, d.stream = b, hash(quantity)
	d.tint, d.points = tint, 1000
	reset := func(time.Duration) {
		d.ascii, d.swapped, d.rng = true, false, 0
		d.tint, d.points, d.started = tint, 1000, false
		d.remove(kindCapture)
	}
	d.ascii = true
	d.scpi = newSCPI(identity, time.Millisecond, reset, append(more,
		&command{pattern: "FORMat[:DATA]",
			set: func(_ time.Duration, args []string) int {
				switch strings.ToUpper(strings.Join(args, ",")) {
				case "REAL,32":
					d.ascii = false
				case "ASC", "ASCII", "ASC,0", "ASCII,0":
					d.ascii = true
				case "":
					return -109
				default:
					return -224
				}
				return 0
			},
			query: func(time.Duration, []string) (answer, int) {
				if d.ascii {
					return text("ASC,0")
				}
				return text("REAL,32")
			}},
		&command{pattern: "FORMat:BORDer",
			set: func(_ time.Duration, args []string) int {
				if code := count(args, 1); code != 0 {
					return code
				}
				switch strings.ToUpper(args[0]) {
				case "NORM", "NORMAL":
					d.swapped = false
				case "SWAP", "SWAPPED":
					d.swapped = true
				default:
					return -224
				}
				return 0
			}},
		&command{pattern: "[SENSe:]SWEep:TINTerval",
			set: func(_ time.Duration, args []string) int {
				v, code := number(args, "S", least, most)
				if code == 0 {
					d.tint = v
				}
				return code
			},
			query: func(time.Duration, []string) (answer, int) { return decimal(d.tint) }},
		&command{pattern: "[SENSe:]SWEep:POINts",
			set: func(_ time.Duration, args []string) int {
				v, code := number(args, "", 1, 4e6)
				if code == 0 {
					d.points = int(math.Round(v))
				}
				return code
			},
			query: func(time.Duration, []string) (answer, int) { return text(strconv.Itoa(d.points)) }},
		&command{pattern: "INITiate[:IMMediate]",
			set: func(t time.Duration, args []string) int {
				if len(args) > 0 {
					return -108
				}
				if d.started && t < d.ready {
					return -213
				}
				d.started, d.init, d.kept = true, t, nil
				d.ready = t + duration(float64(d.points)*d.tint)
				return 0
			}},
		&command{pattern: "ABORt",
			set: func(time.Duration, []string) int {
				d.started = false
				d.remove(kindCapture)
				return 0
			}},
		&command{pattern: "FETCh:ARRay:" + quantity, query: d.fetch},
	)...)
}

// fetch gives the samples of the last INITiate when they are there.
func (d *digitiser) fetch(_ time.Duration, args []string) (answer, int) {
	if len(args) > 0 {
		return answer{}, -108
	}
	if !d.started {
		return answer{}, -230
	}
	start, n, tint, rng := d.init, d.points, d.tint, d.rng
	ascii, swapped, stuck := d.ascii, d.swapped, d.stuck
	return answer{due: d.ready, make: func() []byte {
		if d.kept != nil && d.init == start && d.keptAs == (form{ascii, swapped, n, stuck}) {
			return d.kept
		}
		if cap(d.values) < n {
			d.values = make([]float64, n)
		}
		v := d.values[:n]
		nz := d.bench.noise(d.stream)
		d.sample(v, start, tint, rng, &nz)
		if stuck {
			for i := range v {
				v[i] = v[0]
			}
		}
		d.keptAs = form{ascii, swapped, n, stuck}
		if ascii {
			d.kept = commas(v)
		} else {
			d.kept = block(v, swapped)
		}
		return d.kept
	}}, 0
}

// form is how a capture was asked for.
type form struct {
	ascii, swapped bool
	points         int
	stuck          bool
}

// block is an IEEE 488.2 definite length block of 32-bit numbers.
func block(v []float64, swapped bool) []byte {
	size := strconv.Itoa(4 * len(v))
	head := fmt.Sprintf("#%d%s", len(size), size)
	out := make([]byte, len(head)+4*len(v), len(head)+4*len(v)+1)
	copy(out, head)
	data := out[len(head):]
	for i, x := range v {
		if swapped {
			binary.LittleEndian.PutUint32(data[4*i:4*i+4], math.Float32bits(float32(x)))
		} else {
			binary.BigEndian.PutUint32(data[4*i:4*i+4], math.Float32bits(float32(x)))
		}
	}
	return out
}

func commas(v []float64) []byte {
	var out []byte
	for i, x := range v {
		if i > 0 {
			out = append(out, ',')
		}
		out = strconv.AppendFloat(out, x, 'E', 6, 64)
	}
	return out
}

func newMeter(b *Bench) *digitiser {
	d := &digitiser{}
	d.sample = func(v []float64, start time.Duration, tint, rng float64, nz *noise) {
		if b.handset != nil {
			b.power.current(&b.handset.Power, v, start, tint, nz)
		} else {
			clear(v)
		}
		if rng == 0 { // automatic: the smallest range that fits, before the next sample
			rng = meterRanges[0]
			for _, x := range v {
				for i := 0; x > 1.05*rng && i < len(meterRanges); i++ {
					rng = max(rng, meterRanges[i])
				}
			}
		}
		for i := range v {
			if v[i] > 1.05*rng {
				v[i] = infinity
			} else {
				v[i] += 2e-5 * rng * nz.next()
			}
		}
	}
	d.digitise(b, "INVENTED,GENERIC METER,SIM1,1.0", "CURRent", 1e-5, 1, 1e-3,
		&command{pattern: "[SENSe:]CURRent[:DC]:RANGe[:UPPer]",
			set: func(_ time.Duration, args []string) int {
				v, code := number(args, "A", 0, 3)
				if code == 0 {
					for _, r := range meterRanges {
						if d.rng = r; v <= r {
							break
						}
					}
				}
				return code
			},
			query: func(time.Duration, []string) (answer, int) { return decimal(d.rng) }},
		&command{pattern: "[SENSe:]CURRent[:DC]:RANGe:AUTO",
			set: func(_ time.Duration, args []string) int {
				on, code := boolean(args)
				if code == 0 && on {
					d.rng = 0
				} else if code == 0 && d.rng == 0 {
					d.rng = meterRanges[len(meterRanges)-1]
				}
				return code
			},
			query: func(time.Duration, []string) (answer, int) { return text(flag(d.rng == 0)) }})
	return d
}

// roomNoise is what the microphone hears of an empty fixture, fraction of full
// scale.
const roomNoise = 0.0012

// converterNoise is the digitiser's own, about the last bit of 24: what it
// delivers never stands still, not even in a silent room.
const converterNoise = 1e-7

func newMicrophone(b *Bench) *digitiser {
	d := &digitiser{}
	d.sample = func(v []float64, start time.Duration, tint, _ float64, nz *noise) {
		quiet := Sounder{Floor: roomNoise}
		if b.handset == nil {
			(&history{}).sound(&quiet, v, start, 1/tint, nz)
			return
		}
		b.power.sound(&b.handset.Sounder, v, start, 1/tint, nz)
	}
	d.digitise(b, "INVENTED,GENERIC DIGITISER,SIM1,1.0", "VOLTage", 1e-5, 1e-2, 1.0/48000)
	return d
}

// board is the fixture board: relays, inputs, interval timer.
type board struct {
	*scpi
	bench    *Bench
	relay    [relays + 1]bool
	pressed  [4][]clutchEvent // actuators of the switches, since the handset was loaded
	radio    channel          // packets of the timer
	packet   uint64
	interval float64 // the last one, for a stuck timer
}

func newBoard(b *Bench) *board {
	f := &board{bench: b, interval: notNumber}
	switchAll := func(on bool) func(t time.Duration, args []string) int {
		return func(t time.Duration, args []string) int {
			chans, code := list(args, relays)
			for _, n := range chans {
				f.set(t, n, on)
			}
			return code
		}
	}
	read := func(highest int, level func(t time.Duration, n int) bool) func(time.Duration, []string) (answer, int) {
		return func(t time.Duration, args []string) (answer, int) {
			chans, code := list(args, highest)
			if code != 0 {
				return answer{}, code
			}
			flags := make([]string, len(chans))
			for i, n := range chans {
				flags[i] = flag(level(t, n))
			}
			return text(strings.Join(flags, ","))
		}
	}
	openAll := func(t time.Duration) {
		for n := 1; n <= relays; n++ {
			f.set(t, n, false)
		}
	}
	f.scpi = newSCPI("INVENTED,FIXTURE BOARD,SIM1,1.0", 1500*time.Microsecond, openAll,
		&command{pattern: "ROUTe:CLOSe", set: switchAll(true),
			query: read(relays, func(_ time.Duration, n int) bool { return f.relay[n] })},
		&command{pattern: "ROUTe:OPEN", set: switchAll(false),
			query: read(relays, func(_ time.Duration, n int) bool { return !f.relay[n] })},
		&command{pattern: "ROUTe:OPEN:ALL", set: func(t time.Duration, args []string) int {
			if len(args) > 0 {
				return -108
			}
			openAll(t)
			return 0
		}},
		&command{pattern: "SENSe:DIGital[:DATA]", query: read(8, func(t time.Duration, n int) bool {
			switch n {
			case inputGuard:
				return b.guard(t)
			case inputPresent:
				return b.handset != nil
			}
			return false
		})},
		&command{pattern: "MEASure:TINTerval", query: f.measure},
	)
	return f
}

// set changes a relay and what hangs on it.
func (f *board) set(t time.Duration, n int, on bool) {
	if f.relay[n] == on {
		return
	}
	f.relay[n] = on
	switch {
	case n == relayPower:
		f.bench.repower(t)
	case n >= relaySwitch && n < relaySwitch+4:
		f.pressed[n-relaySwitch] = append(f.pressed[n-relaySwitch], clutchEvent{t, on})
	case n == relayClutch:
		f.bench.devices.sticks.clutch = append(f.bench.devices.sticks.clutch, clutchEvent{t, on})
	case n == f.bench.devices.sticks.poweredBy:
		f.bench.devices.sticks.supplied(t, on)
	}
}

// pressedAt says whether the actuator of switch i presses at t.
func (f *board) pressedAt(i int, t time.Duration) bool {
	for k := len(f.pressed[i]) - 1; k >= 0; k-- {
		if f.pressed[i][k].at <= t {
			return f.pressed[i][k].held
		}
	}
	return false
}

// prune keeps only the present state of the actuators.
func (f *board) prune() {
	for i := range f.pressed {
		f.pressed[i] = append(f.pressed[i][:0], clutchEvent{math.MinInt64, f.relay[relaySwitch+i]})
	}
}

// timeOut is how long the timer waits for an answer of the handset, s.
const timeOut = 0.200

// measure steps an input of the handset at the next tick of the board's own
// 7 ms clock, and waits for the frame that shows it. Every lost packet costs a
// frame.
func (f *board) measure(t time.Duration, args []string) (answer, int) {
	if len(args) > 0 {
		return answer{}, -108
	}
	b := f.bench
	b.intervals++
	key := b.stream(hash("timer"))
	begin := t + duration(0.007*unit(key, b.intervals))
	value := math.Inf(1)
	if h := b.handset; h != nil {
		s := b.power.at(t)
		if s.phase == running && t >= s.start+duration(h.Link.Begin) {
			value = h.Latency.draw(key^1, b.intervals)
			for value <= timeOut {
				f.packet++
				if f.radio.heard(&h.Link, f.packet, b.devices.attenuator.dB) {
					break
				}
				value += 0.007
			}
		}
	}
	due := begin + duration(min(value, timeOut))
	if value > timeOut {
		value = notNumber
	}
	if f.stuck {
		value = f.interval
	}
	f.interval = value
	return answer{text: strconv.FormatFloat(value, 'E', 6, 64), due: due + f.delay}, 0
}

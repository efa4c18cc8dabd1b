package sim

import (
	"math"
	"time"
)

// What reads single values, and the electronic load: both hang on the terminals of
// the supply, beside the handset.

// ambient is what the multimeter's sensor lies in, degrees Celsius.
const ambient = 23.4

// readingTime is what a single value is the mean of, s.
const readingTime = 0.02

// load is the electronic load. It does not brown the handset out: what it pulls down
// is its own terminals.
type load struct {
	*scpi
	function          string // CURRENT, RESISTANCE, POWER
	amps, ohms, watts float64
	on                bool
}

// terminals are the voltage and the currents at the supply's terminals at t: of the
// handset and of the load. What both take more than the supply gives pulls the
// voltage down.
func (b *Bench) terminals(t time.Duration) (volts, unit, loaded float64) {
	s := b.devices.supply
	if !s.on {
		return 0, 0, 0
	}
	volts = s.volts
	if b.handset != nil {
		var mean [1]float64
		nz := b.noise(hash("terminals"))
		b.power.current(&b.handset.Power, mean[:], t, readingTime, &nz)
		unit = mean[0]
	}
	l := b.devices.load
	if !l.on || volts == 0 {
		return volts, unit, 0
	}
	switch l.function {
	case "RESISTANCE":
		loaded = volts / max(l.ohms, 0.01)
	case "POWER":
		loaded = l.watts / volts
	default:
		loaded = l.amps
	}
	if most := max(0, s.currentLimit-unit); loaded > most {
		loaded = most
		if volts = 0; l.function == "RESISTANCE" {
			volts = most * l.ohms
		}
	}
	return volts, unit, loaded
}

// indicated is a value as an instrument of five digits gives it.
func (b *Bench) indicated(key string, v, resolution float64) (answer, int) {
	nz := b.noise(hash(key))
	return decimal(math.Round((v+2*resolution*nz.next())/resolution) * resolution)
}

// reading is the question for a single value.
func (b *Bench) reading(pattern, key string, resolution float64, value func(t time.Duration) float64) *command {
	return &command{pattern: pattern, query: func(t time.Duration, _ []string) (answer, int) {
		return b.indicated(key, value(t), resolution)
	}}
}

func newMultimeter(b *Bench) *scpi {
	// In series with the handset, and across the terminals.
	return newSCPI("INVENTED,GENERIC MULTIMETER,SIM1,1.0", 40*time.Millisecond, func(time.Duration) {},
		b.reading("MEASure:VOLTage[:DC]", "multimeter V", 1e-5, func(t time.Duration) float64 {
			v, _, _ := b.terminals(t)
			return v
		}),
		b.reading("MEASure:CURRent[:DC]", "multimeter A", 1e-7, func(t time.Duration) float64 {
			_, unit, _ := b.terminals(t)
			return unit
		}),
		b.reading("MEASure:TEMPerature", "multimeter Cel", 1e-2, func(time.Duration) float64 { return ambient }))
}

func newLoad(b *Bench) *load {
	l := &load{}
	reset := func(time.Duration) { l.function, l.amps, l.ohms, l.watts, l.on = "CURRENT", 0, 10e3, 0, false }
	reset(0)
	setting := func(pattern, unit string, lo, hi float64, value *float64) *command {
		return &command{pattern: pattern, set: func(_ time.Duration, args []string) int {
			v, code := number(args, unit, lo, hi)
			if code == 0 {
				*value = v
			}
			return code
		}, query: func(time.Duration, []string) (answer, int) { return decimal(*value) }}
	}
	l.scpi = newSCPI("INVENTED,GENERIC LOAD,SIM1,1.0", 5*time.Millisecond, reset,
		&command{pattern: "[SOURce:]FUNCtion", set: func(_ time.Duration, args []string) int {
			if len(args) != 1 {
				return -109
			}
			for short, long := range map[string]string{"CURR": "CURRENT", "RES": "RESISTANCE", "POW": "POWER"} {
				if args[0] == short || args[0] == long {
					l.function = long
					return 0
				}
			}
			return -224
		}, query: func(time.Duration, []string) (answer, int) { return text(l.function) }},
		setting("[SOURce:]CURRent[:LEVel]", "A", 0, 10, &l.amps),
		setting("[SOURce:]RESistance[:LEVel]", "OHM", 0.01, 10e3, &l.ohms),
		setting("[SOURce:]POWer[:LEVel]", "W", 0, 100, &l.watts),
		&command{pattern: "INPut[:STATe]", set: func(_ time.Duration, args []string) int {
			on, code := boolean(args)
			if code == 0 {
				l.on = on
			}
			return code
		}, query: func(time.Duration, []string) (answer, int) { return text(flag(l.on)) }},
		b.reading("MEASure:VOLTage[:DC]", "load V", 1e-3, func(t time.Duration) float64 {
			v, _, _ := b.terminals(t)
			return v
		}),
		b.reading("MEASure:CURRent[:DC]", "load A", 1e-3, func(t time.Duration) float64 {
			_, _, loaded := b.terminals(t)
			return loaded
		}))
	return l
}

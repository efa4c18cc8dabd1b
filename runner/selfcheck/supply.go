package selfcheck

import (
	"math"

	"fullthrow/drivers"
	"fullthrow/runner/measure"
)

// straight is a capture of n samples that goes evenly from one value to another.
func straight(n int, over, from, to float64, unit string) drivers.Samples {
	s := drivers.Samples{Rate: float64(n-1) / over, Unit: unit, Channels: 1, Values: make([]float64, n)}
	for i := range s.Values {
		s.Values[i] = from + (to-from)*float64(i)/float64(n-1)
	}
	return s
}

func supply() map[string]Function {
	return map[string]Function{
		// tau s, from, to, towards
		"measure.RCTime": func(a *Args) (Figures, error) {
			t, err := measure.RCTime(a.Number(0), a.Number(1), a.Number(2), a.Number(3))
			return Figures{"time": t}, err
		},
		// tau s, from, towards, after s
		"measure.RCLevel": func(a *Args) (Figures, error) {
			v, err := measure.RCLevel(a.Number(0), a.Number(1), a.Number(2), a.Number(3))
			return Figures{"level": v}, err
		},
		// a decay of V from, s tau, 4000 samples over 4 s; F known
		"measure.Decay": func(a *Args) (Figures, error) {
			s := drivers.Samples{Rate: 1000, Unit: "V", Channels: 1, Values: make([]float64, 4000)}
			for i := range s.Values {
				s.Values[i] = a.Number(0) * math.Exp(-float64(i)/1000/a.Number(1))
			}
			r, err := measure.Decay(s, measure.DecayOptions{Capacitance: a.Number(2)})
			return Figures{"tau": r.Tau, "resistance": r.Resistance, "amplitude": r.Amplitude}, err
		},
		// A constant, V from, V to (evenly), s
		"measure.Energy": func(a *Args) (Figures, error) {
			current := straight(1001, a.Number(3), a.Number(0), a.Number(0), "A")
			voltage := straight(1001, a.Number(3), a.Number(1), a.Number(2), "V")
			r, err := measure.Energy(current, voltage, measure.EnergyOptions{})
			return Figures{"energy": r.Energy, "charge": r.Charge, "duration": r.Duration}, err
		},
		// A·h, A
		"measure.BatteryLife": func(a *Args) (Figures, error) {
			r, err := measure.BatteryLife([]measure.DutyPhase{{Current: a.Number(1), Time: 1}},
				measure.BatteryOptions{Capacity: 3600 * a.Number(0)})
			return Figures{"hours": r.Life / 3600}, err
		},
	}
}

package measure

import "math"

// DutyPhase is one part of what a unit does again and again.
type DutyPhase struct {
	Current float64 // A, the mean drawn from the cell
	Time    float64 // s
}

// BatteryOptions describe the cell. Every assumption is one of them; none is
// built in.
type BatteryOptions struct {
	Capacity float64 // C, nominal; 1 A·h is 3600 C
	// Derating is the share of the nominal capacity that the cell really gives
	// in this use: temperature, age, rate of discharge (0: 1).
	Derating float64
	// CutOff is the share of that which is still in the cell when the unit
	// stops at its lowest voltage.
	CutOff float64
	// SelfDischarge is the share of the charge that the cell loses by itself in
	// 30 days.
	SelfDischarge float64
}

// BatteryResult estimates how long a cell lasts.
type BatteryResult struct {
	Life    float64 // s; infinite if nothing is drawn and nothing lost
	Mean    float64 // A, drawn by the unit over the duty profile
	Usable  float64 // C, between full and cut-off
	Drawn   float64 // C, of that, which the unit draws
	Lost    float64 // C, of that, which self-discharge takes
	Cycles  float64 // times the duty profile is gone through
	Derated float64 // C, the capacity after derating
}

// BatteryLife estimates the running time of a cell under a duty profile. The
// charge sinks by the mean current and by self-discharge in proportion to what
// is left: dQ/dt = -I - k Q. Voltage, temperature and the rate of discharge
// come in by Derating and CutOff only: it is an estimate as good as they are.
//
// Special inputs: an empty profile, a phase without time, or anything NaN,
// infinite or below 0, a capacity of 0 and shares of 1 or more (derating: above
// 1) are errors; a profile that draws nothing lasts as long as self-discharge
// lets it, or for ever. The order of the phases does not matter.
func BatteryLife(profile []DutyPhase, o BatteryOptions) (BatteryResult, error) {
	var r BatteryResult
	if len(profile) == 0 {
		return r, errorf("battery life", "the duty profile is empty")
	}
	if o.Derating == 0 {
		o.Derating = 1
	}
	switch {
	case !(o.Capacity > 0) || !finite(o.Capacity):
		return r, errorf("battery life", "capacity is %v C", o.Capacity)
	case !(o.Derating > 0 && o.Derating <= 1):
		return r, errorf("battery life", "derating is %v, it must be above 0 and at most 1", o.Derating)
	case !(o.CutOff >= 0 && o.CutOff < 1):
		return r, errorf("battery life", "cut-off is %v, it must be at least 0 and below 1", o.CutOff)
	case !(o.SelfDischarge >= 0 && o.SelfDischarge < 1):
		return r, errorf("battery life", "self-discharge is %v, it must be at least 0 and below 1", o.SelfDischarge)
	}
	var period float64
	for i, p := range profile {
		if !(p.Current >= 0) || !finite(p.Current) || !(p.Time > 0) || !finite(p.Time) {
			return r, errorf("battery life", "phase %d draws %v A for %v s", i+1, p.Current, p.Time)
		}
		period += p.Time
		r.Mean += p.Current * p.Time
	}
	r.Mean /= period
	r.Derated = o.Capacity * o.Derating
	r.Usable = r.Derated * (1 - o.CutOff)
	end := r.Derated * o.CutOff
	k := -math.Log1p(-o.SelfDischarge) / (30 * 86400)
	switch {
	case k == 0:
		r.Life = r.Usable / r.Mean
	default:
		// ln((Q0 + I/k)/(Qe + I/k))/k, written so that a small k keeps its digits.
		r.Life = math.Log1p(k*r.Usable/(k*end+r.Mean)) / k
	}
	if r.Mean > 0 {
		r.Drawn = min(r.Usable, r.Mean*r.Life)
	}
	if k > 0 {
		r.Lost = r.Usable - r.Drawn
	}
	r.Cycles = r.Life / period
	return r, nil
}

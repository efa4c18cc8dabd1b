package measure

import (
	"fmt"
	"math"

	"fullthrow/reports/statistics"
)

// DutyPhase is one part of what a unit does again and again.
type DutyPhase struct {
	Current float64 `unit:"A" help:"the mean drawn from the cell"`
	Time    float64 `unit:"s"`
}

func (p DutyPhase) Fault() string {
	if !(p.Current >= 0) || !statistics.Finite(p.Current) || !(p.Time > 0) || !statistics.Finite(p.Time) {
		return fmt.Sprintf("%v A for %v s", p.Current, p.Time)
	}
	return ""
}

// BatteryOptions describe the cell. Every assumption is one of them; none is
// built in.
type BatteryOptions struct {
	Capacity      float64 `unit:"C" range:"(0,)" help:"nominal; 1 A·h is 3600 C"`
	Derating      float64 `unit:"%" default:"100" range:"(0,100]" help:"of it that the cell gives in this use"`
	CutOff        float64 `unit:"%" range:"[0,100)" help:"of that which is left when the unit stops"`
	SelfDischarge float64 `unit:"%" range:"[0,100)" help:"that the cell loses by itself in 30 days"`
}

// BatteryResult estimates how long a cell lasts.
type BatteryResult struct {
	Life           float64 `unit:"s" why:"nothing is drawn and nothing lost"`
	Mean           float64 `unit:"A" help:"drawn by the unit over the duty profile"`
	Usable         float64 `unit:"C" help:"between full and cut-off"`
	Drawn          float64 `unit:"C" help:"of that, which the unit draws"`
	SelfDischarged float64 `unit:"C" help:"of that, which self-discharge takes"`
	Rounds         float64 `unit:"1" help:"times the duty profile is gone through" why:"nothing is drawn and nothing lost"`
	Derated        float64 `unit:"C" help:"the capacity after derating"`
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
	o, err := complete("battery life", o)
	if err != nil {
		return r, err
	}
	var period float64
	for i, p := range profile {
		if fault := p.Fault(); fault != "" {
			return r, errorf("battery life", "phase %d: %s", i+1, fault)
		}
		period += p.Time
		r.Mean += p.Current * p.Time
	}
	r.Mean /= period
	r.Derated = o.Capacity * o.Derating / 100
	r.Usable = r.Derated * (1 - o.CutOff/100)
	end := r.Derated * o.CutOff / 100
	k := -math.Log1p(-o.SelfDischarge/100) / (30 * 86400)
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
		r.SelfDischarged = r.Usable - r.Drawn
	}
	r.Rounds = r.Life / period
	return r, nil
}

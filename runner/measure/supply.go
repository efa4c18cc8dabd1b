package measure

import (
	"fmt"
	"math"

	"fullthrow/drivers"
	"fullthrow/reports/statistics"
)

// ChargeOptions choose the window and, for the energy, the voltage.
type ChargeOptions struct {
	From    float64 `unit:"s" range:"[0,)" help:"beginning of the window, from the start of the capture"`
	To      float64 `unit:"s" range:"[0,)" help:"its end; not given: the last sample"`
	Voltage float64 `unit:"V" help:"constant during the window; for the energy"`
}

// ChargeResult sums up a current over a window.
type ChargeResult struct {
	Duration float64 `unit:"s"`
	Charge   float64 `unit:"C" help:"1 A·h is 3600 C"`
	Energy   float64 `unit:"J" why:"give voltage"`
	Mean     float64 `unit:"A" help:"charge over duration"`
	RMS      float64 `unit:"A"`
	Peak     float64 `unit:"A" help:"the largest sample in the window, its ends included"`
	PeakAt   float64 `unit:"s" help:"from the start of the capture"`
}

// Charge integrates a capture in A of one channel and at least 2 samples over a
// window, by trapezoids; ends of the window between two samples are
// interpolated.
//
// Special inputs: an empty or single sample, NaN or infinite samples, and a
// window that is empty or not within the capture are errors; a constant current
// is exact; a clipped one counts as it was captured, and is less than the true
// one.
func Charge(current drivers.Samples, o ChargeOptions) (ChargeResult, error) {
	o, err := complete("charge", o)
	if err != nil {
		return ChargeResult{}, err
	}
	r, err := charge("charge", current, nil, o)
	if err == nil {
		r.Energy = nan
		if o.Voltage != 0 {
			r.Energy = r.Charge * o.Voltage
		}
	}
	return r, err
}

// EnergyOptions choose the window.
type EnergyOptions struct {
	From float64 `unit:"s" range:"[0,)" help:"beginning of the window, from the start of the current's capture"`
	To   float64 `unit:"s" range:"[0,)" help:"its end; not given: the last sample"`
}

// Energy is Charge with the voltage captured beside the current, in V, one
// channel. Both are taken as straight between samples; the rates may differ.
// The two begin at the times that the captures say; a voltage that does not
// reach over the window is an error, and the special inputs of Charge hold for
// both.
func Energy(current, voltage drivers.Samples, o EnergyOptions) (ChargeResult, error) {
	v, err := one("energy", voltage, 2)
	if err != nil {
		return ChargeResult{}, err
	}
	late := voltage.Start.Sub(current.Start).Seconds()
	at := func(t float64) (float64, bool) {
		k := (t - late) * voltage.Rate
		if slack := 1e-6; k < -slack || k > float64(len(v)-1)+slack {
			return 0, false
		}
		k = min(max(k, 0), float64(len(v)-1))
		i := min(int(k), len(v)-2)
		return v[i] + (k-float64(i))*(v[i+1]-v[i]), true
	}
	return charge("energy", current, at, ChargeOptions{From: o.From, To: o.To})
}

func charge(op string, current drivers.Samples, voltage func(t float64) (float64, bool), o ChargeOptions) (ChargeResult,
	error) {
	var r ChargeResult
	x, err := one(op, current, 2)
	if err != nil {
		return r, err
	}
	last := float64(len(x)-1) / current.Rate
	if o.To == 0 {
		o.To = last
	}
	if !(o.From >= 0 && o.From < o.To && o.To <= last*(1+1e-12)) {
		return r, errorf(op, "the window from %v to %v s is not within the capture of %.6g s", o.From, o.To, last)
	}
	o.To = min(o.To, last)
	at := func(t float64) float64 {
		k := t * current.Rate
		i := min(int(k), len(x)-2)
		return x[i] + (k-float64(i))*(x[i+1]-x[i])
	}
	r.Duration = o.To - o.From
	r.Peak = math.Inf(-1)
	peak := func(t, i float64) {
		if i > r.Peak {
			r.Peak, r.PeakAt = i, t
		}
	}
	var squares float64
	t0, i0 := o.From, at(o.From)
	peak(t0, i0)
	for k := int(o.From*current.Rate) + 1; ; k++ {
		t1 := float64(k) / current.Rate
		if t1 > o.To || k >= len(x) {
			t1 = o.To
		}
		i1 := at(t1)
		h := t1 - t0
		r.Charge += h * (i0 + i1) / 2
		squares += h * (i0*i0 + i0*i1 + i1*i1) / 3
		if voltage != nil {
			v0, ok0 := voltage(t0)
			vm, ok1 := voltage((t0 + t1) / 2)
			v1, ok2 := voltage(t1)
			if !ok0 || !ok1 || !ok2 {
				return ChargeResult{}, errorf(op, "the voltage was not captured at %.6g s", t0)
			}
			r.Energy += h * (i0*v0 + 2*(i0+i1)*vm + i1*v1) / 6 // Simpson: exact for two straight lines
		}
		peak(t1, i1)
		t0, i0 = t1, i1
		if t1 >= o.To {
			break
		}
	}
	r.Mean, r.RMS = r.Charge/r.Duration, math.Sqrt(squares/r.Duration)
	return r, nil
}

// InrushResult describes the current just after switching on.
type InrushResult struct {
	Peak   float64 `unit:"A" help:"the largest sample"`
	PeakAt float64 `unit:"s" help:"from the start of the capture"`
	Onset  float64 `unit:"s" help:"from the start: the first sample of at least a tenth of the peak"`
	Final  float64 `unit:"A" help:"median of the last quarter"`
	// Until twice the time that the excess takes to sink to a hundredth of its peak, or into
	// the noise.
	Charge   float64 `unit:"C" help:"above the final current, from the onset on"`
	Duration float64 `unit:"s" help:"how long more than a tenth of the peak's excess is drawn"`
}

// Inrush measures a capture in A of one channel and at least 16 samples that
// begins before or at switching on and ends in the settled state. Special
// inputs: a unit that draws nothing gives Peak, Settled and Charge near 0; a
// constant capture has Charge and Duration 0; one that is clipped has the
// clipping level as its Peak, and too little Charge. An empty or short capture,
// and NaN or infinite samples, are errors. Charge and energy over any other
// window are those of the functions Charge and Energy.
func Inrush(s drivers.Samples) (InrushResult, error) {
	x, err := one("inrush", s, 16)
	if err != nil {
		return InrushResult{}, err
	}
	n := len(x)
	tail := x[n-n/4:]
	r := InrushResult{Final: statistics.Median(tail)}
	top := 0
	for i, v := range x {
		if v > x[top] {
			top = i
		}
	}
	r.Peak, r.PeakAt = x[top], float64(top)/s.Rate
	onset := 0
	for onset < top && x[onset] < 0.1*r.Peak {
		onset++
	}
	r.Onset = float64(onset) / s.Rate
	excess := r.Peak - r.Final
	if excess <= 0 {
		return r, nil
	}
	_, noise := meanSD(tail)
	end, short := n-1, n-1
	for i := top; i < n; i++ {
		if short == n-1 && x[i]-r.Final <= 0.1*excess {
			short = i
		}
		if x[i]-r.Final <= math.Max(0.01*excess, 3*noise) {
			end = i
			break
		}
	}
	r.Duration = float64(min(short, end)-onset) / s.Rate
	// Trapezoids; signed, so that noise after the end cancels.
	last := min(n-1, onset+2*(end-onset))
	for i := onset; i < last; i++ {
		r.Charge += (x[i]+x[i+1])/2 - r.Final
	}
	r.Charge /= s.Rate
	return r, nil
}

// VoltageStep is one moment of a brown-out sweep: the supply's voltage, and
// whether the unit ran once that had settled.
type VoltageStep struct {
	Voltage float64 `unit:"V"`
	Running bool    `help:"the unit ran once that had settled"`
}

func (s VoltageStep) Fault() string {
	if !statistics.Finite(s.Voltage) {
		return fmt.Sprintf("%v V", s.Voltage)
	}
	return ""
}

// BrownOutResult says where a unit stops and where it runs again, in V. Both
// are the cautious end of the step in which it happened; over several sweeps,
// the highest.
type BrownOutResult struct {
	_ struct{} `why:"it never stopped, or never ran again"`

	DropOut       float64 `unit:"V" help:"the lowest at which it still ran before it stopped"`
	StoppedAt     float64 `unit:"V" help:"the next, at which it did not"`
	DropOutBound  string  `help:"less: it never stopped; more: it never ran"`
	Recovery      float64 `unit:"V" help:"at which it ran again"`
	StillOffAt    float64 `unit:"V" help:"the one before, at which it did not"`
	RecoveryBound string  `help:"more: it stopped and never ran again"`
	Hysteresis    float64 `unit:"V" help:"recovery - drop_out"`
	Uncertainty   float64 `unit:"V" help:"of hysteresis, the steps' widths together"`
	Sweeps        int     `help:"times it stopped"`
	Erratic       int     `help:"stops and starts that the voltage does not explain"`
}

// BrownOut sums up the steps of one or more sweeps, in order of time, at least
// 2. A voltage that is NaN or infinite is an error. The figures scale with the
// voltage. Read backwards in time, a unit without hysteresis gives the same
// step.
func BrownOut(steps []VoltageStep) (BrownOutResult, error) {
	r := missing[BrownOutResult]()
	if len(steps) < 2 {
		return r, errorf("brown-out", "%d steps, at least 2 needed", len(steps))
	}
	low, high := math.Inf(1), math.Inf(-1)
	sinceStop := nan // highest voltage since it stopped
	ran := false
	for i, s := range steps {
		if fault := s.Fault(); fault != "" {
			return r, errorf("brown-out", "step %d: %s", i+1, fault)
		}
		low, high = min(low, s.Voltage), max(high, s.Voltage)
		ran = ran || s.Running
		if !s.Running && !math.IsNaN(sinceStop) {
			sinceStop = max(sinceStop, s.Voltage)
		}
		if i == 0 || s.Running == steps[i-1].Running {
			continue
		}
		before := steps[i-1].Voltage
		switch {
		case !s.Running && s.Voltage < before:
			r.Sweeps++
			sinceStop = s.Voltage
			if !(before <= r.DropOut) {
				r.DropOut, r.StoppedAt = before, s.Voltage
			}
		case s.Running && s.Voltage > before:
			sinceStop = nan
			if !(s.Voltage <= r.Recovery) {
				r.Recovery, r.StillOffAt = s.Voltage, before
			}
		default:
			r.Erratic++
			if s.Running {
				sinceStop = nan
			} else {
				sinceStop = s.Voltage
			}
		}
	}
	switch {
	case !ran:
		r.DropOut, r.DropOutBound = high, "more"
	case math.IsNaN(r.DropOut) && r.Erratic == 0 && steps[0].Running:
		r.DropOut, r.DropOutBound = low, "less"
	}
	if !math.IsNaN(sinceStop) { // it stopped, and did not run again
		r.Recovery, r.StillOffAt, r.RecoveryBound = sinceStop, sinceStop, "more"
	}
	if r.DropOutBound == "" && r.RecoveryBound == "" {
		r.Hysteresis = r.Recovery - r.DropOut
		r.Uncertainty = r.Recovery - r.StillOffAt + r.DropOut - r.StoppedAt
	}
	return r, nil
}

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

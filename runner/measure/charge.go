package measure

import (
	"math"

	"fullthrow/drivers"
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

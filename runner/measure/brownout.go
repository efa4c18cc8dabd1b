package measure

import (
	"fmt"
	"math"

	"fullthrow/reports/statistics"
)

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

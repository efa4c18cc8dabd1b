package capturefile

import (
	"fullthrow/runner/measure"
)

// Starts is a table of attempts to start a unit: time off, and whether it did.
func (f *File) Starts() ([]measure.StartTrial, error) {
	c, err := f.need("trials", "off", "started")
	if err != nil {
		return nil, err
	}
	off, _, err := f.numbers(c[0], "s")
	if err != nil {
		return nil, err
	}
	started, err := f.truths(c[1])
	if err != nil {
		return nil, err
	}
	out := make([]measure.StartTrial, len(off))
	for i := range off {
		if off[i] < 0 {
			return nil, f.wrong(int(f.lines[i]), "", "%v s off", off[i])
		}
		out[i] = measure.StartTrial{Off: off[i], Started: started[i]}
	}
	return out, nil
}

// Steps is a table of a supply's voltage and whether the unit ran.
func (f *File) Steps() ([]measure.VoltageStep, error) {
	c, err := f.need("steps", "voltage", "running")
	if err != nil {
		return nil, err
	}
	volts, _, err := f.numbers(c[0], "V")
	if err != nil {
		return nil, err
	}
	running, err := f.truths(c[1])
	if err != nil {
		return nil, err
	}
	out := make([]measure.VoltageStep, len(volts))
	for i := range volts {
		out[i] = measure.VoltageStep{Voltage: volts[i], Running: running[i]}
	}
	return out, nil
}

// Duty is a table of what a unit draws and for how long.
func (f *File) Duty() ([]measure.DutyPhase, error) {
	c, err := f.need("duty", "current", "time")
	if err != nil {
		return nil, err
	}
	amps, _, err := f.numbers(c[0], "A")
	if err != nil {
		return nil, err
	}
	times, _, err := f.numbers(c[1], "s")
	if err != nil {
		return nil, err
	}
	out := make([]measure.DutyPhase, len(amps))
	for i := range amps {
		out[i] = measure.DutyPhase{Current: amps[i], Time: times[i]}
	}
	return out, nil
}

// Points is a table of settled readings of a stepped sweep, and the units of
// the commanded position and the output. An output in us beside a position in
// % is made % of throw. Without a column cycle, a new cycle begins where the
// direction turns from down to up.
func (f *File) Points() (points []measure.TravelPoint, units [2]string, err error) {
	c, err := f.need("points", "commanded", "output", "direction")
	if err != nil {
		return nil, units, err
	}
	commandedTo := ""
	if c[0].unit == "1" || c[0].unit == "" || c[0].unit == "%" {
		commandedTo = "%"
	}
	if c[0].unit == "" {
		return nil, units, f.wrong(f.header, `write "commanded / %", or "commanded / 1" for -1 to +1`, "column %q has no unit", c[0].label)
	}
	commanded, unit, err := f.numbers(c[0], commandedTo)
	if err != nil {
		return nil, units, err
	}
	units[0] = unit
	var output []float64
	switch u := c[1].unit; {
	case u == "us" || u == "µs" || u == "ms" || u == "s":
		if output, _, err = f.numbers(c[1], "us"); err != nil {
			return nil, units, err
		}
		if err := f.plausible(c[1], output); err != nil {
			return nil, units, err
		}
		if units[1] = "s"; units[0] == "%" {
			units[1] = "%"
			scaled := make([]float64, len(output))
			for i, v := range output {
				scaled[i] = (v - 1500) / 5.12
			}
			output = scaled
		} else if output, _, err = f.numbers(c[1], "s"); err != nil {
			return nil, units, err
		}
	case u == "":
		return nil, units, f.wrong(f.header, `write "output / us"`, "column %q has no unit", c[1].label)
	default:
		to := ""
		if u == "1" {
			to = "%"
		}
		if output, units[1], err = f.numbers(c[1], to); err != nil {
			return nil, units, err
		}
	}
	up, err := f.truths(c[2])
	if err != nil {
		return nil, units, err
	}
	var cycles []int
	if cycle := f.find("cycle"); cycle != nil {
		if cycles, err = f.counts(cycle); err != nil {
			return nil, units, err
		}
	}
	points = make([]measure.TravelPoint, len(output))
	cycle := 1
	for i := range output {
		if i > 0 && up[i] && !up[i-1] {
			cycle++
		}
		points[i] = measure.TravelPoint{Cycle: cycle, Up: up[i], Commanded: commanded[i], Output: output[i]}
		if cycles != nil {
			points[i].Cycle = cycles[i]
		}
	}
	return points, units, nil
}

// Counts is a table of packets lost at several attenuations.
func (f *File) Counts() ([]measure.SweepPoint, error) {
	c, err := f.need("counts", "attenuation", "lost", "sent")
	if err != nil {
		return nil, err
	}
	dB, _, err := f.numbers(c[0], "dB")
	if err != nil {
		return nil, err
	}
	lost, err := f.counts(c[1])
	if err != nil {
		return nil, err
	}
	sent, err := f.counts(c[2])
	if err != nil {
		return nil, err
	}
	out := make([]measure.SweepPoint, len(dB))
	for i := range dB {
		if lost[i] > sent[i] || sent[i] == 0 {
			return nil, f.wrong(int(f.lines[i]), "", "%d lost of %d sent", lost[i], sent[i])
		}
		out[i] = measure.SweepPoint{Attenuation: dB[i], Lost: lost[i], Sent: sent[i]}
	}
	return out, nil
}

// Strengths is a table of how often something was detected at each strength,
// and the unit of the strength.
func (f *File) Strengths() ([]measure.Tried, string, error) {
	c, err := f.need("strengths", "at", "trials", "caught")
	if err != nil {
		return nil, "", err
	}
	at, unit, err := f.numbers(c[0], "")
	if err != nil {
		return nil, "", err
	}
	trials, err := f.counts(c[1])
	if err != nil {
		return nil, "", err
	}
	caught, err := f.counts(c[2])
	if err != nil {
		return nil, "", err
	}
	out := make([]measure.Tried, len(at))
	for i := range at {
		if caught[i] > trials[i] {
			return nil, "", f.wrong(int(f.lines[i]), "", "%d caught of %d trials", caught[i], trials[i])
		}
		out[i] = measure.Tried{Strength: at[i], Trials: trials[i], Caught: caught[i]}
	}
	return out, unit, nil
}

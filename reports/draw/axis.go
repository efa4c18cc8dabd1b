package draw

import (
	"math"
	"strings"

	"fullthrow/reports"
	"fullthrow/reports/statistics"
)

// Axis is one direction of a panel. Its range holds what is drawn, its steps
// are 1, 2 or 5 times a power of ten.
type Axis struct {
	Name, Unit string   // "current", "A"; the prefix follows from the values
	Slots      []string // names of places side by side: values are 0, 1, 2 ...
	Log        bool     // divided by the logarithm
	Zero       bool     // holds 0
	Whole      bool     // steps are whole numbers
	Floor      float64  // values below are drawn at it; 0: none
	From, To   float64  // the range, where it is not to follow the values

	low, high float64 // a logarithm on an axis of that kind
	used      bool
	start     float64 // places in the drawing
	end       float64
	exp       int // of ten, of the unit's prefix
	decimals  int
	steps     []float64
}

// Named is an axis from its label as captures have it: "current / A".
func Named(label string) Axis {
	if i := strings.LastIndex(label, " / "); i >= 0 {
		return Axis{Name: label[:i], Unit: label[i+3:]}
	}
	return Axis{Name: label}
}

const extreme = 1e300

// inner is a value as the axis counts.
func (a *Axis) inner(v float64) float64 {
	if a.Floor != 0 {
		v = max(v, a.Floor)
	}
	if a.Log {
		return math.Log10(v)
	}
	return min(max(v, -extreme), extreme)
}

// bears reports whether a value has a place on the axis.
func (a *Axis) bears(v float64) bool { return statistics.Finite(v) && (!a.Log || v > 0) }

// hold widens the range to values; what has no place is left out.
func (a *Axis) hold(values ...float64) {
	for _, v := range values {
		if !a.bears(v) {
			continue
		}
		v = a.inner(v)
		if !a.used {
			a.low, a.high, a.used = v, v, true
			continue
		}
		a.low, a.high = min(a.low, v), max(a.high, v)
	}
}

// level reports whether zero is no natural beginning for values in unit.
func level(unit string) bool { return strings.HasPrefix(unit, "dB") || unit == "Cel" }

// upright is the margin of a y axis.
const upright = 0.08

// fit widens the range by a part of it on either side, not beyond 0 where it
// ends there, and of a y axis down to 0 where that is near; and chooses prefix
// and steps, about so many.
func (a *Axis) fit(margin float64, about int) {
	if a.Zero {
		a.hold(0)
	}
	if a.From < a.To {
		a.low, a.high, a.used, margin = a.inner(a.From), a.inner(a.To), true, 0
	}
	if len(a.Slots) > 0 {
		a.low, a.high, a.used = -0.5, float64(len(a.Slots))-0.5, true
		return
	}
	if !a.used {
		a.low, a.high = 0, 1
	}
	wide, big := a.high-a.low, max(math.Abs(a.low), math.Abs(a.high))
	switch {
	case wide <= big*1e-9: // one value
		half := max(big/10, 1e-12)
		if big == 0 {
			half = 0.5
		}
		positive := a.low >= 0 && !a.Log
		a.low, a.high = a.low-half, a.high+half
		if positive {
			a.low = max(0, a.low)
		}
	case margin > 0:
		if margin == upright && !a.Log && a.low > 0 && a.low < 0.4*wide && !level(a.Unit) {
			a.low, wide = 0, a.high
		}
		if a.low != 0 || a.Log {
			a.low -= wide * margin
		}
		if a.high != 0 || a.Log {
			a.high += wide * margin
		}
	}
	if a.Unit == Percent && a.low >= 0 && a.low < 1 && a.high > 1 && a.high < 1.2 {
		a.high = 1
	}
	if a.Log {
		a.exp, _ = reports.Prefix(a.Unit, math.Pow(10, a.high))
		a.logSteps(about)
		return
	}
	a.exp, _ = reports.Prefix(a.Unit, max(math.Abs(a.low), math.Abs(a.high)))
	a.linearSteps(about)
}

// Round is the next of 1, 2 and 5 times a power of ten that is not below x.
func Round(x float64) float64 {
	mag := math.Pow(10, math.Floor(math.Log10(x)))
	for _, m := range []float64{1, 2, 5} {
		if m*mag >= x*(1-1e-9) {
			return m * mag
		}
	}
	return 10 * mag
}

func (a *Axis) linearSteps(about int) {
	a.steps = nil
	step := Round((a.high - a.low) / float64(max(about, 1)))
	if a.high-a.low < 2*step && about > 1 {
		step = Round(step * 0.4) // there would be one or two: the next finer
	}
	if a.Whole {
		step = max(step, 1)
	}
	if !(step > 0) || math.IsInf(step, 0) {
		return
	}
	shown := math.Log10(step)
	if a.Unit == Percent {
		shown += 2
	}
	a.decimals = min(max(0, a.exp-int(math.Floor(shown+1e-9))), 12)
	for i := math.Ceil(a.low/step - 1e-9); i*step <= a.high+step*1e-9 && len(a.steps) < 4*about+4; i++ {
		a.steps = append(a.steps, i*step)
	}
}

// logSteps are powers of ten, with 2 and 5 between them where there is room.
func (a *Axis) logSteps(about int) {
	a.steps = nil
	every, between := math.Ceil((a.high-a.low)/float64(max(about, 1))), []float64{1}
	if a.high-a.low <= float64(about)/2 {
		between = []float64{1, 2, 5}
	}
	for e := math.Floor(a.low); e <= a.high; e++ {
		for _, m := range between {
			v := m * math.Pow(10, e)
			if at := math.Log10(v); at >= a.low-1e-9 && at <= a.high+1e-9 && math.Mod(e, every) == 0 {
				a.steps = append(a.steps, v)
			}
		}
	}
}

// at is the place of a value; not a number for what has none.
func (a *Axis) at(v float64) float64 {
	if !a.bears(v) {
		return math.NaN()
	}
	return a.start + (a.end-a.start)*((a.inner(v)-a.low)/(a.high-a.low))
}

// part is where a value lies between the ends, from 0 to 1.
func (a *Axis) part(v float64) float64 { return (a.inner(v) - a.low) / (a.high - a.low) }

// show writes a step.
func (a *Axis) show(n Numbers, v float64) string {
	scaled := v * math.Pow(10, float64(-a.exp))
	switch {
	case a.Unit == Percent:
		return n.PercentFixed(v, a.decimals)
	case a.Log || math.Abs(v) >= 1e9 || a.decimals > 9:
		return n.Number(scaled)
	}
	return n.Fixed(scaled, a.decimals)
}

// label is the axis's name with its unit: "Current / mA".
func (a *Axis) label() string {
	if a.Unit == Percent {
		return a.Name
	}
	_, symbol := reports.Prefix(a.Unit, math.Pow(10, float64(a.exp)))
	return strings.Trim(a.Name+" / "+symbol, "/ ")
}

// widest is the width of the longest step.
func (a *Axis) widest(n Numbers) float64 {
	long := 0.0
	for _, v := range a.steps {
		long = max(long, wide(a.show(n, v)))
	}
	return long
}

// pitch is how far slots stand apart in the drawing; 0 where there are none.
func (a *Axis) pitch() float64 {
	return (a.end - a.start) / (a.high - a.low) * min(float64(len(a.Slots)), 1)
}

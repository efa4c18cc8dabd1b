package chart

import (
	"math"
	"strings"
)

// axis is a range of values between two edges of the drawing.
type axis struct {
	unit      string
	low, high float64
	used      bool
	from, to  float64 // places of low and high
	exp       int     // of ten, of the unit's prefix
	decimals  int
	steps     []float64
}

// prefixed are the units that people read with a prefix, and the largest.
var prefixed = map[string]struct {
	symbol string
	max    int
}{
	"s": {"s", 0}, "A": {"A", 3}, "V": {"V", 6}, "Hz": {"Hz", 12}, "Ohm": {"Ω", 12}, "F": {"F", 0}, "C": {"C", 3},
	"J": {"J", 9}, "Pa": {"Pa", 6}, "m": {"m", 3}, "W": {"W", 9}, "N": {"N", 6},
}

var prefixes = map[int]string{-15: "f", -12: "p", -9: "n", -6: "µ", -3: "m", 0: "", 3: "k", 6: "M", 9: "G", 12: "T"}

const extreme = 1e300

// hold widens the range to a value.
func (a *axis) hold(values ...float64) {
	for _, v := range values {
		if !finite(v) {
			continue
		}
		v = min(max(v, -extreme), extreme)
		if !a.used {
			a.low, a.high, a.used = v, v, true
			continue
		}
		a.low, a.high = min(a.low, v), max(a.high, v)
	}
}

// fit widens the range by a part of it on either side (not beyond 0 where it
// ends there, nor beyond 0 and 1 for fractions), and chooses prefix and steps.
// about is how many steps are wanted.
func (a *axis) fit(margin float64, about int) {
	if !a.used {
		a.low, a.high = 0, 1
	}
	wide := a.high - a.low
	if big := max(math.Abs(a.low), math.Abs(a.high)); wide <= big*1e-9 {
		half := max(big/10, 1e-12)
		if big == 0 {
			half = 0.5
		}
		low := a.low
		a.low, a.high = a.low-half, a.high+half
		if low >= 0 {
			a.low = max(0, a.low)
		}
	} else {
		if a.low != 0 {
			if low := a.low - wide*margin; a.low > 0 {
				a.low = max(0, low)
			} else {
				a.low = low
			}
		}
		if a.high != 0 {
			a.high += wide * margin
		}
	}
	if a.unit == Percent && a.low >= 0 && a.low < 1 && a.high > 1 && a.high < 1.2 {
		a.high = 1
	}
	if p, ok := prefixed[a.unit]; ok {
		if big := max(math.Abs(a.low), math.Abs(a.high)); big > 0 {
			a.exp = min(max(int(math.Floor(math.Log10(big)/3+1e-9))*3, -15), p.max)
		}
	}
	a.step(about)
}

// step chooses round steps, about so many.
func (a *axis) step(about int) {
	raw := (a.high - a.low) / float64(max(about, 1))
	mag := math.Pow(10, math.Floor(math.Log10(raw)))
	step := mag * 10
	for _, m := range []float64{1, 2, 5} {
		if m*mag >= raw*(1-1e-9) {
			step = m * mag
			break
		}
	}
	a.steps = nil
	if !(step > 0) || math.IsInf(step, 0) {
		return
	}
	shown := math.Log10(step)
	if a.unit == Percent {
		shown += 2
	}
	a.decimals = min(max(0, -int(math.Floor(shown+1e-9))+a.exp), 12)
	for i := math.Ceil(a.low/step - 1e-9); i*step <= a.high+step*1e-9 && len(a.steps) < 4*about+4; i++ {
		a.steps = append(a.steps, i*step)
	}
}

// whole keeps the steps of a count to whole numbers.
func (a *axis) whole() {
	kept := a.steps[:0]
	for _, v := range a.steps {
		if v == math.Round(v) {
			kept = append(kept, v)
		}
	}
	a.steps, a.decimals = kept, 0
}

// at is the place of a value.
func (a *axis) at(v float64) float64 {
	v = min(max(v, -extreme), extreme)
	return a.from + (a.to-a.from)*((v-a.low)/(a.high-a.low))
}

// show writes a step.
func (a *axis) show(w Words, v float64) string {
	switch {
	case a.unit == Percent:
		return w.PercentFixed(v, a.decimals)
	case math.Abs(v) >= 1e9 || a.decimals > 9:
		return w.Number(v * math.Pow(10, float64(-a.exp)))
	}
	return w.Fixed(v*math.Pow(10, float64(-a.exp)), a.decimals)
}

// label is the axis's name with its unit: "Current / mA".
func (a *axis) label(name string) string {
	unit := a.unit
	switch p, ok := prefixed[a.unit]; {
	case ok:
		unit = prefixes[a.exp] + p.symbol
	case a.unit == Percent || a.unit == "1":
		unit = ""
	case a.unit == "Cel":
		unit = "°C"
	case a.unit == "deg":
		unit = "°"
	}
	return strings.Trim(name+" / "+unit, "/ ")
}

// widest is the width of the longest step.
func (a *axis) widest(w Words) float64 {
	long := 0.0
	for _, v := range a.steps {
		long = max(long, wide(a.show(w, v)))
	}
	return long
}

// along draws the steps of a horizontal axis below y, with lines up to top.
func (c *canvas) along(w Words, a *axis, top, y float64) {
	for _, v := range a.steps {
		x := a.at(v)
		c.add(`<path class="grid" d="M%s %sV%s"/>`, n(x), n(top), n(y))
	}
	for _, v := range a.steps {
		c.try(a.at(v), y+18, "middle", "", a.show(w, v), false)
	}
}

// aside draws the steps of a vertical axis left of x, with lines to right.
func (c *canvas) aside(w Words, a *axis, x, right float64) {
	for _, v := range a.steps {
		y := a.at(v)
		c.add(`<path class="grid" d="M%s %sH%s"/>`, n(x), n(y), n(right))
		c.text(x-9, y+4.5, "end", "", a.show(w, v))
	}
}

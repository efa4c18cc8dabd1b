package chart

import (
	"math"
	"strconv"
	"strings"
)

// axis is a range of values, with the prefix people read it by.
type axis struct {
	low, high float64
	used      bool
	exp       int // of ten, of the prefix
	digits    int // after the point
	label     string
}

// prefixed lists units that take a prefix, and how people see them.
var prefixed = map[string]string{
	"s": "s", "A": "A", "V": "V", "Hz": "Hz", "Ohm": "Ω", "F": "F", "C": "C", "J": "J", "Pa": "Pa", "m": "m", "W": "W",
}

var prefixes = map[int]string{-15: "f", -12: "p", -9: "n", -6: "µ", -3: "m", 0: "", 3: "k", 6: "M", 9: "G", 12: "T"}

func (a *axis) hold(v float64) {
	if !a.used {
		a.low, a.high, a.used = v, v, true
		return
	}
	a.low, a.high = min(a.low, v), max(a.high, v)
}

// prepare chooses prefix and range.
func (a *axis) prepare(label string, margin float64) {
	if !a.used {
		a.low, a.high = 0, 1
	}
	a.low, a.high = max(a.low, -1e300), min(a.high, 1e300)
	a.label = label
	if quantity, unit, ok := strings.Cut(label, " / "); ok {
		if symbol, known := prefixed[unit]; known {
			if big := max(math.Abs(a.low), math.Abs(a.high)); big > 0 {
				a.exp = min(max(int(math.Floor(math.Log10(big)/3+1e-9))*3, -15), 12)
				if unit == "s" {
					a.exp = min(a.exp, 0)
				}
			}
			a.label = quantity + " / " + prefixes[a.exp] + symbol
		} else if unit == "1" {
			a.label = quantity
		}
	}
	wide := a.high - a.low
	if wide <= max(math.Abs(a.low), math.Abs(a.high))*1e-12 {
		half := max(math.Abs(a.high)/10, 1e-12)
		if a.high == 0 {
			half = 0.5
		}
		a.low, a.high = a.low-half, a.high+half
		return
	}
	if a.low != 0 {
		a.low -= wide * margin
	}
	if a.high != 0 {
		a.high += wide * margin
	}
}

func (a *axis) part(v float64) float64 { return (v - a.low) / (a.high - a.low) }

// ticks are round numbers, about n of them.
func (a *axis) ticks(n int) []float64 {
	raw := (a.high - a.low) / float64(n)
	mag := math.Pow(10, math.Floor(math.Log10(raw)))
	step := mag * 10
	for _, m := range []float64{1, 2, 5} {
		if m*mag >= raw*(1-1e-9) {
			step = m * mag
			break
		}
	}
	if !(step > 0) || math.IsInf(step, 0) {
		return nil
	}
	a.digits = max(0, -int(math.Floor(math.Log10(step)+1e-9))+a.exp)
	var out []float64
	for i := math.Ceil(a.low/step - 1e-9); i*step <= a.high+step*1e-9 && len(out) < 4*n; i++ {
		out = append(out, i*step)
	}
	return out
}

func (a *axis) show(v float64) string {
	v *= math.Pow(10, float64(-a.exp))
	s := strconv.FormatFloat(v, 'f', min(a.digits, 10), 64)
	if strings.Trim(s, "-0.") == "" {
		s = strings.TrimPrefix(s, "-")
	}
	if a.digits > 9 || math.Abs(v) >= 1e9 {
		s = strconv.FormatFloat(v, 'g', 4, 64)
	}
	return strings.Replace(s, "-", "−", 1)
}

// Envelope thins a series evenly to at most n points, each the largest of its
// stretch, with the smallest as the low side. A series of n or fewer points is
// a plain line.
func Envelope(begin, step float64, values []float64, n int) Line {
	var l Line
	if len(values) <= n {
		for i, v := range values {
			l.X, l.Y = append(l.X, begin+step*float64(i)), append(l.Y, v)
		}
		return l
	}
	for k := range n {
		from, to := k*len(values)/n, (k+1)*len(values)/n
		low, high := math.Inf(1), math.Inf(-1)
		for _, v := range values[from:to] {
			low, high = min(low, v), max(high, v)
		}
		l.X, l.Y, l.Low = append(l.X, begin+step*float64(from)), append(l.Y, high), append(l.Low, low)
	}
	return l
}

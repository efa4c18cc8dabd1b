package yield

import (
	"math"
	"strconv"

	"fullthrow/reports/statistics"
)

// MomentsOf are the [statistics.MomentsOf] values of a reading.
func MomentsOf(name, unit string, values []float64) (m Moments, dropped int) {
	m = Moments{Name: name, Unit: unit}
	m.Moments, dropped = statistics.MomentsOf(values)
	return m, dropped
}

// Say writes a value for people, with the unit's symbol.
type Say func(value float64, unit string) string

// plainSay writes three digits and the unit as it is.
func plainSay(v float64, unit string) string {
	text := sayDigits(v, 3)
	if unit == "" || unit == "1" {
		return text
	}
	return text + " " + unit
}

func (s Say) orPlain() Say {
	if s == nil {
		return plainSay
	}
	return s
}

// sayDigits rounds to so many significant digits, without exponent for sizes
// people meet.
func sayDigits(v float64, digits int) string {
	if a := math.Abs(v); a != 0 && (a < 1e-4 || a >= 1e7) {
		return strconv.FormatFloat(v, 'g', digits, 64)
	}
	rounded, err := strconv.ParseFloat(strconv.FormatFloat(v, 'e', digits-1, 64), 64)
	if err != nil {
		rounded = v
	}
	return strconv.FormatFloat(rounded, 'f', -1, 64)
}

// sayShare writes a share for people: 0.034 is "3.4 %".
func sayShare(x float64) string {
	digits := 2
	if math.Abs(x) >= 0.9995 || math.Abs(x) >= 0.95 && math.Abs(x) < 1 {
		digits = 3
	}
	return sayDigits(100*x, digits) + " %"
}

// sayPoints is a difference of two shares, in words "3.3 points".
func sayPoints(x float64) string { return sayDigits(100*x, 2) + " points" }

// sayChance writes a probability: "3.4 %", "less than 0.1 %".
func sayChance(p float64) string {
	if p < 0.001 {
		return "less than 0.1 %"
	}
	return sayShare(p)
}

package scpi

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
)

// SCPI's own infinity and not-a-number (SCPI-1999 vol. 1, 7.2.1.4 and 7.2.1.5).
const (
	Infinity    = 9.9e37
	NotANumber  = 9.91e37
	specialFrom = 9.895e37 // what rounding to REAL,32 or to few digits may leave
	nanFrom     = 9.905e37
	nanTo       = 9.915e37
)

// special turns SCPI's infinity and not-a-number into Go's. IEEE infinities
// and NaN stay what they are.
func special(v float64) float64 {
	switch a := math.Abs(v); {
	case a < specialFrom:
		return v
	case a >= nanFrom && a < nanTo:
		return math.NaN()
	case a >= specialFrom:
		return math.Inf(int(math.Copysign(1, v)))
	}
	return v // NaN
}

// ParseNumber reads a number as instruments write it: integer or decimal with
// or without exponent, the words INF, NINF and NAN, and the non-decimal forms
// #B101, #Q17, #HFF. SCPI's 9.9E37 is +Inf, -9.9E37 is -Inf and 9.91E37 NaN
// (within rounding). Blanks at the ends are allowed, anything else is an error,
// and so is the empty text.
func ParseNumber(s string) (float64, error) {
	t := strings.TrimSpace(s)
	switch strings.ToUpper(t) {
	case "INF", "INFINITY", "+INF":
		return math.Inf(1), nil
	case "NINF", "NINFINITY", "-INF":
		return math.Inf(-1), nil
	case "NAN":
		return math.NaN(), nil
	}
	if len(t) > 2 && t[0] == '#' {
		base := map[byte]int{'B': 2, 'Q': 8, 'H': 16}[t[1]&^0x20]
		if base == 0 || t[2] == '+' || t[2] == '-' {
			return 0, fmt.Errorf("%.40q is not a number", s)
		}
		n, err := strconv.ParseUint(t[2:], base, 64)
		if err != nil {
			return 0, fmt.Errorf("%.40q is not a number", s)
		}
		return float64(n), nil
	}
	// ParseFloat takes more than 488.2 allows: hexadecimal, underscores, words.
	if strings.Trim(t, "0123456789+-.eE") != "" || strings.ContainsAny(t, "xX_ nNiI") {
		return 0, fmt.Errorf("%.40q is not a number", s)
	}
	v, err := strconv.ParseFloat(t, 64)
	if err != nil && !errors.Is(err, strconv.ErrRange) {
		return 0, fmt.Errorf("%.40q is not a number", s)
	}
	return special(v), nil
}

// formatNumber writes v with as many digits as it needs: 3.7, 1E-05.
func formatNumber(v float64) string { return strconv.FormatFloat(v, 'G', -1, 64) }

// level reads a state: 1 or 0, ON or OFF (IEEE 488.2 has the first, many the
// other), and the further words of the row.
func (m *Model) level(s string) (float64, error) {
	t := strings.ToUpper(strings.TrimSpace(s))
	same := func(w string) bool { return strings.ToUpper(w) == t }
	switch {
	case t == "ON" || slices.ContainsFunc(m.On, same):
		return 1, nil
	case t == "OFF" || slices.ContainsFunc(m.Off, same):
		return 0, nil
	}
	v, err := ParseNumber(s)
	if err != nil {
		return 0, fmt.Errorf("%s, which is no state", got(s))
	}
	return v, nil
}

// units are the symbols of a unit that instruments write, in capitals.
var units = map[string][]string{
	"V": {"V", "VDC", "VAC"}, "A": {"A", "ADC", "AAC"}, "Ohm": {"OHM", "OHMS", "Ω", "Ω"}, "Hz": {"HZ"},
	"Cel": {"CEL", "C", "°C", "DEGC"}, "W": {"W"}, "s": {"S"}, "dB": {"DB"},
}

// prefixes before a unit. A capital M is mega only where no instrument means milli
// by it.
var prefixes = map[string]float64{"": 1, "n": 1e-9, "u": 1e-6, "µ": 1e-6, "μ": 1e-6, "m": 1e-3, "k": 1e3, "K": 1e3,
	"M": 1e6, "G": 1e9}

// value reads a number of a unit, with that unit behind it where the row says so.
func (m *Model) value(s, unit string) (float64, error) {
	if !m.Units {
		v, err := ParseNumber(s)
		if err != nil {
			return 0, fmt.Errorf("%s, which is no number", got(s))
		}
		return v, nil
	}
	t := strings.TrimSpace(s)
	end := strings.LastIndexAny(t, "0123456789.") + 1
	number, suffix := t[:end], strings.TrimSpace(t[end:])
	symbol := ""
	for _, u := range units[unit] {
		if strings.HasSuffix(strings.ToUpper(suffix), u) && len(u) > len(symbol) {
			symbol = u
		}
	}
	// Capitals of another alphabet may have another length.
	cut := len(suffix) - len(symbol)
	if symbol == "" || cut < 0 {
		return 0, fmt.Errorf("%s, which does not end in %s", got(s), unit)
	}
	prefix := suffix[:cut]
	scale, ok := prefixes[prefix]
	if !ok || prefix == "M" && unit != "Ohm" && unit != "Hz" {
		return 0, fmt.Errorf("%s, and what %q stands for before the unit is not known", got(s), prefix)
	}
	v, err := ParseNumber(number)
	if err != nil {
		return 0, fmt.Errorf("%s, which is no number", got(s))
	}
	return v * scale, nil
}

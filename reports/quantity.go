package reports

import (
	"math"
	"strconv"
	"strings"
)

// Prefixed lists the units that people read with an engineering prefix, and
// their symbol for people. The largest prefix that is in use is given: nobody
// reads "3.6 ks".
var prefixed = map[string]struct {
	symbol   string
	min, max int // exponents of ten
}{
	"A": {"A", -15, 3}, "V": {"V", -12, 6}, "W": {"W", -15, 9}, "Hz": {"Hz", -3, 12},
	"s": {"s", -12, 0}, "Ohm": {"Ω", -6, 12}, "F": {"F", -15, 0}, "C": {"C", -15, 3},
	"J": {"J", -12, 9}, "Pa": {"Pa", -6, 9}, "m": {"m", -9, 3}, "N": {"N", -6, 6},
	"bit": {"bit", 0, 0},
}

// Unprefixed gives the symbols of units that take no prefix, and whether people
// expect a fixed number of decimals.
var unprefixed = map[string]struct {
	symbol   string
	decimals int // -1: as many as the significant digits need
}{
	"dB": {"dB", 1}, "dBm": {"dBm", 1}, "%": {"%", -1}, "1": {"", -1}, "": {"", -1},
	"deg": {"°", -1}, "Cel": {"°C", 1}, "K": {"K", 1}, "cent": {"cent", -1},
}

var prefixSymbols = map[int]string{
	-15: "f", -12: "p", -9: "n", -6: "µ", -3: "m", 0: "", 3: "k", 6: "M", 9: "G", 12: "T",
}

// FormatQuantity writes a value for people: "9.1 µA", "13.5 ms", "-42.0 dB",
// "0.12 %", "4". unit is a unit without prefix as in [Reading]; one not in the
// table is written as it is. Three significant digits, trailing zeros dropped
// (levels keep one decimal); whole numbers without unit are written in full.
// NaN is "not a number", infinity "infinite" or "-infinite".
func FormatQuantity(v float64, unit string) string { return formatQuantity(v, unit, 3) }

// FormatQuantityBeside writes v for people with as many digits as it takes to
// tell it from a limit it differs from: 12.004 µA beside 12 µA is "12.004 µA",
// never "12 µA".
func FormatQuantityBeside(v, limit float64, unit string) string {
	s := FormatQuantity(v, unit)
	if v == limit || math.IsNaN(v) || math.IsNaN(limit) {
		return s
	}
	for digits := 4; digits <= 17 && s == formatQuantity(limit, unit, digits-1); digits++ {
		s = formatQuantity(v, unit, digits)
	}
	return s
}

func formatQuantity(v float64, unit string, digits int) string {
	switch {
	case math.IsNaN(v):
		return "not a number"
	case math.IsInf(v, 1):
		return "infinite"
	case math.IsInf(v, -1):
		return "-infinite"
	}
	if p, ok := prefixed[unit]; ok {
		text, exp := engineering(v, digits, p.min, p.max)
		return text + " " + prefixSymbols[exp] + p.symbol
	}
	symbol, decimals := unit, -1
	if p, ok := unprefixed[unit]; ok {
		symbol, decimals = p.symbol, p.decimals
	}
	var text string
	switch {
	case decimals >= 0:
		text = strconv.FormatFloat(v, 'f', decimals+digits-3, 64)
	case v == math.Trunc(v) && math.Abs(v) < 1e15 && (unit == "1" || unit == ""):
		text = strconv.FormatFloat(v, 'f', 0, 64)
	default:
		text = significant(v, digits)
	}
	text = withoutMinusZero(text)
	switch symbol {
	case "":
		return text
	case "°":
		return text + symbol
	}
	return text + " " + symbol
}

// Prefix is by which power of ten people read values of a unit up to size, and
// the symbol they read with it: -6 and "µA" for 2e-5 A. A unit that takes no
// prefix has the power 0.
func Prefix(unit string, size float64) (exp int, symbol string) {
	p, ok := prefixed[unit]
	if !ok {
		if u, ok := unprefixed[unit]; ok {
			return 0, u.symbol
		}
		return 0, unit
	}
	if size = math.Abs(size); size > 0 && !math.IsInf(size, 0) {
		exp = int(math.Floor(math.Log10(size)/3+1e-9)) * 3
		exp = min(max(exp, p.min, -15), p.max, 12)
	}
	return exp, prefixSymbols[exp] + p.symbol
}

// engineering writes v with a multiple of 10^3 as prefix so that one to three
// digits stand before the point.
func engineering(v float64, digits, min, max int) (text string, exp int) {
	if v == 0 {
		return "0", 0
	}
	// Rounding first decides the prefix: 999.96 mA is "1 A", not "1000 mA".
	mantissa, e, _ := strings.Cut(strconv.FormatFloat(v, 'e', digits-1, 64), "e")
	exponent, _ := strconv.Atoi(e)
	exp = int(math.Floor(float64(exponent)/3)) * 3
	if exp < min {
		exp = min
	}
	if exp > max {
		exp = max
	}
	shifted, _ := strconv.ParseFloat(mantissa+"e"+strconv.Itoa(exponent-exp), 64)
	return significant(shifted, digits), exp
}

// Significant writes v with so many significant digits, without exponent for
// sizes people meet, trailing zeros dropped.
func significant(v float64, digits int) string {
	if a := math.Abs(v); a != 0 && (a < 1e-4 || a >= 1e9) {
		return strconv.FormatFloat(v, 'g', digits, 64)
	}
	rounded, _ := strconv.ParseFloat(strconv.FormatFloat(v, 'e', digits-1, 64), 64)
	return strconv.FormatFloat(rounded, 'f', -1, 64)
}

func withoutMinusZero(s string) string {
	if strings.HasPrefix(s, "-") && strings.Trim(s, "-0.") == "" {
		return s[1:]
	}
	return s
}

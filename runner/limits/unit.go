package limits

import (
	"fmt"
	"math"
	"sort"
	"strconv"
	"strings"

	"fullthrow/runner/input"
)

// unit is a way to state a quantity: a value in it times mult times 10^exp,
// plus offset, is the value in the dimension's first unit.
type unit struct {
	base      string // symbol without prefix: what readings are recorded in
	dimension string // in words
	mult      float64
	exp       int
	offset    float64
}

// atom is a row of the table of units. Symbols as in UCUM, with the spellings
// that people type; base is what the reading is recorded in.
type atom struct {
	symbol    string
	base      string
	dimension string
	mult      float64
	exp       int
	offset    float64
	prefix    bool
}

var atoms = []atom{
	{"A", "A", "current", 1, 0, 0, true},
	{"V", "V", "voltage", 1, 0, 0, true},
	{"W", "W", "power", 1, 0, 0, true},
	{"Hz", "Hz", "frequency", 1, 0, 0, true},
	{"s", "s", "time", 1, 0, 0, true},
	{"min", "s", "time", 60, 0, 0, false},
	{"h", "s", "time", 3600, 0, 0, false},
	{"Ohm", "Ohm", "resistance", 1, 0, 0, true},
	{"ohm", "Ohm", "resistance", 1, 0, 0, true},
	{"Ω", "Ohm", "resistance", 1, 0, 0, true}, // Greek omega
	{"Ω", "Ohm", "resistance", 1, 0, 0, true}, // ohm sign
	{"F", "F", "capacitance", 1, 0, 0, true},
	{"C", "C", "charge", 1, 0, 0, true},
	{"J", "J", "energy", 1, 0, 0, true},
	{"Pa", "Pa", "pressure", 1, 0, 0, true},
	{"N", "N", "force", 1, 0, 0, true},
	{"m", "m", "length", 1, 0, 0, true},
	{"K", "K", "temperature", 1, 0, 0, true},
	{"Cel", "Cel", "temperature", 1, 0, 273.15, false},
	{"°C", "Cel", "temperature", 1, 0, 273.15, false},
	{"deg", "deg", "angle", 1, 0, 0, false},
	{"°", "deg", "angle", 1, 0, 0, false},
	{"rad", "rad", "angle", 180 / math.Pi, 0, 0, true},
	{"1", "1", "a plain number", 1, 0, 0, false},
	{"", "1", "a plain number", 1, 0, 0, false},
	{"%", "%", "a plain number", 1, -2, 0, false},
	{"ppm", "1", "a plain number", 1, -6, 0, false},
	{"dB", "dB", "a level difference in dB", 1, 0, 0, false},
	{"dBm", "dBm", "a power level in dBm", 1, 0, 0, false},
	{"cent", "cent", "a musical interval", 1, 0, 0, false},
	{"bit", "bit", "information", 1, 0, 0, false},
}

var prefixes = []struct {
	symbol string
	exp    int
}{
	{"f", -15}, {"p", -12}, {"n", -9}, {"u", -6}, {"µ", -6}, {"μ", -6},
	{"m", -3}, {"c", -2}, {"d", -1}, {"k", 3}, {"M", 6}, {"G", 9}, {"T", 12},
}

// parseUnit finds a unit by its symbol. A symbol that is in the table goes
// before a prefix and a symbol: "min" is a minute, "m" a metre, "cent" no
// centi-anything.
func parseUnit(symbol string) (unit, error) {
	for _, a := range atoms {
		if a.symbol == symbol {
			return unit{a.base, a.dimension, a.mult, a.exp, a.offset}, nil
		}
	}
	for _, p := range prefixes {
		rest, ok := strings.CutPrefix(symbol, p.symbol)
		if !ok || rest == "" {
			continue
		}
		for _, a := range atoms {
			if a.prefix && a.symbol == rest {
				return unit{a.base, a.dimension, a.mult, a.exp + p.exp, a.offset}, nil
			}
		}
	}
	return unit{}, fmt.Errorf("unknown unit %q", symbol)
}

// unitHint guesses the unit that was meant.
func unitHint(symbol string) string {
	var known []string
	for _, a := range atoms {
		if a.symbol == "" {
			continue
		}
		known = append(known, a.symbol)
		if a.prefix {
			for _, p := range prefixes {
				known = append(known, p.symbol+a.symbol)
			}
		}
	}
	// A matter of capitals first: "ua", "DB", "HZ", "KHz".
	for _, k := range known {
		if strings.EqualFold(k, symbol) {
			return fmt.Sprintf("did you mean %q?", k)
		}
	}
	names := map[string]string{
		"amp": "A", "amps": "A", "ampere": "A", "amperes": "A", "volt": "V", "volts": "V", "sec": "s",
		"secs": "s", "second": "s", "seconds": "s", "percent": "%", "hertz": "Hz", "ohms": "Ohm",
		"celsius": "Cel", "degree": "deg", "degrees": "deg", "minutes": "min", "hour": "h", "hours": "h",
		"cents": "cent", "bits": "bit", "count": "1", "none": "1", "frames": "1", "notes": "1",
	}
	if k := names[strings.ToLower(symbol)]; k != "" {
		return fmt.Sprintf("write %q", k)
	}
	if k := input.Near(symbol, known); k != "" {
		return fmt.Sprintf("did you mean %q?", k)
	}
	seen := map[string]bool{}
	var bases []string
	for _, a := range atoms {
		if !seen[a.base] {
			seen[a.base] = true
			bases = append(bases, a.base)
		}
	}
	sort.Strings(bases)
	return "known units: " + strings.Join(bases, " ") + ", with the usual prefixes (uA, ms, kHz)"
}

// UnitBase returns the unit without prefix in which a reading taken in the
// unit named symbol is recorded ("mA" gives "A"), and an error for an unknown
// unit. "" is the plain number, "1".
func UnitBase(symbol string) (string, error) {
	u, err := parseUnit(symbol)
	return u.base, err
}

// Convert returns v, stated in from, in the unit named to. The error says
// which of the units is unknown, or that they are of different dimensions.
// Conversions by powers of ten are correctly rounded: 0.012 mA and 12 uA give
// the same float64. NaN and infinities come back as they are.
func Convert(v float64, from, to string) (float64, error) {
	f, err := parseUnit(from)
	if err != nil {
		return math.NaN(), err
	}
	t, err := parseUnit(to)
	if err != nil {
		return math.NaN(), err
	}
	if f.dimension != t.dimension {
		return math.NaN(), fmt.Errorf("%q is %s, %q is %s", from, f.dimension, to, t.dimension)
	}
	return convert(v, f, t), nil
}

func convert(v float64, from, to unit) float64 {
	if from.mult == to.mult && from.offset == to.offset {
		return shift(v, from.exp-to.exp)
	}
	return shift((shift(v*from.mult, from.exp)+from.offset-to.offset)/to.mult, -to.exp)
}

// width converts a difference (an uncertainty): offsets do not count.
func width(v float64, from, to unit) float64 {
	from.offset, to.offset = 0, 0
	return convert(v, from, to)
}

// shift returns v * 10^exp, correctly rounded from v's shortest decimal form.
func shift(v float64, exp int) float64 {
	if exp == 0 || v == 0 || math.IsNaN(v) || math.IsInf(v, 0) {
		return v
	}
	mantissa, e, _ := strings.Cut(strconv.FormatFloat(v, 'e', -1, 64), "e")
	old, err := strconv.Atoi(e)
	if err != nil {
		return math.NaN() // cannot happen: FormatFloat wrote it
	}
	shifted, _ := strconv.ParseFloat(mantissa+"e"+strconv.Itoa(old+exp), 64) // overflow gives Inf
	return shifted
}

// baseUnit is the unit named by u's base symbol.
func (u unit) baseUnit() unit {
	b, err := parseUnit(u.base)
	if err != nil {
		return u // cannot happen: a test goes through the table
	}
	return b
}

package capturefile

import (
	"math"
	"regexp"
	"strconv"
	"strings"
	"sync"

	"fullthrow/runner/limits"
)

// decimals finds out which sign of a file is the decimal one.
type decimals struct {
	said         string // "comma" or "point" by a remark
	comma, point int    // first line with it, 0: none
	sure         bool   // a number was seen that reads one way only
}

// grouped matches what may be a number in thousands: "1,234" or "12.500".
var grouped = sync.OnceValue(func() *regexp.Regexp {
	return regexp.MustCompile(`^[-+]?[1-9][0-9]{0,2}[.,][0-9]{3}$`)
})

// number reads a number and says which decimal sign it has, 0 for none.
func number(text string) (v float64, sign byte, ok bool) {
	for i := range len(text) {
		switch c := text[i]; {
		case c >= '0' && c <= '9', c == '+', c == '-', c == 'e', c == 'E':
		case c == ',' || c == '.':
			if sign != 0 {
				return 0, 0, false
			}
			sign = c
		default:
			return 0, 0, false
		}
	}
	if sign == ',' {
		text = strings.Replace(text, ",", ".", 1)
	}
	v, err := strconv.ParseFloat(text, 64)
	return v, sign, err == nil && isFinite(v)
}

// overloads are words for a reading beyond the range.
var overloads = map[string]bool{
	"ovld": true, "ol": true, "ovl": true, "ovfl": true, "ovf": true, "over": true, "overload": true,
	"overflow": true, "overrange": true, "inf": true, "infinity": true, "∞": true,
}

// overload reports whether a cell is what instruments give in place of a
// reading beyond the range: a word, or the numbers for infinity and for not a
// number, 9.9E37 and 9.91E37 (SCPI-99, volume 1, 7.2.1.4).
func overload(text string, v float64) bool {
	if math.Abs(v) >= 9.9e37 && isFinite(v) {
		return true
	}
	if len(text) == 0 || len(text) > 16 || text[0] >= '0' && text[0] <= '9' {
		return false
	}
	text = strings.NewReplacer(".", "", " ", "", "+", "", "-", "", "_", "").Replace(strings.ToLower(text))
	return overloads[text]
}

// seen takes note of a number of a table.
func (d *decimals) seen(f *File, line int, text string, sign byte) error {
	if sign == 0 || f.comma == ',' {
		return nil
	}
	if sign == ',' && d.comma == 0 {
		d.comma = line
	}
	if sign == '.' && d.point == 0 {
		d.point = line
	}
	if d.comma > 0 && d.point > 0 || d.said == "comma" && sign == '.' || d.said == "point" && sign == ',' {
		return f.wrong(line, "use one decimal sign in the whole file, and no grouping of thousands",
			"%q: point and comma are both used, so that neither is surely the decimal sign", clip(text))
	}
	d.sure = d.sure || !grouped().MatchString(text)
	return nil
}

// check refuses a file whose numbers might all be thousands.
func (d *decimals) check(f *File) error {
	line, sign := max(d.comma, d.point), "comma"
	if d.point > 0 {
		sign = "point"
	}
	if line == 0 || d.sure || d.said != "" {
		return nil
	}
	return f.wrong(line, `write "# decimal: `+sign+
		`" above the first row if it is the decimal sign, else write the numbers without grouping`,
		"the %s may be a decimal sign or group thousands: no number of the file tells", sign)
}

// factUnits lists the remarks that mean something, with their units; "" is
// text.
var factUnits = map[string]string{
	"decimal": "", "format": "", "rate": "Hz", "start": "s", "length": "s", "period": "s", "gain": "us", "offset": "us",
	"damaged": "1",
}

// fact is the number of a remark in the unit of factUnits.
func (f *File) fact(name string) (v float64, given bool, err error) {
	x, ok := f.facts[name]
	if !ok {
		return 0, false, nil
	}
	v, err = Quantity(x.text, factUnits[name])
	if err != nil {
		return 0, true, f.wrong(x.line, "", "%s: %v", name, err)
	}
	low := 0.0
	switch name {
	case "start", "offset":
		low = -1e9
	case "rate", "gain":
		low = 1e-9
	}
	if v < low || v > 1e9 {
		return 0, true, f.wrong(x.line, "", "%s is %v, out of range", name, v)
	}
	return v, true, nil
}

// Quantity reads "60 mA" or "60mA" in the unit named; a number alone is taken
// to be in that unit.
func Quantity(text, unit string) (float64, error) {
	text = strings.TrimSpace(text)
	cut := 0
	for i := 1; i <= min(len(text), 40); i++ {
		if _, _, ok := number(text[:i]); ok {
			cut = i
		}
	}
	v, sign, ok := number(text[:cut])
	if !ok || sign == ',' {
		return 0, &QuantityError{text, unit, ""}
	}
	given := strings.TrimSpace(text[cut:])
	if given == "" {
		return v, nil
	}
	if unit == "" {
		return 0, &QuantityError{text, unit, "it takes no unit"}
	}
	out, err := limits.Convert(v, given, unit)
	if err != nil || !isFinite(out) {
		why := "too large"
		if err != nil {
			why = err.Error()
		}
		return 0, &QuantityError{text, unit, why}
	}
	return out, nil
}

// QuantityError is text that is no quantity.
type QuantityError struct{ Text, Unit, Why string }

func (e *QuantityError) Error() string {
	switch {
	case e.Why != "":
		return strconv.Quote(clip(e.Text)) + ": " + e.Why
	case e.Unit == "" || e.Unit == "1":
		return strconv.Quote(clip(e.Text)) + " is no number"
	}
	return strconv.Quote(clip(e.Text)) + " is no number in " + e.Unit
}

package wording

import (
	"math"
	"regexp"
	"strconv"
	"strings"
	"sync"
	"time"

	"fullthrow/reports"
)

const (
	nbsp  = "\u00a0"
	minus = "\u2212"
)

// Number writes a number with up to three decimals, thousands apart: "12 345",
// "0.125". What is not a number is "–", infinity "∞".
func (t *Translator) Number(x float64) string {
	switch {
	case math.IsNaN(x):
		return "–"
	case math.IsInf(x, 0):
		return t.sign(x) + "∞"
	case math.Abs(x) >= 1e15:
		return t.local(strconv.FormatFloat(x, 'g', 4, 64))
	}
	return t.local(trim(strconv.FormatFloat(x, 'f', 3, 64)))
}

// Fixed writes a number with so many decimals, for columns.
func (t *Translator) Fixed(x float64, decimals int) string {
	if math.IsNaN(x) || math.IsInf(x, 0) || math.Abs(x) >= 1e15 {
		return t.Number(x)
	}
	return t.local(strconv.FormatFloat(x, 'f', max(0, min(decimals, 12)), 64))
}

// Percent writes a fraction (0.953) as a percentage with one decimal. It never
// rounds to 0 % or 100 % what is not: decimals are added until the difference
// shows, and then "< 0.0001 %" or "> 99.9999 %".
func (t *Translator) Percent(x float64) string {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return t.Number(x)
	}
	p := 100 * x
	for decimals := 1; decimals <= 4; decimals++ {
		s := strconv.FormatFloat(p, 'f', decimals, 64)
		shown, _ := strconv.ParseFloat(s, 64)
		if (shown == 100 && p != 100) || (shown == 0 && p != 0) {
			continue
		}
		return t.local(trim(s)) + t.percent + "%"
	}
	edge := map[bool]string{true: "<", false: ">"}[p < 100]
	near := "0.0001"
	switch {
	case p < 0:
		edge, near = ">", "-0.0001"
	case p > 50 && p < 100:
		edge, near = ">", "99.9999"
	case p > 100:
		near = "100"
	}
	return edge + t.space + t.local(near) + t.percent + "%"
}

// Quantity writes a value with its unit as a report does, in the language's
// manner: "9.1 µA", "13,5 ms". Unit is without prefix.
func (t *Translator) Quantity(x float64, unit string) string {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return t.Number(x)
	}
	return t.Localise(reports.FormatQuantity(x, unit))
}

// Localise takes a quantity as a report writes it into the language's manner:
// decimal sign, minus sign, and no line break before the unit.
func (t *Translator) Localise(quantity string) string {
	return leading().ReplaceAllStringFunc(quantity, func(s string) string {
		n, unit := s, ""
		if i := strings.IndexByte(s, ' '); i >= 0 {
			n, unit = s[:i], t.space+s[i+1:]
			if s[i+1:] == "%" {
				unit = t.percent + "%"
			}
		}
		return t.local(n) + unit
	})
}

var leading = sync.OnceValue(func() *regexp.Regexp {
	return regexp.MustCompile(`-?[0-9]+(?:\.[0-9]+)?(?:e[+-]?[0-9]+)?(?: [^ ,;]+)?`)
})

func (t *Translator) sign(x float64) string {
	if x < 0 {
		return t.minus
	}
	return ""
}

// trim drops zeros at the end of decimals.
func trim(s string) string {
	if !strings.Contains(s, ".") {
		return s
	}
	s = strings.TrimRight(strings.TrimRight(s, "0"), ".")
	if s == "-0" {
		return "0"
	}
	return s
}

// local writes a number as Go does into the language's manner. Four digits
// before the sign stay together.
func (t *Translator) local(s string) string {
	head := ""
	if strings.HasPrefix(s, "-") {
		if strings.Trim(s, "-0.") != "" {
			head = t.minus
		}
		s = s[1:]
	}
	s, exponent, hasExponent := strings.Cut(s, "e")
	whole, fraction, dot := strings.Cut(s, ".")
	if len(whole) > 4 {
		var parts []string
		for len(whole) > 3 {
			parts = append([]string{whole[len(whole)-3:]}, parts...)
			whole = whole[:len(whole)-3]
		}
		whole = strings.Join(append([]string{whole}, parts...), t.group)
	}
	if dot {
		whole += t.decimal + fraction
	}
	if hasExponent {
		n, _ := strconv.Atoi(exponent)
		whole += t.space + "×" + t.space + "10" + superscript(n)
	}
	return head + whole
}

func superscript(n int) string {
	return strings.NewReplacer("0", "⁰", "1", "¹", "2", "²", "3", "³", "4", "⁴", "5", "⁵", "6", "⁶", "7", "⁷", "8", "⁸",
		"9", "⁹", "-", "⁻").Replace(strconv.Itoa(n))
}

// When writes day and time of day at the station: "25 Nov 2026, 14:03". The
// zero time is "–".
func (t *Translator) When(at time.Time) string {
	if at.IsZero() {
		return "–"
	}
	return t.Day(at) + t.comma + t.Clock(at)
}

// Day writes the day at the station: "25 Nov 2026", "2026年11月25日".
func (t *Translator) Day(at time.Time) string {
	if at.IsZero() {
		return "–"
	}
	at = at.In(t.location)
	return t.T("shell.day", "day", strconv.Itoa(at.Day()), "month", t.T("shell.month_"+strconv.Itoa(int(at.Month()))),
		"year", strconv.Itoa(at.Year()))
}

// ShortDay writes the day without its year, for axes: "25 Nov", "11月25日".
func (t *Translator) ShortDay(at time.Time) string {
	if at.IsZero() {
		return "–"
	}
	at = at.In(t.location)
	return t.T("shell.short_day", "day", strconv.Itoa(at.Day()), "month",
		t.T("shell.month_"+strconv.Itoa(int(at.Month()))))
}

// Clock writes the time of day at the station: "14:03".
func (t *Translator) Clock(at time.Time) string {
	if at.IsZero() {
		return "–"
	}
	return at.In(t.location).Format("15:04")
}

// Duration writes a length of time for people: "0.4 s", "47 s", "3 min 20 s",
// "47 min", "2 h 05 min". One below zero is 0 s.
func (t *Translator) Duration(d time.Duration) string {
	switch {
	case d < 0:
		d = 0
	case d >= time.Hour:
		d = d.Round(time.Minute)
		return strconv.Itoa(int(d.Hours())) + t.space + "h" + t.space + pad(int(d.Minutes())%60) + t.space + "min"
	case d.Round(time.Minute) >= 10*time.Minute:
		if d = d.Round(time.Minute); d < time.Hour {
			return strconv.Itoa(int(d.Minutes())) + t.space + "min"
		}
		return t.Duration(d)
	case d.Round(time.Second) >= 2*time.Minute:
		d = d.Round(time.Second)
		return strconv.Itoa(int(d.Minutes())) + t.space + "min" + t.space + pad(int(d.Seconds())%60) + t.space + "s"
	}
	if d >= 10*time.Second {
		return strconv.Itoa(int(math.Round(d.Seconds()))) + t.space + "s"
	}
	return t.local(trim(strconv.FormatFloat(d.Seconds(), 'f', 1, 64))) + t.space + "s"
}

func pad(n int) string {
	if n < 10 {
		return "0" + strconv.Itoa(n)
	}
	return strconv.Itoa(n)
}

// PercentFixed writes a fraction as a percentage with so many decimals, for
// axes and columns.
func (t *Translator) PercentFixed(x float64, decimals int) string {
	return t.Fixed(100*x, decimals) + t.percent + "%"
}

// Axis is the label of an axis of a capture, "quantity / unit", or of a line in
// it, "channel 3", in the language; one that is not known stays as it is.
func (t *Translator) Axis(label string) string {
	if n, ok := strings.CutPrefix(label, "channel "); ok && len(n) < 4 {
		return t.T("charts.axis.channel", "number", n)
	}
	name, unit, ok := strings.Cut(label, " / ")
	id := "charts.axis." + strings.ReplaceAll(name, " ", "_")
	if !ok || len(name) > 30 || !t.Has(id) {
		return label
	}
	if unit == "full scale" || unit == "full throw" {
		unit = t.T("charts.axis." + strings.ReplaceAll(unit, " ", "_"))
	}
	return t.T(id) + " / " + unit
}

package wording

import (
	"math"
	"strconv"
	"strings"
	"time"

	"fullthrow/reports/statistics"
	"fullthrow/reports/yield"
)

// Share writes a share of 1 as a percentage to a tenth of a per cent: more
// digits say nothing, but what is not all or nothing never reads so. What is
// not known is "–".
func (t *Translator) Share(x float64) string {
	r := math.Round(x*1000) / 1000
	if (r == 0 || r == 1) && r != x {
		r = x
	}
	return t.Percent(r)
}

// Column writes a share of 1 as a percentage with so many decimals, the same in
// every row, and more where it would read all or nothing and is not. What is not
// known is "–".
func (t *Translator) Column(x float64, decimals int) string {
	if !statistics.Finite(x) {
		return t.Number(math.NaN())
	}
	scale := math.Pow(10, float64(decimals+2))
	if r := math.Round(x*scale) / scale; (r == 0 || r == 1) && r != x {
		return t.Percent(x)
	}
	return t.PercentFixed(x, decimals)
}

// PerMillion writes a small share in parts per million, a larger one as a
// percentage.
func (t *Translator) PerMillion(share float64) string {
	ppm := share * 1e6
	switch {
	case math.IsNaN(ppm) || math.IsInf(ppm, 0):
		return "–"
	case ppm > 0 && ppm < 0.001:
		return "< " + t.Number(0.001) + nbsp + "ppm"
	case ppm < 10:
		return t.Number(math.Round(ppm*1000)/1000) + nbsp + "ppm"
	case ppm >= 10000:
		return t.Share(share)
	}
	return t.Number(math.Round(ppm)) + nbsp + "ppm"
}

// Digits writes a number with so many significant digits.
func (t *Translator) Digits(x float64, digits int) string {
	rounded, err := strconv.ParseFloat(strconv.FormatFloat(x, 'e', digits-1, 64), 64)
	if err != nil {
		rounded = x
	}
	return t.Number(rounded)
}

// Seconds writes a time in s to a tenth: "38.2 s".
func (t *Translator) Seconds(s float64) string {
	if !statistics.Finite(s) {
		return "–"
	}
	return t.Fixed(s, 1) + nbsp + "s"
}

// Span writes a length of time in s, as [Translator.Duration] does.
func (t *Translator) Span(s float64) string {
	if !statistics.Finite(s) {
		return "–"
	}
	return t.Duration(time.Duration(s * float64(time.Second)))
}

// sentences joins those that are not empty; Chinese leaves no space between.
func sentences(t *Translator, list ...string) string {
	var out []string
	for _, s := range list {
		if s != "" {
			out = append(out, s)
		}
	}
	return strings.Join(out, t.join)
}

func brackets(t *Translator, text, more string) string {
	if more == "" {
		return text
	}
	return t.T("figures.in_brackets", "text", text, "more", more)
}

// Between is an interval of shares: "between 59.6 % and 98.2 %".
func Between(t *Translator, low, high float64) string {
	return t.T("figures.between", "low", t.Share(low), "high", t.Share(high))
}

// fewWidth is how wide an interval must be for the words "from so few".
const fewWidth = 0.1

// Of names what a share is of.
type Of string

// What shares are of.
const (
	OfUnits   Of = "units"
	OfRuns    Of = "runs"
	OfValues  Of = "values"
	OfRepairs Of = "repairs"
)

// Share is a share with its interval: "90 %; from so few units, anywhere between
// 59.6 % and 98.2 %".
func Share(t *Translator, s yield.Share, of Of) string {
	name := t.T("figures.of." + string(of))
	switch {
	case s.Of == 0 && s.Count == 0:
		return t.T("figures.share.none", "of", name)
	case !s.Known():
		return t.T("figures.share.cannot", "part", s.Count, "all", s.Of, "of", name)
	case s.High-s.Low > fewWidth:
		return t.T("figures.share.wide", "share", t.Share(s.Value), "of", name, "between", Between(t, s.Low, s.High))
	}
	return t.T("figures.share.known", "share", t.Share(s.Value), "between", Between(t, s.Low, s.High))
}

// Range is an interval written by format: "1.2 to 1.6", "1.6 or less"; "" where
// both ends are open.
func Range(t *Translator, low, high float64, format func(float64) string) string {
	switch {
	case statistics.Finite(low) && statistics.Finite(high):
		return t.T("figures.range", "low", format(low), "high", format(high))
	case statistics.Finite(high):
		return t.T("figures.or_less", "high", format(high))
	case statistics.Finite(low):
		return t.T("figures.or_more", "low", format(low))
	}
	return ""
}

// Limits are those of a reading, written by format: "1.2 to 1.6", "no limit".
func Limits(t *Translator, spec yield.Spec, format func(float64) string) string {
	switch l, u := spec.Lower, spec.Upper; {
	case l != nil && u != nil:
		return t.T("figures.spec.both", "low", format(*l), "high", format(*u))
	case l != nil:
		return t.T("figures.spec.lower", "low", format(*l))
	case u != nil:
		return t.T("figures.spec.upper", "high", format(*u))
	}
	return t.T("figures.spec.none")
}

// Term is a figure's name and what it means, by its key.
func Term(t *Translator, key string) (name, meaning string) {
	return t.T("figures.term." + key), t.T("figures.term." + key + "_means")
}

// Remark is what must be known beside a figure, as a sentence.
func Remark(t *Translator, r yield.Remark) string {
	args := make([]any, 0, 2*len(r.Args))
	for name, v := range r.Args {
		args = append(args, name, argument(t, name, v))
	}
	return t.T("figures.remark."+string(r.Code), args...)
}

// Remarks are several of them.
func Remarks(t *Translator, list []yield.Remark) []string {
	var out []string
	for _, r := range list {
		out = append(out, Remark(t, r))
	}
	return out
}

// argument is what a remark speaks of, written as its kind and name ask for.
func argument(t *Translator, name string, v any) any {
	switch x := v.(type) {
	case nil:
		return "–"
	case float64:
		switch {
		case strings.HasPrefix(name, "share"):
			return t.Share(x)
		case strings.HasPrefix(name, "index"):
			return t.Fixed(x, 2)
		}
		return t.Digits(x, 2)
	case yield.Quantity:
		return t.Quantity(x.Value, x.Unit)
	case []string:
		return strings.Join(x, ", ")
	case yield.ChartKind:
		return t.T("figures.chart." + string(x))
	}
	return v
}

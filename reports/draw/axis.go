package draw

import (
	"math"
	"strconv"
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

// Percent is the unit of fractions that are shown as percentages.
const Percent = "percent"

// Numbers write values in the reader's language.
type Numbers interface {
	Number(x float64) string
	Fixed(x float64, decimals int) string
	Percent(x float64) string
	PercentFixed(x float64, decimals int) string
	Quantity(x float64, unit string) string
}

// Words say in the reader's language what a chart is to say, by its name.
type Words interface {
	Numbers
	T(id string, args ...any) string
}

// Plain writes numbers as files and terminals have them, with a decimal point.
type Plain struct{}

// Number writes up to four significant digits, large whole numbers in full.
func (Plain) Number(x float64) string { return Signed(reports.FormatQuantity(x, "1")) }

// Fixed writes so many decimals.
func (Plain) Fixed(x float64, decimals int) string {
	s := strconv.FormatFloat(x, 'f', decimals, 64)
	if strings.Trim(s, "-0.") == "" {
		s = strings.TrimPrefix(s, "-")
	}
	return Signed(s)
}

// Percent writes a fraction in percent.
func (Plain) Percent(x float64) string { return Signed(reports.FormatQuantity(100*x, "%")) }

// PercentFixed writes a fraction in percent with so many decimals.
func (p Plain) PercentFixed(x float64, decimals int) string { return p.Fixed(100*x, decimals) + " %" }

// Quantity writes a value with its unit.
func (Plain) Quantity(x float64, unit string) string { return Signed(reports.FormatQuantity(x, unit)) }

// Signed gives the numbers in a text a minus sign in place of a hyphen.
func Signed(s string) string {
	out := []rune(s)
	for i, r := range out {
		if r == '-' && i+1 < len(out) && out[i+1] >= '0' && out[i+1] <= '9' &&
			(i == 0 || out[i-1] == ' ' || out[i-1] == '(') {
			out[i] = '−'
		}
	}
	return string(out)
}

// show writes a value of a unit for people.
func show(n Numbers, x float64, unit string) string {
	switch unit {
	case Percent:
		return n.Percent(x)
	case "", "1":
		switch size := math.Abs(x); {
		case !statistics.Finite(x) || x == math.Trunc(x):
			return n.Number(x)
		case size >= 1000:
			return n.Fixed(x, 1)
		}
		return n.Quantity(x, "1")
	}
	return n.Quantity(x, unit)
}

// Mark is one value of a chart.
type Mark struct {
	Label     string  // at the axis
	Value     float64 // NaN: there is none
	Low, High float64 // interval around it; equal: none
	Title     string  // what a pointer or a screen reader gets; made from the rest if empty
	Href      string  // the units behind it: a path of this server
}

func (m Mark) interval() bool {
	return m.Low != m.High && statistics.Finite(m.Low) && statistics.Finite(m.High)
}

// words names a mark with its value and interval.
func (m Mark) words(w Words, unit string) string {
	if m.Title != "" {
		return m.Title
	}
	v := show(w, m.Value, unit)
	if m.interval() {
		return w.T("charts.mark_interval", "label", m.Label, "value", v,
			"low", show(w, m.Low, unit), "high", show(w, m.High, unit))
	}
	return w.T("charts.mark", "label", m.Label, "value", v)
}

// Table is rows of cells below their heads. The first cell of a row names it.
type Table struct {
	Caption string
	Head    []Cell
	Rows    [][]Cell
}

// Cell is one of a table.
type Cell struct {
	Text   string
	Href   string
	Number bool   // stands to the right
	Shape  string // a state: pass, fail, doubt, error
}

// column is a head and what stands below it for each row of a table.
type column struct {
	head, unit string
	value      func(i int) float64
}

// tableOf is a table of rows named by marks, with columns of numbers; what is no
// number is a dash.
func tableOf[M interface{ mark() Mark }](w Words, of string, marks []M, columns ...column) Table {
	t := Table{Head: []Cell{{Text: of}}}
	for _, c := range columns {
		t.Head = append(t.Head, Cell{Text: c.head, Number: true})
	}
	for i, m := range marks {
		row := []Cell{{Text: m.mark().Label, Href: m.mark().Href}}
		for _, c := range columns {
			cell := Cell{Text: "–", Number: true}
			if v := c.value(i); statistics.Finite(v) {
				cell.Text = show(w, v, c.unit)
			}
			row = append(row, cell)
		}
		t.Rows = append(t.Rows, row)
	}
	return t
}

func (m Mark) mark() Mark { return m }

// markTable is the table of marks with their values and intervals, and further
// columns.
func markTable(w Words, of, what, unit string, marks []Mark, more ...column) Table {
	columns := []column{{what, unit, func(i int) float64 { return marks[i].Value }}}
	if intervals(marks) {
		end := func(i int, v float64) float64 {
			if marks[i].interval() {
				return v
			}
			return math.NaN()
		}
		columns = append(columns, column{w.T("charts.from"), unit, func(i int) float64 { return end(i, marks[i].Low) }},
			column{w.T("charts.to"), unit, func(i int) float64 { return end(i, marks[i].High) }})
	}
	return tableOf(w, of, marks, append(columns, more...)...)
}

func intervals(marks []Mark) bool {
	for _, m := range marks {
		if m.interval() {
			return true
		}
	}
	return false
}

package draw

import (
	"math"
	"strconv"
	"strings"

	"fullthrow/reports"
	"fullthrow/reports/statistics"
)

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

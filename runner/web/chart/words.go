package chart

import (
	"html/template"
	"math"
)

// Words write in the reader's language.
type Words interface {
	T(id string, args ...any) string
	Number(x float64) string
	Fixed(x float64, decimals int) string
	Percent(x float64) string
	PercentFixed(x float64, decimals int) string
	Quantity(x float64, unit string) string
}

// Percent is the unit of fractions that are shown as percentages.
const Percent = "percent"

// show writes a value of a unit for people.
func show(w Words, x float64, unit string) string {
	switch unit {
	case Percent:
		return w.Percent(x)
	case "", "1":
		switch size := math.Abs(x); {
		case !finite(x) || x == math.Trunc(x):
			return w.Number(x)
		case size >= 1000:
			return w.Fixed(x, 1)
		}
		return w.Quantity(x, "1")
	}
	return w.Quantity(x, unit)
}

// Mark is one value of a chart.
type Mark struct {
	Label     string  // at the axis
	Value     float64 // NaN: there is none
	Low, High float64 // interval around it; equal: none
	Title     string  // what a pointer or a screen reader gets; made from the rest if empty
	Href      string  // the units behind it: a path of this server
}

func (m Mark) interval() bool { return m.Low != m.High && finite(m.Low) && finite(m.High) }

// words names a mark with its value and interval.
func (m Mark) words(w Words, unit string) string {
	if m.Title != "" {
		return m.Title
	}
	v := show(w, m.Value, unit)
	if m.interval() {
		return w.T("charts.mark_interval", "label", m.Label, "value", v, "low", show(w, m.Low, unit), "high", show(w, m.High, unit))
	}
	return w.T("charts.mark", "label", m.Label, "value", v)
}

// Drawing is a chart ready for a page.
type Drawing struct {
	SVG   template.HTML
	Table Table    // the numbers in the drawing
	Notes []string // what the drawing leaves out
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

func text(s string) Cell { return Cell{Text: s} }

func number(s string) Cell { return Cell{Text: s, Number: true} }

// value is a cell with a value, or a dash.
func value(w Words, x float64, unit string) Cell {
	if !finite(x) {
		return number("–")
	}
	return number(show(w, x, unit))
}

// markTable is the table of marks with one value each.
func markTable(w Words, of, what, unit string, marks []Mark) Table {
	t := Table{Head: []Cell{text(of), number(what)}}
	with := intervals(marks)
	if with {
		t.Head = append(t.Head, number(w.T("charts.from")), number(w.T("charts.to")))
	}
	for _, m := range marks {
		row := []Cell{{Text: m.Label, Href: m.Href}, value(w, m.Value, unit)}
		if with {
			if m.interval() {
				row = append(row, value(w, m.Low, unit), value(w, m.High, unit))
			} else {
				row = append(row, number("–"), number("–"))
			}
		}
		t.Rows = append(t.Rows, row)
	}
	return t
}

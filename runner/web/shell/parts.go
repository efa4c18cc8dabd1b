package shell

import (
	"html/template"

	"fullthrow/reports/draw"
)

// Figure is a number with how sure it is and what it means, all in the reader's
// language: template "figures" takes a slice of them.
type Figure struct {
	Name     string // "First-pass yield"
	Explain  string // what that is, for who asks
	Value    string // "95.3 %"
	Interval string // "92.1 % to 97.3 %, with 95 % confidence"
	Meaning  string // "12 of 256 units failed their first run"
	Shape    string // pass, fail, doubt, error where the number is good or bad; else ""
	Href     string // the units behind it
}

// Term is a word of the trade with its explanation.
type Term struct{ Word, Text string }

// Empty says that there is nothing to show, why, and where to go.
type Empty struct {
	Title, Text string
	Link        Link
}

// Notice is what needs to be read first.
type Notice struct {
	Shape string // pass, fail, doubt, error, aborted, none
	Title string
	Text  []string
}

// Pager leads through what is too long for one page.
type Pager struct {
	From, To, Total int    // of what is shown, counted from 1
	Previous, Next  string // addresses, "" at the ends
}

// Table is rows of cells below their heads.
type Table = draw.Table

// Cell is one of a table.
type Cell = draw.Cell

// Chart is a drawing with its words and the numbers beside it.
type Chart struct {
	ID      string
	Title   string
	Caption string // one sentence: how to read it
	SVG     template.HTML
	Notes   []string // what was left out, which rule fired
	Table   Table
	Open    bool   // the numbers are shown at once
	CSV     string // where the same numbers are to be had as a file
}

// NewChart puts a drawing between its words.
func NewChart(title, caption string, d draw.Drawing) Chart {
	return Chart{Title: title, Caption: caption, SVG: d.SVG, Notes: d.Notes, Table: d.Table}
}

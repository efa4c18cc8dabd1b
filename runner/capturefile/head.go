package capturefile

import (
	"math"
	"slices"
	"strconv"
	"strings"

	"fullthrow/runner/input"
	"fullthrow/runner/limits"
)

// What may stand before a table.
const (
	maxHead      = 256
	maxHeadBytes = 1 << 20
)

// head is what stands before the first row of numbers: an instrument's
// settings, the names of the columns, their units. It is kept until the table
// is found.
type head struct {
	lines []headLine
	bytes int
	// of rows that are counted, not timed; interval 0: they are not
	start, interval float64
}

type headLine struct {
	line int
	text string
}

// timeNames are what instruments call the column of times. "x" and "t" are it
// only with a unit of time.
var timeNames = map[string]bool{
	"time": true, "x_axis": true, "x": true, "t": true, "second": true, "seconds": true, "sec": true, "zeit": true,
	"temps": true, "tiempo": true, "tempo": true, "时间": true,
}

// unitWords are units as instruments write them out.
var unitWords = map[string]string{
	"second": "s", "seconds": "s", "sec": "s", "msec": "ms", "usec": "us", "nsec": "ns", "millisecond": "ms",
	"milliseconds": "ms", "microseconds": "us", "volt": "V", "volts": "V", "ampere": "A", "amperes": "A", "amp": "A",
	"amps": "A", "watt": "W", "hertz": "Hz", "percent": "%",
}

// wordNames are quantities that are words or truths, or go with them: a row
// that has one names columns.
var wordNames = map[string]bool{
	"axis": true, "group": true, "lost": true, "started": true, "running": true, "direction": true,
	"from": true, "release": true,
}

// plainUnit is a unit as limit files have it, "" for what is none. It takes
// brackets away.
func plainUnit(text string) string {
	text = strings.TrimSpace(text)
	if n := len(text); n > 2 && (text[0] == '(' && text[n-1] == ')' || text[0] == '[' && text[n-1] == ']') {
		text = strings.TrimSpace(text[1 : n-1])
	}
	if u := unitWords[strings.ToLower(text)]; u != "" {
		return u
	}
	if _, err := limits.UnitBase(text); err != nil || text == "1" {
		return ""
	}
	return text
}

// timeUnit reads a unit of a column of times: "mS" is written for ms, and a
// column named seconds needs none.
func (c *column) timeUnit() {
	if !timeNames[c.quantity] {
		return
	}
	switch c.unit {
	case "S", "mS", "uS", "µS", "nS":
		c.unit = strings.Replace(c.unit, "S", "s", 1)
	case "":
		if plainUnit(c.quantity) == "s" {
			c.unit = "s"
		}
	}
}

// otherTime is the column of times where it has another name; nil if there is
// none, or it is not clear which.
func (f *File) otherTime() *column {
	var found *column
	for _, c := range f.columns {
		if base, err := limits.UnitBase(c.unit); !timeNames[c.quantity] || err != nil || base != "s" {
			continue
		}
		if found != nil {
			return nil
		}
		found = c
	}
	return found
}

// begin takes a line that stands before the table, or is its first.
func (f *File) begin(line int, text string) error {
	h := &f.head
	h.lines = append(h.lines, headLine{line, text})
	h.bytes += len(text)
	last := len(h.lines) - 1
	switch {
	case f.numbersOnly(text):
		return f.settle(last)
	case last == 1 && f.names(h.lines[0].text, text):
		return f.settle(1)
	case len(h.lines) >= maxHead || h.bytes > maxHeadBytes:
		return f.settle(f.guess())
	}
	return nil
}

// guess is the first row where none is plain: the one below a row of names, or
// the second line.
func (f *File) guess() int {
	for i := 1; i < len(f.head.lines); i++ {
		if f.names(f.head.lines[i-1].text, f.head.lines[i].text) {
			return i
		}
	}
	return min(1, len(f.head.lines))
}

// separator is what separates the columns of a line.
func (f *File) separator(text string) byte {
	switch {
	case f.comma != 0:
		return f.comma
	case strings.Contains(text, ";") || f.number.said == "comma" && !strings.Contains(text, "\t"):
		return ';'
	case strings.Contains(text, "\t"):
		return '\t'
	}
	return ','
}

// split is a line of the head; nil if its quotation marks do not match.
func (f *File) split(text string) []string {
	cells, err := f.cellsBy(f.separator(text), 0, text)
	if err != nil {
		return nil
	}
	for i := range cells {
		cells[i] = strings.TrimSpace(cells[i])
	}
	return trimmed(cells, 0)
}

// trimmed takes empty cells at the end away, those beyond least.
func trimmed(cells []string, least int) []string {
	for len(cells) > least && strings.TrimSpace(cells[len(cells)-1]) == "" {
		cells = cells[:len(cells)-1]
	}
	return cells
}

// numbersOnly reports whether a line is a row of nothing but numbers.
func (f *File) numbersOnly(text string) bool {
	numbers := 0
	for _, cell := range f.split(text) {
		v, _, ok := number(cell)
		switch {
		case ok || overload(cell, v):
			numbers++
		case cell != "" && cell != "-":
			return false
		}
	}
	return numbers > 0
}

// names reports whether a line names columns in our own form, with units or
// known words, and the next is a row below it: it has numbers where there are
// units.
func (f *File) names(text, next string) bool {
	cells, below := f.split(text), f.split(next)
	named, numbers := 0, 0
	for i, cell := range cells {
		if _, _, ok := number(cell); ok || cell == "" {
			return false
		}
		c, err := newColumn(f, 0, cell)
		if err != nil {
			return false
		}
		if c.unit != "" || wordNames[c.quantity] {
			named++
		}
		if i < len(below) {
			_, _, ok := number(below[i])
			if ok || overload(below[i], 0) {
				numbers++
			}
			if c.unit != "" && plainUnit(below[i]) != "" {
				return false // a row of units follows
			}
		}
	}
	return named > 0 && numbers > 0
}

// settle makes columns of the head, where the line numbered first, from 0, is
// the first row, and takes that row and what follows it.
func (f *File) settle(first int) error {
	lines := f.head.lines
	f.head.lines = nil
	if first == 0 {
		return f.heading(lines[0], nil)
	}
	if first < len(lines) && f.comma == 0 {
		f.comma = f.separator(lines[first].text)
		if f.comma == ',' { // a column of decimal commas shows no separator
			f.comma = f.separator(lines[first-1].text)
		}
	}
	if first < len(lines) {
		if err := f.beside(lines[first], lines[:first]); err != nil {
			return err
		}
	}
	named, units, err := f.above(lines[:first])
	if err != nil {
		return err
	}
	before := lines[:named]
	if err := f.heading(lines[named], units); err != nil {
		return err
	}
	f.unitsOf(before)
	if len(before) > 0 {
		f.note("columns named in line %d; %s above it not read as a table", lines[named].line, span(before))
	}
	if units != nil && named < first-1 {
		f.note("units in line %d", lines[first-1].line)
	}
	for _, l := range lines[first:] {
		if err := f.row(l.line, l.text); err != nil {
			return err
		}
	}
	if t := f.find("time"); t != nil && t.quantity != "time" {
		f.note("%q is the time", t.label)
	}
	return nil
}

func span(lines []headLine) string {
	a, b := lines[0].line, lines[len(lines)-1].line
	if a == b {
		return "line " + strconv.Itoa(a)
	}
	return "lines " + strconv.Itoa(a) + " to " + strconv.Itoa(b)
}

// beside refuses settings that stand in columns of their own beside the
// samples.
func (f *File) beside(row headLine, above []headLine) error {
	cells := f.split(row.text)
	lead := 0
	for lead < len(cells) && cells[lead] == "" {
		lead++
	}
	if lead == 0 || lead == len(cells) {
		return nil
	}
	for _, l := range above {
		other := f.split(l.text)
		if len(other) != len(cells) || other[0] == "" {
			continue
		}
		if _, _, ok := number(other[len(other)-1]); ok {
			return f.wrong(l.line, "keep the columns of the samples alone, and name them in a row above: "+
				`"time / s, voltage / V"`, "settings stand in columns beside the samples")
		}
	}
	return nil
}

// above finds the row of names, the index of it, and their units where they
// stand in a row of their own.
func (f *File) above(lines []headLine) (named int, units []string, err error) {
	last := len(lines) - 1
	cells := f.split(lines[last].text)
	if last > 0 && len(cells) > 0 && strings.EqualFold(cells[0], "sequence") {
		return f.counted(lines, cells)
	}
	for _, cell := range cells {
		u := plainUnit(cell)
		if u == "" && (cell != "" || len(cells) < 2) {
			return last, nil, nil // names
		}
		units = append(units, u)
	}
	if len(cells) == 0 {
		return last, nil, nil
	}
	base, _ := limits.UnitBase(units[0])
	timed := base == "s"
	if last == 0 {
		if !timed {
			units = nil // a column may be named A
		}
		return last, units, nil
	}
	names := f.split(lines[last-1].text)
	bracketed := strings.ContainsAny(cells[0], "([")
	plain := len(names) == len(cells)
	for _, n := range names {
		plain = plain && n != ""
	}
	known := false
	if len(names) > 0 {
		c, err := newColumn(f, 0, names[0])
		known = err == nil && timeNames[c.quantity]
	}
	switch {
	case plain && (known || bracketed || last == 1 && !timed):
		return last - 1, units, nil
	case timed && !bracketed:
		return last, units, nil // the units are all the names there are
	}
	return 0, nil, f.wrong(lines[last].line, `write names and units in one row: "time / s, voltage / V"`,
		"this may be a row of units, and the one above does not name the columns")
}

// counted takes rows that are numbered, with the first moment and the interval
// of the samples in the head.
func (f *File) counted(lines []headLine, cells []string) (named int, units []string, err error) {
	named = len(lines) - 2
	names := f.split(lines[named].text)
	wrong := func() (int, []string, error) {
		return 0, nil, f.wrong(lines[named+1].line, `name the columns, and state the rate above: "# rate: 10 kHz"`,
			"rows are counted, and where the first is and how far apart they are is not told")
	}
	k := slices.IndexFunc(names, func(s string) bool { return strings.EqualFold(s, "start") })
	if k < 2 || len(names) < k+2 || !strings.EqualFold(names[k+1], "increment") || len(cells) < k+2 {
		return wrong()
	}
	start, _, ok1 := number(cells[k])
	step, _, ok2 := number(cells[k+1])
	if !ok1 || !ok2 || !(step >= 1e-9*1e-3 && step < 1e9) || math.Abs(start) > 1e9 {
		return wrong()
	}
	f.head.start, f.head.interval = start, step
	units = []string{""}
	for _, c := range cells[1:k] {
		units = append(units, plainUnit(c))
	}
	f.note("rows are counted: the first at %.9g s, %.9g s apart, as line %d says", start, step, lines[named+1].line)
	return named, units, nil
}

// heading takes the row that names the columns; units is nil where they stand
// with the names.
func (f *File) heading(l headLine, units []string) error {
	line := l.line
	f.header = line
	f.comma = f.separator(l.text)
	if f.comma == ',' && f.number.said == "comma" {
		return f.wrong(line, "separate the columns by semicolons", "comma as decimal sign and between columns")
	}
	names, err := f.cells(line, l.text)
	if err != nil {
		return err
	}
	if names = trimmed(names, 1); f.head.interval > 0 {
		names = names[:len(units)] // start and increment are no columns
	}
	if len(names) > maxColumns {
		return f.wrong(line, "", "%d columns, at most %d can be read", len(names), maxColumns)
	}
	numbers := 0
	for i, name := range names {
		if units != nil && i < len(units) {
			_, _, ok := number(strings.TrimSpace(name))
			if ok { // a channel's
				name = "channel " + strings.TrimSpace(name)
			}
		}
		if f.head.interval > 0 && i == 0 {
			name = "sequence"
		}
		c, err := newColumn(f, line, name)
		if err != nil {
			return err
		}
		if units != nil && i < len(units) && units[i] != "" {
			if alone := plainUnit(strings.TrimSpace(name)); c.unit == "" && alone == units[i] {
				c.nameByUnit(units[i])
			}
			if c.unit != "" && c.unit != units[i] {
				return f.wrong(line, "", "column %q is said to be in %s as well", c.label, units[i])
			}
			c.unit = units[i]
		}
		if _, _, ok := number(c.label); ok {
			numbers++
		}
		for _, other := range f.columns[:i] {
			if other.quantity == c.quantity {
				return f.wrong(line, "", "two columns are named %q", c.quantity)
			}
		}
		f.columns = append(f.columns, c)
	}
	if numbers > 0 {
		text := "the first row holds numbers, not the names of the columns"
		if numbers < len(names) {
			text = "the row above the numbers holds a number itself, and does not name the columns"
		}
		return f.wrong(line, `write a row like "time / s, current / A" above the numbers`, "%s", text)
	}
	return nil
}

// nameByUnit names a column of which only the unit is told.
func (c *column) nameByUnit(unit string) {
	switch base, _ := limits.UnitBase(unit); base {
	case "s":
		c.quantity = "time"
	case "V":
		c.quantity = "voltage"
	case "A":
		c.quantity = "current"
	}
}

// unitsOf takes units from settings: "Horizontal Units,s" and "Vertical
// Units,V" or "Vertical Units,CH1:V".
func (f *File) unitsOf(settings []headLine) {
	time := f.find("time")
	if time == nil {
		for _, c := range f.columns {
			if timeNames[c.quantity] && c.unit == "" {
				time = c
				break
			}
		}
	}
	for _, l := range settings {
		cells := f.split(l.text)
		if len(cells) == 1 {
			if key, value, ok := strings.Cut(cells[0], ":"); ok {
				cells = []string{key, strings.TrimSpace(value)}
			}
		}
		if len(cells) < 2 {
			continue
		}
		key := strings.ToLower(strings.Trim(cells[0], " :"))
		key = strings.TrimSuffix(strings.ReplaceAll(key, "-", " "), "s")
		switch key {
		case "horizontal unit", "x unit", "time unit", "x axis unit":
			if u := plainUnit(cells[1]); time != nil && time.unit == "" && u != "" {
				time.unit = u
				f.note("%q is in %s, as line %d says", time.label, u, l.line)
			}
		case "vertical unit", "y unit", "y axis unit":
			k := 1
			for _, c := range f.columns {
				if c == time || c.unit != "" || k >= len(cells) {
					continue
				}
				text := cells[k]
				if name, unit, ok := strings.Cut(text, ":"); ok {
					if !strings.EqualFold(strings.TrimSpace(name), c.label) && len(f.columns) > 2 {
						continue
					}
					text = unit
				}
				if u := plainUnit(text); u != "" {
					c.unit = u
					f.note("%q is in %s, as line %d says", c.label, u, l.line)
				}
				k++
			}
		}
	}
}

// SetUnit states the unit of a column that has none in the file. It reports
// whether there is such a column.
func (f *File) SetUnit(name, unit string) (bool, error) {
	for _, c := range f.columns {
		if !strings.EqualFold(c.label, name) && c.quantity != strings.ToLower(name) {
			continue
		}
		if _, err := limits.UnitBase(unit); err != nil {
			return true, f.wrong(f.header, `units as in limit files: "mA"`, "column %q: %v", c.label, err)
		}
		if c.unit != "" && c.unit != unit {
			return true, f.wrong(f.header, "", "column %q is in %s, as the file says, not in %s", c.label, c.unit, unit)
		}
		c.unit = unit
		return true, nil
	}
	return false, nil
}

// missingTime is what to do about a table without a column of times.
func (f *File) missingTime(have []string) string {
	for _, c := range f.columns {
		if timeNames[c.quantity] && c.unit == "" {
			return `if "` + c.label + `" is the time, write "` + c.label + ` / s", or give --unit "` + c.label + `=s"`
		}
	}
	if s := input.Near("time", have); s != "" {
		return `did you mean the column "` + s + `"?`
	}
	return "it has " + clip(strings.Join(have, ", ")) + `; "# rate: 10 kHz" above the first row does without times`
}

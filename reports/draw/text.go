package draw

import (
	"math"
	"slices"
	"strings"
	"unicode/utf8"

	"fullthrow/reports/statistics"
)

// Ruler draws where x lies between two limits: ├──────●────┤. Outside it the
// mark stands beyond the end it has passed. x must not be NaN, and lower must be
// below upper.
func Ruler(x, lower, upper float64, cells int) string {
	body := []rune(strings.Repeat("─", cells))
	before, after := "  ", "  "
	switch {
	case x < lower:
		before = "● "
	case x > upper:
		after = " ●"
	default:
		body[min(int((x-lower)/(upper-lower)*float64(cells)), cells-1)] = '●'
	}
	return before + "├" + string(body) + "┤" + after
}

// Cells draws intervals in so many cells of text between two values.
type Cells struct {
	Low, High float64
	Cells     int
	Mark      float64 // a line to compare with; NaN none
}

// ShareCells suits shares of which these are the lowest ends: from the roundest
// value below all of them to 1.
func ShareCells(cells int, mark float64, lows ...float64) Cells {
	a := Cells{0, 1, cells, mark}
	least := mark
	for _, v := range lows {
		if !(v >= least) {
			least = v
		}
	}
	for _, x := range []float64{0.5, 0.8, 0.9, 0.95, 0.99} {
		if x <= least {
			a.Low = x
		}
	}
	return a
}

func (a Cells) cell(x float64) int {
	return min(max(int((x-a.Low)/(a.High-a.Low)*float64(a.Cells)), 0), a.Cells-1)
}

// Interval draws ├──●──┤, and the mark as a broken line: ╎, where the interval
// crosses it ┼. A value that is not a number leaves the mark alone.
func (a Cells) Interval(low, value, high float64) string {
	row := []rune(strings.Repeat(" ", a.Cells))
	mark := -1
	if !math.IsNaN(a.Mark) {
		mark = a.cell(a.Mark)
		row[mark] = '╎'
	}
	if math.IsNaN(value) {
		return string(row)
	}
	from, to := a.cell(low), a.cell(high)
	for i := from; i <= to; i++ {
		row[i] = '─'
		if i == mark {
			row[i] = '┼'
		}
	}
	row[from], row[to] = '├', '┤'
	row[a.cell(value)] = '●'
	return string(row)
}

// Ends names the ends, above the cells.
func (a Cells) Ends(format func(float64) string) string {
	l, h := format(a.Low), format(a.High)
	return l + strings.Repeat(" ", max(a.Cells-utf8.RuneCountInString(l+h), 1)) + h
}

// TextBar draws a share of the longest bar, to half a cell; what is there is
// never invisible.
func TextBar(share float64, cells int) string {
	if !(share > 0) {
		return ""
	}
	halves := max(int(math.Round(2*min(share, 1)*float64(cells))), 1)
	return strings.Repeat("█", halves/2) + strings.Repeat("▌", halves%2)
}

// Text draws a panel of points in slots as lines of text, at most so many
// columns wide: points as •, those of a finding as ◆, the limits as broken lines
// and all others as full ones, with their words at the left. More points than
// columns share columns. Points far outside the lines, which would press all
// others together, stand at the edge as ▲ or ▼; over and under then say where,
// and are NaN otherwise.
func (p Panel) Text(columns, rows int) (lines []string, under, over float64) {
	n := len(p.X.Slots)
	if n == 0 {
		return nil, math.NaN(), math.NaN()
	}
	low, high, under, over := p.textRange()
	row := func(v float64) int {
		return min(max(int(math.Round((high-v)/(high-low)*float64(rows-1))), 0), rows-1)
	}
	labels, margin := make([]string, rows), 0
	for _, l := range p.Lines {
		if at := row(l.last()); l.Words != "" && statistics.Finite(l.last()) && labels[at] == "" {
			labels[at] = l.Words
			margin = max(margin, utf8.RuneCountInString(l.Words))
		}
	}
	cells := max(columns-margin-2, 20)
	step := min(max(cells/n, 1), 8)
	cells = min(cells, n*step)
	column := func(i int) int { return min(i*step, i*cells/n) }
	field := make([][]rune, rows)
	for r := range field {
		field[r] = []rune(strings.Repeat(" ", cells))
	}
	for _, l := range p.Lines {
		pen := '─'
		if l.Class == "limit" {
			pen = '╌'
		}
		for i, v := range l.Y {
			for c := column(i); l.Steps && statistics.Finite(v) && c < min(max(column(i+1), column(i)+1), cells); c++ {
				field[row(v)][c] = pen
			}
		}
	}
	for _, found := range []bool{false, true} { // those that matter on top
		for _, x := range p.Points {
			mark := '•'
			switch {
			case found != x.Found || !statistics.Finite(x.Y):
				continue
			case x.Y > high:
				mark = '▲'
			case x.Y < low:
				mark = '▼'
			case found:
				mark = '◆'
			}
			field[row(x.Y)][column(int(x.X))] = mark
		}
	}
	pad := func(s string) string { return strings.Repeat(" ", margin-utf8.RuneCountInString(s)) + s }
	for r, cells := range field {
		lines = append(lines, strings.TrimRight(pad(labels[r])+" │"+string(cells), " "))
	}
	from, to := p.X.Slots[0], p.X.Slots[n-1]
	gap := max(cells-utf8.RuneCountInString(from+to), 2)
	return append(lines, pad("")+"  "+from+strings.Repeat(" ", gap)+to), under, over
}

// textRange is what is shown, which has a span, and between what the points lie
// beyond it. It holds the lines, and points up to half their distance beyond.
func (p Panel) textRange() (low, high, under, over float64) {
	lines, points := Axis{}, Axis{}
	for _, l := range p.Lines {
		if l.Steps {
			lines.hold(l.Y...)
		}
	}
	for _, x := range p.Points {
		points.hold(x.Y)
	}
	least, most := points.low, points.high
	if span := lines.high - lines.low; span > 0 {
		points.low, points.high = max(least, lines.low-span/2), min(most, lines.high+span/2)
	}
	if !lines.used {
		lines = points
	}
	low, high = min(lines.low, points.low), max(lines.high, points.high)
	if low == high {
		low, high = low-1, high+1
	}
	under, over = math.NaN(), math.NaN()
	if least < low {
		under = least
	}
	if most > high {
		over = most
	}
	return low, high, under, over
}

// Window is what of values is worth drawing: the middle 98 %, or all where that
// is not much more, and the limits (nil: none) if they are not far off.
func Window(values []float64, limits ...*float64) (low, high float64) {
	sorted := slices.Sorted(slices.Values(values))
	n := len(sorted)
	out := n / 100
	low, high = sorted[out], sorted[n-1-out]
	if all := sorted[n-1] - sorted[0]; all <= 2*(high-low) || low == high {
		low, high = sorted[0], sorted[n-1]
	}
	reach := 2 * (high - low)
	for _, v := range limits {
		if v != nil && *v > low-reach && *v < high+reach {
			low, high = min(low, *v), max(high, *v)
		}
	}
	return low, high
}

package terminal

import (
	"math"
	"strings"

	"fullthrow/reports/yield"
)

// widest is how wide sentences are set, however wide the terminal is.
const widest = 100

// Room is how many columns there are: of the terminal, or 80 where the output
// goes elsewhere. One less than full: a full line begins another by itself.
func (s *Screen) Room() int {
	if s.width > 0 {
		return max(s.width-1, 40)
	}
	return 79
}

// Tell writes sentences, broken to the room there is, each line after a margin.
func (s *Screen) Tell(margin int, text string) {
	s.Say("%s", strings.Join(folded(text, min(s.Room(), widest)-margin, strings.Repeat(" ", margin)), "\n"))
}

// Item writes a sentence behind a mark, what is broken off set below the
// sentence.
func (s *Screen) Item(mark, text string) {
	lines := folded(text, min(s.Room(), widest)-4, "    ")
	s.Say("  %s %s", mark, strings.TrimLeft(strings.Join(lines, "\n"), " "))
}

// folded breaks text into lines of at most width columns, a margin before each.
// A word longer than that is left whole.
func folded(text string, width int, margin string) []string {
	var lines []string
	for paragraph := range strings.SplitSeq(strings.TrimSpace(text), "\n") {
		line, n := "", 0
		for _, word := range withUnits(strings.Fields(paragraph)) {
			if w := Columns(word); n > 0 && n+1+w > width {
				lines = append(lines, margin+line)
				line, n = word, w
				continue
			} else if n > 0 {
				line, n = line+" "+word, n+1+w
				continue
			}
			line, n = word, Columns(word)
		}
		lines = append(lines, strings.TrimRight(margin+line, " "))
	}
	return lines
}

// withUnits joins a number and the short word after it, mostly its unit.
func withUnits(words []string) []string {
	var list []string
	for i, w := range words {
		if i > 0 && Columns(w) <= 3 {
			if last := words[i-1]; last[len(last)-1] >= '0' && last[len(last)-1] <= '9' {
				list[len(list)-1] += " " + w
				continue
			}
		}
		list = append(list, w)
	}
	return list
}

// Grid is a table for people. Its columns are set apart by two blanks; the
// last may be long and is broken below itself.
type Grid struct {
	Right string // one letter a column: r right, l left; further ones left
	Head  []string
	rows  [][]string

	titles map[int]string // above the row of that number
}

func (g *Grid) Add(cells ...string) { g.rows = append(g.rows, cells) }

// Title puts a sentence above the row that follows.
func (g *Grid) Title(text string) {
	if g.titles == nil {
		g.titles = map[int]string{}
	}
	g.titles[len(g.rows)] = text
}

// Show writes the table, two blanks before each line. Columns without anything
// in them are left out.
func (g *Grid) Show(s *Screen) {
	all := g.rows
	if len(g.Head) > 0 {
		all = append([][]string{g.Head}, all...)
	}
	var widths []int
	filled := map[int]bool{}
	for k, row := range all {
		for i, c := range row {
			if i == len(widths) {
				widths = append(widths, 0)
			}
			widths[i] = max(widths[i], Columns(c))
			if c != "" && (k > 0 || len(g.Head) == 0) {
				filled[i] = true
			}
		}
	}
	last := len(widths) - 1
	for last > 0 && !filled[last] {
		last--
	}
	for k, row := range all {
		if title := g.titles[k-(len(all)-len(g.rows))]; title != "" {
			s.Tell(2, s.Strong(title))
		}
		line, at := "  ", 2
		for i, c := range row {
			if !filled[i] {
				continue
			}
			if i == last {
				if room := max(s.Room()-at, 20); Columns(c) > room {
					c = strings.TrimLeft(strings.Join(folded(c, room, strings.Repeat(" ", at)), "\n"), " ")
				}
				line += c
				break
			}
			pad := strings.Repeat(" ", widths[i]-Columns(c))
			if i < len(g.Right) && g.Right[i] == 'r' {
				line += pad + c + "  "
			} else {
				line += c + pad + "  "
			}
			at += widths[i] + 2
		}
		line = strings.TrimRight(line, " ")
		if k == 0 && len(g.Head) > 0 {
			line = s.Faint(line)
		}
		s.Say("%s", line)
	}
}

// scale draws intervals in so many cells between two values.
type scale struct {
	low, high float64
	cells     int
	mark      float64 // a line to compare with; NaN none
}

// ShareScale suits the shares given: from the roundest value below all of them
// to 1.
func ShareScale(cells int, mark float64, list ...yield.Share) scale {
	least := 1.0
	for _, s := range list {
		if s.Known() {
			least = min(least, s.Low)
		}
	}
	if !math.IsNaN(mark) {
		least = min(least, mark)
	}
	a := scale{0, 1, cells, mark}
	for _, x := range []float64{0.5, 0.8, 0.9, 0.95, 0.99} {
		if x <= least {
			a.low = x
		}
	}
	return a
}

func (a scale) cell(x float64) int {
	return min(max(int((x-a.low)/(a.high-a.low)*float64(a.cells)), 0), a.cells-1)
}

// interval draws ├──●──┤, and the mark as a broken line: ╎, where the interval
// crosses it ┼.
func (a scale) interval(low, value, high float64) string {
	row := []rune(strings.Repeat(" ", a.cells))
	mark := -1
	if !math.IsNaN(a.mark) {
		mark = a.cell(a.mark)
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

func (a scale) Share(s yield.Share) string { return a.interval(s.Low, s.Value, s.High) }

// Ends names the scale's ends, above its cells.
func (a scale) Ends(format func(float64) string) string {
	l, h := format(a.low), format(a.high)
	return l + strings.Repeat(" ", max(a.cells-Columns(l)-Columns(h), 1)) + h
}

// Bar draws a share of the longest bar, to half a cell; what is there is never
// invisible.
func Bar(share float64, cells int) string {
	if !(share > 0) {
		return ""
	}
	halves := max(int(math.Round(2*min(share, 1)*float64(cells))), 1)
	return strings.Repeat("█", halves/2) + strings.Repeat("▌", halves%2)
}

// WholePercent is a share for the ends of a scale: "80 %".
func WholePercent(x float64) string { return yield.PercentDigits(x, 0) }

// FromTo is an interval in a table: "78.4 % to 91.0 %".
func FromTo(s yield.Share) string {
	if !s.Known() {
		return ""
	}
	return yield.Percent(s.Low) + " to " + yield.Percent(s.High)
}

// Glossary says what words mean, under everything else.
func Glossary(s *Screen, terms ...string) {
	s.Say("\n%s", s.Strong("What the words mean"))
	for _, key := range terms {
		if t := yield.Explain(key); t.Name != "" {
			lines := folded(t.String(), min(s.Room(), widest)-4, "    ")
			s.Say("%s", s.Faint("  "+strings.TrimLeft(strings.Join(lines, "\n"), " ")))
		}
	}
}

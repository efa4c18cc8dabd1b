package main

import (
	"math"
	"strings"
	"sync"
	"time"

	"fullthrow/reports/wording"
	"fullthrow/reports/yield"
)

// widest is how wide sentences are set, however wide the terminal is.
const widest = 100

// room is how many columns there are: of the terminal, or 80 where the output
// goes elsewhere. One less than full: a full line begins another by itself.
func (s *screen) room() int {
	if s.width > 0 {
		return max(s.width-1, 40)
	}
	return 79
}

// tell writes sentences, broken to the room there is, each line after a margin.
func (s *screen) tell(margin int, text string) {
	s.say("%s", strings.Join(folded(text, min(s.room(), widest)-margin, strings.Repeat(" ", margin)), "\n"))
}

// item writes a sentence behind a mark, what is broken off set below the
// sentence.
func (s *screen) item(mark, text string) {
	lines := folded(text, min(s.room(), widest)-4, "    ")
	s.say("  %s %s", mark, strings.TrimLeft(strings.Join(lines, "\n"), " "))
}

// folded breaks text into lines of at most width columns, a margin before each.
// A word longer than that is left whole.
func folded(text string, width int, margin string) []string {
	var lines []string
	for paragraph := range strings.SplitSeq(strings.TrimSpace(text), "\n") {
		line, n := "", 0
		for _, word := range withUnits(strings.Fields(paragraph)) {
			if w := columns(word); n > 0 && n+1+w > width {
				lines = append(lines, margin+line)
				line, n = word, w
				continue
			} else if n > 0 {
				line, n = line+" "+word, n+1+w
				continue
			}
			line, n = word, columns(word)
		}
		lines = append(lines, strings.TrimRight(margin+line, " "))
	}
	return lines
}

// withUnits joins a number and the short word after it, mostly its unit.
func withUnits(words []string) []string {
	var list []string
	for i, w := range words {
		if i > 0 && columns(w) <= 3 {
			if last := words[i-1]; last[len(last)-1] >= '0' && last[len(last)-1] <= '9' {
				list[len(list)-1] += " " + w
				continue
			}
		}
		list = append(list, w)
	}
	return list
}

// grid is a table for people. Its columns are set apart by two blanks; the
// last may be long and is broken below itself.
type grid struct {
	right string // one letter a column: r right, l left; further ones left
	head  []string
	rows  [][]string

	titles map[int]string // above the row of that number
}

func (g *grid) add(cells ...string) { g.rows = append(g.rows, cells) }

// title puts a sentence above the row that follows.
func (g *grid) title(text string) {
	if g.titles == nil {
		g.titles = map[int]string{}
	}
	g.titles[len(g.rows)] = text
}

// show writes the table, two blanks before each line. Columns without anything
// in them are left out.
func (g *grid) show(s *screen) {
	all := g.rows
	if len(g.head) > 0 {
		all = append([][]string{g.head}, all...)
	}
	var widths []int
	filled := map[int]bool{}
	for k, row := range all {
		for i, c := range row {
			if i == len(widths) {
				widths = append(widths, 0)
			}
			widths[i] = max(widths[i], columns(c))
			if c != "" && (k > 0 || len(g.head) == 0) {
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
			s.tell(2, s.strong(title))
		}
		line, at := "  ", 2
		for i, c := range row {
			if !filled[i] {
				continue
			}
			if i == last {
				if room := max(s.room()-at, 20); columns(c) > room {
					c = strings.TrimLeft(strings.Join(folded(c, room, strings.Repeat(" ", at)), "\n"), " ")
				}
				line += c
				break
			}
			pad := strings.Repeat(" ", widths[i]-columns(c))
			if i < len(g.right) && g.right[i] == 'r' {
				line += pad + c + "  "
			} else {
				line += c + pad + "  "
			}
			at += widths[i] + 2
		}
		line = strings.TrimRight(line, " ")
		if k == 0 && len(g.head) > 0 {
			line = s.faint(line)
		}
		s.say("%s", line)
	}
}

// scale draws intervals in so many cells between two values.
type scale struct {
	low, high float64
	cells     int
	mark      float64 // a line to compare with; NaN none
}

// shareScale suits the shares given: from the roundest value below all of them
// to 1.
func shareScale(cells int, mark float64, list ...yield.Share) scale {
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

func (a scale) share(s yield.Share) string { return a.interval(s.Low, s.Value, s.High) }

// ends names the scale's ends, above its cells.
func (a scale) ends(format func(float64) string) string {
	l, h := format(a.low), format(a.high)
	return l + strings.Repeat(" ", max(a.cells-columns(l)-columns(h), 1)) + h
}

// bar draws a share of the longest bar, to half a cell; what is there is never
// invisible.
func bar(share float64, cells int) string {
	if !(share > 0) {
		return ""
	}
	halves := max(int(math.Round(2*min(share, 1)*float64(cells))), 1)
	return strings.Repeat("█", halves/2) + strings.Repeat("▌", halves%2)
}

// english writes what stands outside sentences, whatever it is about.
var english = sync.OnceValue(func() *wording.Translator {
	book, err := wording.NewBook(time.Local)
	if err != nil {
		panic(err) // the language files are built in, and tested
	}
	return book.Translator("en")
})

// inPercent is a share in a table: "84.6 %".
func inPercent(x float64) string { return plainSpaces(english().Column(x, 1)) }

// wholePercent is a share for the ends of a scale: "80 %".
func wholePercent(x float64) string { return plainSpaces(english().Column(x, 0)) }

// plainSpaces has no spaces but those of a keyboard.
func plainSpaces(s string) string {
	return strings.NewReplacer("\u00a0", " ", "\u202f", " ").Replace(s)
}

// fromTo is an interval in a table: "78.4 % to 91.0 %".
func fromTo(s yield.Share) string {
	if !s.Known() {
		return ""
	}
	return inPercent(s.Low) + " to " + inPercent(s.High)
}

// glossary says what words mean, under everything else.
func (q *question) glossary(terms ...string) {
	q.out.say("\n%s", q.out.strong("What the words mean"))
	for _, key := range terms {
		name, meaning := wording.Term(q.words, key)
		lines := folded(name+": "+meaning, min(q.out.room(), widest)-4, "    ")
		q.out.say("%s", q.out.faint("  "+strings.TrimLeft(strings.Join(lines, "\n"), " ")))
	}
}

// remarks are what must be known beside figures.
func (q *question) remarks(list []yield.Remark) {
	for _, text := range wording.Remarks(q.words, list) {
		q.out.tell(0, "note: "+text)
	}
}

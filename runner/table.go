package main

import (
	"strings"

	"fullthrow/reports/draw"
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

// shareCells are cells for intervals of shares, with a mark to compare with (NaN
// none).
func shareCells(cells int, mark float64, list ...yield.Share) draw.Cells {
	var lows []float64
	for _, s := range list {
		if s.Known() {
			lows = append(lows, s.Low)
		}
	}
	return draw.ShareCells(cells, mark, lows...)
}

// inCells draws a share with its interval.
func inCells(a draw.Cells, s yield.Share) string { return a.Interval(s.Low, s.Value, s.High) }

// wholePercent is a share for the ends of a scale: "80 %".
func wholePercent(x float64) string { return yield.PercentDigits(x, 0) }

// fromTo is an interval in a table: "78.4 % to 91.0 %".
func fromTo(s yield.Share) string {
	if !s.Known() {
		return ""
	}
	return yield.Percent(s.Low) + " to " + yield.Percent(s.High)
}

// glossary says what words mean, under everything else.
func glossary(s *screen, terms ...string) {
	s.say("\n%s", s.strong("What the words mean"))
	for _, key := range terms {
		if t := yield.Explain(key); t.Name != "" {
			lines := folded(t.String(), min(s.room(), widest)-4, "    ")
			s.say("%s", s.faint("  "+strings.TrimLeft(strings.Join(lines, "\n"), " ")))
		}
	}
}

package terminal

import (
	"fmt"
	"io"
	"os"
	"strings"
	"sync"
	"time"
	"unicode/utf8"

	"golang.org/x/term"

	"fullthrow/reports/draw"
	"fullthrow/reports/wording"
	"fullthrow/reports/yield"
)

// The codes of styles (ECMA-48, SGR): the only ones within lines.
const (
	strongCode = "\x1b[1m"
	faintCode  = "\x1b[2m"
	plainCode  = "\x1b[0m"
)

// Screen writes to people. On a terminal its last line is live: what is going
// on now, written over again and again. Piped, or with NO_COLOR set, it writes
// plain lines and nothing that moves a cursor. It may be used from any
// goroutine.
type Screen struct {
	mu    sync.Mutex
	w     io.Writer
	live  bool
	width int    // of the terminal, in columns
	line  string // the live line now shown
}

func NewScreen(w io.Writer) *Screen {
	w = Bare(w) // it does the same itself, but for its own codes
	s := &Screen{w: w}
	f := fileOf(w)
	if f == nil || os.Getenv("NO_COLOR") != "" || os.Getenv("TERM") == "dumb" || !term.IsTerminal(int(f.Fd())) {
		return s
	}
	s.live, s.width = true, 80
	if w, _, err := term.GetSize(int(f.Fd())); err == nil && w > 0 {
		s.width = w
	}
	return s
}

// Say writes whole lines.
func (s *Screen) Say(format string, args ...any) {
	s.mu.Lock()
	defer s.mu.Unlock()
	text := lines(fmt.Sprintf(format, args...), s.live)
	if !strings.HasSuffix(text, "\n") {
		text += "\n"
	}
	if s.live {
		// One column less: a full line makes a terminal begin another by itself.
		text = wording.Wrap(text, s.width-1)
	}
	if s.line != "" {
		text = "\r\x1b[K" + text + s.line
	}
	io.WriteString(s.w, text)
}

// Now sets the live line; "" takes it away. Without a terminal it does nothing.
func (s *Screen) Now(format string, args ...any) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if !s.live {
		return
	}
	text := Line(fmt.Sprintf(format, args...))
	if utf8.RuneCountInString(text) >= s.width {
		text = string([]rune(text)[:s.width-2]) + "…"
	}
	if text != s.line {
		io.WriteString(s.w, "\r\x1b[K"+text)
		s.line = text
	}
}

// Strong marks text that must be seen from afar; faint what may be passed
// over. Meaning is never in the style alone.
func (s *Screen) Strong(text string) string { return s.style(strongCode, text) }
func (s *Screen) Faint(text string) string  { return s.style(faintCode, text) }

func (s *Screen) style(code, text string) string {
	if !s.live || text == "" {
		return text
	}
	return code + text + plainCode
}

// fileOf is the file that w writes to, nil if it is none.
func fileOf(w any) *os.File {
	switch f := w.(type) {
	case *os.File:
		return f
	case interface{ File() *os.File }:
		return f.File()
	}
	return nil
}

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
			if w := wording.Columns(word); n > 0 && n+1+w > width {
				lines = append(lines, margin+line)
				line, n = word, w
				continue
			} else if n > 0 {
				line, n = line+" "+word, n+1+w
				continue
			}
			line, n = word, wording.Columns(word)
		}
		lines = append(lines, strings.TrimRight(margin+line, " "))
	}
	return lines
}

// withUnits joins a number and the short word after it, mostly its unit.
func withUnits(words []string) []string {
	var list []string
	for i, w := range words {
		if i > 0 && wording.Columns(w) <= 3 {
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
			widths[i] = max(widths[i], wording.Columns(c))
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
				if room := max(s.Room()-at, 20); wording.Columns(c) > room {
					c = strings.TrimLeft(strings.Join(folded(c, room, strings.Repeat(" ", at)), "\n"), " ")
				}
				line += c
				break
			}
			pad := strings.Repeat(" ", widths[i]-wording.Columns(c))
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

// ShareCells are cells for intervals of shares, with a mark to compare with (NaN
// none).
func ShareCells(cells int, mark float64, list ...yield.Share) draw.Cells {
	var lows []float64
	for _, s := range list {
		if s.Known() {
			lows = append(lows, s.Low)
		}
	}
	return draw.ShareCells(cells, mark, lows...)
}

// InCells draws a share with its interval.
func InCells(a draw.Cells, s yield.Share) string { return a.Interval(s.Low, s.Value, s.High) }

// English writes what stands outside sentences, whatever it is about.
var English = sync.OnceValue(func() *wording.Translator {
	book, err := wording.NewBook(time.Local)
	if err != nil {
		panic(err) // the language files are built in, and tested
	}
	return book.Translator("en")
})

// Percent is a share in a table: "84.6 %".
func Percent(x float64) string { return PlainSpaces(English().Column(x, 1)) }

// WholePercent is a share for the ends of a scale: "80 %".
func WholePercent(x float64) string { return PlainSpaces(English().Column(x, 0)) }

// PlainSpaces has no spaces but those of a keyboard.
func PlainSpaces(s string) string {
	return strings.NewReplacer("\u00a0", " ", "\u202f", " ").Replace(s)
}

// FromTo is an interval in a table: "78.4 % to 91.0 %".
func FromTo(s yield.Share) string {
	if !s.Known() {
		return ""
	}
	return Percent(s.Low) + " to " + Percent(s.High)
}

// Glossary says what words mean, under everything else.
func Glossary(s *Screen, t *wording.Translator, terms ...string) {
	s.Say("\n%s", s.Strong("What the words mean"))
	for _, key := range terms {
		name, meaning := wording.Term(t, key)
		lines := folded(name+": "+meaning, min(s.Room(), widest)-4, "    ")
		s.Say("%s", s.Faint("  "+strings.TrimLeft(strings.Join(lines, "\n"), " ")))
	}
}

// Heading opens a section.
func Heading(s *Screen, title, about string) {
	s.Say("\n%s", s.Strong(title))
	if about != "" {
		s.Say("%s", s.Faint(about))
	}
}

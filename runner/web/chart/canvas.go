package chart

import (
	"fmt"
	"html"
	"html/template"
	"math"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"
)

// Stops is the most marks of a chart that the tab key stops at, besides those
// with a finding.
const Stops = 60

const (
	fontSize  = 14.0
	textAbove = 11.0 // of a letter above its line
	textBelow = 3.5
	lineStep  = 18.0
	usualWide = 960.0
)

// box is where a text stands.
type box struct{ x0, y0, x1, y1 float64 }

func (a box) meets(b box) bool { return a.x0 < b.x1 && b.x0 < a.x1 && a.y0 < b.y1 && b.y0 < a.y1 }

// canvas collects a drawing, and where its texts stand.
type canvas struct {
	b             strings.Builder
	id            string
	title, desc   string
	width, height float64
	texts         []box
	shadow        []box // marks that texts keep off
	stops         int
	notes         []string
}

// id makes ids of a chart's own from its title, where it was given none.
func nameOf(id, title string) string {
	if id != "" {
		return id
	}
	sum := uint32(2166136261)
	for _, b := range []byte(title) {
		sum = (sum ^ uint32(b)) * 16777619
	}
	return fmt.Sprintf("chart-%08x", sum)
}

func (c *canvas) add(format string, args ...any) { fmt.Fprintf(&c.b, format, args...) }

func (c *canvas) note(s string) { c.notes = append(c.notes, s) }

// html is the whole drawing.
func (c *canvas) html() template.HTML {
	id := escape(c.id)
	return template.HTML(fmt.Sprintf(`<svg xmlns="http://www.w3.org/2000/svg" class="plot" viewBox="0 0 %s %s" width="%s" height="%s" role="group" aria-labelledby="%s-title %s-desc"><title id="%s-title">%s</title><desc id="%s-desc">%s</desc>`,
		n(c.width), n(c.height), n(c.width), n(c.height), id, id, id, escape(c.title), id, escape(c.desc)) + c.b.String() + "</svg>")
}

// n writes a coordinate.
func n(v float64) string {
	if !finite(v) {
		v = 0
	}
	s := strings.TrimSuffix(strconv.FormatFloat(v, 'f', 1, 64), ".0")
	if s == "-0" {
		return "0"
	}
	return s
}

// escape makes text safe within SVG: markup as text, and no character that XML
// does not allow.
func escape(s string) string {
	s = strings.Map(func(r rune) rune {
		if r == '\n' || r == '\t' {
			return ' '
		}
		if unicode.IsControl(r) || r == 0xFFFE || r == 0xFFFF || r == unicode.ReplacementChar {
			return '\uFFFD'
		}
		return r
	}, strings.ToValidUTF8(s, "\uFFFD"))
	return html.EscapeString(s)
}

// wide estimates the width of a text, rather too wide than too narrow.
func wide(s string) float64 {
	w := 0.0
	for _, r := range s {
		w += wideRune(r)
	}
	return w
}

func wideRune(r rune) float64 {
	switch {
	case r < 0x80 && r >= 'a', r == ' ', r < 'A' && r > ' ':
		switch r {
		case 'm', 'w':
			return 0.85 * fontSize
		case '0', '1', '2', '3', '4', '5', '6', '7', '8', '9':
			return 0.64 * fontSize
		case 'i', 'l', 'j', 't', ' ', '.', ',', ':', ';', '!', '\'', '|', '(', ')':
			return 0.38 * fontSize
		case '%', '@':
			return 0.85 * fontSize
		}
		return 0.62 * fontSize
	case r >= 0x2E80:
		return fontSize
	case r == '\u00a0', r == '\u202f', r == '’', r == '[', r == ']':
		return 0.38 * fontSize
	case unicode.Is(unicode.Mn, r):
		return 0
	case unicode.IsUpper(r):
		return 0.85 * fontSize
	}
	return 0.62 * fontSize
}

// cut shortens a text to a width, with a sign that it was.
func cut(s string, width float64) string {
	s = strings.TrimSpace(strings.ToValidUTF8(s, "\uFFFD"))
	w, end := 0.0, 0 // so many bytes fit with the sign
	for i, r := range s {
		if w += wideRune(r); w > width {
			return strings.TrimRight(s[:end], " ,;:") + "…"
		}
		if w+fontSize <= width {
			end = i + utf8.RuneLen(r)
		}
	}
	return s
}

// wrap breaks a text into at most so many lines of a width; the last is cut.
func wrap(s string, width float64, lines int) []string {
	s = strings.Join(strings.Fields(strings.ToValidUTF8(s, "\uFFFD")), " ")
	var out []string
	for len(out) < lines-1 && wide(s) > width {
		end, last := 0, 0 // bytes that fit, and the last good place to break
		w := 0.0
		for i, r := range s {
			w += wideRune(r)
			if w > width {
				break
			}
			end = i + utf8.RuneLen(r)
			if r == ' ' || r == '/' || r == '-' || r >= 0x2E80 {
				last = end
			}
		}
		if last == 0 {
			last = end
		}
		if last == 0 {
			break
		}
		out = append(out, strings.TrimSpace(s[:last]))
		s = strings.TrimSpace(s[last:])
	}
	return append(out, cut(s, width))
}

// bold is how much wider strong letters are.
const bold = 1.16

// wideAs is wide for a class of text.
func wideAs(class, s string) float64 {
	if strings.HasPrefix(class, "strong") || strings.HasPrefix(class, "sign") {
		return wide(s) * bold
	}
	return wide(s)
}

// frame of a text with its anchor start, middle or end at x, on the line y.
func frame(x, y float64, anchor, class, s string) box {
	w := wideAs(class, s)
	switch anchor {
	case "middle":
		x -= w / 2
	case "end":
		x -= w
	}
	return box{x, y - textAbove, x + w, y + textBelow}
}

// text writes words that must stand; class may be empty.
func (c *canvas) text(x, y float64, anchor, class, s string) {
	if s == "" {
		return
	}
	f := frame(x, y, anchor, class, s)
	if f.x1 > c.width { // the edge is an edge for every text
		x -= f.x1 - c.width
	} else if f.x0 < 0 {
		x -= f.x0
	}
	c.texts = append(c.texts, frame(x, y, anchor, class, s))
	c.write(x, y, anchor, class, s)
}

func (c *canvas) write(x, y float64, anchor, class, s string) {
	a := ""
	if anchor != "start" {
		a = ` text-anchor="` + anchor + `"`
	}
	if class != "" {
		a += ` class="` + class + `"`
	}
	c.add(`<text x="%s" y="%s"%s>%s</text>`, n(x), n(y), a, escape(s))
}

// try writes words where none stand yet, and reports whether it could. With
// clear it keeps off marks as well.
func (c *canvas) try(x, y float64, anchor, class, s string, clear bool) bool {
	f := frame(x, y, anchor, class, s)
	if f.x0 < 0 || f.x1 > c.width || f.y0 < 0 || f.y1 > c.height {
		return false
	}
	roomy := box{f.x0 - 4, f.y0, f.x1 + 4, f.y1}
	for _, o := range c.texts {
		if roomy.meets(o) {
			return false
		}
	}
	if clear {
		for _, o := range c.shadow {
			if f.meets(o) {
				return false
			}
		}
	}
	c.texts = append(c.texts, f)
	c.write(x, y, anchor, class, s)
	return true
}

// open begins a mark: a link if there is something behind it. found marks are
// always stops of the tab key.
func (c *canvas) open(href, title string, found bool) (end string) {
	if !local(href) {
		c.add(`<g><title>%s</title>`, escape(title))
		return "</g>"
	}
	stop := ""
	if c.stops++; c.stops > Stops && !found {
		stop = ` tabindex="-1"`
	}
	c.add(`<a href="%s"%s aria-label="%s"><title>%s</title>`, escape(href), stop, escape(title), escape(title))
	return "</a>"
}

// local reports whether a link stays on this server.
func local(href string) bool {
	return strings.HasPrefix(href, "?") || strings.HasPrefix(href, "#") || strings.HasPrefix(href, "/") && !strings.HasPrefix(href, "//") && !strings.HasPrefix(href, "/\\")
}

// blank is the drawing of no data.
func (c *canvas) blank(w Words) template.HTML {
	c.height = min(c.height, 120)
	c.text(c.width/2, c.height/2+4, "middle", "", w.T("charts.nothing"))
	return c.html()
}

// labels writes words beside values at x, pushed apart where they would lie on
// each other, between two heights.
func (c *canvas) labels(x float64, items []label, top, bottom float64) {
	spread(items, top, bottom)
	for _, l := range items {
		c.text(x, l.y+4, "start", l.class, l.text)
	}
}

// keys writes below the drawing what its shapes mean.
func (c *canvas) keys(left float64, keys ...key) {
	x, y := left, c.height+16
	for _, k := range keys {
		words := cut(k.words, c.width-left-30)
		if x > left && x+22+wide(words) > c.width {
			x, y = left, y+lineStep+2
		}
		switch k.shape {
		case "diamond":
			c.add(`<path class="dot out" d="M%s %sl6.5 6.5-6.5 6.5-6.5-6.5z"/>`, n(x+7), n(y-11.5))
		case "whisker", "over":
			c.add(`<path class="%s" d="M%s %sv14M%s %sh7M%s %sh7"/>`, k.shape, n(x+7), n(y-12), n(x+3.5), n(y-12), n(x+3.5), n(y+2))
		case "band":
			c.add(`<rect class="band" x="%s" y="%s" width="14" height="12"/>`, n(x), n(y-11))
		case "calm":
			c.add(`<rect class="band calm" x="%s" y="%s" width="14" height="12"/>`, n(x), n(y-11))
		default:
			c.add(`<circle class="%s" cx="%s" cy="%s" r="4.5"/>`, k.shape, n(x+7), n(y-5))
		}
		c.text(x+20, y, "start", "", words)
		x += 20 + wide(words) + 24
	}
	c.height = y + 8
}

type key struct{ shape, words string }

type label struct {
	y           float64
	text, class string
}

// spread moves labels apart so that each has a line's height.
func spread(items []label, top, bottom float64) {
	for i := 1; i < len(items); i++ { // by height; few, so simply
		for k := i; k > 0 && items[k].y < items[k-1].y; k-- {
			items[k], items[k-1] = items[k-1], items[k]
		}
	}
	for i := range items {
		items[i].y = max(items[i].y, top)
		if i > 0 {
			items[i].y = max(items[i].y, items[i-1].y+lineStep-1)
		}
	}
	for i := len(items) - 1; i >= 0; i-- {
		limit := bottom
		if i < len(items)-1 {
			limit = items[i+1].y - lineStep + 1
		}
		items[i].y = min(items[i].y, limit)
	}
}

func finite(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }

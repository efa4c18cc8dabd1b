package draw

import (
	"cmp"
	"fmt"
	"html"
	"math"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"

	"fullthrow/reports/statistics"
)

// Stops is the most marks of a drawing that the tab key stops at, besides those
// with a finding.
const Stops = 60

const (
	fontSize  = 14.0
	textAbove = 11.0 // of a letter above its line
	textBelow = 3.5
	lineStep  = 18.0
	bold      = 1.16 // how much wider strong letters are
)

// box is where something stands.
type box struct{ x0, y0, x1, y1 float64 }

func (a box) meets(b box) bool { return a.x0 < b.x1 && b.x0 < a.x1 && a.y0 < b.y1 && b.y0 < a.y1 }

// canvas collects a drawing, where its texts stand, and what it leaves out.
type canvas struct {
	strings.Builder
	n             Numbers
	width, height float64
	texts         []box
	shadow        []box // marks that texts keep off
	stops         int
	every         int     // of points in slots, one of so many has a mark
	without       int     // points whose words had no room
	banded        bool    // intervals were drawn as a band
	left, right   float64 // margins of the panels
}

// number writes a coordinate.
func number(v float64) string {
	if !statistics.Finite(v) {
		v = 0
	}
	s := strings.TrimSuffix(strconv.FormatFloat(v, 'f', 1, 64), ".0")
	if s == "-0" {
		return "0"
	}
	return s
}

// coords puts numbers in the places # of the way of a pen.
func coords(d string, v ...float64) string {
	var b strings.Builder
	for i, part := range strings.Split(d, "#") {
		if b.WriteString(part); i < len(v) {
			b.WriteString(number(v[i]))
		}
	}
	return b.String()
}

func (c *canvas) add(format string, args ...any) { fmt.Fprintf(c, format, args...) }

func (c *canvas) path(class, d string, v ...float64) {
	if d != "" {
		c.add(`<path class="%s" d="%s"/>`, class, coords(d, v...))
	}
}

func (c *canvas) rect(class string, x, y, wide, high float64) {
	c.add(`<rect class="%s" x="%s" y="%s" width="%s" height="%s"/>`,
		class, number(x), number(y), number(max(wide, 0.5)), number(max(high, 0)))
}

// shape is the way of the pen around a mark of half the size s at x, y.
func shape(name string, x, y, s float64) string {
	switch name {
	case "diamond", "open", "most":
		return coords("M# #l# # # # # #z", x, y-s, s, s, -s, s, -s, -s)
	case "up":
		return coords("M# #l# #h#z", x, y-s, s, 1.75*s, -2*s)
	case "down":
		return coords("M# #l# #h#z", x, y+s, s, -1.75*s, -2*s)
	case "cross":
		return coords("M# #l# #m# 0l# #", x-s, y-s, 2*s, 2*s, -2*s, 2*s, -2*s)
	case "tick":
		return coords("M# #v#", x, y, -1.5*s)
	case "left":
		return coords("M# #l# #v#z", x, y, 3*s, -2*s, 4*s)
	case "right":
		return coords("M# #l# #v#z", x, y, -3*s, -2*s, 4*s)
	}
	return coords("M# #a# # 0 1 0 # 0a# # 0 1 0 # 0z", x-s, y, s, s, 2*s, s, s, -2*s)
}

// whisker is an interval between two places, along y or along x.
func (c *canvas) whisker(class string, x0, y0, x1, y1 float64) {
	const end = 3.5
	if x0 == x1 {
		c.path(class, "M# #V#M# #h#M# #h#", x0, y0, y1, x0-end, y0, 2*end, x0-end, y1, 2*end)
		return
	}
	c.path(class, "M# #H#M# #v#M# #v#", x0, y0, x1, x0, y0-end, 2*end, x1, y0-end, 2*end)
}

// clean drops what no text of a drawing may hold.
func clean(s string) string {
	return strings.Map(func(r rune) rune {
		if r == '\n' || r == '\t' {
			return ' '
		}
		if unicode.IsControl(r) || r == 0xFFFE || r == 0xFFFF || r == unicode.ReplacementChar {
			return '\uFFFD'
		}
		return r
	}, strings.ToValidUTF8(s, "\uFFFD"))
}

// escape makes text safe within SVG: markup as text, and no character that XML
// does not allow.
func escape(s string) string { return html.EscapeString(clean(s)) }

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
	case r >= '0' && r <= '9':
		return 0.64 * fontSize
	case strings.ContainsRune("mw%@", r) || unicode.IsUpper(r):
		return 0.85 * fontSize
	case strings.ContainsRune("iljt .,:;!'|()[]’\u00a0\u202f", r):
		return 0.38 * fontSize
	case r >= 0x2E80:
		return fontSize
	case unicode.Is(unicode.Mn, r):
		return 0
	}
	return 0.62 * fontSize
}

// wideAs is wide for a class of text.
func wideAs(class, s string) float64 {
	if strings.HasPrefix(class, "strong") || strings.HasPrefix(class, "sign") {
		return wide(s) * bold
	}
	return wide(s)
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
	c.write(x, y, anchor, class, s)
}

func (c *canvas) write(x, y float64, anchor, class, s string) {
	c.texts = append(c.texts, frame(x, y, anchor, class, s))
	a := ""
	if anchor != "start" {
		a = ` text-anchor="` + anchor + `"`
	}
	if class != "" {
		a += ` class="` + class + `"`
	}
	c.add(`<text x="%s" y="%s"%s>%s</text>`, number(x), number(y), a, escape(s))
}

// try writes words within room where none stand yet, and reports whether it
// could. With clear it keeps off marks as well.
func (c *canvas) try(room box, x, y float64, anchor, class, s string, clear bool) bool {
	f := frame(x, y, anchor, class, s)
	if s == "" || f.x0 < room.x0 || f.x1 > room.x1 || f.y0 < room.y0 || f.y1 > room.y1 {
		return false
	}
	roomy := box{f.x0 - 4, f.y0, f.x1 + 4, f.y1}
	for _, o := range c.texts {
		if roomy.meets(o) {
			return false
		}
	}
	for _, o := range c.shadow {
		if clear && f.meets(o) {
			return false
		}
	}
	c.write(x, y, anchor, class, s)
	return true
}

// open begins a mark: a link if there is something behind it, nothing if it has
// no title. found marks are always stops of the tab key.
func (c *canvas) open(href, title string, found bool) (end string) {
	switch {
	case title == "":
		return ""
	case !local(href):
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
	return strings.HasPrefix(href, "?") || strings.HasPrefix(href, "#") ||
		strings.HasPrefix(href, "/") && !strings.HasPrefix(href, "//") && !strings.HasPrefix(href, "/\\")
}

// label is words beside a height.
type label struct {
	y    float64
	text string
}

// labels writes words beside values at x, pushed apart where they would lie on
// each other, between two heights.
func (c *canvas) labels(x float64, items []label, top, bottom float64) {
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
	limit := bottom
	for i := len(items) - 1; i >= 0; i-- {
		items[i].y = min(items[i].y, limit)
		limit = items[i].y - lineStep + 1
		c.text(x, items[i].y+4, "start", "strong", items[i].text)
	}
}

// Key says what a shape means: of a mark, a line, an interval (whisker or band),
// over (an interval along x), or the class of a bar or zone.
type Key struct{ Shape, Words, Class string }

// keys writes what shapes mean below y, in as many rows as it takes, and returns
// where they end.
func (c *canvas) keys(left, right, y float64, keys []Key) float64 {
	x := left
	y += 14
	for i, k := range keys {
		words := cut(k.Words, right-left-40)
		if i > 0 && x+33+wide(words) > right {
			x, y = left, y+lineStep+2
		}
		switch mid := y - 5; {
		case k.Shape == "interval" && !c.banded:
			c.whisker("whisker", x+13, mid-7, x+13, mid+7)
		case k.Shape == "over":
			c.whisker("over", x+2, mid, x+24, mid)
		case k.Shape == "line":
			c.path(cmp.Or(k.Class, "line"), "M# #h26", x, mid)
		case classes[k.Shape] != "" && k.Class != "":
			c.path("dots "+k.Class, shape(k.Shape, x+13, mid, 4))
		case classes[k.Shape] != "":
			c.path(classes[k.Shape], shape(k.Shape, x+13, mid, 5))
		default:
			c.rect(strings.Replace(k.Shape, "interval", "band", 1), x+4, mid-6, 18, 12)
		}
		c.text(x+33, y, "start", "", words)
		x += 58 + wide(words)
	}
	return y
}

// classes are those of the shapes of marks.
var classes = map[string]string{"dot": "dot", "quiet": "dot quiet", "diamond": "dot out", "open": "dot quiet",
	"up": "dot", "down": "dot quiet", "cross": "cross", "tick": "over", "ring": "ring", "most": "dot"}

func clamp(v, low, high float64) float64 { return math.Min(math.Max(v, low), high) }

package draw

import (
	"cmp"
	"fmt"
	"hash/crc32"
	"html/template"
	"math"
	"slices"

	"fullthrow/reports/statistics"
)

// Figure is a drawing: panels below each other, or side by side.
type Figure struct {
	ID          string // "": made from the title
	Title, Desc string // its name, and what it shows, for who does not see it
	Width       float64
	Columns     int // panels side by side; 0: 1
	Panels      []Panel
	Keys        []Key    // what shapes mean, below the panels
	Notes, Foot []string // lines above and below; in a file only
	Nothing     string   // said where there is no panel
}

// Panel is one pair of axes and what is drawn between them: bars, lines, rules
// and points over one another, or rows.
type Panel struct {
	Title, Sub, Flag string // above it: its name, a line about it, and what is wrong with it
	Desc             string // what it shows, where several stand side by side
	X, Y             Axis
	Height           float64 // with everything that belongs to it; 0: 340
	Zones            []Zone
	Bars             []Bar
	Lines            []Line
	Rules            []Rule
	Points           []Point
	Rows             []Row  // instead of all but zones and rules
	More             string // above the words at the right of rows
}

// Zone is a part of the panel from one x to another; what is infinite reaches
// to the edge.
type Zone struct {
	From, To float64
	Class    string
}

// Bar stands on the axis from one x to another. Rest is the part at its top
// that counts for nothing.
type Bar struct {
	From, To, Height, Rest float64
	Class                  string // of a finding: "bar fail"
	Title, Href            string
	Text                   string // above it, where there is room
}

// Line is a series of points; what is not a number breaks it. With Low it is a
// band between Low and Y.
type Line struct {
	Name      string    // for the legend
	X, Y, Low []float64 // without X: begin and each a step further; step 0: 1
	Begin     float64
	Step      float64
	Class     string // "": one of six, in order
	Shape     string // a mark at each point; they are not joined
	Steps     bool   // keeps its height over each slot
	Words     string // beside its last value, at the right
	Title     string
}

// Rule is a line across the panel with words at its end.
type Rule struct {
	At       float64
	Vertical bool
	Text     string
	Class    string // "": rule
}

// Point is a mark at a place, with intervals along y and x (equal: none).
type Point struct {
	X, Y         float64
	Low, High    float64
	XLow, XHigh  float64
	Shape, Class string // "": dot, and the class of the shape
	Title, Href  string
	Text         string // near it; one of a finding may be left out
	Found        bool   // a finding: never thinned
	Below        bool   // its words rather stand below
}

// Row is one of several names with a value each.
type Row struct {
	Mark
	Bar    string // class of its bar; "": it is a point
	Shape  string // of the point
	Text   string // the value in words
	More   string // at the right
	Strong bool
}

// Drawing is a chart ready for a page.
type Drawing struct {
	SVG   template.HTML
	Table Table    // the numbers in the drawing
	Notes []string // what the drawing leaves out
}

const usualWidth, usualHeight, edge = 960.0, 340.0, 16.0

func usual(v, usual float64) float64 {
	if v <= 0 || !statistics.Finite(v) {
		return usual
	}
	return max(v, 240)
}

func (f Figure) page(c *canvas) template.HTML {
	id := cmp.Or(f.ID, fmt.Sprintf("chart-%08x", crc32.ChecksumIEEE([]byte(f.Title))))
	return template.HTML(c.framed(`class="plot" role="group"`, id, f.Title, f.Desc, ""))
}

// File is the figure as a file of its own, with title, notes and theme.
func (f Figure) File(n Numbers) []byte {
	c := f.svg(n, true)
	c.height += 12
	paper := `<rect class="paper" width="100%" height="100%"/>`
	return []byte(c.framed(`xmlns="http://www.w3.org/2000/svg" class="plot" role="img"`, "figure", f.Title, f.Desc,
		"<style>"+fileStyle()+"</style>"+paper) + "\n")
}

func (f Figure) svg(n Numbers, file bool) *canvas {
	c := &canvas{n: n, width: usual(f.Width, usualWidth), right: edge}
	left := 0.0
	if file {
		left, c.height = edge, 34
		c.write(edge, 25, "start", "title", f.Title)
		for _, line := range f.Notes {
			c.write(edge, c.height+12, "start", "ink", Signed(line))
			c.height += 20
		}
		c.height += 10
	}
	f.panels(c, left)
	if len(f.Keys) > 0 && len(f.Panels) > 0 {
		c.height = c.keys(left, c.width, c.height+2, f.Keys) + 8
	}
	for _, line := range f.Foot {
		c.height += lineStep
		c.write(left, c.height, "start", "", line)
	}
	return c
}

// panels draws the panels, their axes below each other, and moves the height
// below them.
func (f *Figure) panels(c *canvas, left float64) {
	if f.Panels = slices.DeleteFunc(slices.Clone(f.Panels), Panel.Blank); len(f.Panels) == 0 {
		c.text(c.width/2, 64, "middle", "", f.Nothing)
		c.height = max(c.height, 120)
		return
	}
	columns := max(f.Columns, 1)
	wide, low := c.width/float64(columns), c.height
	for i := range f.Panels {
		c.measure(&f.Panels[i], wide-left*1.5)
	}
	for i := range f.Panels {
		p := &f.Panels[i]
		x := wide * float64(i%columns)
		out := box{x + left, c.height, x + wide - left/2, c.height + cmp.Or(p.Height, usualHeight)}
		if p.Desc != "" {
			c.add(`<g role="img" aria-label="%s">`, escape(p.Desc))
		}
		if p.Rows != nil {
			out.y1 = c.rows(p, out)
		} else {
			c.panel(p, out)
		}
		if p.Desc != "" {
			c.add("</g>")
		}
		if low = max(low, out.y1); i%columns == columns-1 || i == len(f.Panels)-1 {
			c.height = low
		}
	}
}

// framed is what was drawn within its frame: with attributes, a name and a
// description, and what stands before it.
func (c *canvas) framed(attributes, id, title, desc, before string) string {
	id, title, desc = escape(id), escape(title), escape(desc)
	return fmt.Sprintf(`<svg %[1]s viewBox="0 0 %[2]s %[3]s" width="%[2]s" height="%[3]s" `+
		`aria-labelledby="%[4]s-title %[4]s-desc">`+
		`<title id="%[4]s-title">%[5]s</title><desc id="%[4]s-desc">%[6]s</desc>%[7]s%[8]s</svg>`,
		attributes, number(c.width), number(c.height), id, title, desc, before, c.String())
}

// Blank reports whether there is nothing to draw in a panel.
func (p Panel) Blank() bool {
	for _, t := range p.Points {
		if statistics.Finite(t.Y) {
			return false
		}
	}
	for _, l := range p.Lines {
		for i, y := range l.Y {
			if !l.Steps && statistics.Finite(y) && statistics.Finite(l.x(i)) {
				return false
			}
		}
	}
	return len(p.Bars)+len(p.Rows) == 0
}

// fit gives the axes their ranges for a panel of a size.
func (p *Panel) fit(w, h float64) {
	xs, ys, margin := &p.X, &p.Y, 0.0
	for _, l := range p.Lines {
		if l.Shape != "" {
			margin = 0.015 // so that marks do not hang over the edge
		}
		for i := range l.Y {
			if x := l.x(i); xs.bears(x) && ys.bears(l.Y[i]) {
				xs.hold(x)
				ys.hold(l.Y[i])
				if i < len(l.Low) {
					ys.hold(l.Low[i])
				}
			}
		}
	}
	for _, b := range p.Bars {
		margin = 0.05
		xs.hold(b.From, b.To)
		ys.hold(b.Height, 0)
	}
	for _, r := range p.Rules {
		if r.Vertical {
			xs.hold(r.At)
		} else {
			ys.hold(r.At)
		}
	}
	for _, t := range p.Points {
		if margin = max(margin, 0.015); !statistics.Finite(t.Y) {
			continue
		}
		xs.hold(t.X)
		if ys.hold(t.Y); t.Low != t.High {
			ys.hold(t.Low, t.High)
		}
	}
	ys.fit(upright, int(clamp((h-68)/48, 3, 6)))
	xs.fit(margin, int(clamp(w/105, 2, 8)))
}

// x of a point of the line.
func (l Line) x(i int) float64 {
	switch {
	case l.X == nil && l.Step != 0:
		return l.Begin + l.Step*float64(i)
	case l.X == nil:
		return float64(i)
	case i >= len(l.X):
		return math.NaN()
	}
	return l.X[i]
}

// Add puts points at the end of the line, each an x and a y.
func (l *Line) Add(points ...float64) {
	for i := 0; i+1 < len(points); i += 2 {
		l.X, l.Y = append(l.X, points[i]), append(l.Y, points[i+1])
	}
}

// Gap ends the line; what is added begins another.
func (l *Line) Gap() { l.Add(math.NaN(), math.NaN()) }

// last is the line's last value.
func (l Line) last() float64 {
	if len(l.Y) == 0 {
		return math.NaN()
	}
	return l.Y[len(l.Y)-1]
}

// measure fits the axes of a panel, and widens the margins to the room that their
// steps and the words at the right need.
func (c *canvas) measure(p *Panel, w float64) {
	if p.Rows != nil {
		return
	}
	p.fit(w, cmp.Or(p.Height, usualHeight))
	c.left = max(c.left, p.Y.widest(c.n)+edge)
	for _, l := range p.beside() {
		c.right = max(c.right, wideAs("strong", l.text)+18)
	}
}

// beside lists the words at the right with the values they stand at.
func (p *Panel) beside() (list []label) {
	put := func(v float64, words string) {
		if words != "" && p.Y.bears(v) {
			list = append(list, label{v, cut(Signed(words), 200)})
		}
	}
	for _, l := range p.Lines {
		put(l.last(), l.Words)
	}
	for _, r := range p.Rules {
		if !r.Vertical {
			put(r.At, r.Text)
		}
	}
	return list
}

// panel draws a panel with axes into a box.
func (c *canvas) panel(p *Panel, out box) {
	xs, ys, beside := &p.X, &p.Y, p.beside()
	in := box{out.x0 + c.left, 0, out.x1 - c.right, out.y1 - 34}
	xs.start, xs.end = in.x0, in.x1
	if len(xs.Slots) == 0 && xs.label() != "" {
		in.y1 -= 14
	}
	in.y0 = c.heads(p, out, in)
	ys.start, ys.end = in.y1, in.y0
	c.ground(p, xs, ys, in)
	c.bars(p, xs, ys, in)
	for i, l := range p.Lines {
		c.line(l, i, xs, ys)
	}
	c.rules(p, xs, ys, out, in)
	for _, b := range p.Bars {
		if b.Text != "" && statistics.Finite(b.Height) {
			all := box{0, 0, c.width, c.height + in.y1}
			c.try(all, xs.at((b.From+b.To)/2), ys.at(b.Height)-7, "middle", "strong halo", b.Text, false)
		}
	}
	for i := range beside {
		beside[i].y = ys.at(beside[i].y)
	}
	c.labels(in.x1+8, beside, in.y0, in.y1)
	c.points(p, xs, ys, in)
	c.path("axis", "M# #H#", in.x0, in.y1, in.x1)
	if len(xs.Slots) > 0 {
		c.slotLabels(xs, in.y1+20)
	}
	for _, v := range xs.steps {
		s := xs.show(c.n, v)
		c.try(out, min(xs.at(v), out.x1-wide(s)/2), in.y1+20, "middle", "", s, false)
	}
	if len(xs.Slots) == 0 {
		c.text(in.x1, in.y1+41, "end", "", cut(xs.label(), in.x1-out.x0))
	}
}

// heads writes what stands above the panel and returns where that begins.
func (c *canvas) heads(p *Panel, out, in box) float64 {
	y := out.y0
	if p.Title != "" {
		c.text(out.x0, y+14, "start", "strong", cut(p.Title, (out.x1-out.x0)/bold))
		c.text(out.x1, y+14, "end", "sign", p.Flag)
		y += lineStep
	}
	if p.Sub != "" {
		c.text(out.x0, y+14, "start", "", cut(p.Sub, out.x1-out.x0))
		y += lineStep
	}
	if name := p.Y.label(); name != "" {
		c.text(out.x0, y+14, "start", "", cut(name, out.x1-out.x0))
		y += lineStep + 2
	}
	var legend []Key
	for i, l := range p.Lines {
		if l.Name != "" {
			legend = append(legend, Key{cmp.Or(l.Shape, "line"), l.Name, l.class(i)})
		}
	}
	if len(legend) > 0 {
		y = c.keys(in.x0, out.x1, y, legend) + 4
	}
	for _, r := range p.Rules {
		if r.Vertical && r.Text != "" { // their words have a line of their own
			return y + lineStep + 14
		}
	}
	return y + 14
}

// rules draws the lines across the panel, and the words of the vertical ones
// above them, or where others stand there, below.
func (c *canvas) rules(p *Panel, xs, ys *Axis, out, in box) {
	for _, r := range p.Rules {
		switch class := cmp.Or(r.Class, "rule"); {
		case r.Vertical && xs.bears(r.At):
			c.path(class, "M# #V#", xs.at(r.At), in.y0-12, in.y1)
		case !r.Vertical && ys.bears(r.At):
			c.path(class, "M# #H#", in.x0, ys.at(r.At), in.x1)
		}
	}
	for _, r := range p.Rules {
		if !r.Vertical || !xs.bears(r.At) {
			continue
		}
		text, first := cut(Signed(r.Text), (out.x1-out.x0)/bold), 7.0
		if xs.part(r.At) < 0.5 {
			first = -first
		}
		x, half, done := xs.at(r.At), wideAs("strong", text)/2, text == ""
		places := []float64{x + first + math.Copysign(half, first), x - first - math.Copysign(half, first),
			clamp(x, out.x0+half, out.x1-half)}
		for y := in.y0 - 14; !done && y < in.y1; y += lineStep {
			for _, x := range places {
				done = done || c.try(out, x, y, "middle", "strong halo", text, false)
			}
		}
	}
}

// ground draws zones and grid.
func (c *canvas) ground(p *Panel, xs, ys *Axis, in box) {
	for _, z := range p.Zones {
		from, to := in.x0, in.x1
		if xs.bears(z.From) {
			from = clamp(xs.at(z.From), in.x0, in.x1)
		}
		if xs.bears(z.To) {
			to = clamp(xs.at(z.To), in.x0, in.x1)
		}
		c.rect(z.Class, from, in.y0, to-from, in.y1-in.y0)
	}
	for _, v := range xs.steps {
		if len(p.Bars) == 0 || p.Rows != nil {
			c.path("grid", "M# #V#", xs.at(v), in.y0, in.y1)
		} else {
			c.path("axis", "M# #v5", xs.at(v), in.y1)
		}
	}
	for _, v := range ys.steps {
		c.path("grid", "M# #H#", in.x0, ys.at(v), in.x1)
		c.text(in.x0-9, ys.at(v)+4.5, "end", "", ys.show(c.n, v))
	}
}

func (c *canvas) bars(p *Panel, xs, ys *Axis, in box) {
	for _, b := range p.Bars {
		if !statistics.Finite(b.From) || !statistics.Finite(b.To) || !statistics.Finite(b.Height) {
			continue
		}
		class := b.Class
		if class == "" {
			class = "bar"
		}
		x0, x1, y := xs.at(b.From), xs.at(b.To), ys.at(b.Height)
		if len(xs.Slots) > 0 && x1-x0 > 56 {
			x0, x1 = (x0+x1)/2-28, (x0+x1)/2+28
		}
		end := c.open(b.Href, b.Title, b.Class != "")
		if end != "" {
			c.rect("touch", x0, in.y0, max(x1-x0, 2), in.y1-in.y0)
		}
		base, good := ys.at(max(0, ys.low)), y
		if b.Rest > 0 && statistics.Finite(b.Rest) {
			good = ys.at(max(0, b.Height-b.Rest))
		}
		if b.Height > 0 {
			c.rect(class, x0, min(good, base-2*min(b.Height, 1)), max(x1-x0, 1), max(base-good, 2))
		}
		if good > y {
			c.rect("bar rest", x0, y, x1-x0, good-y)
		}
		c.add("%s", end)
		c.shadow = append(c.shadow, box{x0, y, x1, base})
	}
}

// class of the line that is number i of its panel.
func (l Line) class(i int) string {
	if l.Class != "" {
		return l.Class
	}
	return "series s" + string(rune('0'+i%6))
}

// line draws one line, its marks, or the band between its ends.
func (c *canvas) line(l Line, i int, xs, ys *Axis) {
	class := l.class(i)
	if class == "line" && len(xs.Slots) > 0 && xs.pitch() < 4 {
		class = "fineline"
	}
	if title := cmp.Or(l.Title, l.Name); title != "" {
		c.add(`<g><title>%s</title>`, escape(title))
		defer c.add("</g>")
	}
	if l.Steps {
		flat := Line{}
		for i, v := range l.Y {
			flat.Add(l.x(i)-0.5, v, l.x(i)+0.5, v)
		}
		l.X, l.Y = flat.X, flat.Y
	}
	all := l.pixels(xs, ys)
	switch {
	case l.Shape != "":
		d := ""
		for k := range l.Y {
			if x, y := xs.at(l.x(k)), ys.at(l.Y[k]); statistics.Finite(x) && statistics.Finite(y) {
				d += shape(l.Shape, x, y, 3.2)
			}
		}
		if l.Shape == "tick" || l.Shape == "cross" {
			c.path(classes[l.Shape], d)
		} else {
			c.path("dots "+class, d)
		}
	case l.Low != nil:
		c.path("band "+class, bandOf(all))
	default:
		if d := wayOf(all); len(all) == 1 && all[0].points == 1 {
			c.path("dots "+class, shape("dot", all[0].x, all[0].first, 4))
		} else {
			c.path(class, d)
		}
	}
}

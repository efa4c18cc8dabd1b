package chart

import (
	"fmt"
	"html"
	"io"
	"math"
	"regexp"
	"strings"
	"sync"
)

// Figure is a drawing.
type Figure struct {
	Title string
	Desc  string // one or two sentences for who does not see it
	// Notes stand below the title, one line each: what was found.
	Notes  []string
	Panels []Panel
}

// Panel is one pair of axes.
type Panel struct {
	XLabel, YLabel string // "time / s"
	Height         float64
	Lines          []Line
	Bars           []Bar
	Marks          []Mark
	Rules          []Rule
	Zero           bool    // the y axis holds 0
	Floor          float64 // values below are drawn at it; 0: none
}

// Line is a series of points. With Low it is a band between Low and Y.
type Line struct {
	Name      string // for the legend; "" leaves it out
	X, Y, Low []float64
	Dots      bool // points, not joined
	Arrows    int  // with Dots: +1 triangles up, -1 triangles down
	Thin      bool
	Colour    int
	Dash      bool
}

// Bar stands on the axis from one x to another.
type Bar struct{ From, To, Height float64 }

// Mark is a place with words.
type Mark struct {
	X, Y float64
	Text string
}

// Rule is a line across the panel with words.
type Rule struct {
	At       float64
	Vertical bool
	Text     string
	Lift     float64 // how far above the line the words stand, besides the usual
}

const (
	width           = 900.0
	left, right     = 76.0, 24.0
	top             = 20.0 // of a panel
	bottom          = 46.0
	inner           = width - left - right
	charWidth       = 6.9
	lineHeight      = 17.0
	defaultHeight   = 260.0
	legendHeight    = 22.0
	headLine        = 20.0
	maxDrawn        = 20000 // points of a line
	textBackground  = "#fff"
	axisColour      = "#555"
	gridColour      = "#e3e3e3"
	markColour      = "#000"
	ruleColour      = "#444"
	paletteFallback = "#000"
)

// palette can be told apart by people who see colours differently (Okabe and
// Ito 2008), and by its grey.
var palette = []string{"#0072b2", "#d55e00", "#009e73", "#aa4499", "#666666", "#b8860b"}

func colour(i int) string {
	if len(palette) == 0 {
		return paletteFallback
	}
	return palette[i%len(palette)]
}

// WriteSVG writes the figure.
func (f Figure) WriteSVG(w io.Writer) error {
	var b strings.Builder
	y := 34.0 + headLine*float64(len(f.Notes))
	var body strings.Builder
	for _, p := range f.Panels {
		y += p.draw(&body, y)
	}
	fmt.Fprintf(&b, `<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 %g %g" width="%g" height="%g" role="img" aria-labelledby="title desc" font-family="Liberation Sans, Arial, Helvetica, sans-serif" font-size="13">`+"\n", width, y, width, y)
	fmt.Fprintf(&b, "<title id=\"title\">%s</title>\n<desc id=\"desc\">%s</desc>\n", html.EscapeString(f.Title), html.EscapeString(f.Desc))
	fmt.Fprintf(&b, `<rect width="%g" height="%g" fill="#fff"/>`+"\n", width, y)
	fmt.Fprintf(&b, `<text x="16" y="25" font-size="16" font-weight="bold">%s</text>`+"\n", html.EscapeString(f.Title))
	for i, n := range f.Notes {
		fmt.Fprintf(&b, `<text x="16" y="%g" fill="#333">%s</text>`+"\n", 46+headLine*float64(i), html.EscapeString(minus().ReplaceAllString(n, "$1−$2")))
	}
	b.WriteString(body.String())
	b.WriteString("</svg>\n")
	_, err := io.WriteString(w, b.String())
	return err
}

// box is where a text stands.
type box struct{ x0, y0, x1, y1 float64 }

func (a box) meets(b box) bool { return a.x0 < b.x1 && b.x0 < a.x1 && a.y0 < b.y1 && b.y0 < a.y1 }

// draw writes the panel from y on and returns its height.
func (p Panel) draw(b *strings.Builder, y0 float64) float64 {
	height := p.Height
	if height == 0 {
		height = defaultHeight
	}
	legend := 0.0
	for _, l := range p.Lines {
		if l.Name != "" {
			legend = legendHeight
		}
	}
	upper, lower := y0+top+legend, y0+top+legend+height
	xs, ys := p.ranges()
	edge := 0.0
	for _, l := range p.Lines {
		if l.Dots {
			edge = 0.015 // so that dots do not hang over the edge
		}
	}
	xs.prepare(p.XLabel, edge)
	margin := 0.07
	if len(p.Marks) > 0 { // room for their words
		margin = max(margin, 28/height)
	}
	ys.prepare(p.YLabel, margin)
	px := func(v float64) float64 { return round(left + inner*xs.part(v)) }
	py := func(v float64) float64 {
		if p.Floor != 0 && v < p.Floor {
			v = p.Floor
		}
		return round(lower - height*ys.part(v))
	}
	if legend > 0 {
		p.legend(b, y0+top+8)
	}
	for _, v := range ys.ticks(5) {
		fmt.Fprintf(b, `<path d="M%g %gH%g" stroke="%s"/><text x="%g" y="%g" text-anchor="end" fill="%s">%s</text>`+"\n", left, py(v), left+inner, gridColour, left-8, py(v)+4.5, axisColour, ys.show(v))
	}
	for _, v := range xs.ticks(8) {
		fmt.Fprintf(b, `<path d="M%g %gV%g" stroke="%s"/><text x="%g" y="%g" text-anchor="middle" fill="%s">%s</text>`+"\n", px(v), upper, lower, gridColour, px(v), lower+17, axisColour, xs.show(v))
	}
	fmt.Fprintf(b, `<text x="%g" y="%g" text-anchor="middle">%s</text>`+"\n", left+inner/2, lower+36, html.EscapeString(xs.label))
	fmt.Fprintf(b, `<text transform="translate(18 %g) rotate(-90)" text-anchor="middle">%s</text>`+"\n", (upper+lower)/2, html.EscapeString(ys.label))
	for _, bar := range p.Bars {
		if !finite(bar.From) || !finite(bar.To) || !finite(bar.Height) {
			continue
		}
		a, z := px(bar.From), px(bar.To)
		fmt.Fprintf(b, `<rect x="%g" y="%g" width="%g" height="%g" fill="%s" fill-opacity="0.75" stroke="#fff" stroke-width="%g"/>`+"\n",
			a, py(bar.Height), max(0.5, round(z-a)), max(0, round(py(max(0, ys.low))-py(bar.Height))), palette[0], min(1, round((z-a)/6)))
	}
	for _, l := range p.Lines {
		l.draw(b, px, py)
	}
	taken := []box{}
	for _, r := range p.Rules {
		if !finite(r.At) {
			continue
		}
		dash := `stroke-dasharray="6 3"`
		if r.Vertical {
			x := px(r.At)
			fmt.Fprintf(b, `<path d="M%g %gV%g" stroke="%s" %s/>`+"\n", x, upper, lower, ruleColour, dash)
			taken = append(taken, p.words(b, r.Text, x+5, upper+13, taken, box{left, upper, left + inner, lower}))
			continue
		}
		y := py(r.At)
		fmt.Fprintf(b, `<path d="M%g %gH%g" stroke="%s" %s/>`+"\n", left, y, left+inner, ruleColour, dash)
		taken = append(taken, p.words(b, r.Text, left+inner-5-charWidth*float64(len([]rune(r.Text))), y-5-r.Lift, taken, box{left, upper, left + inner, lower}))
	}
	for _, m := range p.Marks {
		if finite(m.X) && finite(m.Y) {
			taken = append(taken, box{px(m.X) - 5, py(m.Y) - 5, px(m.X) + 5, py(m.Y) + 5})
		}
	}
	for _, m := range p.Marks {
		if !finite(m.X) || !finite(m.Y) {
			continue
		}
		x, y := px(m.X), py(m.Y)
		fmt.Fprintf(b, `<circle cx="%g" cy="%g" r="4.5" fill="none" stroke="%s" stroke-width="1.6"/>`+"\n", x, y, markColour)
		if m.Text != "" {
			taken = append(taken, p.words(b, m.Text, x+8, y-8, taken, box{left, upper, left + inner, lower}))
		}
	}
	fmt.Fprintf(b, `<path d="M%g %gV%gH%g" fill="none" stroke="%s"/>`+"\n", left, upper, lower, left+inner, axisColour)
	return top + legend + height + bottom
}

// words writes a text near a place, where none stands yet.
func (p Panel) words(b *strings.Builder, text string, x, y float64, taken []box, room box) box {
	if text == "" {
		return box{}
	}
	text = minus().ReplaceAllString(text, "$1−$2")
	long := charWidth * float64(len([]rune(text)))
	at := func(x, y float64) box { return box{x - 1, y - 12, x + long + 1, y + 4} }
	fits := func(t box) bool {
		if t.x0 < room.x0 || t.x1 > room.x1+right || t.y0 < room.y0-2 || t.y1 > room.y1 {
			return false
		}
		for _, o := range taken {
			if t.meets(o) {
				return false
			}
		}
		return true
	}
	best := at(min(x, room.x1+right-long-2), max(y, room.y0+12))
	found := false
	for d := 0.0; d < 12 && !found; d++ {
		for _, dy := range []float64{-d * lineHeight, d * lineHeight} {
			for _, xx := range []float64{x, x - long - 16} {
				if t := at(xx, y+dy); fits(t) && !found {
					best, found = t, true
				}
			}
		}
	}
	fmt.Fprintf(b, `<text x="%g" y="%g" stroke="%s" stroke-width="3.5" stroke-linejoin="round" paint-order="stroke">%s</text>`+"\n", round(best.x0+1), round(best.y1-4), textBackground, html.EscapeString(text))
	return best
}

func (p Panel) legend(b *strings.Builder, y float64) {
	x := left
	for _, l := range p.Lines {
		if l.Name == "" {
			continue
		}
		switch {
		case l.Dots:
			b.WriteString(l.dot(x+12, y-4))
		default:
			fmt.Fprintf(b, `<path d="M%g %gh24" stroke="%s" stroke-width="2.5"%s/>`+"\n", x, y-4, colour(l.Colour), l.dashes())
		}
		fmt.Fprintf(b, `<text x="%g" y="%g">%s</text>`+"\n", x+30, y, html.EscapeString(l.Name))
		x += 48 + charWidth*float64(len([]rune(l.Name)))
	}
}

func (l Line) dashes() string {
	if l.Dash {
		return ` stroke-dasharray="7 4"`
	}
	return ""
}

func (l Line) dot(x, y float64) string {
	c := colour(l.Colour)
	switch l.Arrows {
	case 1:
		return fmt.Sprintf(`<path d="M%g %gl4 7h-8z" fill="%s"/>`+"\n", x, y-4, c)
	case -1:
		return fmt.Sprintf(`<path d="M%g %gl4 -7h-8z" fill="none" stroke="%s" stroke-width="1.4"/>`+"\n", x, y+4, c)
	}
	return fmt.Sprintf(`<circle cx="%g" cy="%g" r="2.6" fill="%s"/>`+"\n", x, y, c)
}

func (l Line) draw(b *strings.Builder, px, py func(float64) float64) {
	n := min(len(l.X), len(l.Y))
	step := 1 + n/maxDrawn
	if len(l.Low) > 0 {
		n = min(n, len(l.Low))
		var over, under []string
		for i := 0; i < n; i += step {
			if !finite(l.X[i]) || !finite(l.Y[i]) || !finite(l.Low[i]) {
				continue
			}
			over = append(over, fmt.Sprintf("%g,%g", px(l.X[i]), py(l.Y[i])))
			under = append(under, fmt.Sprintf("%g,%g", px(l.X[i]), py(l.Low[i])))
		}
		for i := len(under) - 1; i >= 0; i-- {
			over = append(over, under[i])
		}
		fmt.Fprintf(b, `<polygon points="%s" fill="%s" fill-opacity="0.55" stroke="%s" stroke-width="0.8"/>`+"\n", strings.Join(over, " "), colour(l.Colour), colour(l.Colour))
		return
	}
	if l.Dots {
		for i := 0; i < n; i += step {
			if finite(l.X[i]) && finite(l.Y[i]) {
				b.WriteString(l.dot(px(l.X[i]), py(l.Y[i])))
			}
		}
		return
	}
	var points []string
	flush := func() {
		if len(points) > 0 {
			wide := 1.8
			if l.Thin {
				wide = 1
			}
			fmt.Fprintf(b, `<polyline points="%s" fill="none" stroke="%s" stroke-width="%g" stroke-linejoin="round"%s/>`+"\n", strings.Join(points, " "), colour(l.Colour), wide, l.dashes())
		}
		points = nil
	}
	for i := 0; i < n; i += step {
		if !finite(l.X[i]) || !finite(l.Y[i]) {
			flush() // a gap
			continue
		}
		points = append(points, fmt.Sprintf("%g,%g", px(l.X[i]), py(l.Y[i])))
	}
	flush()
}

func (p Panel) ranges() (xs, ys axis) {
	y := func(v float64) {
		if p.Floor != 0 && v < p.Floor {
			v = p.Floor
		}
		ys.hold(v)
	}
	for _, l := range p.Lines {
		for i := range min(len(l.X), len(l.Y)) {
			if finite(l.X[i]) && finite(l.Y[i]) {
				xs.hold(l.X[i])
				y(l.Y[i])
				if i < len(l.Low) && finite(l.Low[i]) {
					y(l.Low[i])
				}
			}
		}
	}
	for _, r := range p.Bars {
		if finite(r.From) && finite(r.To) && finite(r.Height) {
			xs.hold(r.From)
			xs.hold(r.To)
			y(r.Height)
			y(0)
		}
	}
	for _, m := range p.Marks {
		if finite(m.X) && finite(m.Y) {
			xs.hold(m.X)
			y(m.Y)
		}
	}
	for _, r := range p.Rules {
		switch {
		case !finite(r.At):
		case r.Vertical:
			xs.hold(r.At)
		default:
			y(r.At)
		}
	}
	if p.Zero {
		ys.hold(0)
		if ys.high == 0 && ys.low == 0 {
			ys.hold(1)
		}
	}
	return xs, ys
}

// minus finds signs of numbers that are written as hyphens.
var minus = sync.OnceValue(func() *regexp.Regexp { return regexp.MustCompile(`(^|[ (])-([0-9])`) })

func finite(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }

func round(v float64) float64 { return math.Round(v*10) / 10 }

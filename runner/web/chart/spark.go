package chart

import (
	"html/template"
	"math"
)

var nan = math.NaN()

// Spark draws a line the height of a line of text, for tables: no axes, no
// numbers; the last value has a dot. What is not finite breaks the line. title
// says what it shows.
func Spark(title string, values []float64) template.HTML {
	const width, height, edge = 120.0, 28.0, 4.0
	ys := axis{}
	ys.hold(values...)
	ys.fit(0, 2)
	ys.from, ys.to = height-edge, edge
	r := row{len(values), 2, width - 8}
	c := canvas{}
	c.add(`<svg xmlns="http://www.w3.org/2000/svg" class="plot spark" viewBox="0 0 120 28" width="120" height="28" role="img" aria-label="%s"><title>%s</title>`, escape(title), escape(title))
	if len(values) > 0 && ys.used {
		c.add(`<path class="line" d="%s"/>`, r.line(func(i int) float64 { return ys.place(values[i]) }))
		if last := values[len(values)-1]; finite(last) {
			c.add(`<circle class="dot" cx="%s" cy="%s" r="3.5"/>`, n(r.x(len(values)-1)), n(ys.at(last)))
		}
	}
	return template.HTML(c.b.String() + "</svg>")
}

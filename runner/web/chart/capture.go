package chart

import (
	"math"
	"strings"

	"fullthrow/reports"
)

// Capture draws a capture as a report keeps it, its axes named "quantity /
// unit".
type Capture struct {
	ID            string
	Title, Desc   string
	Width, Height float64
	Plot          reports.Plot
	// Beside is drawn behind it, in grey: the same capture of good units.
	Beside []reports.Series
}

// mostSeries can be told apart by colour and dash.
const mostSeries = 6

// Draw draws the lines of the capture over one another.
func (k Capture) Draw(w Words) Drawing {
	c := &canvas{id: nameOf(k.ID, k.Title), title: orElse(k.Title, k.Plot.Title), desc: k.Desc, width: orUsual(k.Width, usualWide), height: orUsual(k.Height, 300)}
	xname, xunit := quantity(k.Plot.XLabel)
	yname, yunit := quantity(k.Plot.YLabel)
	xs, ys := axis{unit: xunit}, axis{unit: yunit}
	lost := 0
	hold := func(s reports.Series) {
		for i := range min(len(s.X), len(s.Y)) {
			if !finite(s.X[i]) || !finite(s.Y[i]) {
				lost++
				continue
			}
			xs.hold(s.X[i])
			ys.hold(s.Y[i])
			if i < len(s.Low) {
				ys.hold(s.Low[i])
			}
		}
	}
	series := k.Plot.Series
	if len(series) > mostSeries {
		c.note(w.T("charts.more_lines", "shown", mostSeries, "count", len(series)))
		series = series[:mostSeries]
	}
	for _, s := range series {
		hold(s)
	}
	for _, s := range k.Beside {
		hold(s)
	}
	if !xs.used {
		c.missing(w, lost)
		return Drawing{SVG: c.blank(w), Notes: c.notes}
	}
	xs.fit(0, 8)
	ys.fit(0.06, 5)
	left, right := ys.widest(w)+16, 16.0
	top, bottom := 34.0, c.height-48
	c.text(0, 14, "start", "", cut(ys.label(yname), c.width))
	top += c.legend(series, left, 34)
	xs.from, xs.to, ys.from, ys.to = left, c.width-right, bottom, max(top, 40)
	top = ys.to
	for _, v := range xs.steps {
		c.add(`<path class="grid" d="M%s %sV%s"/>`, n(xs.at(v)), n(top), n(bottom))
	}
	c.aside(w, &ys, left, c.width-right)
	for _, s := range k.Beside {
		c.series(s, &xs, &ys, "beside")
	}
	for i, s := range series {
		c.series(s, &xs, &ys, "s"+string(rune('0'+i)))
	}
	c.add(`<path class="axis" d="M%s %sH%s"/>`, n(left), n(bottom), n(c.width-right))
	for _, v := range xs.steps {
		s := xs.show(w, v)
		c.try(min(xs.at(v), c.width-wide(s)/2), bottom+20, "middle", "", s, false)
	}
	c.text(c.width-right, bottom+41, "end", "", cut(xs.label(xname), c.width))
	c.missing(w, lost)
	return Drawing{SVG: c.html(), Notes: c.notes}
}

// quantity parts an axis's label into its name and unit.
func quantity(s string) (name, unit string) {
	if i := strings.LastIndex(s, " / "); i >= 0 {
		return s[:i], s[i+3:]
	}
	return s, ""
}

// legend writes the lines' names in rows and returns their height. A single
// line without a name needs none.
func (c *canvas) legend(series []reports.Series, left, y float64) float64 {
	named := false
	for _, s := range series {
		named = named || s.Name != ""
	}
	if !named {
		return 0
	}
	x, from := left, y
	for i, s := range series {
		name := cut(orElse(s.Name, "–"), c.width-left-60)
		if x > left && x+wide(name)+58 > c.width {
			x, y = left, y+lineStep+2
		}
		c.add(`<path class="series s%d" d="M%s %sh26"/>`, i, n(x), n(y-4.5))
		c.text(x+33, y, "start", "", name)
		x += wide(name) + 58
	}
	return y - from + 14
}

// series draws one line, or a band between its ends.
func (c *canvas) series(s reports.Series, xs, ys *axis, class string) {
	n0 := min(len(s.X), len(s.Y))
	c.add(`<g class="%s"><title>%s</title>`, class, escape(s.Name))
	if len(s.Low) >= n0 && n0 > 0 {
		var over strings.Builder
		var under []string
		for i := range n0 {
			if finite(s.X[i]) && finite(s.Y[i]) && finite(s.Low[i]) {
				pen := "L"
				if over.Len() == 0 {
					pen = "M"
				}
				over.WriteString(pen + n(xs.at(s.X[i])) + " " + n(ys.at(s.Y[i])))
				under = append(under, "L"+n(xs.at(s.X[i]))+" "+n(ys.at(s.Low[i])))
			}
		}
		for i := len(under) - 1; i >= 0; i-- {
			over.WriteString(under[i])
		}
		c.add(`<path class="band %s" d="%sz"/>`, class, over.String())
	} else if drawn := path(s, n0, xs, ys); drawn.points == 1 {
		c.add(`<circle class="dot" cx="%s" cy="%s" r="4"/>`, n(drawn.x), n(drawn.y))
	} else {
		c.add(`<path class="series %s" d="%s"/>`, class, drawn.d)
	}
	c.add("</g>")
}

type drawnPath struct {
	d      string
	points int
	x, y   float64
}

// path is a line through points, of which only those are kept that change what
// is seen: within half a pixel's width the first, lowest, highest and last.
func path(s reports.Series, count int, xs, ys *axis) drawnPath {
	var b strings.Builder
	p := drawnPath{}
	pen := "M"
	put := func(x, y float64) {
		b.WriteString(pen + n(x) + " " + n(y))
		pen = "L"
	}
	column := math.NaN()
	var low, high, last float64
	flush := func() {
		if finite(column) && low != high {
			put(column, low)
			put(column, high)
			put(column, last)
		}
		column = math.NaN()
	}
	for i := range count {
		if !finite(s.X[i]) || !finite(s.Y[i]) {
			flush()
			pen = "M"
			continue
		}
		x, y := math.Round(xs.at(s.X[i])*2)/2, ys.at(s.Y[i])
		p.points++
		p.x, p.y = x, y
		if x != column {
			flush()
			column, low, high = x, y, y
			put(x, y)
		}
		low, high, last = min(low, y), max(high, y), y
	}
	flush()
	p.d = b.String()
	return p
}

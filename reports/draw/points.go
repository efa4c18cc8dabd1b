package draw

import (
	"cmp"
	"math"
	"strings"

	"fullthrow/reports/statistics"
)

// pixel is what points at the same half pixel come to.
type pixel struct {
	x, first, low, high, last float64
	under                     float64 // the lowest of the band's other edge
	points                    int
	gap                       bool // what comes before does not join
}

// pixels gathers the points of a line that lie at the same half pixel: only
// their first, lowest, highest and last can be seen.
func (l Line) pixels(xs, ys *Axis) (list []pixel) {
	gap := true
	for i := range l.Y {
		x, y := math.Round(xs.at(l.x(i))*2)/2, ys.at(l.Y[i])
		under := math.NaN()
		if i < len(l.Low) {
			under = ys.at(l.Low[i])
		}
		if !statistics.Finite(x) || !statistics.Finite(y) || l.Low != nil && !statistics.Finite(under) {
			gap = true
			continue
		}
		if n := len(list); n > 0 && list[n-1].x == x && !gap {
			k := &list[n-1]
			k.low, k.high, k.last, k.points = max(k.low, y), min(k.high, y), y, k.points+1
			k.under = max(k.under, under)
			continue
		}
		list = append(list, pixel{x, y, y, y, y, under, 1, gap})
		gap = false
	}
	return list
}

// wayOf is the way of the pen through pixels.
func wayOf(list []pixel) string {
	var b strings.Builder
	for _, k := range list {
		pen := "L"
		if k.gap {
			pen = "M"
		}
		b.WriteString(pen + number(k.x) + " " + number(k.first))
		if k.low != k.high {
			b.WriteString("V" + number(k.low) + "V" + number(k.high) + "V" + number(k.last))
		}
	}
	return b.String()
}

// bandOf is the way around the bands that pixels make.
func bandOf(list []pixel) string {
	var b strings.Builder
	for from := 0; from < len(list); {
		to := from + 1
		for to < len(list) && !list[to].gap {
			to++
		}
		pen := "M"
		for _, k := range list[from:to] {
			b.WriteString(pen + number(k.x) + " " + number(k.high))
			pen = "L"
		}
		for i := to - 1; i >= from; i-- {
			b.WriteString("L" + number(list[i].x) + " " + number(list[i].under))
		}
		b.WriteString("z")
		from = to
	}
	return b.String()
}

// size of a point: smaller where there are many, or where all is small.
func (a *Axis) size() float64 {
	switch pitch := a.pitch(); {
	case len(a.Slots) == 0 && a.end-a.start < 400:
		return 3
	case len(a.Slots) == 0 || pitch >= 13:
		return 4.5
	case pitch >= 7:
		return 3.5
	case pitch >= 4:
		return 2.75
	}
	return 2
}

// points draws the marks of a panel and their words. In slots that are narrow,
// one of several has a mark, and findings; intervals are then a band.
func (c *canvas) points(p *Panel, xs, ys *Axis, in box) {
	size, every, pitch := xs.size(), 1, xs.pitch()
	if len(xs.Slots) > 0 {
		every = max(1, int(math.Ceil(1.8*size/pitch)))
		c.every = max(c.every, every)
	}
	c.banded = pitch > 0 && pitch < 9
	if c.banded {
		band := Line{Low: []float64{}}
		for _, t := range p.Points {
			if t.Low == t.High {
				t.Low, t.High = math.NaN(), math.NaN()
			}
			band.X, band.Y, band.Low = append(band.X, t.X), append(band.Y, t.High), append(band.Low, t.Low)
		}
		if d := bandOf(band.pixels(xs, ys)); d != "" {
			c.path("band", d)
		}
	}
	for i, t := range p.Points {
		x, y := xs.at(t.X), ys.at(t.Y)
		if !statistics.Finite(x) || !statistics.Finite(y) || !t.Found && i%every != 0 && i != len(p.Points)-1 {
			continue
		}
		c.point(t, x, y, size, xs, ys, in, pitch*float64(every))
	}
	for i, t := range p.Points {
		x, y := xs.at(t.X), ys.at(t.Y)
		if t.Text == "" || !statistics.Finite(x) || !statistics.Finite(y) || !t.Found && i%every != 0 &&
			i != len(p.Points)-1 {
			continue
		}
		if !c.beside(t, x, y, in) {
			c.without++
		}
	}
}

func (c *canvas) point(t Point, x, y, size float64, xs, ys *Axis, in box, pitch float64) {
	end := c.open(t.Href, t.Title, t.Found)
	if pitch > 0 && end != "" {
		w := clamp(pitch, 6, 44)
		c.rect("touch", x-w/2, in.y0, w, in.y1-in.y0)
	}
	if t.Low != t.High && statistics.Finite(t.Low) && statistics.Finite(t.High) && !c.banded {
		class := map[bool]string{true: "whisker small", false: "whisker"}[size == 3]
		c.whisker(class, x, ys.at(t.Low), x, ys.at(t.High))
	}
	if t.XLow != t.XHigh && statistics.Finite(t.XLow) && statistics.Finite(t.XHigh) {
		c.path("wide", "M# #H#", xs.at(t.XLow), y, xs.at(t.XHigh))
	}
	name := cmp.Or(t.Shape, "dot")
	if name == "diamond" || name == "open" || name == "most" {
		size += 2.5
	}
	class := cmp.Or(t.Class, classes[name])
	if pitch > 0 && size == 2 {
		class += " small"
	}
	c.path(class, shape(name, x, y, size))
	c.add("%s", end)
	c.shadow = append(c.shadow, box{x - size, y - size, x + size, y + size})
}

// beside writes the words of a point near it; those of a finding may be left
// out, all others stand somewhere.
func (c *canvas) beside(t Point, x, y float64, in box) bool {
	rows, class := 12, "halo"
	room := box{in.x0, in.y0 - lineStep - textAbove, c.width, in.y1 + 2 + textBelow}
	if t.Found {
		rows, class = 2, "sign halo"
		room.x0 = 0
	}
	text := cut(Signed(t.Text), in.x1-in.x0)
	for row := range rows {
		up, down := y-13-lineStep*float64(row), y+21+lineStep*float64(row)
		if t.Below {
			up, down = down, up
		}
		for _, at := range []float64{up, down} {
			for _, side := range []struct {
				dx     float64
				anchor string
			}{{0, "middle"}, {8, "start"}, {-8, "end"}} {
				if c.try(room, x+side.dx, at, side.anchor, class, text, true) {
					return true
				}
			}
		}
	}
	if c.try(room, x+12, y+5, "start", class, text, true) || c.try(room, x-12, y+5, "end", class, text, true) {
		return true
	}
	if !t.Found {
		c.text(x+8, max(y-8, in.y0+textAbove), "start", class, text)
	}
	return !t.Found
}

// slotLabels writes the names of slots on the line y, as many as there is room
// for, the last among them.
func (c *canvas) slotLabels(xs *Axis, y float64) {
	long := 0.0
	for _, s := range xs.Slots {
		long = max(long, min(wide(s), 180))
	}
	every := max(1, int(math.Ceil((long+14)/xs.pitch())))
	for i := len(xs.Slots) - 1; i >= 0; i -= every {
		s := cut(xs.Slots[i], max(180, xs.pitch()-8))
		x := clamp(xs.at(float64(i)), wide(s)/2, c.width-wide(s)/2)
		c.try(box{0, 0, c.width, y + lineStep}, x, y, "middle", "", s, false)
	}
}

// rows draws a panel of names with a bar or a point each, from the top of a box
// down, and returns where it ends.
func (c *canvas) rows(p *Panel, out box) float64 {
	xs := &p.X
	names, texts, more := 0.0, 0.0, wide(p.More)
	for _, r := range p.Rows {
		xs.hold(r.Value)
		if r.interval() {
			xs.hold(r.Low, r.High)
		}
		names, texts, more = max(names, wide(r.Label)), max(texts, bold*wide(r.Text)), max(more, wide(r.More))
	}
	for _, z := range p.Zones {
		xs.hold(z.From, z.To)
	}
	xs.Zero = true
	xs.fit(0.02, 6)
	names = min(names, (out.x1-out.x0)*0.34)
	in := box{out.x0 + names + 14, out.y0, out.x1 - min(texts, (out.x1-out.x0)*0.25) - 12, 0}
	right := out.x1
	if more > 0 {
		right -= more + 12
		in.x1 -= more + 12
	}
	xs.start, xs.end = in.x0, max(in.x1, in.x0+60)
	if p.X.Name != "" || p.More != "" {
		c.text(out.x1, out.y0+14, "end", "", p.More)
		c.text(out.x0, out.y0+14, "start", "", cut(xs.label(), out.x1-out.x0-more-24))
		in.y0 += 22
	}
	heights := make([]float64, len(p.Rows))
	in.y1 = in.y0 + 4
	for i, r := range p.Rows {
		heights[i] = 14 + lineStep*float64(len(wrap(r.Label, names, 2)))
		in.y1 += heights[i]
	}
	c.ground(p, xs, &Axis{}, in)
	c.path("zero", "M# #V#", xs.at(0), in.y0-4, in.y1)
	y := in.y0
	for i, r := range p.Rows {
		c.row(r, wrap(r.Label, names, 2), xs, box{out.x0, y, out.x1, y + heights[i]}, in, right)
		y += heights[i]
	}
	for _, v := range xs.steps {
		s := xs.show(c.n, v)
		c.try(box{out.x0, 0, out.x1, in.y1 + 30}, min(xs.at(v), out.x1-wide(s)/2), in.y1+18, "middle", "", s, false)
	}
	return in.y1 + 26
}

// row draws one row. Its words stand outside the link, whose name says them in
// full.
func (c *canvas) row(r Row, lines []string, xs *Axis, at, in box, edge float64) {
	y := (at.y0 + at.y1) / 2
	ink, strong := "", ""
	if r.Strong {
		ink, strong = "ink", "strong"
	}
	for j, s := range lines {
		c.text(in.x0-12, y+4.5+lineStep*(float64(j)-float64(len(lines)-1)/2), "end", ink, s)
	}
	x := xs.at(r.Value)
	right := x
	end := c.open(r.Href, r.Title, r.Strong)
	c.rect("touch", at.x0+1, at.y0+1, at.x1-at.x0-2, at.y1-at.y0-2)
	whisker := "whisker"
	if r.Bar != "" {
		whisker, right = "over", max(x, xs.at(0))
		c.rect(r.Bar, min(x, xs.at(0)), y-9, max(math.Abs(x-xs.at(0)), 1), 18)
	}
	if r.interval() {
		c.whisker(whisker, xs.at(r.Low), y, xs.at(r.High), y)
		right = max(right, xs.at(r.High))
	}
	switch {
	case r.Bar != "":
	case r.Shape == "diamond":
		c.path(classes[r.Shape], shape(r.Shape, x, y, 7))
	default:
		c.path(classes[r.Shape], shape(r.Shape, x, y, 4.75))
	}
	c.add("%s", end)
	c.text(right+9, y+4.5, "start", strong, cut(r.Text, (edge-right-9)/bold))
	c.text(at.x1, y+4.5, "end", "", r.More)
}

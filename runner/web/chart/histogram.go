package chart

import "math"

// Histogram shows how values lie against their limits.
type Histogram struct {
	ID, Title, Desc string
	Width, Height   float64
	Unit            string
	Label           string // what is measured: "Standby current"
	Bins            []Bin
	Lower, Upper    *float64
	// Mean and SD of a normal distribution to draw over it, where one is apt;
	// SD 0 draws none.
	Mean, SD float64
}

// Bin is how many values lie from From to To.
type Bin struct {
	From, To    float64
	Count       int
	Title, Href string
}

// Bins sorts values into about so many bins of round width. What is not finite
// is left out.
func Bins(values []float64, about int) []Bin {
	a := axis{}
	count := 0
	for _, v := range values {
		if finite(v) {
			a.hold(v)
			count++
		}
	}
	if count == 0 {
		return nil
	}
	if a.low == a.high {
		half := max(math.Abs(a.low)*0.005, 1e-12)
		return []Bin{{From: a.low - half, To: a.low + half, Count: count}}
	}
	a.step(max(about, 2))
	if len(a.steps) < 2 {
		return []Bin{{From: a.low, To: a.high, Count: count}}
	}
	step := a.steps[1] - a.steps[0]
	first := math.Floor(a.low / step)
	bins := make([]Bin, int(min(math.Floor(a.high/step)-first+1, 1000)))
	for i := range bins {
		bins[i].From, bins[i].To = (first+float64(i))*step, (first+float64(i)+1)*step
	}
	for _, v := range values {
		if finite(v) {
			i := min(max(int(math.Floor(v/step)-first), 0), len(bins)-1)
			bins[i].Count++
		}
	}
	return bins
}

const mostBins = 300

// together joins neighbouring bins where there are more than can be told apart.
func together(bins []Bin) []Bin {
	if len(bins) <= mostBins {
		return bins
	}
	var out []Bin
	for k := range mostBins {
		from, to := k*len(bins)/mostBins, (k+1)*len(bins)/mostBins
		b := Bin{From: bins[from].From, To: bins[to-1].To}
		for _, x := range bins[from:to] {
			b.Count += max(x.Count, 0)
		}
		out = append(out, b)
	}
	return out
}

// Draw draws the bins as bars between the limits.
func (h Histogram) Draw(w Words) Drawing {
	c := &canvas{id: nameOf(h.ID, h.Title), title: h.Title, desc: h.Desc, width: orUsual(h.Width, usualWide), height: orUsual(h.Height, 320)}
	d := Drawing{Table: Table{Head: []Cell{text(w.T("charts.values")), number(w.T("charts.units"))}}}
	xs, ys := axis{unit: h.Unit}, axis{}
	lost, total := 0, 0
	all := len(h.Bins)
	if h.Bins = together(h.Bins); len(h.Bins) < all {
		c.note(w.T("charts.bins_together", "count", all, "shown", len(h.Bins)))
	}
	ys.hold(0)
	width := math.NaN()
	for _, b := range h.Bins {
		if !finite(b.From) || !finite(b.To) || b.To <= b.From || b.Count < 0 {
			lost++
			continue
		}
		xs.hold(b.From, b.To)
		ys.hold(float64(b.Count))
		total += b.Count
		width = b.To - b.From
		d.Table.Rows = append(d.Table.Rows, []Cell{{Text: w.T("charts.from_to", "from", show(w, b.From, h.Unit), "to", show(w, b.To, h.Unit)), Href: b.Href}, number(w.Number(float64(b.Count)))})
	}
	if total == 0 {
		c.missing(w, lost)
		d.SVG, d.Notes = c.blank(w), c.notes
		return d
	}
	for _, l := range []*float64{h.Lower, h.Upper} {
		if l != nil {
			xs.hold(*l)
		}
	}
	normal := finite(h.SD) && h.SD > 0 && finite(h.Mean) && finite(width)
	scale := 0.0
	if normal {
		scale = float64(total) * width / (h.SD * math.Sqrt(2*math.Pi))
		ys.hold(min(scale, 4*ys.high))
	}
	xs.fit(0.05, 8)
	ys.fit(0.06, 4)
	ys.whole()
	left, right := ys.widest(w)+16, 16.0
	top, bottom := 54.0, c.height-48
	xs.from, xs.to, ys.from, ys.to = left, c.width-right, bottom, top
	c.text(0, 14, "start", "", cut(w.T("charts.units"), c.width/2))
	for _, l := range []struct {
		at *float64
		to float64
	}{{h.Lower, left}, {h.Upper, c.width - right}} {
		if l.at != nil && finite(*l.at) {
			x := xs.at(*l.at)
			c.add(`<rect class="beyond" x="%s" y="%s" width="%s" height="%s"/>`, n(min(x, l.to)), n(top), n(math.Abs(l.to-x)), n(bottom-top))
		}
	}
	for _, v := range ys.steps {
		y := ys.at(v)
		c.add(`<path class="grid" d="M%s %sH%s"/>`, n(left), n(y), n(c.width-right))
		c.text(left-9, y+4.5, "end", "", w.Number(v))
	}
	for _, b := range h.Bins {
		if !finite(b.From) || !finite(b.To) || b.To <= b.From || b.Count <= 0 {
			continue
		}
		title := b.Title
		if title == "" {
			title = w.T("charts.bin", "from", show(w, b.From, h.Unit), "to", show(w, b.To, h.Unit), "count", b.Count)
		}
		out := h.Lower != nil && b.To <= *h.Lower || h.Upper != nil && b.From >= *h.Upper
		class := "bar"
		if out {
			class = "bar fail"
		}
		x0, x1 := xs.at(b.From), xs.at(b.To)
		y := ys.at(float64(b.Count))
		end := c.open(b.Href, title, out)
		c.add(`<rect class="touch" x="%s" y="%s" width="%s" height="%s" rx="2"/>`, n(x0), n(top), n(max(x1-x0, 2)), n(bottom-top))
		c.add(`<rect class="%s" x="%s" y="%s" width="%s" height="%s"/>`, class, n(x0), n(y), n(max(x1-x0, 1)), n(max(bottom-y, 2)))
		c.add("%s", end)
	}
	if normal {
		path := ""
		pen := "M"
		const points = 160
		for i := 0; i <= points; i++ {
			x := max(xs.low, h.Mean-4*h.SD) + (min(xs.high, h.Mean+4*h.SD)-max(xs.low, h.Mean-4*h.SD))*float64(i)/points
			z := (x - h.Mean) / h.SD
			if y := scale * math.Exp(-z*z/2); finite(y) && finite(x) {
				path += pen + n(xs.at(x)) + " " + n(max(ys.at(y), top-18))
				pen = "L"
			}
		}
		c.add(`<path class="model halo" d="%s"/><path class="model" d="%s"><title>%s</title></path>`, path, path, escape(w.T("charts.normal", "mean", show(w, h.Mean, h.Unit), "sd", show(w, h.SD, h.Unit))))
	}
	c.add(`<path class="axis" d="M%s %sH%s"/>`, n(left), n(bottom), n(c.width-right))
	for _, l := range []struct {
		at           *float64
		id, anchor   string
		side         float64
		other, turns string
	}{{h.Lower, "charts.lower_limit", "end", -7, "start", ""}, {h.Upper, "charts.upper_limit", "start", 7, "end", ""}} {
		if l.at == nil || !finite(*l.at) {
			continue
		}
		x := xs.at(*l.at)
		c.add(`<path class="limit" d="M%s %sV%s"/>`, n(x), n(top-12), n(bottom))
		s := w.T(l.id, "value", show(w, *l.at, h.Unit))
		if !c.try(x+l.side, top-16, l.anchor, "strong", s, false) && !c.try(x-l.side, top-16, l.other, "strong", s, false) {
			c.try(min(max(x, bold*wide(s)/2), c.width-bold*wide(s)/2), top-34, "middle", "strong", s, false)
		}
	}
	for _, v := range xs.steps {
		x := xs.at(v)
		c.add(`<path class="axis" d="M%s %sv5"/>`, n(x), n(bottom))
		c.try(x, bottom+20, "middle", "", xs.show(w, v), false)
	}
	c.text(c.width-right, bottom+41, "end", "", cut(xs.label(h.Label), c.width))
	c.missing(w, lost)
	d.SVG, d.Notes = c.html(), c.notes
	return d
}

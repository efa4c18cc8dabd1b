package chart

// Pareto is what fails, the most frequent first: bars with counts and
// intervals, and how much those so far make together.
type Pareto struct {
	ID, Title, Desc string
	Width           float64
	Label           string // what is counted: "Failed units"
	Of              string // what a bar is: "Cause", for the table
	Bars            []Mark // in order; values are counts
	Total           float64
	Most            int // bars that are drawn; 0: 20. The others are one bar
}

// Draw draws the bars in the order given.
func (p Pareto) Draw(w Words) Drawing {
	c := &canvas{id: nameOf(p.ID, p.Title), title: p.Title, desc: p.Desc, width: orUsual(p.Width, usualWide)}
	d := Drawing{Table: p.table(w)}
	var bars []Mark
	lost := 0
	for _, b := range p.Bars {
		if !finite(b.Value) || b.Value < 0 {
			lost++
			continue
		}
		bars = append(bars, b)
	}
	if len(bars) == 0 {
		c.height = 120
		c.missing(w, lost)
		d.SVG, d.Notes = c.blank(w), c.notes
		return d
	}
	most := p.Most
	if most <= 0 {
		most = 20
	}
	rest := Mark{}
	hidden := 0
	if len(bars) > most+1 {
		for _, b := range bars[most:] {
			rest.Value += b.Value
			hidden++
		}
		bars = bars[:most]
		rest.Label = w.T("charts.others", "count", hidden)
	}
	xs := axis{}
	xs.hold(0, rest.Value)
	names := 0.0
	for _, b := range bars {
		xs.hold(b.Value)
		if b.interval() {
			xs.hold(b.High)
		}
		names = max(names, wide(b.Label))
	}
	xs.fit(0, 6)
	if xs.high == 0 {
		xs.high = 1
	}
	names = min(max(names, wide(rest.Label)), c.width*0.36)
	left := names + 14
	counts, sums := 0.0, wide(w.T("charts.so_far"))
	for _, b := range bars {
		counts = max(counts, bold*wide(w.Number(b.Value)))
	}
	counts = max(counts, bold*wide(w.Number(rest.Value)))
	right := c.width - sums - 28
	xs.from, xs.to = left, max(right-counts-20, left+60)
	y := 8.0
	head := 22.0
	c.try(left, y+8, "start", "", cut(p.Label, right-left-20), false)
	if p.Total > 0 {
		c.text(c.width, y+8, "end", "", w.T("charts.so_far"))
	}
	y += head
	top := y
	total := 0.0
	draw := func(b Mark, class string) {
		lines := wrap(b.Label, names, 2)
		height := 16 + lineStep*float64(len(lines))
		middle := y + height/2
		total += b.Value
		edge := xs.at(b.Value)
		from, to := edge, edge
		if b.interval() {
			from, to = xs.at(max(b.Low, 0)), xs.at(b.High)
			edge = max(edge, to)
		}
		// The words stand below the link, not in it: its name says them in full.
		for i, l := range lines {
			c.text(left-12, middle+4.5+lineStep*(float64(i)-float64(len(lines)-1)/2), "end", "ink", l)
		}
		c.text(edge+9, middle+4.5, "start", "strong", w.Number(b.Value))
		if p.Total > 0 {
			c.text(c.width, middle+4.5, "end", "", w.Percent(min(total/p.Total, 1)))
		}
		end := c.open(b.Href, p.words(w, b), class == "bar")
		c.add(`<rect class="touch" x="1" y="%s" width="%s" height="%s" rx="3"/>`, n(y+2), n(c.width-2), n(height-4))
		c.add(`<rect class="%s" x="%s" y="%s" width="%s" height="18" rx="2"/>`, class, n(left), n(middle-9), n(max(xs.at(b.Value)-left, 1)))
		if b.interval() {
			c.add(`<path class="over" d="M%s %sH%sM%s %sv8M%s %sv8"/>`, n(from), n(middle), n(to), n(from), n(middle-4), n(to), n(middle-4))
		}
		c.add("%s", end)
		y += height
	}
	for _, b := range bars {
		draw(b, "bar")
	}
	if hidden > 0 {
		draw(rest, "bar rest")
		c.note(w.T("charts.collected", "count", hidden))
	}
	c.add(`<path class="axis" d="M%s %sV%s"/>`, n(left), n(top), n(y))
	c.height = y + 6
	if intervals(bars) {
		c.keys(left, key{"over", w.T("charts.key_interval")})
	}
	c.missing(w, lost)
	d.SVG, d.Notes = c.html(), c.notes
	return d
}

func (p Pareto) words(w Words, b Mark) string {
	s := b.words(w, "")
	if p.Total > 0 && b.Title == "" {
		s = w.T("charts.share", "mark", s, "share", w.Percent(b.Value/p.Total))
	}
	return s
}

func (p Pareto) table(w Words) Table {
	t := markTable(w, p.Of, p.Label, "", p.Bars)
	if p.Total > 0 {
		t.Head = append(t.Head, number(w.T("charts.share_head")), number(w.T("charts.so_far")))
		sum := 0.0
		for i, b := range p.Bars {
			if finite(b.Value) {
				sum += b.Value
			}
			t.Rows[i] = append(t.Rows[i], value(w, b.Value/p.Total, Percent), value(w, min(sum/p.Total, 1), Percent))
		}
	}
	return t
}

package chart

import "math"

// Comparison shows differences with their intervals, one row each, on one
// scale: zero is no difference.
type Comparison struct {
	ID, Title, Desc string
	Width           float64
	Unit            string // of the differences; Percent where they are parts of the limits' width
	Label           string // what they are: "Lot 24B against 24A, part of the limits' width"
	Of              string // what a row is: "Reading", for the table
	Rows            []Mark
	// Matter is the size from which a difference matters; 0: none is drawn.
	Matter float64
	Most   int // rows that are drawn; 0: 40
}

// Draw draws the rows in the order given. A filled dot is a difference whose
// interval leaves zero out, a diamond one that matters as well.
func (k Comparison) Draw(w Words) Drawing {
	c := &canvas{id: nameOf(k.ID, k.Title), title: k.Title, desc: k.Desc, width: orUsual(k.Width, usualWide), height: 120}
	d := Drawing{Table: markTable(w, k.Of, w.T("charts.difference"), k.Unit, k.Rows)}
	var rows []Mark
	lost := 0
	for _, r := range k.Rows {
		if !finite(r.Value) {
			lost++
			continue
		}
		rows = append(rows, r)
	}
	if len(rows) == 0 {
		c.missing(w, lost)
		d.SVG, d.Notes = c.blank(w), c.notes
		return d
	}
	most := k.Most
	if most <= 0 {
		most = 40
	}
	if len(rows) > most {
		c.note(w.T("charts.first_rows", "shown", most, "count", len(rows)))
		rows = rows[:most]
	}
	xs := axis{unit: k.Unit}
	xs.hold(0)
	names, values := 0.0, 0.0
	for _, r := range rows {
		xs.hold(r.Value)
		if r.interval() {
			xs.hold(r.Low, r.High)
		}
		names, values = max(names, wide(r.Label)), max(values, bold*wide(plus(w, r.Value, k.Unit)))
	}
	if k.Matter > 0 && finite(k.Matter) {
		xs.hold(-k.Matter, k.Matter)
	}
	xs.fit(0.06, 7)
	names = min(names, c.width*0.34)
	left, right := names+18, min(values, c.width*0.25)+18
	xs.from, xs.to = left, c.width-right
	c.text(0, 14, "start", "", cut(k.Label, c.width))
	top := 30.0
	heights, y := make([]float64, len(rows)), top
	for i, r := range rows {
		heights[i] = 13 + lineStep*float64(len(wrap(r.Label, names, 2)))
		y += heights[i]
	}
	bottom := y + 4
	c.height = bottom + 30
	if k.Matter > 0 && finite(k.Matter) {
		c.add(`<rect class="band calm" x="%s" y="%s" width="%s" height="%s"/>`, n(xs.at(-k.Matter)), n(top), n(xs.at(k.Matter)-xs.at(-k.Matter)), n(bottom-top))
	}
	c.along(w, &xs, top, bottom)
	c.add(`<path class="zero" d="M%s %sV%s"/>`, n(xs.at(0)), n(top-4), n(bottom))
	y = top
	for i, r := range rows {
		middle := y + heights[i]/2
		clear := r.interval() && (r.Low > 0 || r.High < 0)
		matters := clear && k.Matter > 0 && math.Abs(r.Value) >= k.Matter
		// The words stand below the link, not in it: its name says them in full.
		lines := wrap(r.Label, names, 2)
		for j, l := range lines {
			c.text(0, middle+4.5+lineStep*(float64(j)-float64(len(lines)-1)/2), "start", map[bool]string{true: "ink", false: ""}[clear], l)
		}
		c.text(c.width, middle+4.5, "end", map[bool]string{true: "strong", false: ""}[clear], cut(plus(w, r.Value, k.Unit), (right-10)/bold))
		end := c.open(r.Href, r.words(w, k.Unit), clear)
		c.add(`<rect class="touch" x="1" y="%s" width="%s" height="%s" rx="3"/>`, n(y+1), n(c.width-2), n(heights[i]-2))
		if r.interval() {
			a, b := xs.at(r.Low), xs.at(r.High)
			c.add(`<path class="whisker" d="M%s %sH%sM%s %sv8M%s %sv8"/>`, n(a), n(middle), n(b), n(a), n(middle-4), n(b), n(middle-4))
		}
		x := xs.at(r.Value)
		switch {
		case matters:
			c.add(`<path class="dot out" d="M%s %sl7 7-7 7-7-7z"/>`, n(x), n(middle-7))
		case clear:
			c.add(`<circle class="dot" cx="%s" cy="%s" r="5"/>`, n(x), n(middle))
		default:
			c.add(`<circle class="dot quiet" cx="%s" cy="%s" r="4.5"/>`, n(x), n(middle))
		}
		c.add("%s", end)
		y += heights[i]
	}
	if intervals(rows) {
		keys := []key{{"dot", w.T("charts.key_clear")}, {"dot quiet", w.T("charts.key_chance")}}
		if k.Matter > 0 && finite(k.Matter) {
			keys = append([]key{{"diamond", w.T("charts.key_matters")}}, keys...)
			keys = append(keys, key{"calm", w.T("charts.key_small", "size", show(w, k.Matter, k.Unit))})
		}
		c.keys(0, keys...)
	}
	c.missing(w, lost)
	d.SVG, d.Notes = c.html(), c.notes
	return d
}

// plus writes a difference with its sign.
func plus(w Words, v float64, unit string) string {
	if s := show(w, v, unit); v > 0 {
		return "+" + s
	} else {
		return s
	}
}

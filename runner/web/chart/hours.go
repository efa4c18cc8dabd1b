package chart

// Hours is how much was done in each stretch of time, against what the takt
// asks for.
type Hours struct {
	ID, Title, Desc string
	Width, Height   float64
	Label           string // "Units per hour"
	Of              string // "Hour", for the table
	Bars            []HoursBar
	TargetLabel     string // "target" if empty
	LostLabel       string // what the part apart is: "judged no unit" if empty
}

// HoursBar is one stretch of time.
type HoursBar struct {
	Mark
	Lost   float64 // part of Value that counts for nothing, drawn apart: runs that judged no unit
	Target float64 // what the takt asks for; 0 or NaN: nothing was asked
}

const mostBars = 240

// Draw draws the bars; the takt is a line over each.
func (h Hours) Draw(w Words) Drawing {
	c := &canvas{id: nameOf(h.ID, h.Title), title: h.Title, desc: h.Desc, width: orUsual(h.Width, usualWide), height: orUsual(h.Height, 280)}
	table := Table{Head: []Cell{text(h.Of), number(h.Label), number(w.T("charts.target"))}}
	ys := axis{}
	ys.hold(0)
	lost, some := 0, false
	for _, b := range h.Bars {
		table.Rows = append(table.Rows, []Cell{{Text: b.Label, Href: b.Href}, value(w, b.Value, ""), value(w, b.Target, "")})
		if !finite(b.Value) || b.Value < 0 {
			lost++
			continue
		}
		ys.hold(b.Value)
		some = some || b.Lost > 0
		if b.Target > 0 {
			ys.hold(b.Target)
		}
	}
	d := Drawing{Table: table}
	if all := len(h.Bars); all > mostBars && lost < all {
		c.note(w.T("charts.last_bars", "shown", mostBars, "count", all))
		h.Bars = h.Bars[all-mostBars:]
	}
	if lost == len(h.Bars) {
		c.missing(w, lost)
		d.SVG, d.Notes = c.blank(w), c.notes
		return d
	}
	ys.fit(0.1, 4)
	ys.low = 0
	takt := ""
	if last := h.Bars[len(h.Bars)-1].Target; last > 0 && finite(last) {
		takt = cut(orElse(h.TargetLabel, w.T("charts.target"))+" "+w.Number(last), 170)
	}
	left, right := ys.widest(w)+16, 12.0
	if takt != "" {
		right = wideAs("strong", takt) + 18
	}
	top, bottom := 34.0, c.height-34
	ys.from, ys.to = bottom, top
	r := row{len(h.Bars), left, c.width - left - right}
	c.text(0, 14, "start", "", cut(h.Label, c.width))
	c.aside(w, &ys, left, c.width-right)
	if some {
		name := cut(orElse(h.LostLabel, w.T("charts.judged_none")), c.width/2)
		x := c.width - right - wide(name)
		c.add(`<rect class="bar rest" x="%s" y="4" width="12" height="12"/>`, n(x-20))
		c.text(x, 14, "start", "", name)
	}
	thick := min(r.pitch()*0.72, 56)
	if r.pitch() < 4 {
		thick = r.pitch() * 0.9
	}
	for i, b := range h.Bars {
		if !finite(b.Value) || b.Value < 0 {
			continue
		}
		x, y := r.x(i), ys.at(b.Value)
		end := c.open(b.Href, b.words(w, ""), false)
		c.touch(x, r.pitch(), top, bottom)
		good := ys.at(max(0, b.Value-max(b.Lost, 0)))
		c.add(`<rect class="bar" x="%s" y="%s" width="%s" height="%s"/>`, n(x-thick/2), n(good), n(thick), n(bottom-good))
		if b.Lost > 0 && finite(b.Lost) {
			c.add(`<rect class="bar rest" x="%s" y="%s" width="%s" height="%s"/>`, n(x-thick/2), n(y), n(thick), n(max(good-y, 0)))
		}
		c.add("%s", end)
		c.shadow = append(c.shadow, box{x - thick/2, y, x + thick/2, bottom})
	}
	if path := r.steps(func(i int) float64 {
		if t := h.Bars[i].Target; t > 0 && finite(t) {
			return ys.at(t)
		}
		return nan
	}); path != "" {
		c.add(`<path class="target" d="%s"/>`, path)
	}
	for i, b := range h.Bars {
		if finite(b.Value) && b.Value >= 0 {
			c.try(r.x(i), ys.at(b.Value)-7, "middle", "strong halo", w.Number(b.Value), false)
		}
	}
	if takt != "" {
		c.labels(c.width-right+8, []label{{ys.at(h.Bars[len(h.Bars)-1].Target), takt, "strong"}}, top, bottom)
	}
	c.add(`<path class="axis" d="M%s %sH%s"/>`, n(left), n(bottom), n(c.width-right))
	r.labels(c, bottom+20, func(i int) string { return h.Bars[i].Label })
	c.missing(w, lost)
	d.SVG, d.Notes = c.html(), c.notes
	return d
}

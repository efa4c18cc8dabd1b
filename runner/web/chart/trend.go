package chart

import "strings"

// Trend is a figure over time: points with their intervals, and a target.
type Trend struct {
	ID, Title, Desc string
	Width, Height   float64 // 0: usual
	Unit            string  // of the values
	Label           string  // what they are: "First-pass yield"
	Of              string  // what a point is: "Day", for the table
	Points          []Mark
	Target          *float64
	TargetLabel     string // "target" if empty
}

// Draw draws the trend.
func (t Trend) Draw(w Words) Drawing {
	c := &canvas{id: nameOf(t.ID, t.Title), title: t.Title, desc: t.Desc, width: orUsual(t.Width, usualWide), height: orUsual(t.Height, 320)}
	d := Drawing{Table: markTable(w, t.Of, t.Label, t.Unit, t.Points)}
	lost := countMissing(len(t.Points), func(i int) float64 { return t.Points[i].Value })
	if lost == len(t.Points) {
		c.missing(w, lost)
		d.SVG, d.Notes = c.blank(w), c.notes
		return d
	}
	ys := axis{unit: t.Unit}
	for _, p := range t.Points {
		ys.hold(p.Value)
		if p.interval() {
			ys.hold(p.Low, p.High)
		}
	}
	if t.Target != nil {
		ys.hold(*t.Target)
	}
	ys.fit(0.08, 5)
	target := ""
	if t.Target != nil && finite(*t.Target) {
		target = orElse(t.TargetLabel, w.T("charts.target")) + " " + show(w, *t.Target, t.Unit)
	}
	left, right := ys.widest(w)+16, 14.0
	if target != "" {
		target = cut(target, 170)
		right = wideAs("strong", target) + 18
	}
	top, bottom := 34.0, c.height-34
	ys.from, ys.to = bottom, top
	r := row{len(t.Points), left, c.width - left - right}
	c.text(0, 14, "start", "", cut(ys.label(t.Label), c.width))
	c.aside(w, &ys, left, c.width-right)
	if target != "" {
		y := ys.at(*t.Target)
		c.add(`<path class="target" d="M%s %sH%s"/>`, n(left), n(y), n(c.width-right))
		c.labels(c.width-right+8, []label{{y, target, "strong"}}, top, bottom)
	}
	band := r.pitch() < 9
	if band {
		c.add(`<path class="band" d="%s"/>`, t.band(r, &ys))
	}
	c.add(`<path class="%s" d="%s"/>`, r.pen(), r.line(func(i int) float64 { return ys.place(t.Points[i].Value) }))
	every, size := r.every(r.dot()), r.dot()
	for i, p := range t.Points {
		if !finite(p.Value) || i%every != 0 && i != len(t.Points)-1 {
			continue
		}
		x, y := r.x(i), ys.at(p.Value)
		end := c.open(p.Href, p.words(w, t.Unit), false)
		c.touch(x, r.pitch()*float64(every), top, bottom)
		if p.interval() && !band {
			c.add(`<path class="whisker" d="M%s %sV%sM%s %sh7M%s %sh7"/>`, n(x), n(ys.at(p.Low)), n(ys.at(p.High)),
				n(x-3.5), n(ys.at(p.Low)), n(x-3.5), n(ys.at(p.High)))
		}
		c.add(`<circle class="dot%s" cx="%s" cy="%s" r="%s"/>`, r.small(), n(x), n(y), n(size))
		c.add("%s", end)
	}
	c.add(`<path class="axis" d="M%s %sH%s"/>`, n(left), n(bottom), n(c.width-right))
	r.labels(c, bottom+20, func(i int) string { return t.Points[i].Label })
	if intervals(t.Points) {
		c.keys(left, key{map[bool]string{true: "band", false: "whisker"}[band], w.T("charts.key_interval")})
	}
	if every > 1 {
		c.note(w.T("charts.thinned", "every", every, "count", len(t.Points)))
	}
	c.missing(w, lost)
	d.SVG, d.Notes = c.html(), c.notes
	return d
}

// band is the area between the ends of the intervals.
func (t Trend) band(r row, ys *axis) string {
	var path strings.Builder
	for from := 0; from < len(t.Points); from++ {
		to := from
		for to < len(t.Points) && t.Points[to].interval() {
			to++
		}
		if to > from {
			step := max(1, (to-from)/int(r.wide*2))
			pen := "M"
			for i := from; i < to; i += step {
				path.WriteString(pen + n(r.x(i)) + " " + n(ys.at(t.Points[i].High)))
				pen = "L"
			}
			for i := to - 1; i >= from; i -= step {
				path.WriteString("L" + n(r.x(i)) + " " + n(ys.at(t.Points[i].Low)))
			}
			path.WriteString("z")
			from = to
		}
	}
	return path.String()
}

func intervals(marks []Mark) bool {
	for _, m := range marks {
		if m.interval() {
			return true
		}
	}
	return false
}

// place is at, and not a number for what is none.
func (a *axis) place(v float64) float64 {
	if !finite(v) {
		return v
	}
	return a.at(v)
}

// touch is the area by which a mark is reached, and whose outline shows that it
// has the focus.
func (c *canvas) touch(x, pitch, top, bottom float64) {
	wide := min(max(pitch, 6), 44)
	c.add(`<rect class="touch" x="%s" y="%s" width="%s" height="%s" rx="3"/>`, n(x-wide/2), n(top), n(wide), n(bottom-top))
}

func orUsual(v, usual float64) float64 {
	if v <= 0 || !finite(v) {
		return usual
	}
	return max(v, 240)
}

func orElse(s, other string) string {
	if s == "" {
		return other
	}
	return s
}

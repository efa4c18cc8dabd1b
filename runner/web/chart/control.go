package chart

import (
	"math"
	"slices"
	"strings"
)

// Control is a control chart: points around a centre line between limits, which
// may change from point to point. It serves for weighted averages as well.
type Control struct {
	ID, Title, Desc string
	Width, Height   float64
	Unit            string
	Label           string // what the points are: "Mean of 5 units"
	Of              string // what stands at the axis: "Group", for the table
	Points          []ControlPoint
}

// ControlPoint is a point with the lines at its place; NaN where there is none.
type ControlPoint struct {
	Mark
	Centre, Lower, Upper float64
	Hits                 []string // numbers of the rules that it fires: "1", "2"
	Apart                bool     // drawn, but not counted in the lines: hollow
}

// Draw draws the chart. A point that fires a rule is a diamond with the rule's
// number beside it.
func (k Control) Draw(w Words) Drawing {
	c := &canvas{id: nameOf(k.ID, k.Title), title: k.Title, desc: k.Desc, width: orUsual(k.Width, usualWide), height: orUsual(k.Height, 340)}
	d := Drawing{Table: k.table(w)}
	lost := countMissing(len(k.Points), func(i int) float64 { return k.Points[i].Value })
	if lost == len(k.Points) {
		c.missing(w, lost)
		d.SVG, d.Notes = c.blank(w), c.notes
		return d
	}
	ys := axis{unit: k.Unit}
	for _, p := range k.Points {
		ys.hold(p.Value, p.Centre, p.Lower, p.Upper)
	}
	ys.fit(0.1, 5)
	last := k.Points[len(k.Points)-1]
	lines := []struct {
		of    func(ControlPoint) float64
		class string
		id    string
	}{
		{func(p ControlPoint) float64 { return p.Upper }, "limit", "charts.upper"},
		{func(p ControlPoint) float64 { return p.Centre }, "centre", "charts.centre"},
		{func(p ControlPoint) float64 { return p.Lower }, "limit", "charts.lower"},
	}
	var names []label
	beside := 0.0
	for _, l := range lines {
		if v := l.of(last); finite(v) {
			s := cut(w.T(l.id, "value", ys.precise(w, v)), 200)
			names = append(names, label{v, s, "strong"})
			beside = max(beside, wideAs("strong", s))
		}
	}
	left, right := ys.widest(w)+16, beside+18
	top, bottom := 34.0, c.height-34
	ys.from, ys.to = bottom, top
	r := row{len(k.Points), left, c.width - left - right}
	c.text(0, 14, "start", "", cut(ys.label(k.Label), c.width))
	c.aside(w, &ys, left, c.width-right)
	for _, l := range lines {
		if path := r.steps(func(i int) float64 { return ys.place(l.of(k.Points[i])) }); path != "" {
			c.add(`<path class="%s" d="%s"/>`, l.class, path)
		}
	}
	for i := range names {
		names[i].y = ys.at(names[i].y)
	}
	c.labels(c.width-right+8, names, top, bottom)
	c.add(`<path class="%s" d="%s"/>`, r.pen(), r.line(func(i int) float64 { return ys.place(k.Points[i].Value) }))
	every, size := r.every(r.dot()), r.dot()
	drawn := c.findings(w, len(k.Points), func(i int) bool { return len(k.Points[i].Hits) > 0 && finite(k.Points[i].Value) })
	for i, p := range k.Points {
		found := len(p.Hits) > 0 && drawn(i)
		if !finite(p.Value) || !found && i%every != 0 && i != len(k.Points)-1 {
			continue
		}
		x, y := r.x(i), ys.at(p.Value)
		title := p.words(w, k.Unit)
		if found {
			title = w.T("charts.hit", "mark", title, "rules", strings.Join(p.Hits, ", "))
		}
		end := c.open(p.Href, title, found)
		c.touch(x, r.pitch()*float64(every), top, bottom)
		switch {
		case found:
			s := size + 2.5
			c.add(`<path class="dot out" d="M%s %sl%s %s %s %s %s %sz"/>`, n(x), n(y-s), n(s), n(s), n(-s), n(s), n(-s), n(-s))
			c.shadow = append(c.shadow, box{x - s, y - s, x + s, y + s})
		case p.Apart:
			c.add(`<circle class="dot quiet" cx="%s" cy="%s" r="%s"/>`, n(x), n(y), n(size))
		default:
			c.add(`<circle class="dot%s" cx="%s" cy="%s" r="%s"/>`, r.small(), n(x), n(y), n(size))
			c.shadow = append(c.shadow, box{x - size, y - size, x + size, y + size})
		}
		c.add("%s", end)
	}
	c.rules(w, k.Points, drawn, r, &ys, top, bottom)
	c.add(`<path class="axis" d="M%s %sH%s"/>`, n(left), n(bottom), n(c.width-right))
	r.labels(c, bottom+20, func(i int) string { return k.Points[i].Label })
	var keys []key
	if slices.ContainsFunc(k.Points, func(p ControlPoint) bool { return len(p.Hits) > 0 }) {
		keys = append(keys, key{"diamond", w.T("charts.key_hit")})
	}
	if slices.ContainsFunc(k.Points, func(p ControlPoint) bool { return p.Apart }) {
		keys = append(keys, key{"dot quiet", w.T("charts.key_apart")})
	}
	if len(keys) > 0 {
		c.keys(left, keys...)
	}
	if every > 1 {
		c.note(w.T("charts.thinned_but", "every", every, "count", len(k.Points)))
	}
	c.missing(w, lost)
	d.SVG, d.Notes = c.html(), c.notes
	return d
}

// mostFindings is how many points with a finding are drawn as such.
const mostFindings = 400

// findings chooses which points with a finding are drawn as such: all, unless
// there are so many that none could be told apart.
func (c *canvas) findings(w Words, n int, has func(i int) bool) (drawn func(i int) bool) {
	rank, all := make([]int, n), 0
	for i := range n {
		if has(i) {
			rank[i] = all
			all++
		}
	}
	every := max(1, (all+mostFindings-1)/mostFindings)
	if every > 1 {
		c.note(w.T("charts.findings_thinned", "count", all, "every", every))
	}
	return func(i int) bool { return rank[i]%every == 0 }
}

// rules writes the numbers of the rules beside the points that fire them.
func (c *canvas) rules(w Words, points []ControlPoint, drawn func(i int) bool, r row, ys *axis, top, bottom float64) {
	without := 0
	for i, p := range points {
		if len(p.Hits) == 0 || !finite(p.Value) || !drawn(i) {
			continue
		}
		s := cut(strings.Join(p.Hits, ","), 60)
		x, y := r.x(i), ys.at(p.Value)
		placed := false
		away := 1.0 // from the centre line
		if finite(p.Centre) && p.Value < p.Centre {
			away = -1
		}
		for _, step := range []float64{13, -22, 26, -35} {
			at := y - away*step
			if away*step < 0 {
				at += 2
			}
			if away > 0 && step < 0 || away < 0 && step > 0 {
				at += 8 // below the point, by the height of a figure
			}
			if at-textAbove < top-18 || at > bottom+2 {
				continue
			}
			if placed = c.try(x, at, "middle", "sign halo", s, true); placed {
				break
			}
		}
		if !placed {
			placed = c.try(x+12, y+5, "start", "sign halo", s, true) || c.try(x-12, y+5, "end", "sign halo", s, true)
		}
		if !placed {
			without++
		}
	}
	if without > 0 {
		c.note(w.T("charts.no_room", "count", without))
	}
}

// precise writes a value with one more decimal than the axis, with its unit.
func (a *axis) precise(w Words, v float64) string {
	if a.unit == Percent {
		return w.PercentFixed(v, min(a.decimals+1, 6))
	}
	if a.unit == "" || a.unit == "1" || math.Abs(v) >= 1e9 {
		return w.Number(v)
	}
	return w.Quantity(v, a.unit)
}

func (k Control) table(w Words) Table {
	t := Table{Head: []Cell{text(k.Of), number(k.Label), number(w.T("charts.lower_head")), number(w.T("charts.centre_head")), number(w.T("charts.upper_head")), text(w.T("charts.rules"))}}
	for _, p := range k.Points {
		shape := ""
		if len(p.Hits) > 0 {
			shape = "fail"
		}
		t.Rows = append(t.Rows, []Cell{{Text: p.Label, Href: p.Href}, value(w, p.Value, k.Unit), value(w, p.Lower, k.Unit), value(w, p.Centre, k.Unit), value(w, p.Upper, k.Unit), {Text: strings.Join(p.Hits, ", "), Shape: shape}})
	}
	return t
}

// Sums is a chart of cumulative sums: how far the deviations from a target have
// added up, upwards and downwards, against the decision interval.
type Sums struct {
	ID, Title, Desc string
	Width, Height   float64
	Label           string // "Sum of deviations, in standard deviations"
	Of              string
	Points          []SumsPoint
	Decision        float64
}

// SumsPoint is both sums at a point, as numbers of 0 or more.
type SumsPoint struct {
	Label       string
	Up, Down    float64
	Title, Href string
	Hit         bool // beyond the decision interval
}

// Draw draws the sums: upwards above the zero line, downwards below it.
func (k Sums) Draw(w Words) Drawing {
	c := &canvas{id: nameOf(k.ID, k.Title), title: k.Title, desc: k.Desc, width: orUsual(k.Width, usualWide), height: orUsual(k.Height, 320)}
	table := Table{Head: []Cell{text(k.Of), number(w.T("charts.sum_up")), number(w.T("charts.sum_down"))}}
	ys := axis{}
	lost := 0
	for _, p := range k.Points {
		row := []Cell{{Text: p.Label, Href: p.Href}, value(w, p.Up, ""), value(w, p.Down, "")}
		if p.Hit {
			row[1].Shape = "fail"
		}
		table.Rows = append(table.Rows, row)
		if !finite(p.Up) || !finite(p.Down) {
			lost++
			continue
		}
		ys.hold(p.Up, -p.Down)
	}
	d := Drawing{Table: table}
	if lost == len(k.Points) {
		c.missing(w, lost)
		d.SVG, d.Notes = c.blank(w), c.notes
		return d
	}
	ys.hold(k.Decision, -k.Decision, 0)
	ys.fit(0.08, 6)
	up, down := cut(w.T("charts.drift_up"), 180), cut(w.T("charts.drift_down"), 180)
	left, right := ys.widest(w)+16, max(wide(up), wide(down))*bold+18
	top, bottom := 34.0, c.height-34
	ys.from, ys.to = bottom, top
	r := row{len(k.Points), left, c.width - left - right}
	c.text(0, 14, "start", "", cut(k.Label, c.width))
	c.aside(w, &ys, left, c.width-right)
	c.add(`<path class="zero" d="M%s %sH%s"/>`, n(left), n(ys.at(0)), n(c.width-right))
	var names []label
	if finite(k.Decision) {
		for _, l := range []label{{k.Decision, up, "strong"}, {-k.Decision, down, "strong"}} {
			c.add(`<path class="limit" d="M%s %sH%s"/>`, n(left), n(ys.at(l.y)), n(c.width-right))
			l.y = ys.at(l.y)
			names = append(names, l)
		}
	}
	c.labels(c.width-right+8, names, top, bottom)
	c.add(`<path class="series s0" d="%s"/>`, r.line(func(i int) float64 { return ys.place(k.above(i, func(p SumsPoint) float64 { return p.Up })) }))
	c.add(`<path class="series s1" d="%s"/>`, r.line(func(i int) float64 { return ys.place(-k.above(i, func(p SumsPoint) float64 { return p.Down })) }))
	every, size := r.every(r.dot()), r.dot()
	drawn := c.findings(w, len(k.Points), func(i int) bool { return k.Points[i].Hit })
	for i, p := range k.Points {
		if !finite(p.Up) || !finite(p.Down) || !(p.Hit && drawn(i)) && i%every != 0 && i != len(k.Points)-1 {
			continue
		}
		title := p.Title
		if title == "" {
			title = w.T("charts.sums_mark", "label", p.Label, "up", w.Number(p.Up), "down", w.Number(p.Down))
		}
		end := c.open(p.Href, title, p.Hit)
		c.touch(r.x(i), r.pitch()*float64(every), top, bottom)
		for _, v := range []float64{p.Up, -p.Down} {
			if p.Hit && math.Abs(v) > k.Decision {
				s := size + 2.5
				c.add(`<path class="dot out" d="M%s %sl%s %s %s %s %s %sz"/>`, n(r.x(i)), n(ys.at(v)-s), n(s), n(s), n(-s), n(s), n(-s), n(-s))
			} else if v != 0 {
				c.add(`<circle class="dot%s" cx="%s" cy="%s" r="%s"/>`, map[bool]string{true: "", false: " quiet down"}[v > 0], n(r.x(i)), n(ys.at(v)), n(size*0.75))
			}
		}
		c.add("%s", end)
	}
	c.add(`<path class="axis" d="M%s %sH%s"/>`, n(left), n(bottom), n(c.width-right))
	r.labels(c, bottom+20, func(i int) string { return k.Points[i].Label })
	if every > 1 {
		c.note(w.T("charts.thinned_but", "every", every, "count", len(k.Points)))
	}
	c.missing(w, lost)
	d.SVG, d.Notes = c.html(), c.notes
	return d
}

// above is a sum where it is above 0 or beside one that is: along the zero line
// nothing is drawn.
func (k Sums) above(i int, of func(SumsPoint) float64) float64 {
	for j := max(i-1, 0); j <= min(i+1, len(k.Points)-1); j++ {
		if v := of(k.Points[j]); v != 0 && finite(v) {
			return of(k.Points[i])
		}
	}
	return nan
}

package draw

import (
	"cmp"
	"html/template"
	"math"

	"fullthrow/reports"
	"fullthrow/reports/statistics"
)

// Scale is where a value lies between its limits.
type Scale struct {
	Unit         string
	Value        float64 // NaN: none
	Lower, Upper *float64
	Guard        float64 // width of the guard bands, within the limits
	Uncertainty  float64 // expanded, to either side of the value
	Bound        string  // more, less: the value is the end of what it may be
	State        string  // pass, fail, doubt, error: class and shape of the value
	Others       []float64
	From, To     float64 // where values lie, as a bar; equal: none
	Said         string  // above the value
	Width, Tall  float64 // of the drawing, and half of the band; 0: 330 and 5
}

// ScaleOf is the scale of a reading with a lower or upper limit; ok is false
// where there is nothing to draw: no number, no such limit, limits that are not
// in order.
func ScaleOf(rd reports.Reading) (s Scale, ok bool) {
	x, isNumber := rd.Value.Number()
	if l := rd.Limit; isNumber && !math.IsNaN(x) && l != nil {
		states := map[reports.Verdict]string{reports.Pass: "pass", reports.Fail: "fail", reports.Inconclusive: "doubt"}
		s = Scale{Unit: rd.Unit, Value: x, Lower: l.Lower, Upper: l.Upper, Guard: l.Guard, Uncertainty: rd.Uncertainty,
			Bound: rd.Bound, State: cmp.Or(states[rd.Verdict], "error")}
		_, _, ok = s.axis()
	}
	return s, ok
}

// scaleReach is how many times the distance of the limits a value may lie off
// and still be drawn in its place; one further out is an arrow at the edge.
const scaleReach = 4

// axis is the scale's axis; zero tells that it begins at 0. It reaches beyond
// the limits by half of their distance (of a single limit, by a quarter of it),
// and holds the value if that is not far off, and the other values. It begins
// at 0 where nothing of a quantity that has a zero lies below.
func (s Scale) axis() (a Axis, zero, ok bool) {
	lower, upper := s.Lower, s.Upper
	if lower == nil {
		lower = upper
	}
	if upper == nil {
		upper = lower
	}
	if lower == nil || math.IsInf(s.Value, 0) {
		return a, false, false
	}
	half := (*upper - *lower) / 2
	if s.Lower == nil || s.Upper == nil {
		half = max(math.Abs(*lower)/4, 2*s.Guard)
		if half == 0 {
			half = 1
		}
	}
	rest := Axis{}
	rest.hold(append([]float64{*lower, *upper}, s.Others...)...)
	if s.From < s.To {
		rest.hold(s.From, s.To)
	}
	if off := max(s.Value-*upper, *lower-s.Value); off <= 2*scaleReach*half {
		rest.hold(s.Value)
	}
	margin := (rest.high - rest.low) * 0.04
	a.hold(*lower-half, *upper+half, rest.low-margin, rest.high+margin)
	if zero = rest.low >= 0 && !level(s.Unit) && (s.Lower == nil || a.low < 0); zero {
		a.low = 0
	}
	return a, zero, half > 0 && statistics.Finite(half) && a.high > a.low
}

// inset is room for the arrow of a value off the scale.
const inset = 14.0

// off is -1 or +1 where a value lies beyond the axis, else 0.
func (a *Axis) off(v float64) int { return cmp.Compare(v, clamp(v, a.low, a.high)) }

// Margin is how far the value lies inside the nearest limit, as a part of the
// axis; negative outside.
func (s Scale) Margin() float64 {
	a, _, ok := s.axis()
	m := math.Inf(1)
	if s.Lower != nil {
		m = min(m, a.part(s.Value)-a.part(*s.Lower))
	}
	if s.Upper != nil {
		m = min(m, a.part(*s.Upper)-a.part(s.Value))
	}
	if !ok {
		return math.NaN()
	}
	return m
}

// SVG draws the scale; it is empty where there is nothing to draw.
func (s Scale) SVG(n Numbers, id, title, desc string) template.HTML {
	a, zero, ok := s.axis()
	if !ok {
		return ""
	}
	tall := cmp.Or(s.Tall, 5)
	c := &canvas{n: n, width: usual(s.Width, 330)}
	a.start, a.end = inset, c.width-inset
	at := func(v float64) float64 { return clamp(a.at(v), a.start, a.end) }
	y := tall + 4
	if s.Said != "" {
		y += 24
	}
	from, to := a.start, a.end
	c.path("axis", "M# #H#", from, y, to)
	if s.Lower != nil {
		from = at(*s.Lower)
	} else if !zero {
		c.path("allowed", shape("left", from-8, y, 3))
	}
	if s.Upper != nil {
		to = at(*s.Upper)
	} else {
		c.path("allowed", shape("right", to+8, y, 3))
	}
	c.rect("allowed", from, y-tall, to-from, 2*tall)
	foot := y + tall + 17
	for _, l := range []struct {
		limit  *float64
		inside float64
	}{{s.Lower, s.Guard}, {s.Upper, -s.Guard}} {
		if l.limit == nil {
			continue
		}
		if s.Guard > 0 {
			x0, x1 := at(*l.limit), at(*l.limit+l.inside)
			d := coords("M# #H#M# #H#", min(x0, x1), y-tall, max(x0, x1), min(x0, x1), y+tall, max(x0, x1))
			for x := min(x0, x1); x <= max(x0, x1); x += 3 {
				d += coords("M# #v#", x, y-tall, 2*tall)
			}
			c.path("guard", d)
		}
	}
	seen := map[int]bool{}
	for _, v := range s.Others {
		if p := int(2 * at(v)); statistics.Finite(v) && !seen[p] { // more would lie on each other
			seen[p] = true
			c.path("fine", "M# #V#", at(v), y-tall, y+tall)
		}
	}
	c.limitLabels(s, at, y, foot)
	if zero && (s.Lower == nil || *s.Lower > 0) &&
		c.try(box{0, 0, c.width, foot + 4}, max(a.at(0), wide("0")/2), foot, "middle", "", "0", false) {
		c.path("axis", "M# #V#", a.at(0), y-tall-2, y+tall+3)
	}
	c.value(s, &a, at, y, tall)
	c.height = foot + 5
	return template.HTML(c.framed(`class="plot scale" role="img"`, id, title, desc, ""))
}

// limitLabels writes the limits below their places, apart from each other.
func (c *canvas) limitLabels(s Scale, at func(float64) float64, y, foot float64) {
	var words []string
	var places []float64
	for _, limit := range []*float64{s.Lower, s.Upper} {
		if limit != nil {
			c.path("zero", "M# #V#", at(*limit), y-cmp.Or(s.Tall, 5)-2, y+cmp.Or(s.Tall, 5)+3)
			words, places = append(words, cut(c.n.Quantity(*limit, s.Unit), c.width/2-20)), append(places, at(*limit))
		}
	}
	if len(words) == 2 {
		if gap := places[1] - places[0] - (wide(words[0])+wide(words[1]))/2 - 10; gap < 0 {
			places[0] = clamp(places[0]+gap/2, wide(words[0])/2, c.width-wide(words[1])-wide(words[0])/2-10)
			places[1] = places[0] + (wide(words[0])+wide(words[1]))/2 + 10
		}
	}
	for i, w := range words {
		c.text(places[i], foot, "middle", "", w)
	}
}

// value draws the value with its uncertainty, and the bar of many values.
func (c *canvas) value(s Scale, a *Axis, at func(float64) float64, y, tall float64) {
	if s.From < s.To {
		c.rect("spread", at(s.From), y-tall*0.6, max(at(s.To)-at(s.From), 1.5), tall*1.2)
	}
	x := at(s.Value)
	size, class := max(5.5, tall*0.7), "value "+s.State
	off := a.off(s.Value)
	if u := s.Uncertainty; u > 0 && off == 0 && at(s.Value+u)-at(s.Value-u) > 3 {
		c.whisker("over", at(s.Value-u), y, at(s.Value+u), y)
	}
	switch {
	case math.IsNaN(s.Value):
	case off < 0:
		c.path(class, shape("left", a.start-12, y, size*0.75))
	case off > 0:
		c.path(class, shape("right", a.end+12, y, size*0.75))
	case s.State == "":
		c.path("over", "M# #V#", x, y-tall-1, y+tall+1)
	default:
		name := map[string]string{"pass": "dot", "fail": "diamond"}[s.State]
		c.path(class, shape(cmp.Or(name, "up"), x, y, map[bool]float64{true: size + 2, false: size}[name != "dot"]))
	}
	if side := map[string]float64{"more": 1, "less": -1}[s.Bound]; side != 0 && off == 0 {
		c.path("over", "M# #h#m# #l# #l# #", x+side*(size+2), y, side*12, -side*4, -3.5, side*4, 3.5, -side*4, 3.5)
	}
	if s.Said != "" {
		class := "strong"
		if s.State == "fail" || s.State == "doubt" {
			class = "strong " + s.State
		}
		c.text(clamp(x, wideAs("strong", s.Said)/2, c.width-wideAs("strong", s.Said)/2), 18, "middle", class, s.Said)
	}
}

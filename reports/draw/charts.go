package draw

import (
	"cmp"
	"math"
	"slices"
	"strings"

	"fullthrow/reports/statistics"
)

// Frame is what every chart says of itself; zero sizes are the usual ones.
type Frame struct {
	ID, Title, Desc string
	Width, Height   float64
	Unit            string // of the values
	Label           string // what they are: "First-pass yield"
	Of              string // what one of them is: "Day", for the table
}

// figure of one panel.
func (f Frame) figure(p Panel, keys []Key) Figure {
	p.Height = usual(f.Height, cmp.Or(p.Height, usualHeight))
	return Figure{ID: f.ID, Title: f.Title, Desc: f.Desc, Width: f.Width, Panels: []Panel{p}, Keys: keys}
}

// drawn is the drawing of a panel; lost values are no numbers. many names the
// words that say that points were thinned.
func (f Frame) drawn(w Words, p Panel, keys []Key, t Table, notes []string, lost int, many string) Drawing {
	figure := f.figure(p, keys)
	figure.Nothing = w.T("charts.nothing")
	c := figure.svg(w, false)
	if c.without > 0 {
		notes = append(notes, w.T("charts.no_room", "count", c.without))
	}
	if c.every > 1 {
		notes = append(notes, w.T(many, "every", c.every, "count", len(p.Points)))
	}
	if lost > 0 {
		notes = append(notes, w.T("charts.missing", "count", lost))
	}
	return Drawing{SVG: figure.page(c), Table: t, Notes: notes}
}

// Trend is a figure over time: points with their intervals, and a target.
type Trend struct {
	Frame
	Points      []Mark
	Target      *float64
	TargetLabel string // "target" if empty
}

// Draw draws the trend.
func (t Trend) Draw(w Words) Drawing {
	p := Panel{X: slots(t.Points), Y: Axis{Name: t.Label, Unit: t.Unit}, Height: 320, Lines: []Line{through(t.Points)}}
	for i, m := range t.Points {
		p.Points = append(p.Points, pointOf(i, m, m.words(w, t.Unit)))
	}
	if t.Target != nil && statistics.Finite(*t.Target) {
		text := cmp.Or(t.TargetLabel, w.T("charts.target")) + " " + show(w, *t.Target, t.Unit)
		p.Rules = []Rule{{At: *t.Target, Text: cut(text, 150), Class: "target"}}
	}
	var keys []Key
	if intervals(t.Points) {
		keys = []Key{{Shape: "interval", Words: w.T("charts.key_interval")}}
	}
	table := markTable(w, t.Of, t.Label, t.Unit, t.Points)
	return t.drawn(w, p, keys, table, nil, missing(t.Points), "charts.thinned")
}

// missing is how many marks have no number.
func missing[M interface{ mark() Mark }](marks []M) (n int) {
	for _, m := range marks {
		if !statistics.Finite(m.mark().Value) {
			n++
		}
	}
	return n
}

// slots are the places of marks beside each other.
func slots(marks []Mark) (a Axis) {
	for _, m := range marks {
		a.Slots = append(a.Slots, m.Label)
	}
	return a
}

// through is the line through marks.
func through(marks []Mark) Line {
	l := Line{Class: "line"}
	for _, m := range marks {
		l.Y = append(l.Y, m.Value)
	}
	return l
}

func pointOf(i int, m Mark, title string) Point {
	t := Point{X: float64(i), Y: m.Value, Title: title, Href: m.Href}
	if m.interval() {
		t.Low, t.High = m.Low, m.High
	}
	return t
}

// Control is a control chart: points around a centre line between limits, which
// may change from point to point. It serves for weighted averages as well.
type Control struct {
	Frame
	Points []ControlPoint
}

// ControlPoint is a point with the lines at its place; NaN where there is none.
type ControlPoint struct {
	Mark
	Centre, Lower, Upper float64
	Hits                 []string // numbers of the rules that it fires: "1", "2"
}

// Panel is the chart as axes and lines. A point that fires a rule is a diamond
// with the rule's number beside it. names are written beside the last values
// of the upper limit, the centre and the lower limit.
func (k Control) Panel(names [3]string) Panel {
	marks := make([]Mark, len(k.Points))
	p := Panel{Y: Axis{Name: k.Label, Unit: k.Unit}}
	lines := [3]Line{{Class: "limit", Steps: true}, {Class: "centre", Steps: true}, {Class: "limit", Steps: true}}
	for i, x := range k.Points {
		marks[i] = x.Mark
		for j, v := range []float64{x.Upper, x.Centre, x.Lower} {
			lines[j].Y, lines[j].Words = append(lines[j].Y, v), names[j]
		}
		t := pointOf(i, Mark{Value: x.Value, Href: x.Href}, x.Title)
		if len(x.Hits) > 0 {
			t.Found, t.Shape, t.Text, t.Below = true, "diamond", cut(strings.Join(x.Hits, ","), 60), x.Value < x.Centre
		}
		p.Points = append(p.Points, t)
	}
	p.X, p.Lines = slots(marks), append(lines[:], through(marks))
	return p
}

// Draw draws the chart.
func (k Control) Draw(w Words) Drawing {
	t := tableOf(w, k.Of, k.Points, column{k.Label, k.Unit, func(i int) float64 { return k.Points[i].Value }},
		column{w.T("charts.lower_head"), k.Unit, func(i int) float64 { return k.Points[i].Lower }},
		column{w.T("charts.centre_head"), k.Unit, func(i int) float64 { return k.Points[i].Centre }},
		column{w.T("charts.upper_head"), k.Unit, func(i int) float64 { return k.Points[i].Upper }})
	t.Head = append(t.Head, Cell{Text: w.T("charts.rules")})
	hits := 0
	k.Points = slices.Clone(k.Points)
	var last ControlPoint
	for i, p := range k.Points {
		last = p
		rules := Cell{Text: strings.Join(p.Hits, ", ")}
		k.Points[i].Title = p.words(w, k.Unit)
		if len(p.Hits) > 0 {
			rules.Shape = "fail"
			k.Points[i].Title = w.T("charts.hit", "mark", k.Points[i].Title, "rules", rules.Text)
			if statistics.Finite(p.Value) {
				hits++
			}
		}
		t.Rows[i] = append(t.Rows[i], rules)
	}
	notes := thinFindings(w, hits, func(keep func() bool) {
		for i := range k.Points {
			if p := &k.Points[i]; len(p.Hits) > 0 && statistics.Finite(p.Value) && !keep() {
				p.Hits = nil
			}
		}
	})
	say := func(id string, v float64) string {
		s := show(w, v, k.Unit)
		if k.Unit == Percent {
			s = w.PercentFixed(v, 2)
		}
		return w.T(id, "value", s)
	}
	p := k.Panel([3]string{say("charts.upper", last.Upper), say("charts.centre", last.Centre),
		say("charts.lower", last.Lower)})
	var keys []Key
	if hits > 0 {
		keys = append(keys, Key{Shape: "diamond", Words: w.T("charts.key_hit")})
	}
	return k.drawn(w, p, keys, t, notes, missing(k.Points), "charts.thinned_but")
}

// mostFindings is how many points with a finding are drawn as such.
const mostFindings = 400

// thinFindings asks of each finding whether it is drawn as one: all, unless
// there are so many that none could be told apart, which a note says.
func thinFindings(w Words, count int, each func(keep func() bool)) []string {
	every := (count + mostFindings - 1) / mostFindings
	if every <= 1 {
		return nil
	}
	i := -1
	each(func() bool { i++; return i%every == 0 })
	return []string{w.T("charts.findings_thinned", "count", count, "every", every)}
}

// Hours is how much was done in each stretch of time, against what the takt
// asks for.
type Hours struct {
	Frame
	Bars        []HoursBar
	TargetLabel string // "target" if empty
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
	t := tableOf(w, h.Of, h.Bars, column{h.Label, "", func(i int) float64 { return h.Bars[i].Value }},
		column{w.T("charts.target"), "", func(i int) float64 { return h.Bars[i].Target }})
	p := Panel{Y: Axis{Name: h.Label, Zero: true}, Height: 280}
	some := false
	var notes []string
	lost := missing(h.Bars)
	if all := len(h.Bars); all > mostBars {
		h.Bars = h.Bars[all-mostBars:]
		notes = append(notes, w.T("charts.last_bars", "shown", mostBars, "count", all))
	}
	target := Line{Class: "target", Steps: true}
	for i, b := range h.Bars {
		p.X.Slots = append(p.X.Slots, b.Label)
		if !(b.Target > 0) {
			b.Target = math.NaN()
		}
		if target.Y = append(target.Y, b.Target); statistics.Finite(b.Target) && i == len(h.Bars)-1 {
			target.Words = cut(cmp.Or(h.TargetLabel, w.T("charts.target"))+" "+w.Number(b.Target), 150)
		}
		if statistics.Finite(b.Value) && b.Value >= 0 {
			some = some || b.Lost > 0
			p.Bars = append(p.Bars, Bar{From: float64(i) - 0.36, To: float64(i) + 0.36, Height: b.Value, Rest: b.Lost,
				Title: b.words(w, ""), Href: b.Href, Text: w.Number(b.Value)})
		}
	}
	p.Lines = []Line{target}
	var keys []Key
	if some {
		keys = []Key{{Shape: "bar rest", Words: w.T("charts.judged_none")}}
	}
	return h.drawn(w, p, keys, t, notes, lost, "")
}

// mostRows is how many bars of a Pareto are drawn.
const mostRows = 20

// Pareto is what fails, the most frequent first: bars with counts and
// intervals, and how much those so far make together.
type Pareto struct {
	Frame
	Bars  []Mark // in order; values are counts. Those beyond 20 are drawn as one
	Total float64
}

// Draw draws the bars in the order given.
func (p Pareto) Draw(w Words) Drawing {
	panel := Panel{X: Axis{Name: p.Label, Whole: true}}
	sums, sum, lost, others, rest := make([]float64, len(p.Bars)), 0.0, 0, 0, Mark{}
	row := func(m Mark, class string) {
		r := Row{Mark: m, Bar: class, Text: w.Number(m.Value), Strong: class == "bar"}
		r.Low = max(m.Low, 0)
		if r.Title = m.words(w, ""); p.Total > 0 {
			r.More = w.Percent(min(sum/p.Total, 1))
			if m.Title == "" {
				r.Title = w.T("charts.share", "mark", r.Title, "share", w.Percent(m.Value/p.Total))
			}
		}
		panel.Rows = append(panel.Rows, r)
	}
	for i, b := range p.Bars {
		good := statistics.Finite(b.Value) && b.Value >= 0
		if good {
			sum += b.Value
		}
		sums[i] = min(sum/p.Total, 1)
		switch {
		case !good:
			lost++
		case len(panel.Rows) < mostRows:
			row(b, "bar")
		default:
			others++
			rest.Value += b.Value
		}
	}
	var notes []string
	if others > 0 {
		rest.Label = w.T("charts.others", "count", others)
		row(rest, "bar rest")
		notes = []string{w.T("charts.collected", "count", others)}
	}
	var more []column
	if p.Total > 0 {
		panel.More = w.T("charts.so_far")
		more = []column{{w.T("charts.share_head"), Percent, func(i int) float64 { return p.Bars[i].Value / p.Total }},
			{panel.More, Percent, func(i int) float64 { return sums[i] }}}
	}
	var keys []Key
	if intervals(p.Bars) {
		keys = []Key{{Shape: "over", Words: w.T("charts.key_interval")}}
	}
	return p.drawn(w, panel, keys, markTable(w, p.Of, p.Label, "", p.Bars, more...), notes, lost, "")
}

// Comparison shows differences with their intervals, one row each, on one
// scale: zero is no difference. Its unit is [Percent] where they are parts of
// the limits' width.
type Comparison struct {
	Frame
	Rows []Mark
	// Matter is the size from which a difference matters; 0: none is drawn.
	Matter float64
	Most   int // rows that are drawn; 0: 40
}

// Draw draws the rows in the order given. A filled dot is a difference whose
// interval leaves zero out, a diamond one that matters as well.
func (k Comparison) Draw(w Words) Drawing {
	t := markTable(w, k.Of, w.T("charts.difference"), k.Unit, k.Rows)
	rows := slices.DeleteFunc(slices.Clone(k.Rows), func(m Mark) bool { return !statistics.Finite(m.Value) })
	lost := len(k.Rows) - len(rows)
	var notes []string
	if most := cmp.Or(k.Most, 40); len(rows) > most {
		notes = append(notes, w.T("charts.first_rows", "shown", most, "count", len(rows)))
		rows = rows[:most]
	}
	// The label is a sentence, and says the unit itself.
	p := Panel{X: Axis{Name: k.Label, Unit: k.Unit}}
	var keys []Key
	matter := k.Matter > 0 && statistics.Finite(k.Matter)
	if intervals(rows) {
		keys = []Key{{Shape: "dot", Words: w.T("charts.key_clear")}, {Shape: "quiet", Words: w.T("charts.key_chance")}}
	}
	if matter {
		p.Zones = []Zone{{-k.Matter, k.Matter, "band calm"}}
		if len(keys) > 0 {
			keys = append([]Key{{Shape: "diamond", Words: w.T("charts.key_matters")}}, keys...)
			small := w.T("charts.key_small", "size", show(w, k.Matter, k.Unit))
			keys = append(keys, Key{Shape: "band calm", Words: small})
		}
	}
	for _, m := range rows {
		r := Row{Mark: m, Text: show(w, m.Value, k.Unit), Shape: "quiet"}
		r.Strong = m.interval() && (m.Low > 0 || m.High < 0)
		if r.Title = m.words(w, k.Unit); m.Value > 0 {
			r.Text = "+" + r.Text
		}
		switch {
		case r.Strong && matter && math.Abs(m.Value) >= k.Matter:
			r.Shape = "diamond"
		case r.Strong:
			r.Shape = "dot"
		}
		p.Rows = append(p.Rows, r)
	}
	return k.drawn(w, p, keys, t, notes, lost, "")
}

package terminal

import (
	"math"
	"slices"
	"strconv"
	"strings"

	"fullthrow/reports"
	"fullthrow/reports/draw"
	"fullthrow/reports/yield"
)

// Quantities writes values of a reading with as many digits as it takes to
// tell apart what lies a hundredth of spread from each other.
func Quantities(unit string, spread float64) func(float64) string {
	return func(v float64) string {
		if !(spread > 0) || math.IsInf(spread, 0) || math.IsNaN(v) || math.IsInf(v, 0) {
			return reports.FormatQuantity(v, unit)
		}
		return reports.FormatQuantityBeside(v, v+spread/100, unit)
	}
}

// SpreadOf is how far values lie apart.
func SpreadOf(values []float64) float64 {
	if len(values) == 0 {
		return 0
	}
	return slices.Max(values) - slices.Min(values)
}

// PanelRows is how high one diagram of a control chart is.
const PanelRows = 11

// DrawPanel draws one diagram of a control chart in so many rows.
func DrawPanel(s *Screen, title string, p yield.Panel, rows int) {
	if len(p.Points) == 0 {
		return
	}
	k := draw.Control{}
	values := []float64{}
	for _, x := range p.Points {
		point := draw.ControlPoint{Centre: x.Centre, Lower: x.Lower, Upper: x.Upper}
		point.Label, point.Value = x.X, x.Value
		for _, rule := range x.Rules {
			point.Hits = append(point.Hits, strconv.Itoa(rule))
		}
		k.Points, values = append(k.Points, point), append(values, x.Lower, x.Upper, x.Value)
	}
	last := p.Points[len(p.Points)-1]
	format := Quantities(p.Unit, SpreadOf(values))
	if last.Upper > last.Lower {
		format = Quantities(p.Unit, last.Upper-last.Lower)
	}
	if p.Share {
		format = Percent
	}
	names := [3]string{"upper " + format(last.Upper), "middle " + format(last.Centre), "lower " + format(last.Lower)}
	lines, under, over := k.Panel(names).Text(s.Room()-3, rows)
	s.Say("  %s", s.Strong(title))
	for i, line := range lines {
		if i == len(lines)-1 {
			line = s.Faint(line)
		}
		s.Say("  %s", line)
	}
	switch {
	case !math.IsNaN(over) && !math.IsNaN(under):
		s.Tell(2, s.Faint("▲ and ▼ lie beyond the picture, down to "+format(under)+" and up to "+format(over)+"."))
	case !math.IsNaN(over):
		s.Tell(2, s.Faint("▲ lies above the picture, up to "+format(over)+"."))
	case !math.IsNaN(under):
		s.Tell(2, s.Faint("▼ lies below the picture, down to "+format(under)+"."))
	}
}

// histogramRows is how many bars values are shown in, about.
const histogramRows = 12

// DrawHistogram shows how values are spread, and where their limits are. A few
// values far from all others share a bar at either end.
func DrawHistogram(s *Screen, values []float64, spec yield.Spec, unit string) {
	low, high := draw.Window(values, spec.Lower, spec.Upper)
	if low == high {
		return
	}
	bins := draw.Bins([]float64{low, high}, histogramRows)
	width := bins[0].To - bins[0].From
	end := bins[len(bins)-1].To
	all := append([]draw.Bin{{From: math.Inf(-1), To: bins[0].From}},
		append(bins, draw.Bin{From: end, To: math.Inf(1)})...)
	most := 0
	for i := range all {
		all[i].Count = 0
		for _, v := range values {
			if v >= all[i].From-width*1e-9 && v < all[i].To-width*1e-9 {
				all[i].Count++
			}
		}
		most = max(most, all[i].Count)
	}
	format := Quantities(unit, 50*width)
	g := Grid{Right: "rrl"}
	cells := min(max(s.Room()-36, 16), 60)
	limits := func(from, to float64) {
		for i, v := range []*float64{spec.Lower, spec.Upper} {
			if v != nil && *v >= from && *v < to {
				g.Add(format(*v), "", "╌╌ "+[]string{"lower", "upper"}[i]+" limit ╌╌")
			}
		}
	}
	for k, b := range all {
		name := format(b.From)
		switch k {
		case 0:
			name = "under " + format(b.To)
		case len(all) - 1:
			name += " and over"
		}
		edge := b.From + width*1e-9 // a limit there stands before its bar
		limits(b.From, edge)
		if b.Count > 0 || k > 0 && k < len(all)-1 {
			bar := draw.TextBar(float64(b.Count)/float64(most), cells)
			g.Add(name, strings.TrimPrefix(strconv.Itoa(b.Count), "0"), bar)
		}
		limits(edge, b.To)
	}
	g.Show(s)
}

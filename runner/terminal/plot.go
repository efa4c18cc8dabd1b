package terminal

import (
	"math"
	"slices"
	"strconv"
	"strings"

	"fullthrow/reports"
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

// DrawPanel draws one diagram of a control chart: points as • (◆ where a rule
// fired), the centre as a full line, the control limits as broken ones. More
// points than columns share columns. Points far outside, which would press all
// others into one line, stand at the edge as ▲ or ▼.
func DrawPanel(s *Screen, p yield.Panel, rows int) {
	if len(p.Points) == 0 {
		return
	}
	low, high, least, most := panelRange(p.Points)
	row := func(v float64) int {
		return min(max(int(math.Round((high-v)/(high-low)*float64(rows-1))), 0), rows-1)
	}
	format := Quantities(p.Unit, high-low)
	if p.Share {
		format = yield.Percent
	}
	last := p.Points[len(p.Points)-1]
	labels := make([]string, rows)
	for _, l := range []struct {
		v    float64
		word string
	}{{last.Upper, "upper "}, {last.Lower, "lower "}, {last.Centre, "middle "}} {
		if at := row(l.v); labels[at] == "" {
			labels[at] = l.word + format(l.v)
		}
	}
	margin := 0
	for _, l := range labels {
		margin = max(margin, Columns(l))
	}
	n := len(p.Points)
	cells := max(s.Room()-margin-5, 20)
	step := min(max(cells/n, 1), 8)
	if n*step < cells {
		cells = n * step
	}
	column := func(i int) int {
		if n > cells {
			return i * cells / n
		}
		return i * step
	}
	field := make([][]rune, rows)
	for r := range field {
		field[r] = []rune(strings.Repeat(" ", cells))
	}
	for i, x := range p.Points {
		to := cells
		if i+1 < n {
			to = max(column(i+1), column(i)+1)
		}
		for c := column(i); c < min(to, cells); c++ {
			field[row(x.Upper)][c], field[row(x.Lower)][c] = '╌', '╌'
			field[row(x.Centre)][c] = '─'
		}
	}
	for _, signal := range []bool{false, true} { // those that matter on top
		for i, x := range p.Points {
			if signal == (len(x.Rules) > 0) {
				field[row(x.Value)][column(i)] = pointMark(x, low, high)
			}
		}
	}
	s.Say("  %s", s.Strong(p.Title))
	for r, cells := range field {
		s.Say("%s", strings.TrimRight("  "+strings.Repeat(" ", margin-Columns(labels[r]))+labels[r]+" │"+string(cells), " "))
	}
	from, to := p.Points[0].X, last.X
	if gap := cells - Columns(from) - Columns(to); gap >= 2 {
		s.Say("%s", s.Faint("  "+strings.Repeat(" ", margin)+"  "+from+strings.Repeat(" ", gap)+to))
	} else {
		s.Say("%s", s.Faint("  "+strings.Repeat(" ", margin)+"  "+from+" to "+to))
	}
	switch {
	case most > high && least < low:
		s.Tell(2, s.Faint("▲ and ▼ lie beyond the picture, down to "+format(least)+" and up to "+format(most)+"."))
	case most > high:
		s.Tell(2, s.Faint("▲ lies above the picture, up to "+format(most)+"."))
	case least < low:
		s.Tell(2, s.Faint("▼ lies below the picture, down to "+format(least)+"."))
	}
}

func pointMark(x yield.ControlPoint, low, high float64) rune {
	switch {
	case x.Value > high:
		return '▲'
	case x.Value < low:
		return '▼'
	case len(x.Rules) > 0:
		return '◆'
	}
	return '•'
}

// panelRange is what is shown, which has a span, and between what the points
// lie: all of them, but no more than the distance of the control limits beyond
// either of these.
func panelRange(points []yield.ControlPoint) (low, high, least, most float64) {
	low, high = math.Inf(1), math.Inf(-1)
	least, most = low, high
	for _, x := range points {
		low, high = min(low, x.Lower, x.Centre), max(high, x.Upper, x.Centre)
		least, most = min(least, x.Value), max(most, x.Value)
	}
	if span := high - low; span > 0 {
		low, high = min(low, max(least, low-span/2)), max(high, min(most, high+span/2))
	} else {
		low, high = min(low, least), max(high, most)
	}
	if low == high {
		low, high = low-1, high+1
	}
	return low, high, least, most
}

// histogramRows is how many bars values are shown in, about.
const histogramRows = 12

// DrawHistogram shows how values are spread, and where their limits are. A few
// values far from all others share a bar at either end.
func DrawHistogram(s *Screen, values []float64, spec yield.Spec, unit string) {
	low, high := window(values, spec)
	if low == high {
		return
	}
	width := niceStep((high - low) / histogramRows)
	first := math.Floor(low/width+1e-9) * width
	n := max(int(math.Ceil((high-first)/width-1e-9)), 1)
	at := func(k int) float64 { return first + float64(k)*width }
	if slices.Max(values) == at(n) || spec.Upper != nil && *spec.Upper == at(n) {
		n++
	}
	counts := make([]int, n+2) // below, the bars, above
	for _, v := range values {
		k := int(math.Floor((v-first)/width + 1e-9))
		counts[min(max(k, -1), n)+1]++
	}
	most := slices.Max(counts)
	format := Quantities(unit, 50*width)
	g := Grid{Right: "rrl"}
	cells := min(max(s.Room()-36, 16), 60)
	for k, c := range counts {
		from, to := at(k-1), at(k)
		name := format(from)
		switch k {
		case 0:
			from, name = math.Inf(-1), "under "+format(to)
		case n + 1:
			to, name = math.Inf(1), format(from)+" and over"
		}
		limits := func(from, to float64) {
			if v := spec.Lower; v != nil && *v >= from && *v < to {
				g.Add(format(*v), "", "╌╌ lower limit ╌╌")
			}
			if v := spec.Upper; v != nil && *v >= from && *v < to {
				g.Add(format(*v), "", "╌╌ upper limit ╌╌")
			}
		}
		edge := from + width*1e-9 // a limit there stands before its bar
		limits(from, edge)
		if c > 0 || k > 0 && k <= n {
			g.Add(name, blankZero(c), Bar(float64(c)/float64(most), cells))
		}
		limits(edge, to)
	}
	g.Show(s)
}

// window is what of the values is worth drawing: the middle 98 %, or all where
// that is not much more, and the limits if they are not far off.
func window(values []float64, spec yield.Spec) (low, high float64) {
	sorted := slices.Sorted(slices.Values(values))
	n := len(sorted)
	out := n / 100
	low, high = sorted[out], sorted[n-1-out]
	if all := sorted[n-1] - sorted[0]; all <= 2*(high-low) || low == high {
		low, high = sorted[0], sorted[n-1]
	}
	reach := 2 * (high - low)
	for _, v := range []*float64{spec.Lower, spec.Upper} {
		if v != nil && *v > low-reach && *v < high+reach {
			low, high = min(low, *v), max(high, *v)
		}
	}
	return low, high
}

func blankZero(n int) string {
	if n == 0 {
		return ""
	}
	return strconv.Itoa(n)
}

// niceStep is the next larger of 1, 2 and 5 times a power of ten.
func niceStep(x float64) float64 {
	p := math.Pow(10, math.Floor(math.Log10(x)))
	for _, k := range []float64{1, 2, 5} {
		if k*p >= x*(1-1e-9) {
			return k * p
		}
	}
	return 10 * p
}

package draw

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"fullthrow/reports"
	"fullthrow/reports/statistics"
)

// Histogram shows how values lie against their limits.
type Histogram struct {
	Frame
	Bins         []Bin
	Lower, Upper *float64
	// Mean and SD of a normal distribution to draw over it, where one is apt;
	// SD 0 draws none.
	Mean, SD float64
}

// Bin is how many values lie from From to To.
type Bin struct {
	From, To float64
	Count    int
	Href     string
}

const mostBins = 300

// Bins sorts values into about so many bins of round width. What is not finite
// is left out.
func Bins(values []float64, about int) []Bin {
	a := Axis{}
	a.hold(values...)
	count := 0
	for _, v := range values {
		if statistics.Finite(v) {
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
	step := Round((a.high - a.low) / float64(max(about, 2)))
	first := math.Floor(a.low / step)
	bins := make([]Bin, int(min(math.Floor(a.high/step)-first+1, 1000)))
	for i := range bins {
		bins[i].From, bins[i].To = (first+float64(i))*step, (first+float64(i)+1)*step
	}
	for _, v := range values {
		if statistics.Finite(v) {
			i := min(max(int(math.Floor(v/step)-first), 0), len(bins)-1)
			bins[i].Count++
		}
	}
	return bins
}

// together joins neighbouring bins where there are more than can be told apart.
func together(bins []Bin) (out []Bin) {
	if len(bins) <= mostBins {
		return bins
	}
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
	t := Table{Head: []Cell{{Text: w.T("charts.values")}, {Text: w.T("charts.units"), Number: true}}}
	p := Panel{X: Axis{Name: h.Label, Unit: h.Unit}, Height: 320}
	p.Y = Axis{Name: w.T("charts.units"), Zero: true, Whole: true}
	var notes []string
	bins := together(h.Bins)
	if all := len(h.Bins); len(bins) < all {
		notes = append(notes, w.T("charts.bins_together", "count", all, "shown", len(bins)))
	}
	lost, total, width, most := 0, 0, math.NaN(), 0.0
	for _, b := range bins {
		if !statistics.Finite(b.From) || !statistics.Finite(b.To) || b.To <= b.From || b.Count < 0 {
			lost++
			continue
		}
		total += b.Count
		width, most = b.To-b.From, max(most, float64(b.Count))
		from, to := show(w, b.From, h.Unit), show(w, b.To, h.Unit)
		bar := Bar{From: b.From, To: b.To, Height: float64(b.Count), Href: b.Href}
		if b.Count > 0 {
			bar.Title = w.T("charts.bin", "from", from, "to", to, "count", b.Count)
		}
		if h.Lower != nil && b.To <= *h.Lower || h.Upper != nil && b.From >= *h.Upper {
			bar.Class = "bar fail"
		}
		p.Bars = append(p.Bars, bar)
		t.Rows = append(t.Rows, []Cell{{Text: w.T("charts.from_to", "from", from, "to", to), Href: b.Href},
			{Text: w.Number(float64(b.Count)), Number: true}})
	}
	limit := func(at *float64, id string, zone func(v float64) Zone) {
		if at != nil && statistics.Finite(*at) {
			p.Zones = append(p.Zones, zone(*at))
			text := w.T(id, "value", show(w, *at, h.Unit))
			p.Rules = append(p.Rules, Rule{At: *at, Vertical: true, Class: "limit", Text: text})
		}
	}
	limit(h.Lower, "charts.lower_limit", func(v float64) Zone { return Zone{math.Inf(-1), v, "beyond"} })
	limit(h.Upper, "charts.upper_limit", func(v float64) Zone { return Zone{v, math.Inf(1), "beyond"} })
	if h.SD > 0 && statistics.Finite(h.SD) && statistics.Finite(h.Mean) && statistics.Finite(width) && total > 0 {
		p.Lines = []Line{h.normal(float64(total)*width/(h.SD*math.Sqrt(2*math.Pi)), 4*most, w)}
	}
	if total == 0 {
		p.Bars = nil
	}
	return h.drawn(w, p, nil, t, notes, lost, "")
}

// normal is the normal distribution with a peak; what is higher than most is
// left out.
func (h Histogram) normal(peak, most float64, w Words) Line {
	l := Line{Class: "model", Title: w.T("charts.normal", "mean", show(w, h.Mean, h.Unit), "sd", show(w, h.SD, h.Unit))}
	drawn := Axis{}
	for _, b := range h.Bins {
		drawn.hold(b.From, b.To)
	}
	for _, limit := range []*float64{h.Lower, h.Upper} {
		if limit != nil {
			drawn.hold(*limit)
		}
	}
	low, high := max(drawn.low, h.Mean-4*h.SD), min(drawn.high, h.Mean+4*h.SD)
	for i := range 161 {
		x := low + (high-low)*float64(i)/160
		z := (x - h.Mean) / h.SD
		l.X, l.Y = append(l.X, x), append(l.Y, min(peak*math.Exp(-z*z/2), most))
	}
	return l
}

// Capture draws a capture as a report keeps it, its axes named "quantity /
// unit".
type Capture struct {
	Frame
	Plot reports.Plot
	// Beside is drawn behind it, in grey: the same capture of good units.
	Beside []reports.Series
}

// MostLines is how many lines can be told apart by colour and dash.
const MostLines = 6

// Figure is the capture as a figure, and how many of its values are no numbers;
// lines beyond [MostLines] are left out.
func (k Capture) Figure() (f Figure, lost int) {
	p := Panel{X: Named(k.Plot.XLabel), Y: Named(k.Plot.YLabel), Height: 300}
	own := k.Plot.Series[:min(len(k.Plot.Series), MostLines)]
	for i, s := range slices.Concat(k.Beside, own) {
		count := min(len(s.X), len(s.Y))
		l := Line{Title: s.Name, X: s.X[:count], Y: s.Y[:count], Class: "beside"}
		if i -= len(k.Beside); i >= 0 {
			l.Name, l.Class = s.Name, fmt.Sprintf("series s%d", i)
			if l.Name == "" && len(own) > 1 {
				l.Name = "–"
			}
		}
		if len(s.Low) >= count && count > 0 {
			l.Low = s.Low[:count]
		}
		for i := range count {
			if !statistics.Finite(s.X[i]) || !statistics.Finite(s.Y[i]) {
				lost++
			}
		}
		p.Lines = append(p.Lines, l)
	}
	k.Title = cmp.Or(k.Title, k.Plot.Title)
	f = k.figure(p, nil)
	return f, lost
}

// Draw draws the lines of the capture over one another.
func (k Capture) Draw(w Words) Drawing {
	var notes []string
	if n := len(k.Plot.Series); n > MostLines {
		notes = append(notes, w.T("charts.more_lines", "shown", MostLines, "count", n))
	}
	f, lost := k.Figure()
	k.Title = f.Title
	return k.drawn(w, f.Panels[0], nil, Table{}, notes, lost, "")
}

package page

import (
	"fmt"
	"fullthrow/reports"
	"math"
	"strconv"
	"strings"
)

// Drawn size of a plot, in CSS pixels.
const (
	plotWidth, plotHeight   = 660.0, 200.0
	plotLeft, plotRight     = 58.0, 14.0
	plotTop, plotBottom     = 12.0, 40.0
	plotMaxSeries           = 6
	plotXTicks, plotYTicks  = 7, 4
	plotBottomEdge          = plotHeight - plotBottom
	plotRightEdge           = plotWidth - plotRight
	plotInnerW, plotInnerH  = plotRightEdge - plotLeft, plotBottomEdge - plotTop
	plotAxisLabelX          = plotLeft + plotInnerW/2
	plotAxisLabelY          = plotTop + plotInnerH/2
	plotMaxPointsPerElement = 4000
)

// drawing is a plot ready to be drawn.
type drawing struct {
	ID, Title, Desc string
	XLabel, YLabel  string
	XTicks, YTicks  []tick
	Lines           []line
	Hidden          int  // series beyond those that can be told apart
	Empty           bool // no points at all
	Legend          bool
}

type line struct {
	Style  int // 0, 1, ...: colour and dash together
	Name   string
	Points string // of a polyline
	Band   string // of a polygon, "" for a plain line
	Dots   []dot  // a single point cannot be a line
}

type dot struct{ X, Y float64 }

func newDrawing(p reports.Plot, id string) drawing {
	d := drawing{ID: id, Title: p.Title}
	xs, ys := axis{}, axis{}
	series := make([]reports.Series, 0, len(p.Series))
	for _, s := range p.Series {
		s = s.Finite()
		for i := range s.X {
			xs.hold(s.X[i])
			ys.hold(s.Y[i])
			if len(s.Low) > 0 {
				ys.hold(s.Low[i])
			}
		}
		series = append(series, s)
	}
	d.XLabel, d.YLabel = xs.label(p.XLabel), ys.label(p.YLabel)
	if d.Title == "" {
		d.Title = p.YLabel + " over " + p.XLabel
	}
	if !xs.used {
		d.Empty, d.Desc = true, "No points were recorded."
		return d
	}
	d.Desc = fmt.Sprintf("%s from %s to %s, %s from %s to %s.",
		d.XLabel, xs.show(xs.min), xs.show(xs.max), d.YLabel, ys.show(ys.min), ys.show(ys.max))
	xs.widen(0)
	ys.widen(0.06)
	x := func(v float64) float64 { return round1(plotLeft + plotInnerW*xs.part(v)) }
	y := func(v float64) float64 { return round1(plotBottomEdge - plotInnerH*ys.part(v)) }
	for _, v := range xs.ticks(plotXTicks) {
		d.XTicks = append(d.XTicks, tick{At: x(v), Label: xs.show(v)})
	}
	for _, v := range ys.ticks(plotYTicks) {
		d.YTicks = append(d.YTicks, tick{At: y(v), Label: ys.show(v)})
	}
	for i, s := range series {
		if i == plotMaxSeries {
			d.Hidden = len(series) - i
			break
		}
		l := line{Style: i, Name: s.Name}
		step := 1 + len(s.X)/plotMaxPointsPerElement
		var top, bottom strings.Builder
		for k := 0; k < len(s.X); k += step {
			fmt.Fprintf(&top, "%g,%g ", x(s.X[k]), y(s.Y[k]))
		}
		if len(s.Low) > 0 {
			for k := (len(s.X) - 1) / step * step; k >= 0 && len(s.X) > 0; k -= step {
				fmt.Fprintf(&bottom, "%g,%g ", x(s.X[k]), y(s.Low[k]))
			}
			l.Band = top.String() + bottom.String()
		} else {
			l.Points = top.String()
		}
		if len(s.X) == 1 {
			l.Dots = []dot{{x(s.X[0]), y(s.Y[0])}}
		}
		d.Lines = append(d.Lines, l)
	}
	d.Legend = len(d.Lines) > 1 || len(d.Lines) == 1 && d.Lines[0].Name != ""
	return d
}

// axis is a range of values with the prefix people read it by.
type axis struct {
	min, max float64
	used     bool
	exp      int // of ten, of the unit's prefix
	digits   int // after the point, of the ticks
}

func (a *axis) hold(v float64) {
	if !a.used {
		a.min, a.max, a.used = v, v, true
		return
	}
	a.min, a.max = min(a.min, v), max(a.max, v)
}

// label gives an axis "quantity / unit" the prefix that suits its values.
func (a *axis) label(label string) string {
	quantity, unit, ok := strings.Cut(label, " / ")
	if !ok {
		return label
	}
	p, known := reports.Prefixed[strings.TrimSpace(unit)]
	if !known {
		if u, ok := reports.Unprefixed[strings.TrimSpace(unit)]; ok && u.Symbol != "" {
			return quantity + " / " + u.Symbol
		}
		return label
	}
	if big := max(math.Abs(a.min), math.Abs(a.max)); a.used && big > 0 {
		a.exp = int(math.Floor(math.Log10(big)/3+1e-9)) * 3
		a.exp = min(max(a.exp, p.Min), p.Max)
		a.exp = min(max(a.exp, -15), 12)
	}
	return quantity + " / " + reports.PrefixSymbols[a.exp] + p.Symbol
}

// widen leaves a margin, and gives a constant some room to lie in.
func (a *axis) widen(margin float64) {
	width := a.max - a.min
	if width == 0 {
		half := math.Abs(a.max) / 2
		if half == 0 {
			half = 0.5
		}
		a.min, a.max = a.min-half, a.max+half
		return
	}
	if math.IsInf(width, 0) {
		return // the whole range of numbers: no room for a margin
	}
	if margin > 0 && a.min > 0 && a.min < width*0.4 {
		a.min = 0 // so near zero that zero should be seen
		width = a.max
	} else if a.min != 0 {
		a.min -= width * margin
	}
	a.max += width * margin
}

// part is where v lies between min and max, from 0 to 1.
func (a *axis) part(v float64) float64 {
	if math.IsInf(a.max-a.min, 0) {
		return (v/4 - a.min/4) / (a.max/4 - a.min/4)
	}
	return (v - a.min) / (a.max - a.min)
}

// ticks are round numbers, about n of them.
func (a *axis) ticks(n int) []float64 {
	raw := (a.max - a.min) / float64(n)
	mag := math.Pow(10, math.Floor(math.Log10(raw)))
	step := mag * 10
	for _, m := range []float64{1, 2, 5} {
		if m*mag >= raw {
			step = m * mag
			break
		}
	}
	if !(step > 0) || math.IsInf(step, 0) {
		return nil
	}
	a.digits = max(0, -int(math.Floor(math.Log10(step)+1e-9))+a.exp)
	var out []float64
	for i := math.Ceil(a.min/step - 1e-9); i*step <= a.max+step*1e-9 && len(out) < 4*n; i++ {
		out = append(out, i*step)
	}
	return out
}

func (a *axis) show(v float64) string {
	v *= math.Pow(10, float64(-a.exp))
	if a.digits > 0 && a.digits < 10 || v == math.Trunc(v) && math.Abs(v) < 1e6 {
		return minus(reports.WithoutMinusZero(strconv.FormatFloat(v, 'f', min(a.digits, 10), 64)))
	}
	return minus(reports.Significant(v, 3))
}

func round1(v float64) float64 { return math.Round(v*10) / 10 }

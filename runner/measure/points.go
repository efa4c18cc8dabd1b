package measure

import (
	"cmp"
	"math"
	"slices"

	"fullthrow/reports/statistics"
)

// TravelPoint is one settled reading of a stepped sweep.
type TravelPoint struct {
	Cycle     int     `help:"any number that tells the cycles apart"`
	Up        bool    `help:"reached upwards"`
	Commanded float64 `unit:"commanded"`
	Output    float64 `unit:"output"`
}

// TravelPointsOptions choose the scale. Without options the output is in the
// unit of the commanded position.
type TravelPointsOptions struct {
	OutputLow    float64 `unit:"output" help:"ideal output at the lowest position; not given: that position"`
	OutputHigh   float64 `unit:"output" help:"ideal output at the highest position; not given: that position"`
	Span         float64 `unit:"output" range:"[0,)" help:"what 100 % is; not given: the ideal output from end to end"`
	SamePosition float64 `unit:"% of span" default:"1e-6" range:"(0,50)" help:"positions so near together count as one"`
	Slack        float64 `unit:"% of span" default:"0.25" range:"(0,)" help:"the step back that still counts as monotonic"`
}

// CurvePoint is what a sweep gave at one commanded position: the average output
// on the way up, on the way down (NaN if it was not reached that way), and of
// the two.
type CurvePoint struct {
	_ struct{} `why:"not reached that way"`

	Commanded float64 `unit:"commanded"`
	Upwards   float64 `unit:"output" help:"average on the way up"`
	Downwards float64 `unit:"output" help:"average on the way down"`
	Mean      float64 `unit:"output" help:"of the two"`
}

// TravelPointsResult has the figures of IEC 61298-2 (terms also in ISA-51.1) of
// a stepped sweep. All are in % of span, the ideal output's way from end to
// end, except where said. Errors are output less ideal output.
type TravelPointsResult struct {
	_ struct{} `why:"no position was reached twice, or from both sides"`

	Positions       int `help:"different commanded positions"`
	Cycles          int
	Span            float64 `unit:"output" help:"what 100 % is"`
	LowEnd          float64 `unit:"output" help:"average at the lowest position"`
	HighEnd         float64 `unit:"output" help:"average at the highest position"`
	InaccuracyAbove float64 `unit:"% of span" help:"largest error of any single reading"`
	InaccuracyBelow float64 `unit:"% of span" help:"smallest, with its sign"`
	ErrorAbove      float64 `unit:"% of span" help:"measured error: the largest of the averages up and down"`
	ErrorBelow      float64 `unit:"% of span" help:"smallest, with its sign"`
	// Dead band included. 0, and At NaN, if no position was reached both ways.
	Hysteresis   float64 `unit:"% of span" help:"largest difference between the averages up and down"`
	HysteresisAt float64 `unit:"commanded" help:"where that is"`
	// Over the positions between the ends, in the sense in which a loose coupling makes it.
	MedianHysteresis float64      `unit:"% of span" help:"positive where up lags" why:"no position was reached both ways"`
	Repeatability    float64      `unit:"% of span" help:"largest difference at one position reached from one side"`
	RepeatabilityAt  float64      `unit:"commanded" help:"where that is"`
	RepeatabilitySD  float64      `unit:"% of span" help:"standard deviation pooled over all"`
	TerminalLine     StraightLine `help:"through the ends of the average curve"`
	IndependentLine  StraightLine `help:"of the smallest largest distance"`
	ZeroLine         StraightLine `help:"through the lower end, of the smallest largest distance"`
	LeastSquaresLine StraightLine `help:"of least squares"`

	Monotonic bool         `help:"no way turns back by more than the slack"`
	TurnsBack float64      `unit:"% of span" help:"the largest step back on the way up or down"`
	Curve     []CurvePoint `help:"the averages by position, ascending"`
}

// TravelPoints analyses a table of readings in any order. IEC 61298-2 asks for
// three cycles or more at six positions or more; fewer are taken as they are.
//
// Special inputs: an empty table, a value that is NaN or infinite, readings at
// a single commanded position, or a span of 0 are errors; one cycle gives
// Repeatability NaN; one direction gives Hysteresis 0 and MedianHysteresis NaN;
// a constant output has the figures that follow from the definitions, Monotonic
// true; a clipped output likewise (its flat ends are non-linearity).
func TravelPoints(points []TravelPoint, o TravelPointsOptions) (TravelPointsResult, error) {
	var r TravelPointsResult
	if len(points) == 0 {
		return r, errorf("travel points", "the table is empty")
	}
	low, high := points[0].Commanded, points[0].Commanded
	for i, p := range points {
		if !statistics.Finite(p.Commanded) || !statistics.Finite(p.Output) {
			return r, errorf("travel points", "row %d has %v at %v", i+1, p.Output, p.Commanded)
		}
		low, high = min(low, p.Commanded), max(high, p.Commanded)
	}
	if high == low || !statistics.Finite(high-low) {
		return r, errorf("travel points", "all %d readings are at %v", len(points), low)
	}
	o, err := complete("travel points", o)
	if err != nil {
		return r, err
	}
	if o.OutputLow == 0 && o.OutputHigh == 0 {
		o.OutputLow, o.OutputHigh = low, high
	}
	gain := (o.OutputHigh - o.OutputLow) / (high - low)
	if !statistics.Finite(gain) || gain == 0 {
		return r, errorf("travel points", "an ideal output goes from %v to %v", o.OutputLow, o.OutputHigh)
	}
	ideal := func(x float64) float64 { return o.OutputLow + gain*(x-low) }
	r.Span = o.Span
	if r.Span == 0 {
		r.Span = math.Abs(o.OutputHigh - o.OutputLow)
	}

	// Readings of one position stand together, each position's ways apart.
	order := sortedBy(len(points), func(i int) float64 { return points[i].Commanded })
	gap := o.SamePosition / 100 * (high - low)
	var up, down, differences []float64
	var squares float64
	var freedom int
	r.Repeatability, r.RepeatabilityAt, r.HysteresisAt = nan, nan, nan
	r.InaccuracyAbove, r.InaccuracyBelow = math.Inf(-1), math.Inf(1)
	r.ErrorAbove, r.ErrorBelow = math.Inf(-1), math.Inf(1)
	cycles := map[int]bool{}
	for i := 0; i < len(order); {
		first := points[order[i]].Commanded
		up, down = up[:0], down[:0]
		var sum float64
		n := 0
		for ; i < len(order) && points[order[i]].Commanded-first <= gap; i++ {
			p := points[order[i]]
			sum += p.Commanded - first
			n++
			cycles[p.Cycle] = true
			e := 100 * (p.Output - ideal(p.Commanded)) / r.Span
			r.InaccuracyAbove, r.InaccuracyBelow = max(r.InaccuracyAbove, e), min(r.InaccuracyBelow, e)
			if p.Up {
				up = append(up, p.Output)
			} else {
				down = append(down, p.Output)
			}
		}
		c := CurvePoint{Commanded: first + sum/float64(n)}
		c.Upwards, _ = meanSD(up)
		c.Downwards, _ = meanSD(down)
		c.Mean = (c.Upwards + c.Downwards) / 2
		for _, way := range [][]float64{up, down} {
			if len(way) == 0 {
				continue
			}
			mean, sd := meanSD(way)
			if len(way) == len(up)+len(down) {
				c.Mean = mean
			}
			e := 100 * (mean - ideal(c.Commanded)) / r.Span
			r.ErrorAbove, r.ErrorBelow = max(r.ErrorAbove, e), min(r.ErrorBelow, e)
			if len(way) < 2 {
				continue
			}
			squares += sd * sd * float64(len(way)-1)
			freedom += len(way) - 1
			a, b := extremes(way)
			if d := 100 * (b - a) / r.Span; !(d <= r.Repeatability) {
				r.Repeatability, r.RepeatabilityAt = d, c.Commanded
			}
		}
		if len(up) > 0 && len(down) > 0 {
			d := 100 * (c.Downwards - c.Upwards) / r.Span
			if h := math.Abs(d); math.IsNaN(r.HysteresisAt) || h > r.Hysteresis*(1+1e-12) {
				r.Hysteresis, r.HysteresisAt = h, c.Commanded
			}
			if first > low && i < len(order) {
				differences = append(differences, d)
			}
		}
		r.Curve = append(r.Curve, c)
	}
	r.Positions, r.Cycles = len(r.Curve), len(cycles)
	r.RepeatabilitySD = nan
	if freedom > 0 {
		r.RepeatabilitySD = 100 * math.Sqrt(squares/float64(freedom)) / r.Span
	}
	r.LowEnd, r.HighEnd = r.Curve[0].Mean, r.Curve[len(r.Curve)-1].Mean

	r.lines()
	sign := 1.0
	if !math.IsNaN(r.LeastSquaresLine.Slope) && r.LeastSquaresLine.Slope < 0 {
		sign = -1
	}
	r.MedianHysteresis = sign * statistics.Median(differences)
	r.turns(sign)
	r.Monotonic = len(r.Curve) > 1 && r.TurnsBack <= o.Slack
	return r, nil
}

// lines lays the four lines through the average curve.
func (r *TravelPointsResult) lines() {
	if len(r.Curve) < 2 {
		none := missing[StraightLine]()
		r.TerminalLine, r.IndependentLine, r.ZeroLine, r.LeastSquaresLine = none, none, none, none
		return
	}
	x, y := make([]float64, len(r.Curve)), make([]float64, len(r.Curve))
	for i, c := range r.Curve {
		x[i], y[i] = c.Commanded, c.Mean
	}
	// About the middle of the table no digits are lost to a large offset.
	x0, y0 := (x[0]+x[len(x)-1])/2, statistics.Mean(y)
	for i := range x {
		x[i], y[i] = x[i]-x0, y[i]-y0
	}
	for _, l := range []struct {
		to  *StraightLine
		lay func(x, y []float64) StraightLine
	}{{&r.TerminalLine, terminalLine}, {&r.IndependentLine, independentLine}, {&r.ZeroLine, zeroLine},
		{&r.LeastSquaresLine, leastSquaresLine}} {
		*l.to = l.lay(x, y)
		l.to.distance(x, y, r.Span)
		l.to.At += x0
		l.to.Intercept += y0 - l.to.Slope*x0
	}
}

// turns looks for the largest step against the curve's sense on either way.
func (r *TravelPointsResult) turns(sign float64) {
	for _, way := range []func(CurvePoint) float64{func(c CurvePoint) float64 { return c.Upwards },
		func(c CurvePoint) float64 { return c.Downwards }} {
		top := math.Inf(-1)
		for _, c := range r.Curve {
			if v := sign * way(c); !math.IsNaN(v) {
				r.TurnsBack = max(r.TurnsBack, 100*(top-v)/r.Span)
				top = max(top, v)
			}
		}
	}
}

// StraightLine is a line laid through a curve, and how far the curve leaves it.
type StraightLine struct {
	_ struct{} `why:"a single position makes no line"`

	Slope        float64 `unit:"output/commanded"`
	Intercept    float64 `unit:"output" help:"at commanded 0"`
	NonLinearity float64 `unit:"% of span" help:"the largest distance of the average curve from the line"`
	At           float64 `unit:"commanded" help:"where that is"`
}

// distance fills in how far the points leave the line. x must be ascending; of
// several points at the same distance the first counts.
func (l *StraightLine) distance(x, y []float64, span float64) {
	for i := range x {
		if d := 100 * math.Abs(y[i]-l.Intercept-l.Slope*x[i]) / span; i == 0 || d > l.NonLinearity*(1+1e-12) {
			l.NonLinearity, l.At = d, x[i]
		}
	}
}

// terminalLine goes through the first and the last point.
func terminalLine(x, y []float64) StraightLine {
	n := len(x) - 1
	slope := (y[n] - y[0]) / (x[n] - x[0])
	return StraightLine{Slope: slope, Intercept: y[0] - slope*x[0]}
}

// leastSquaresLine makes the sum of the squares smallest.
func leastSquaresLine(x, y []float64) StraightLine {
	intercept, slope := leastSquares(x, y)
	return StraightLine{Slope: slope, Intercept: intercept}
}

// leastSquares is [statistics.FitLine]; NaN where no line can be laid.
func leastSquares(x, y []float64) (intercept, slope float64) {
	l, err := statistics.FitLine(x, y)
	if err != nil {
		return math.NaN(), math.NaN()
	}
	return l.Intercept, l.Slope
}

// independentLine makes the largest distance smallest (minimax). One side of
// the narrowest strip that holds all points lies on an edge of their convex
// hull, so that only edges and the points opposite them need to be tried. x
// must ascend strictly; the time is that of one pass.
func independentLine(x, y []float64) StraightLine {
	low, high := hull(x, y, 1), hull(x, y, -1)
	best, found := StraightLine{}, math.Inf(1)
	// The point opposite an edge moves on as the edges' slopes grow.
	opposite := func(edges, points []int, sign float64) {
		j := 0
		if sign < 0 {
			j = len(points) - 1
		}
		for k := range len(edges) - 1 {
			a, b := edges[k], edges[k+1]
			slope := (y[b] - y[a]) / (x[b] - x[a])
			off := func(j int) float64 { return sign * (y[points[j]] - y[a] - slope*(x[points[j]]-x[a])) }
			if sign > 0 {
				for j+1 < len(points) && off(j+1) >= off(j) {
					j++
				}
				for j > 0 && off(j-1) > off(j) {
					j--
				}
			} else {
				for j > 0 && off(j-1) >= off(j) {
					j--
				}
				for j+1 < len(points) && off(j+1) > off(j) {
					j++
				}
			}
			if width := off(j); width < found {
				found = width
				best = StraightLine{Slope: slope, Intercept: y[a] - slope*x[a] + sign*width/2}
			}
		}
	}
	opposite(low, high, 1)
	opposite(high, low, -1)
	return best
}

// hull lists the points of the lower (sign 1) or upper (sign -1) convex hull,
// from left to right.
func hull(x, y []float64, sign float64) []int {
	var h []int
	for i := range x {
		for len(h) > 1 {
			a, b := h[len(h)-2], h[len(h)-1]
			if sign*((x[b]-x[a])*(y[i]-y[a])-(y[b]-y[a])*(x[i]-x[a])) > 0 {
				break
			}
			h = h[:len(h)-1]
		}
		h = append(h, i)
	}
	return h
}

// zeroLine goes through the first point and makes the largest distance
// smallest. The largest distance is a convex function of the slope, made of
// straight pieces; the lowest point is found by cutting with the pieces at both
// ends of what is left.
func zeroLine(x, y []float64) StraightLine {
	// worst gives the largest distance at a slope, and how it changes there.
	worst := func(slope float64) (d, rate float64) {
		for i := 1; i < len(x); i++ {
			u := x[i] - x[0]
			v := y[i] - y[0] - slope*u
			switch {
			case v > d:
				d, rate = v, -u
			case -v > d:
				d, rate = -v, u
			}
		}
		return d, rate
	}
	left, right := math.Inf(1), math.Inf(-1)
	for i := 1; i < len(x); i++ {
		s := (y[i] - y[0]) / (x[i] - x[0])
		left, right = min(left, s), max(right, s)
	}
	slope := left
	for range 200 { // each cut takes a piece away; a few are enough
		d0, r0 := worst(left)
		d1, r1 := worst(right)
		if r0 >= 0 || d0 == 0 {
			slope = left
			break
		}
		if r1 <= 0 || d1 == 0 {
			slope = right
			break
		}
		slope = (d1 - d0 + r0*left - r1*right) / (r0 - r1)
		d, r := worst(slope)
		if !(slope > left && slope < right) || d <= (d0+r0*(slope-left))*(1+1e-14) {
			break
		}
		if r < 0 {
			left = slope
		} else {
			right = slope
		}
	}
	return StraightLine{Slope: slope, Intercept: y[0] - slope*x[0]}
}

// sortedBy gives the order that sorts keys, stable.
func sortedBy(n int, key func(int) float64) []int {
	order := make([]int, n)
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(key(a), key(b)) })
	return order
}

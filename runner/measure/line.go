package measure

import (
	"math"
	"slices"

	"fullthrow/reports/statistics"
)

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
	slices.SortStableFunc(order, func(a, b int) int {
		ka, kb := key(a), key(b)
		switch {
		case ka < kb:
			return -1
		case ka > kb:
			return 1
		}
		return 0
	})
	return order
}

package selfcheck

import "fullthrow/runner/measure"

// travelPoints is a table of readings: the data set "travel" (rows are ways, up
// and down in turn, in % at 0, 10 ... 100 %), or "bow", y = x + 0.08 x (1-x) at
// so many points of [0, 1].
func travelPoints(a *Args) []measure.TravelPoint {
	var points []measure.TravelPoint
	if a.Text(0) == "bow" {
		n := a.Whole(1)
		for i := range n {
			x := float64(i) / float64(n-1)
			points = append(points, measure.TravelPoint{Cycle: 1, Up: true, Commanded: x, Output: x + 0.08*x*(1-x)})
		}
		return points
	}
	for way, row := range a.Data(0) {
		for i, y := range row {
			points = append(points, measure.TravelPoint{Cycle: 1 + way/2, Up: way%2 == 0, Commanded: float64(10 * i),
				Output: y})
		}
	}
	return points
}

func sticks() map[string]Function {
	return map[string]Function{
		"measure.TravelPoints": func(a *Args) (Figures, error) {
			r, err := measure.TravelPoints(travelPoints(a), measure.TravelPointsOptions{})
			return Figures{
				"inaccuracy +": r.InaccuracyAbove, "inaccuracy -": r.InaccuracyBelow,
				"measured error +": r.ErrorAbove, "measured error -": r.ErrorBelow,
				"hysteresis": r.Hysteresis, "hysteresis at": r.HysteresisAt, "non-repeatability": r.Repeatability,
				"pooled sd": r.RepeatabilitySD,
				"terminal":  r.TerminalLine.NonLinearity, "terminal at": r.TerminalLine.At,
				"terminal slope": r.TerminalLine.Slope,
				"independent":    r.IndependentLine.NonLinearity, "independent slope": r.IndependentLine.Slope,
				"independent line at 0": r.IndependentLine.Intercept,
				"zero-based":            r.ZeroLine.NonLinearity, "zero-based slope": r.ZeroLine.Slope,
				"least squares": r.LeastSquaresLine.NonLinearity, "l. sq. slope": r.LeastSquaresLine.Slope,
				"l. sq. line at 0": r.LeastSquaresLine.Intercept,
			}, err
		},
	}
}

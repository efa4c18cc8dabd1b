package measure

import (
	"math"

	"gonum.org/v1/gonum/mat"

	"fullthrow/drivers"
)

// TrackingOptions choose what is looked at.
type TrackingOptions struct {
	Channel int    `range:"[1,)" help:"of the receiver, that the axis moves"`
	Axis    string `help:"of the path, as left_x; needed"`
	// And 50 ms more: play is being taken up there.
	SkipWay float64 `unit:"% of throw" default:"10" range:"[0,)" help:"passed over after each start or turn"`
}

// TrackingResult says how an output follows a stick on the move.
type TrackingResult struct {
	_ struct{} `why:"too little was heard, or the output is stuck"`

	Lag             float64 `unit:"s" help:"output behind command"`
	LagUncertainty  float64 `unit:"s" help:"expanded (k = 2), of the scatter only"`
	Play            float64 `unit:"% of throw" help:"of the stick: backlash"`
	PlayUncertainty float64 `unit:"% of throw" help:"expanded (k = 2), of the scatter only"`
	Follows         float64 `unit:"1" help:"slope of output against command"`
	Residual        float64 `unit:"% of throw" help:"rms of what the model leaves"`
	Heard           int     `help:"frames used"`
}

// Tracking parts lag from play in movements without dwells. On the move both
// hold the output back, and at one speed nothing tells them apart: lag read as
// hysteresis. But what lag holds back grows with the speed, and play does not:
//
//	output = f(command - lag * rate - play/2 * direction)
//
// with f a cubic, fitted by least squares to the frames of movements in both
// directions and at two speeds or more, the fastest at least twice the slowest;
// they may come as one path or as several in order of time.
//
// Special inputs: an empty capture, or too little heard (fewer than 16 frames),
// gives NaN; a constant (stuck) output has Follows 0, and Lag and Play NaN;
// values that are clipped bend f, and Residual shows it. One speed, one
// direction, and a SkipWay below 0 or not finite are errors.
func Tracking(f drivers.Frames, ways []drivers.Path, o TrackingOptions) (TrackingResult, error) {
	r := missing[TrackingResult]()
	o, err := complete("tracking", o)
	if err != nil {
		return r, err
	}
	frames, moves, err := along("tracking", f, o.Channel, o.Axis, ways...)
	if err != nil {
		return r, err
	}
	slow, fast := math.Inf(1), 0.0
	var up, down bool
	low, high := span(moves)
	const columns = 6
	a := mat.NewSymDense(columns, nil)
	b := mat.NewVecDense(columns, nil)
	type reading struct {
		row   [columns]float64
		value float64
	}
	var used []reading
	middle, half := (low+high)/2, (high-low)/2
	for _, m := range moves {
		rate := (m.to - m.from) / (m.end - m.start)
		skip := o.SkipWay/math.Abs(rate) + 0.05
		run := between(frames, m.start+skip, m.end)
		if len(run) == 0 {
			continue
		}
		slow, fast = min(slow, math.Abs(rate)), max(fast, math.Abs(rate))
		up, down = up || rate > 0, down || rate < 0
		for _, h := range run {
			x := (m.from + rate*(h.at-m.start) - middle) / half
			// The slope of f belongs to what holds back; near enough to a line
			// it is the same all along.
			row := [columns]float64{1, x, x * x, x * x * x, -rate / 100, -math.Copysign(1, rate)}
			used = append(used, reading{row, h.value})
		}
	}
	r.Heard = len(used)
	if len(used) < 16 {
		return r, nil
	}
	if !up || !down {
		return r, errorf("tracking", "%s moves in one direction only: play cannot be seen", o.Axis)
	}
	if fast < 2*slow {
		return r, errorf("tracking", "%s moves at one speed only: lag and play cannot be told apart", o.Axis)
	}
	for _, u := range used {
		for i := range u.row {
			b.SetVec(i, b.AtVec(i)+u.row[i]*u.value)
			for j := i; j < columns; j++ {
				a.SetSym(i, j, a.At(i, j)+u.row[i]*u.row[j])
			}
		}
	}
	var chol mat.Cholesky
	if !chol.Factorize(a) {
		return r, nil
	}
	var c mat.VecDense
	if err := chol.SolveVecTo(&c, b); err != nil {
		return r, nil // what was heard does not tell them apart
	}
	var squares float64
	for _, u := range used {
		d := u.value
		for i, v := range u.row {
			d -= v * c.AtVec(i)
		}
		squares += d * d
	}
	n := float64(len(used))
	r.Residual = math.Sqrt(squares / n)
	// The cubic's mean slope over the way.
	r.Follows = (c.AtVec(1) + c.AtVec(3)) / half
	if math.Abs(r.Follows) < 0.05 {
		return r, nil
	}
	var inverse mat.SymDense
	if err := chol.InverseTo(&inverse); err != nil {
		return r, nil
	}
	scatter := squares / (n - columns)
	r.Lag = c.AtVec(4) / 100 / r.Follows
	r.Play = 2 * c.AtVec(5) / r.Follows
	r.LagUncertainty = 2 * math.Sqrt(scatter*inverse.At(4, 4)) / 100 / math.Abs(r.Follows)
	r.PlayUncertainty = 4 * math.Sqrt(scatter*inverse.At(5, 5)) / math.Abs(r.Follows)
	return r, nil
}

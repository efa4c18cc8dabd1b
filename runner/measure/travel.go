package measure

import (
	"cmp"
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"

	"fullthrow/drivers"
	"fullthrow/reports/statistics"
)

// TravelOptions choose what is looked at.
type TravelOptions struct {
	Channel int     `range:"[1,)" help:"of the receiver, that the axis moves"`
	Axis    string  `help:"of the path, as left_x; needed"`
	Skip    float64 `unit:"s" default:"0.05" range:"[0,)" help:"passed over at each dwell's start, after the lag"`
}

// TravelResult compares a channel with the movement of its stick. Definitions
// as IEC 61298-2 has them. "% of throw": 100 % is 512 µs from 1500 µs, and a
// whole stick deflection. "% of span": of the commanded span, end to end.
// When nothing was heard while the stick stood still anywhere, every figure is
// NaN, Follows 0 and Monotonic false.
type TravelResult struct {
	_ struct{} `why:"too little was heard while the stick stood still"`

	LowEnd  float64 `unit:"% of throw" help:"mean output at the lowest position"`
	HighEnd float64 `unit:"% of throw" help:"mean output at the highest position"`
	Centre  float64 `unit:"% of throw" help:"mean output at position 0, interpolated" why:"not on the path"`
	Follows float64 `unit:"1" help:"slope of output against command: 1 full throw, 0 dead, negative reversed"`
	// Dead band included; 0 if no position was reached from both sides.
	Hysteresis float64 `unit:"% of span" help:"largest difference between the ways up and down at one position"`
	// The median difference between the ways up and down, between the ends.
	Play         float64 `unit:"% of throw" help:"of the stick: backlash" why:"no position was reached both ways"`
	NonLinearity float64 `unit:"% of span" help:"terminal-based: of the average curve from the line through its ends"`
	Independent  float64 `unit:"% of span" help:"the same from the line of the smallest largest distance"`
	ZeroBased    float64 `unit:"% of span" help:"from such a line through the low end"`
	LeastSquares float64 `unit:"% of span" help:"from the line of least squares"`
	// 0 if no position was reached twice.
	Repeatability float64 `unit:"% of span" help:"largest difference at one position reached from one side"`
	// From the moving parts of the path; of fast movements to about 1 % only, see the
	// function DeadBand.
	DeadBand        float64 `unit:"% of throw" help:"of the stick around the centre" why:"not passed, or too little heard"`
	Noise           float64 `unit:"% of throw" help:"rms about the mean of each dwell, pooled"`
	NoisePeak       float64 `unit:"% of throw" help:"the largest single distance from the mean of a dwell"`
	NoisePeakToPeak float64 `unit:"% of throw" help:"within one dwell, the largest"`
	Step            float64 `unit:"% of throw" help:"smallest difference between two values heard; 0 if only one was"`
	// 6.6 times the rms noise (common practice), at least one step.
	Resolution float64 `unit:"% of throw" help:"the smallest movement that stands out of the noise"`
	// log2(way / (sqrt(12) rms)), as IEEE 1241 has it, where the noise is at least that of
	// the step.
	EffectiveBits float64 `unit:"bit" help:"of an ideal converter with the same noise; 0 when the output does not move"`
	// By more than 5 % of throw; more in fast movements, whose timing is less sure.
	Dropouts  int         `help:"times the output left its way, for one frame or several in a row"`
	Spots     []DirtySpot `help:"where the dropouts were on the travel, ascending"`
	Monotonic bool        `help:"the average curves never turn back by more than 0.5 % of throw"`
	// Play does not count into it, and it does not count into Hysteresis.
	Lag    float64       `unit:"s" help:"output behind stick, median over movements; 0 if none could be timed"`
	Heard  int           `help:"frames used"`
	Points []TravelPoint `help:"the settled values, for travel_points"`
}

const (
	maxLag      = 0.1 // s; more is reported but not corrected for
	dropoutSize = 5.0 // % of throw
)

// Travel measures a stepped sweep: movements with dwells between, in both
// directions, best several times. The path must move the axis; the capture must
// overlap it. Frames outside the path's time (before the first movement and
// after the last dwell) count as dwells. Settled values come from the dwells
// only, after the lag: neither lag nor speed gets into hysteresis.
//
// Special inputs: an empty capture, or one in which every frame is lost, gives
// NaN, Follows 0, Monotonic false; a single frame is one settled value, without
// slope; a constant (stuck) output has Follows 0, a DeadBand of the whole way
// and EffectiveBits 0; a clipped one shows in its ends and its non-linearity. A
// capture without scale (a gain of 0, NaN or infinite), a channel or axis that
// does not exist, a path that is NaN, out of time or stands still, and a skip
// below 0 or not finite are errors.
func Travel(f drivers.Frames, p drivers.Path, o TravelOptions) (TravelResult, error) {
	o, err := complete("travel", o)
	if err != nil {
		return TravelResult{}, err
	}
	frames, moves, err := along("travel", f, o.Channel, o.Axis, p)
	if err != nil {
		return TravelResult{}, err
	}
	end := f.Length.Seconds()
	if n := len(frames); n > 0 {
		end = math.Max(end, frames[n-1].at)
	}
	if end <= moves[0].start || moves[len(moves)-1].end <= 0 {
		return TravelResult{}, errorf("travel", "capture and path do not overlap in time")
	}
	dwells := dwellsOf(moves, end)

	r := TravelResult{Heard: len(frames)}
	r.Lag = lagOf(frames, moves, dwells)
	lag := math.Max(0, math.Min(maxLag, r.Lag))
	settle(frames, dwells, lag, o.Skip)
	dwells = slices.DeleteFunc(dwells, func(d dwell) bool { return len(d.values) == 0 })
	low, high := span(moves)
	c := curveOf(dwells)
	if len(c) == 0 {
		r = missing[TravelResult]()
		r.Follows, r.Lag, r.Heard = 0, 0, len(frames)
		return r, nil
	}
	c.ends(&r, low, high)
	if err := r.shape(dwells, len(c), high-low); err != nil {
		return TravelResult{}, err
	}
	noise(&r, dwells)
	dropouts(&r, frames, moves, c, lag)
	r.DeadBand = deadBand(frames, moves, dwells, c, lag, r)
	return r, nil
}

// between gives the frames with from <= at < to.
func between(frames []heard, from, to float64) []heard {
	less := func(h heard, t float64) int {
		if h.at < t {
			return -1
		}
		return 1
	}
	a, _ := slices.BinarySearchFunc(frames, from, less)
	b, _ := slices.BinarySearchFunc(frames, to, less)
	if b < a {
		return nil
	}
	return frames[a:b]
}

// lagOf times the end of movements: where the output passes a quarter of the
// way before its final value, against where the stick did. Play delays the
// beginning of a movement but not its end, and so does not count.
func lagOf(frames []heard, moves []move, dwells []dwell) float64 {
	// final is the settled value of the dwell that begins or ends at t.
	final := func(t float64, edge func(dwell) float64) (float64, bool) {
		i, ok := slices.BinarySearchFunc(dwells, t, func(d dwell, t float64) int { return cmp.Compare(edge(d), t) })
		if !ok {
			return 0, false
		}
		d := dwells[i]
		middle := (math.Max(d.from, d.to-0.5) + d.to) / 2
		var v []float64
		for _, h := range between(frames, middle, d.to) {
			v = append(v, h.value)
		}
		return statistics.Median(v), len(v) > 0
	}
	var lags []float64
	for _, m := range moves {
		before, ok := final(m.start, func(d dwell) float64 { return d.to })
		after, ok2 := final(m.end, func(d dwell) float64 { return d.from })
		if !ok || !ok2 || math.Abs(after-before) < 5 {
			continue
		}
		level := after - 0.25*(after-before)
		stick := m.passes(0.75)
		run := between(frames, m.start, m.end+2*maxLag)
		for i := 1; i < len(run); i++ {
			a, b := run[i-1], run[i]
			if (a.value-level)*(b.value-level) <= 0 && a.value != b.value {
				at := a.at + (b.at-a.at)*(level-a.value)/(b.value-a.value)
				lags = append(lags, at-stick)
				break
			}
		}
	}
	if len(lags) == 0 {
		return 0
	}
	return statistics.Median(lags)
}

// settle gives each dwell the values of its settled part.
func settle(frames []heard, dwells []dwell, lag, skip float64) {
	for i := range dwells {
		d := &dwells[i]
		from := d.from + lag
		if length := d.to - d.from; !math.IsInf(length, 0) {
			from += math.Min(skip, length/2)
		}
		for _, h := range between(frames, from, d.to) {
			d.values = append(d.values, h.value)
		}
		d.mean, _ = meanSD(d.values)
	}
}

// shape takes the figures of the settled values. The dwell before the first
// movement was reached from nowhere: it counts where nothing else does.
func (r *TravelResult) shape(dwells []dwell, positions int, span float64) error {
	type way struct {
		position int64 // 1e-6 % of throw
		up       bool
	}
	key := func(d dwell, up bool) way { return way{int64(math.Round(d.position * 1e6)), up} }
	cycles := map[way]int{}
	for _, d := range dwells {
		if d.direction != 0 {
			up := d.direction > 0
			cycles[key(d, up)]++
			r.Points = append(r.Points, TravelPoint{Cycle: cycles[key(d, up)], Up: up, Commanded: d.position,
				Output: d.mean})
		}
	}
	for _, d := range dwells {
		if d.direction == 0 && cycles[key(d, true)]+cycles[key(d, false)] == 0 {
			r.Points = append(r.Points, TravelPoint{Cycle: 1, Up: true, Commanded: d.position, Output: d.mean})
		}
	}
	r.Play = nan
	if positions < 2 {
		return nil
	}
	t, err := TravelPoints(r.Points, TravelPointsOptions{Span: span, Slack: 100 * 0.5 / span})
	if err != nil {
		return err
	}
	r.Hysteresis, r.Repeatability, r.Monotonic = t.Hysteresis, t.Repeatability, t.Monotonic
	if math.IsNaN(r.Repeatability) {
		r.Repeatability = 0
	}
	r.NonLinearity, r.Independent, r.ZeroBased, r.LeastSquares = t.TerminalLine.NonLinearity,
		t.IndependentLine.NonLinearity, t.ZeroLine.NonLinearity, t.LeastSquaresLine.NonLinearity
	if slope := math.Abs(r.Follows); slope > 0.05 {
		r.Play = t.MedianHysteresis * span / 100 / slope
	}
	return nil
}

// deadBand looks at every passage of the centre in one direction. On each side
// it takes the moving frames near the centre whose output has clearly left the
// centre's value, draws the line of position against output through them, and
// asks at which position it reaches the centre's value: without dead band the
// two sides meet.
func deadBand(frames []heard, moves []move, dwells []dwell, c curve, lag float64, r TravelResult) float64 {
	if math.IsNaN(r.Centre) || c[0].position >= 0 || c[len(c)-1].position <= 0 {
		return nan
	}
	if math.Abs(r.Follows) < 0.05 {
		// Nothing changes anywhere: the whole way is dead.
		return c[len(c)-1].position - c[0].position
	}
	window := 25.0 // % of throw on either side
	clear := math.Max(1, 4*r.Noise)
	var edges [2][]float64 // of each side, one for each direction
	for _, direction := range []int{1, -1} {
		// Play moves both sides of one direction together: the centre's value is
		// that of the same direction.
		var rest []float64
		for _, d := range dwells {
			if d.direction == direction && math.Abs(d.position) < 1e-6 {
				rest = append(rest, d.mean)
			}
		}
		centre := r.Centre
		if len(rest) > 0 {
			centre = statistics.Mean(rest)
		}
		var position, output [2][]float64
		for _, h := range frames {
			p, rate := commanded(moves, h.at-lag)
			if rate == 0 || (rate > 0) != (direction > 0) || math.Abs(p) > window {
				continue
			}
			v := h.value - centre
			if math.Abs(v) < clear || math.Abs(v) > 2*window {
				continue
			}
			side := 0
			if (v > 0) == (r.Follows > 0) {
				side = 1
			}
			position[side], output[side] = append(position[side], p), append(output[side], v)
		}
		for side := range edges {
			if len(position[side]) < 4 {
				continue
			}
			edge, _ := leastSquares(output[side], position[side])
			if statistics.Finite(edge) {
				edges[side] = append(edges[side], edge)
			}
		}
	}
	low, _ := meanSD(edges[0])
	high, _ := meanSD(edges[1])
	switch {
	case len(edges[0]) == 0: // too little was heard of one side: take both for alike
		low = -high
	case len(edges[1]) == 0:
		high = -low
	}
	return math.Max(0, high-low) // NaN stays NaN
}

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
		rate := m.rate()
		skip := o.SkipWay/math.Abs(rate) + 0.05 + m.ramp
		run := between(frames, m.start+skip, m.end-m.ramp)
		if len(run) == 0 {
			continue
		}
		slow, fast = min(slow, math.Abs(rate)), max(fast, math.Abs(rate))
		up, down = up || rate > 0, down || rate < 0
		for _, h := range run {
			x := (m.at(h.at) - middle) / half
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

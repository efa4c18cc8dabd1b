package measure

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/stat"

	"fullthrow/drivers"
)

// TravelOptions choose what is looked at.
type TravelOptions struct {
	Channel int     // 1 first
	Axis    string  // of the path: "left_x"
	Skip    float64 // s at the beginning of each dwell that are passed over, after the lag (0: 0.05)
}

// TravelResult compares a channel with the movement of its stick. Definitions
// as IEC 61298-2 has them. "% of throw": 100 % is 512 µs from 1500 µs, and a
// whole stick deflection. "% of span": of the commanded span, end to end.
// When nothing was heard while the stick stood still anywhere, every figure is
// NaN, Follows 0 and Monotonic false.
type TravelResult struct {
	LowEnd  float64 // % of throw, mean output at the lowest position
	HighEnd float64 // % of throw, mean output at the highest position
	Centre  float64 // % of throw, mean output at position 0 (interpolated); NaN if the path does not reach it
	// Follows is the slope of output against command by least squares: 1 is
	// full throw, 0 a dead channel, negative a reversed one.
	Follows float64
	// Hysteresis is the largest difference between the averages of the ways up
	// and down at one position, in % of span (dead band included). 0 if no
	// position was reached from both sides.
	Hysteresis float64
	// NonLinearity is terminal-based: the largest distance of the average curve
	// from the straight line through its ends, in % of span.
	NonLinearity float64
	// Repeatability is the non-repeatability: the largest difference between
	// settled values at one position reached from one side, in % of span.
	Repeatability float64
	// DeadBand is the way around the centre, in % of throw of the stick, on
	// which the output does not change; from the moving parts of the path. NaN
	// if the path does not pass the centre, or too little was heard near it.
	DeadBand  float64
	Noise     float64 // % of throw, rms about the mean of each dwell, pooled
	NoisePeak float64 // % of throw, the largest single distance from the mean of a dwell
	// Dropouts counts the times that the output left the way that command and
	// average curve let expect, by more than 5 % of throw (more in fast
	// movements, whose timing is less sure), for one frame or several in a row.
	Dropouts  int
	Monotonic bool // the average curves never turn back by more than 0.5 % of throw
	// Lag is the time by which the output reaches its new value later than the
	// stick, in s (median over movements; 0 if none could be timed). Play does
	// not count into it.
	Lag   float64
	Heard int // frames used
}

const (
	maxLag      = 0.1 // s; more is reported but not corrected for
	dropoutSize = 5.0 // % of throw
)

// Travel measures a stepped sweep: movements with dwells between, in both
// directions, best several times. The path must move the axis; the capture must
// overlap it. Frames outside the path's time (before the first movement and
// after the last dwell) count as dwells.
func Travel(f drivers.Frames, p drivers.Path, o TravelOptions) (TravelResult, error) {
	if o.Skip == 0 {
		o.Skip = 0.05
	}
	if !finite(o.Skip) || o.Skip < 0 {
		return TravelResult{}, errorf("travel", "skip is %v s", o.Skip)
	}
	frames, err := channel("travel", f, o.Channel)
	if err != nil {
		return TravelResult{}, err
	}
	moves, err := movesOf(p, o.Axis, f.Start)
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
		nan := math.NaN()
		return TravelResult{LowEnd: nan, HighEnd: nan, Centre: nan, Hysteresis: nan, NonLinearity: nan, Repeatability: nan,
			DeadBand: nan, Noise: nan, NoisePeak: nan, Heard: len(frames)}, nil
	}
	c.ends(&r, low, high)
	c.shape(&r, high-low)
	noise(&r, dwells)
	r.Dropouts = dropouts(frames, moves, c, lag)
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
	final := func(t float64) (float64, bool) { // of the dwell that begins or ends at t
		for _, d := range dwells {
			if d.from == t || d.to == t {
				middle := (math.Max(d.from, d.to-0.5) + d.to) / 2
				var v []float64
				for _, h := range between(frames, middle, d.to) {
					v = append(v, h.value)
				}
				return median(v), len(v) > 0
			}
		}
		return 0, false
	}
	var lags []float64
	for _, m := range moves {
		before, ok := final(m.start)
		after, ok2 := final(m.end)
		if !ok || !ok2 || math.Abs(after-before) < 5 {
			continue
		}
		level := after - 0.25*(after-before)
		stick := m.end - 0.25*(m.end-m.start)
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
	return median(lags)
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

// point is one position of the average curve.
type point struct {
	position float64
	up, down []float64 // dwell means
	rest     []float64 // of the dwell before the first movement
}

// average of the ways up and down, equally weighted.
func (p point) average() float64 {
	switch {
	case len(p.up) > 0 && len(p.down) > 0:
		return (stat.Mean(p.up, nil) + stat.Mean(p.down, nil)) / 2
	case len(p.up) > 0:
		return stat.Mean(p.up, nil)
	case len(p.down) > 0:
		return stat.Mean(p.down, nil)
	}
	return stat.Mean(p.rest, nil)
}

type curve []point

func curveOf(dwells []dwell) curve {
	var c curve
	for _, d := range dwells {
		i := slices.IndexFunc(c, func(p point) bool { return math.Abs(p.position-d.position) < 1e-6 })
		if i < 0 {
			i = len(c)
			c = append(c, point{position: d.position})
		}
		switch d.direction {
		case 1:
			c[i].up = append(c[i].up, d.mean)
		case -1:
			c[i].down = append(c[i].down, d.mean)
		default:
			c[i].rest = append(c[i].rest, d.mean)
		}
	}
	slices.SortFunc(c, func(a, b point) int {
		if a.position < b.position {
			return -1
		}
		return 1
	})
	return c
}

// at interpolates the average curve; beyond its ends it stays level.
func (c curve) at(position float64) float64 {
	i := slices.IndexFunc(c, func(p point) bool { return p.position >= position })
	switch {
	case i < 0:
		return c[len(c)-1].average()
	case i == 0 || c[i].position == position:
		return c[i].average()
	}
	a, b := c[i-1], c[i]
	t := (position - a.position) / (b.position - a.position)
	return a.average() + t*(b.average()-a.average())
}

func (c curve) ends(r *TravelResult, low, high float64) {
	r.LowEnd, r.HighEnd, r.Centre = math.NaN(), math.NaN(), math.NaN()
	first, last := c[0], c[len(c)-1]
	if math.Abs(first.position-low) < 1e-6 {
		r.LowEnd = first.average()
	}
	if math.Abs(last.position-high) < 1e-6 {
		r.HighEnd = last.average()
	}
	if first.position <= 0 && last.position >= 0 {
		r.Centre = c.at(0)
	}
	if len(c) > 1 {
		var x, y []float64
		for _, p := range c {
			x, y = append(x, p.position), append(y, p.average())
		}
		_, r.Follows = stat.LinearRegression(x, y, nil, false)
	}
}

func (c curve) shape(r *TravelResult, span float64) {
	first, last := c[0], c[len(c)-1]
	if len(c) > 1 {
		slope := (last.average() - first.average()) / (last.position - first.position)
		for _, p := range c {
			line := first.average() + slope*(p.position-first.position)
			r.NonLinearity = math.Max(r.NonLinearity, 100*math.Abs(p.average()-line)/span)
		}
	}
	for _, p := range c {
		if len(p.up) > 0 && len(p.down) > 0 {
			h := math.Abs(stat.Mean(p.up, nil) - stat.Mean(p.down, nil))
			r.Hysteresis = math.Max(r.Hysteresis, 100*h/span)
		}
		for _, v := range [][]float64{p.up, p.down} {
			if len(v) > 1 {
				low, high := extremes(v)
				r.Repeatability = math.Max(r.Repeatability, 100*(high-low)/span)
			}
		}
	}
	sign := 1.0
	if r.Follows < 0 {
		sign = -1
	}
	r.Monotonic = len(c) > 1
	for _, way := range []func(point) []float64{func(p point) []float64 { return p.up }, func(p point) []float64 { return p.down }} {
		top := math.Inf(-1)
		for _, p := range c {
			if v := way(p); len(v) > 0 {
				m := sign * stat.Mean(v, nil)
				if m < top-0.5 {
					r.Monotonic = false
				}
				top = math.Max(top, m)
			}
		}
	}
}

func noise(r *TravelResult, dwells []dwell) {
	var squares float64
	var freedom int
	for _, d := range dwells {
		for _, v := range d.values {
			squares += (v - d.mean) * (v - d.mean)
			r.NoisePeak = math.Max(r.NoisePeak, math.Abs(v-d.mean))
		}
		freedom += len(d.values) - 1
	}
	if freedom > 0 {
		r.Noise = math.Sqrt(squares / float64(freedom))
	}
}

// dropouts counts departures from the expected way. A frame is out when it is
// too far from everything the average curve gives within 20 ms around its own
// moment: a link may send a value twice, or hold it for a packet.
func dropouts(frames []heard, moves []move, c curve, lag float64) int {
	const slack = 0.02
	count, out := 0, false
	for _, h := range frames {
		low, high := math.Inf(1), math.Inf(-1)
		for _, dt := range []float64{-slack, 0, slack / 2} {
			p, _ := commanded(moves, h.at-lag+dt)
			v := c.at(p)
			low, high = min(low, v), max(high, v)
		}
		was := out
		out = h.value < low-dropoutSize || h.value > high+dropoutSize
		if out && !was {
			count++
		}
	}
	return count
}

// deadBand looks at every passage of the centre in one direction. On each side
// it takes the moving frames near the centre whose output has clearly left the
// centre's value, draws the line of position against output through them, and
// asks at which position it reaches the centre's value: without dead band the
// two sides meet.
func deadBand(frames []heard, moves []move, dwells []dwell, c curve, lag float64, r TravelResult) float64 {
	if math.IsNaN(r.Centre) || c[0].position >= 0 || c[len(c)-1].position <= 0 {
		return math.NaN()
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
			centre = stat.Mean(rest, nil)
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
			edge, _ := stat.LinearRegression(output[side], position[side], nil, false)
			if finite(edge) {
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

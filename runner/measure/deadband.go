package measure

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"

	"fullthrow/drivers"
	"fullthrow/reports/statistics"
)

// DeadBandOptions choose what is looked at.
type DeadBandOptions struct {
	Channel int     `range:"[1,)" help:"of the receiver, that the axis moves"`
	Axis    string  `help:"of the path, as left_x; needed"`
	Lag     float64 `unit:"s" help:"as travel finds it; for the middle only"`
}

// DeadBandResult describes the way around the centre on which the output does
// not follow the stick, in % of throw of the stick. Play between stick and
// sensor is not in it: it delays a way after a turn, but not in its middle.
type DeadBandResult struct {
	_ struct{} `why:"no dead band, or too little was heard"`

	// Where only one was heard, that one. A stick without dead band shows about as much as
	// Uncertainty.
	Width       float64 `unit:"% of throw" help:"of the stick: the larger of those found upwards and downwards"`
	Bound       string  `help:"more: it reaches beyond the sweep"`
	Middle      float64 `unit:"% of throw" help:"position of its middle, where it is wider than its uncertainty"`
	Uncertainty float64 `unit:"% of throw" help:"of the width, expanded (k = 2), as far as the capture shows it"`
	Follows     float64 `unit:"1" help:"slope of output against command beside the dead band"`
	Heard       int     `help:"frames used"`
}

// DeadBand measures slow straight movements through the centre, up and down, in
// one path or several in order of time (IEC 61298-2 has the stick moved by small steps; a slow ramp is the limit of
// that). The frames heard while the stick moves near the centre are fitted by
// a straight line with a level piece in it.
//
// What can be told depends on the way between two frames: rate times the time
// between frames, and rate times the unsteadiness of the link's latency. At 0.15
// throws per s and a frame every 7 ms, over ±6 % of throw, Uncertainty is about
// 0.05 %; at 4 throws per s about 1 %.
//
// Special inputs: an empty capture, or too little heard in both directions
// (fewer than 8 frames), gives NaN; a constant (stuck) output gives the whole
// way with Bound "more", and so does one that is clipped on one side; a path
// without a movement through 0, or a capture without scale, is an
// error.
func DeadBand(f drivers.Frames, ways []drivers.Path, o DeadBandOptions) (DeadBandResult, error) {
	r := missing[DeadBandResult]()
	o, err := complete("dead band", o)
	if err != nil {
		return r, err
	}
	frames, moves, err := along("dead band", f, o.Channel, o.Axis, ways...)
	if err != nil {
		return r, err
	}
	if !slices.ContainsFunc(moves, move.crosses) {
		low, high := span(moves)
		return r, errorf("dead band", "%s moves between %.4g and %.4g %%, never through the centre in one go", o.Axis,
			low, high)
	}
	return flatAround(frames, moves, o.Lag), nil
}

// crosses tells whether a movement goes from one side of the centre to the
// other.
func (m move) crosses() bool { return m.from < 0 && m.to > 0 || m.from > 0 && m.to < 0 }

// flatAround finds the level piece in the slowest movements through the centre.
func flatAround(frames []heard, moves []move, lag float64) DeadBandResult {
	r := missing[DeadBandResult]()
	slowest := math.Inf(1)
	for _, m := range moves {
		if m.crosses() {
			slowest = min(slowest, math.Abs(m.rate()))
		}
	}
	var ways []flat
	for _, direction := range []float64{1, -1} {
		var at, value []float64
		for _, m := range moves {
			rate := m.rate()
			if !m.crosses() || rate*direction <= 0 || rate*direction > 1.5*slowest {
				continue
			}
			a, v := rampOf(frames, m, lag)
			at, value = append(at, a...), append(value, v...)
		}
		if len(at) < 8 {
			continue
		}
		r.Heard += len(at)
		ways = append(ways, newRamp(at, value).fit())
	}
	var middle, slope float64
	for _, w := range ways {
		middle += w.middle / float64(len(ways))
		slope += w.slope / float64(len(ways))
		if !(w.width <= r.Width) {
			r.Width, r.Uncertainty = w.width, w.uncertainty
		}
		if w.more {
			r.Bound = "more"
		}
	}
	if len(ways) == 0 {
		return r
	}
	r.Follows = slope
	if r.Bound == "more" {
		r.Uncertainty = nan
	} else if r.Width > r.Uncertainty {
		r.Middle = middle
	}
	return r
}

// rampOf gives position and value of the frames heard during a movement. After
// a turn play holds the output until it is taken up: frames before the output
// has left its first value are left out, but not when it hardly ever leaves it:
// that is a dead band.
func rampOf(frames []heard, m move, lag float64) (at, value []float64) {
	run := between(frames, m.start+m.ramp+lag, m.end-m.ramp+lag)
	if len(run) > 8 {
		begin := min(len(run)/8, 8)
		var first []float64
		for _, h := range run[:max(begin, 3)] {
			first = append(first, h.value)
		}
		start := statistics.Median(first)
		a, b := extremesHeard(run)
		leave := max(0.5, (b-a)/12)
		for i, h := range run {
			// Two in a row: one may be noise.
			if i+1 < len(run) && len(run)-i >= len(run)/4 && math.Abs(h.value-start) > leave &&
				math.Abs(run[i+1].value-start) > leave {
				run = run[i:]
				break
			}
		}
	}
	for _, h := range run {
		at, value = append(at, m.at(h.at-lag)), append(value, h.value)
	}
	return at, value
}

func extremesHeard(run []heard) (low, high float64) {
	low, high = run[0].value, run[0].value
	for _, h := range run {
		low, high = min(low, h.value), max(high, h.value)
	}
	return low, high
}

// ramp is a way through the centre, ready for quick sums over a stretch of it.
type ramp struct {
	at, value []float64
	sum       [][5]float64 // of p, p², y, yp, y² before each point
}

func newRamp(at, value []float64) *ramp {
	order := sortedBy(len(at), func(i int) float64 { return at[i] })
	r := &ramp{}
	for _, i := range order {
		r.at, r.value = append(r.at, at[i]), append(r.value, value[i])
	}
	r.clean()
	// About the middle, small numbers: no digits are lost in the sums.
	r.sum = make([][5]float64, len(r.at)+1)
	for i, p := range r.at {
		y := r.value[i]
		s := r.sum[i]
		r.sum[i+1] = [5]float64{s[0] + p, s[1] + p*p, s[2] + y, s[3] + y*p, s[4] + y*y}
	}
	return r
}

// clean leaves out values that stand apart from their neighbours: a dirty spot
// or a disturbed frame says nothing about a dead band.
func (r *ramp) clean() {
	const half = 3
	if len(r.at) <= 2*half+1 {
		return
	}
	residual := make([]float64, len(r.value))
	box := make([]float64, 0, 2*half+1)
	for i := range r.value {
		from := min(max(0, i-half), len(r.value)-2*half-1)
		box = append(box[:0], r.value[from:from+2*half+1]...)
		slices.Sort(box)
		residual[i] = math.Abs(r.value[i] - box[half])
	}
	limit := max(dropoutSize, 6*statistics.Median(residual))
	at, value := r.at[:0], r.value[:0]
	for i := range residual {
		if residual[i] <= limit {
			at, value = append(at, r.at[i]), append(value, r.value[i])
		}
	}
	r.at, r.value = at, value
}

// flat is a fitted way: level between a and b.
type flat struct {
	middle, width, slope, uncertainty float64
	more                              bool
}

// bend is the way that the output goes along when the input is at p: level
// from a to b, of slope 1 outside.
func bend(p, a, b float64) float64 {
	switch {
	case p < a:
		return p - a
	case p > b:
		return p - b
	}
	return 0
}

// rest is the sum of squares that remains when output = c + slope*bend(p, a, b)
// is fitted, and the fitted values.
func (r *ramp) rest(a, b float64) (squares, c, slope float64) {
	n := len(r.at)
	i, _ := slices.BinarySearch(r.at, a)
	j, _ := slices.BinarySearch(r.at, b)
	s, all := r.sum, r.sum[n]
	left, right := s[i], [5]float64{}
	for k := range right {
		right[k] = all[k] - s[j][k]
	}
	nl, nr := float64(i), float64(n-j)
	g := left[0] - nl*a + right[0] - nr*b
	gg := left[1] - 2*a*left[0] + nl*a*a + right[1] - 2*b*right[0] + nr*b*b
	gy := left[3] - a*left[2] + right[3] - b*right[2]
	y, yy := all[2], all[4]
	count := float64(n)
	det := gg - g*g/count
	if det > 1e-12*gg {
		slope = (gy - g*y/count) / det
	}
	c = (y - slope*g) / count
	squares = yy - y*y/count - slope*(gy-g*y/count)
	return max(0, squares), c, slope
}

// fit finds the best a and b: a grid first, since there may be several valleys,
// and then ever smaller steps around its best place.
func (r *ramp) fit() flat {
	n := len(r.at)
	low, high := r.at[0], r.at[n-1]
	reach := high - low
	flatSquares, _, _ := r.rest(low, high)
	const cells = 16
	// A piece of line on either side of the level piece, long enough to show
	// where it begins.
	margin := 0.1 * reach
	best, middle, width := math.Inf(1), 0.0, 0.0
	try := func(m, w float64) bool {
		if w < 0 || m-w/2 < low || m+w/2 > high || m < low+margin || m > high-margin {
			return false
		}
		q, _, _ := r.rest(m-w/2, m+w/2)
		if q < best {
			best, middle, width = q, m, w
			return true
		}
		return false
	}
	for i := 0; i <= cells; i++ {
		a := low + reach*float64(i)/cells
		for j := i; j <= cells; j++ {
			b := low + reach*float64(j)/cells
			try((a+b)/2, b-a)
		}
	}
	// Narrow pieces fall through the grid: they are looked for by themselves.
	for _, w := range []float64{2, 4, 8, 16, 32} {
		for i := 0; i <= 8*cells; i++ {
			try(low+reach*float64(i)/(8*cells), reach/cells/w)
		}
	}
	for step := reach / cells; step > 1e-4*reach; {
		m, w := middle, width
		better := false
		for _, d := range [8][2]float64{{1, 0}, {-1, 0}, {0, 1}, {0, -1}, {0.5, 1}, {-0.5, 1}, {0.5, -1}, {-0.5, -1}} {
			better = try(m+d[0]*step, w+d[1]*step) || better
		}
		better = w > 0 && try(m, max(0, w-step)) || better
		if !better {
			step /= 2
		}
	}
	a, b := middle-width/2, middle+width/2
	squares, _, slope := r.rest(a, b)
	out := flat{middle: middle, width: width, slope: slope}
	out.uncertainty = 2 * r.widthError(a, b, slope, squares)
	// A level piece that goes to an end, or nothing but one, may be longer; and
	// so it is where a level line explains the values as well as any other.
	edge := 0.02 * reach
	still := flatSquares <= squares*(1+8/float64(n))+1e-12
	if still || width > edge && (a < low+edge || b > high-edge) {
		out.more = true
		if still {
			out.width, out.slope = reach, 0
		}
	}
	return out
}

// widthError is the standard error of b - a: least squares, linearised at the
// fit.
func (r *ramp) widthError(a, b, slope, squares float64) float64 {
	n := len(r.at)
	if n < 6 || slope == 0 {
		return nan
	}
	// Columns: constant, slope, a, b. Where one side has no values its column
	// is empty and the matrix singular.
	var h [4][4]float64
	for _, p := range r.at {
		row := [4]float64{1, bend(p, a, b), 0, 0}
		if p < a {
			row[2] = -slope
		}
		if p > b {
			row[3] = -slope
		}
		for i := range row {
			for j := range row {
				h[i][j] += row[i] * row[j]
			}
		}
	}
	m := mat.NewDense(4, 4, nil)
	for i := range h {
		for j := range h[i] {
			m.Set(i, j, h[i][j])
		}
	}
	// Without a level piece the constant and both edges say the same: the
	// edges' middle is then of no matter, and a little weight holds it.
	held := 1e-6 * (h[2][2] + h[3][3])
	m.Set(2, 2, m.At(2, 2)+held)
	m.Set(3, 3, m.At(3, 3)+held)
	m.Set(2, 3, m.At(2, 3)+held)
	m.Set(3, 2, m.At(3, 2)+held)
	var x mat.VecDense
	d := mat.NewVecDense(4, []float64{0, 0, -1, 1})
	if err := x.SolveVec(m, d); err != nil {
		if _, poor := err.(mat.Condition); !poor {
			return nan
		}
	}
	v := mat.Dot(d, &x) * squares / float64(n-4)
	if !(v >= 0) {
		return nan
	}
	return math.Sqrt(v)
}

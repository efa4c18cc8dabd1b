package measure

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"time"

	"fullthrow/drivers"
	"fullthrow/reports/statistics"
)

// dwell is a time that the axis stands still.
type dwell struct {
	from, to  float64 // s since the capture's start
	position  float64 // % of throw
	direction int     // +1 reached upwards, -1 downwards, 0 unknown (before the first movement)
	values    []float64
	mean      float64
}

// move is a time that the axis moves, at constant rate but for its ramps.
type move struct {
	start, end float64 // s since the capture's start
	from, to   float64 // % of throw
	// late is for how much of that time it may stand still, at its beginning or its end, s
	late float64
	ramp float64 // for how long it gathers speed, and slows down, s
}

// takes is how long the movement itself takes, s.
func (m move) takes() float64 { return m.end - m.start - m.late }

// rate is that between the ramps, in % of throw per s.
func (m move) rate() float64 {
	if m.ramp <= 0 {
		return (m.to - m.from) / (m.end - m.start)
	}
	return (m.to - m.from) / (m.takes() - m.ramp)
}

// share of its way that it has gone at t, s after it began, if it takes so long with
// ramps of that length.
func share(t, takes, ramp float64) float64 {
	even := takes - ramp
	switch {
	case t >= takes:
		return 1
	case t <= 0:
		return 0
	case t < ramp:
		return t * t / (2 * ramp * even)
	case t > takes-ramp:
		left := takes - t
		return 1 - left*left/(2*ramp*even)
	}
	return (t - ramp/2) / even
}

// at is where the axis stands at time t.
func (m move) at(t float64) float64 {
	if m.ramp <= 0 {
		return m.from + share(t-m.start, m.end-m.start, 0)*(m.to-m.from)
	}
	return m.from + share(t-m.start-m.late/2, m.takes(), m.ramp)*(m.to-m.from)
}

// passes is when the axis has gone a share of its way.
func (m move) passes(part float64) float64 {
	low, high := m.start, m.end
	for range 40 {
		middle := (low + high) / 2
		if (m.at(middle)-m.from)/(m.to-m.from) < part {
			low = middle
		} else {
			high = middle
		}
	}
	return (low + high) / 2
}

// along is what a channel said, and how an axis moved meanwhile.
func along(op string, f drivers.Frames, ch int, axis string, ways ...drivers.Path) ([]heard, []move, error) {
	frames, err := channel(op, f, ch)
	if err != nil {
		return nil, nil, err
	}
	moves, err := movesOf(op, slices.Concat(ways...), axis, f.Start)
	return frames, moves, err
}

// movesOf takes one axis out of a path. Segments in which the axis stands
// still are dwells of that axis.
func movesOf(op string, p drivers.Path, axis string, start time.Time) ([]move, error) {
	var moves []move
	known := false
	for i, s := range p {
		from, ok := s.From[axis]
		to, ok2 := s.To[axis]
		if !ok || !ok2 {
			continue
		}
		known = true
		m := move{s.Start.Sub(start).Seconds(), s.End.Sub(start).Seconds(), 100 * from, 100 * to, s.Late().Seconds(),
			s.Ramp().Seconds()}
		if !statistics.Finite(m.from) || !statistics.Finite(m.to) {
			return nil, errorf(op, "segment %d goes from %v to %v", i+1, from, to)
		}
		if n := len(moves); m.end < m.start || n > 0 && m.start < moves[n-1].end {
			return nil, errorf(op, "segment %d is out of time", i+1)
		}
		if m.from != m.to && m.end > m.start {
			moves = append(moves, m)
		}
	}
	if !known {
		return nil, errorf(op, "the path has no axis %q", axis)
	}
	if len(moves) == 0 {
		return nil, errorf(op, "the path does not move %q", axis)
	}
	return moves, nil
}

func dwellsOf(moves []move, end float64) []dwell {
	dwells := []dwell{{from: math.Inf(-1), to: moves[0].start, position: moves[0].from}}
	for i, m := range moves {
		d := dwell{from: m.end, to: end, position: m.to, direction: 1}
		if i+1 < len(moves) {
			d.to = moves[i+1].start
		}
		if m.to < m.from {
			d.direction = -1
		}
		if i+1 == len(moves) || d.to-d.from > 1e-3 { // else the corner of one movement
			dwells = append(dwells, d)
		}
	}
	return dwells
}

func span(moves []move) (low, high float64) {
	low, high = moves[0].from, moves[0].from
	for _, m := range moves {
		low, high = min(low, m.from, m.to), max(high, m.from, m.to)
	}
	return low, high
}

// standing is from where to where the stick may stand at time t: a movement that is
// late has gone as quickly as others like it, at the beginning of its time, at the
// end of it, or in between; and what it took beyond its way at the rate, it may have
// been slower throughout, and not in ramps.
func standing(moves []move, t float64) (low, high float64) {
	at, _ := commanded(moves, t)
	low, high = at, at
	i, _ := slices.BinarySearchFunc(moves, t, func(m move, t float64) int {
		if m.end <= t {
			return -1
		}
		return 1
	})
	if i == len(moves) || t < moves[i].start || moves[i].late <= 0 && moves[i].ramp <= 0 {
		return low, high
	}
	m := moves[i]
	for _, start := range []float64{m.start, m.start + m.late} {
		for _, ramp := range []float64{0, m.ramp} {
			at := m.from + share(t-start, m.takes(), ramp)*(m.to-m.from)
			low, high = math.Min(low, at), math.Max(high, at)
		}
	}
	return low, high
}

// commanded is where the stick stands at time t, and how fast it moves then but for
// ramps, in % of throw and % of throw per s.
func commanded(moves []move, t float64) (position, rate float64) {
	i, _ := slices.BinarySearchFunc(moves, t, func(m move, t float64) int {
		if m.end <= t {
			return -1
		}
		return 1
	})
	switch {
	case i == len(moves):
		return moves[i-1].to, 0
	case t < moves[i].start:
		return moves[i].from, 0
	}
	return moves[i].at(t), moves[i].rate()
}

// point is one position of the average curve.
type point struct {
	position float64
	up, down []float64 // dwell means
	rest     []float64 // of the dwell before the first movement
	mean     float64   // average
}

// average of the ways up and down, equally weighted.
func (p point) average() float64 {
	switch {
	case len(p.up) > 0 && len(p.down) > 0:
		return (statistics.Mean(p.up) + statistics.Mean(p.down)) / 2
	case len(p.up) > 0:
		return statistics.Mean(p.up)
	case len(p.down) > 0:
		return statistics.Mean(p.down)
	}
	return statistics.Mean(p.rest)
}

type curve []point

func curveOf(dwells []dwell) curve {
	var c curve
	for _, i := range sortedBy(len(dwells), func(i int) float64 { return dwells[i].position }) {
		d := dwells[i]
		if n := len(c); n == 0 || d.position-c[n-1].position >= 1e-6 {
			c = append(c, point{position: d.position})
		}
		p := &c[len(c)-1]
		switch d.direction {
		case 1:
			p.up = append(p.up, d.mean)
		case -1:
			p.down = append(p.down, d.mean)
		default:
			p.rest = append(p.rest, d.mean)
		}
	}
	for i := range c {
		c[i].mean = c[i].average()
	}
	return c
}

// at interpolates the average curve; beyond its ends it stays level.
func (c curve) at(position float64) float64 {
	i, _ := slices.BinarySearchFunc(c, position, func(p point, x float64) int { return cmp.Compare(p.position, x) })
	switch {
	case i == len(c):
		return c[i-1].mean
	case i == 0 || c[i].position == position:
		return c[i].mean
	}
	a, b := c[i-1], c[i]
	t := (position - a.position) / (b.position - a.position)
	return a.mean + t*(b.mean-a.mean)
}

func (c curve) ends(r *TravelResult, low, high float64) {
	r.LowEnd, r.HighEnd, r.Centre = nan, nan, nan
	first, last := c[0], c[len(c)-1]
	if math.Abs(first.position-low) < 1e-6 {
		r.LowEnd = first.mean
	}
	if math.Abs(last.position-high) < 1e-6 {
		r.HighEnd = last.mean
	}
	if first.position <= 0 && last.position >= 0 {
		r.Centre = c.at(0)
	}
	if len(c) > 1 {
		var x, y []float64
		for _, p := range c {
			x, y = append(x, p.position), append(y, p.mean)
		}
		_, r.Follows = leastSquares(x, y)
	}
}

// unspotted is the curve without positions at which the stick stood on a dirty
// spot: those further than three dropouts from the median of five neighbours,
// all taken from a line of the slope given. Their value is that of the median.
func (c curve) unspotted(slope float64) curve {
	const half = 2
	if len(c) < 2*half+1 {
		return c
	}
	clean := slices.Clone(c)
	box := make([]float64, 0, 2*half+1)
	for i := range c {
		from := min(max(0, i-half), len(c)-2*half-1)
		box = box[:0]
		for _, p := range c[from : from+2*half+1] {
			box = append(box, p.mean-slope*p.position)
		}
		slices.Sort(box)
		line := slope * c[i].position
		if math.Abs(c[i].mean-line-box[half]) > 3*dropoutSize {
			clean[i].mean = line + box[half]
		}
	}
	return clean
}

var nan = math.NaN()

func errorf(op, format string, args ...any) error {
	return fmt.Errorf("measure: "+op+": "+format, args...)
}

// mono gives channel ch (1 first, 0 means 1) of a capture of at least need
// samples, all finite. The slice may be the capture's own: do not write to it.
func mono(op string, s drivers.Samples, ch, need int) ([]float64, error) {
	if ch == 0 {
		ch = 1
	}
	n := s.Count()
	switch {
	case s.Channels < 1:
		return nil, errorf(op, "capture has %d channels, at least 1 needed", s.Channels)
	case ch < 1 || ch > s.Channels:
		return nil, errorf(op, "channel %d asked for, capture has %d", ch, s.Channels)
	case n < need:
		return nil, errorf(op, "capture has %d samples, at least %d needed", n, need)
	case math.IsNaN(s.Rate) || math.IsInf(s.Rate, 0) || s.Rate <= 0:
		return nil, errorf(op, "capture has a rate of %v samples/s", s.Rate)
	}
	x := s.Values
	if s.Channels > 1 {
		x = make([]float64, n)
		for i := range x {
			x[i] = s.Values[i*s.Channels+ch-1]
		}
	}
	x = x[:n]
	for i, v := range x {
		if !statistics.Finite(v) {
			return nil, errorf(op, "sample %d is %v", i, v)
		}
	}
	return x, nil
}

// one is mono for captures that must have a single channel.
func one(op string, s drivers.Samples, need int) ([]float64, error) {
	if s.Channels > 1 {
		return nil, errorf(op, "capture has %d channels, 1 needed", s.Channels)
	}
	return mono(op, s, 1, need)
}

// throw is pulse width in µs as % of throw.
func throw(us float64) float64 { return (us - 1500) / 512 * 100 }

// heard is one frame that was really received: time since the capture's start
// in s, and the channel in % of throw.
type heard struct{ at, value float64 }

// channel takes one channel out of a capture of frames. Frames that the
// receiver marks as lost or failsafe repeat old or made-up values and are left
// out.
func channel(op string, f drivers.Frames, ch int) ([]heard, error) {
	if ch < 1 {
		return nil, errorf(op, "channel %d asked for, channels begin at 1", ch)
	}
	if f.Gain == 0 || !statistics.Finite(f.Gain) || !statistics.Finite(f.Offset) {
		return nil, errorf(op, "frames have no scale (gain %v, offset %v)", f.Gain, f.Offset)
	}
	out := make([]heard, 0, len(f.Frames))
	for i, frame := range f.Frames {
		if ch > len(frame.Channels) {
			return nil, errorf(op, "channel %d asked for, frame %d has %d", ch, i, len(frame.Channels))
		}
		if frame.Lost || frame.Failsafe {
			continue
		}
		at := frame.At.Seconds()
		if n := len(out); n > 0 && at < out[n-1].at {
			return nil, errorf(op, "frame %d is earlier than the one before", i)
		}
		out = append(out, heard{at, throw(f.Microseconds(i, ch))})
	}
	return out, nil
}

// DirtySpot is a stretch of the travel on which dropouts were heard.
type DirtySpot struct {
	From      float64 `unit:"% of throw" help:"commanded"`
	To        float64 `unit:"% of throw" help:"commanded"`
	Dropouts  int     `help:"times"`
	FramesOut int     `help:"frames that were out of the way"`
	Furthest  float64 `unit:"% of throw" help:"the value furthest from the expected one"`
}

// dropouts counts departures from the expected way. A frame is out when it is
// too far from everything the average curve gives within 20 ms around its own
// moment: a link may send a value twice, or hold it for a packet.
func dropouts(r *TravelResult, frames []heard, moves []move, c curve, lag float64) {
	const slack = 0.02
	c = c.unspotted(r.Follows)
	const near = 3.0 // % of throw: closer ones are of one spot
	out := false
	var found []DirtySpot
	for _, h := range frames {
		low, high := math.Inf(1), math.Inf(-1)
		at := 0.0
		for _, dt := range []float64{-slack, slack / 2, 0} {
			at, _ = commanded(moves, h.at-lag+dt)
			a, b := standing(moves, h.at-lag+dt)
			for _, v := range []float64{c.at(a), c.at(b)} {
				low, high = min(low, v), max(high, v)
			}
		}
		was := out
		out = h.value < low-dropoutSize || h.value > high+dropoutSize
		if !out {
			continue
		}
		if was {
			s := &found[len(found)-1]
			s.From, s.To, s.FramesOut = min(s.From, at), max(s.To, at), s.FramesOut+1
			s.further(h.value, c)
			continue
		}
		r.Dropouts++
		found = append(found, DirtySpot{From: at, To: at, Dropouts: 1, FramesOut: 1, Furthest: h.value})
	}
	for _, i := range sortedBy(len(found), func(i int) float64 { return found[i].From }) {
		s := found[i]
		if n := len(r.Spots); n > 0 && s.From <= r.Spots[n-1].To+near {
			last := &r.Spots[n-1]
			last.To, last.Dropouts, last.FramesOut = max(last.To, s.To), last.Dropouts+s.Dropouts, last.FramesOut+
				s.FramesOut
			last.further(s.Furthest, c)
			continue
		}
		r.Spots = append(r.Spots, s)
	}
}

// further keeps the value that lies further from the curve.
func (s *DirtySpot) further(value float64, c curve) {
	if v := c.at(s.From); math.Abs(value-v) > math.Abs(s.Furthest-v) {
		s.Furthest = value
	}
}

func noise(r *TravelResult, dwells []dwell) {
	var squares float64
	var freedom int
	var all []float64
	for _, d := range dwells {
		for _, v := range d.values {
			squares += (v - d.mean) * (v - d.mean)
			r.NoisePeak = math.Max(r.NoisePeak, math.Abs(v-d.mean))
		}
		low, high := extremes(d.values)
		r.NoisePeakToPeak = math.Max(r.NoisePeakToPeak, high-low)
		freedom += len(d.values) - 1
		all = append(all, d.values...)
	}
	if freedom > 0 {
		r.Noise = math.Sqrt(squares / float64(freedom))
	}
	r.Step = smallestStep(all)
	r.Resolution = math.Max(6.6*r.Noise, r.Step)
	if way := math.Abs(r.HighEnd - r.LowEnd); way > 0 {
		r.EffectiveBits = math.Max(0, math.Log2(way/math.Max(math.Sqrt(12)*r.Noise, r.Step)))
	}
}

// smallestStep is the smallest difference between two different values, 0 if
// there is none. It sorts x.
func smallestStep(x []float64) float64 {
	slices.Sort(x)
	step := 0.0
	for i := 1; i < len(x); i++ {
		if d := x[i] - x[i-1]; d > 1e-9 && (step == 0 || d < step) {
			step = d
		}
	}
	return step
}

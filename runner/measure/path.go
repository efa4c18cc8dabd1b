package measure

import (
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

// move is a time that the axis moves at constant rate.
type move struct {
	start, end float64 // s since the capture's start
	from, to   float64 // % of throw
	// late is for how much of that time it may stand still, at its beginning or its end, s
	late float64
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
		m := move{s.Start.Sub(start).Seconds(), s.End.Sub(start).Seconds(), 100 * from, 100 * to, s.Late().Seconds()}
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
// end of it, or in between.
func standing(moves []move, t float64) (low, high float64) {
	at, _ := commanded(moves, t)
	low, high = at, at
	i, _ := slices.BinarySearchFunc(moves, t, func(m move, t float64) int {
		if m.end <= t {
			return -1
		}
		return 1
	})
	if i == len(moves) || t < moves[i].start || moves[i].late <= 0 {
		return low, high
	}
	m := moves[i]
	for _, start := range []float64{m.start, m.start + m.late} {
		share := 1.0
		if takes := m.end - m.start - m.late; t-start < takes {
			share = math.Max(0, (t-start)/takes)
		}
		at := m.from + share*(m.to-m.from)
		low, high = math.Min(low, at), math.Max(high, at)
	}
	return low, high
}

// commanded is where the stick stands at time t, and how fast it moves then, in
// % of throw and % of throw per s.
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
	m := moves[i]
	rate = (m.to - m.from) / (m.end - m.start)
	return m.from + rate*(t-m.start), rate
}

package chart

import (
	"math"
	"strings"
)

// row places points side by side, by their order.
type row struct {
	n          int
	left, wide float64
}

// x is the place of point i.
func (r row) x(i int) float64 {
	if r.n <= 1 {
		return r.left + r.wide/2
	}
	return r.left + r.wide*(float64(i)+0.5)/float64(r.n)
}

// pitch is how far points stand apart.
func (r row) pitch() float64 { return r.wide / float64(max(r.n, 1)) }

// labels writes the points' labels below y, as many as there is room for, the
// last among them.
func (r row) labels(c *canvas, y float64, label func(i int) string) {
	if r.n == 0 {
		return
	}
	long := 0.0
	for i := range r.n {
		long = max(long, min(wide(label(i)), 180))
	}
	every := max(1, int(math.Ceil((long+14)/r.pitch())))
	for i := r.n - 1; i >= 0; i -= every {
		s := cut(label(i), max(180, r.pitch()-8))
		half := wide(s) / 2
		c.try(min(max(r.x(i), half), c.width-half), y, "middle", "", s, false)
	}
}

// line is the way through points; one that is not a number breaks it. Where
// there are many more points than the drawing has columns, each column keeps
// its first, lowest, highest and last.
func (r row) line(y func(i int) float64) string {
	var b strings.Builder
	pen := false
	put := func(i int) {
		v := y(i)
		if !finite(v) {
			pen = false
			return
		}
		if pen {
			b.WriteString("L")
		} else {
			b.WriteString("M")
		}
		pen = true
		b.WriteString(n(r.x(i)) + " " + n(v))
	}
	columns := int(r.wide * 2)
	if r.n <= 4*columns {
		for i := range r.n {
			put(i)
		}
		return b.String()
	}
	for k := range columns {
		from, to := k*r.n/columns, (k+1)*r.n/columns
		low, high := from, from
		gap := false
		for i := from; i < to; i++ {
			v := y(i)
			if !finite(v) {
				gap = true
				continue
			}
			if !finite(y(low)) || v < y(low) {
				low = i
			}
			if !finite(y(high)) || v > y(high) {
				high = i
			}
		}
		if gap {
			pen = false
		}
		kept := []int{from, min(low, high), max(low, high), to - 1}
		for j, i := range kept {
			if j == 0 || i != kept[j-1] {
				put(i)
			}
		}
	}
	return b.String()
}

// steps is a line that keeps its height over each point and jumps between
// them, for limits that change.
func (r row) steps(y func(i int) float64) string {
	var b strings.Builder
	half := r.pitch() / 2
	last := math.NaN()
	for i := range r.n {
		v := y(i)
		if !finite(v) {
			last = math.NaN()
			continue
		}
		if !finite(last) {
			b.WriteString("M" + n(r.x(i)-half) + " " + n(v))
		} else if v != last {
			b.WriteString("V" + n(v))
		}
		if i == r.n-1 || y(i+1) != v {
			b.WriteString("H" + n(r.x(i)+half))
		}
		last = v
	}
	return b.String()
}

// every is of how many points one gets a dot, so that dots stand apart.
func (r row) every(size float64) int { return max(1, int(math.Ceil(1.8*size/r.pitch()))) }

// dot is the size of a point's dot: smaller where there are many.
func (r row) dot() float64 {
	switch {
	case r.pitch() >= 13:
		return 4.5
	case r.pitch() >= 7:
		return 3.5
	case r.pitch() >= 4:
		return 2.75
	}
	return 2
}

// pen is the class of a line through the points, small that of their dots.
func (r row) pen() string {
	if r.pitch() < 4 {
		return "fineline"
	}
	return "line"
}

func (r row) small() string {
	if r.pitch() < 4 {
		return " small"
	}
	return ""
}

// missing notes how many values are no numbers.
func (c *canvas) missing(w Words, n int) {
	if n > 0 {
		c.note(w.T("charts.missing", "count", n))
	}
}

func countMissing(n int, v func(i int) float64) (missing int) {
	for i := range n {
		if !finite(v(i)) {
			missing++
		}
	}
	return missing
}

package measure

import (
	"math"
	"slices"

	"fullthrow/reports/statistics"
)

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
	i, _ := slices.BinarySearchFunc(c, position, func(p point, x float64) int {
		switch {
		case p.position < x:
			return -1
		case p.position > x:
			return 1
		}
		return 0
	})
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

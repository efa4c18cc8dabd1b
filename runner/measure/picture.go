package measure

import (
	"math"

	"fullthrow/drivers"
)

// PictureOptions say which region is compared, and how.
type PictureOptions struct {
	Left     int  `range:"[0,)" help:"of the region, in pixels from the picture's left edge"`
	Top      int  `range:"[0,)" help:"of the region, in pixels from the picture's upper edge"`
	Columns  int  `range:"[0,)" help:"of pixels in the region; not given: to the right edge"`
	Rows     int  `range:"[0,)" help:"of pixels in the region; not given: to the lower edge"`
	MaxShift int  `default:"8" range:"[1,64]" help:"pixels by which the unit may lie elsewhere, each way"`
	Dark     bool `help:"segments are dark on a light ground"`
	// Of smaller ones nobody could tell noise.
	SmallestSegment int     `default:"6" range:"[1,)" help:"pixels of a segment that counts"`
	MissingAt       float64 `unit:"%" default:"50" range:"(0,100]" help:"of its pixels from which on it is missing"`
}

// PictureResult is how a region of a picture differs from that of a reference. A
// segment is what hangs together in the reference and stands out from its ground.
type PictureResult struct {
	_ struct{} `why:"the reference has no such thing"`

	ShiftX    float64 `unit:"1" help:"pixels to the right of the reference" why:"nothing fits, or best at the bound"`
	ShiftY    float64 `unit:"1" help:"pixels downwards" why:"nothing fits, or best at the bound"`
	Likeness  float64 `unit:"%" help:"correlation of the luminance there, 100 % is alike"`
	Contrast  float64 `unit:"%" help:"of segments to their ground, of the reference's contrast"`
	Deviation float64 `unit:"%" help:"rms of what differs, of the contrast" why:"there is no contrast"`

	Segments        int     `help:"of the reference"`
	MissingSegments int     `help:"of them"`
	MissingShare    float64 `unit:"%" help:"of the pixels of all segments"`
	ExtraShare      float64 `unit:"%" help:"of the ground's pixels, lit where nothing should be"`
	// A column is missing where the segments' pixels on it are, over most of the height
	// of all segments; neighbours count as one.
	DeadColumns  int     `help:"missing from top to bottom, neighbours as one"`
	DeadColumnAt float64 `unit:"1" help:"column of the reference of the first of them" why:"there is none"`
	DeadRows     int     `help:"missing from left to right, neighbours as one"`
	DeadRowAt    float64 `unit:"1" help:"row of the reference of the first of them" why:"there is none"`
}

const (
	mostCompared = 4_000_000 // pixels of a region
	tried        = 20_000    // of them, to find the shift
	leastLike    = 0.4       // correlation below which a shift means nothing
	leastSeen    = 0.02      // contrast, luminance of white, that a reference needs
	deadPart     = 0.8       // of a line's pixels that are missing
	deadReach    = 0.6       // of the segments' extent that a dead line reaches over
	brightnessN  = 1 << 14
)

// Picture compares a region of a picture with the same region of a reference, both
// of the same size: where it fits best within the bound, and what is missing there,
// once the brightness of both is made the same.
//
// Special inputs: pictures without pixels or of two sizes, regions outside them or of
// more than 4 million pixels, and a reference without contrast are errors. A picture
// without contrast misses everything. What lies outside the picture is missing.
func Picture(picture, reference drivers.Picture, o PictureOptions) (PictureResult, error) {
	const op = "picture"
	r := missing[PictureResult]()
	o, err := complete(op, o)
	if err != nil {
		return r, err
	}
	at, err := region{o.Left, o.Top, o.Columns, o.Rows}.within(op, reference)
	if err != nil {
		return r, err
	}
	if _, err := (region{}).within(op, picture); err != nil {
		return r, err
	}
	if picture.Width != reference.Width || picture.Height != reference.Height {
		return r, errorf(op, "the picture is of %d x %d pixels, the reference of %d x %d", picture.Width, picture.Height,
			reference.Width, reference.Height)
	}
	if at.pixels() > mostCompared {
		return r, errorf(op, "the region has %d pixels, at most %d", at.pixels(), mostCompared)
	}
	ref := newField(reference, at, 0)
	seen := newField(picture, at, o.MaxShift)
	marks, dark, lit, ok := ref.marks(o.Dark)
	if !ok {
		return r, errorf(op, "the region of the reference has no contrast: nothing stands out in it")
	}
	dx, dy, like := fit(ref, seen, o.MaxShift)
	if r.Likeness = 100 * max(0, like); like >= leastLike {
		if max(dx, -dx) < o.MaxShift && max(dy, -dy) < o.MaxShift {
			r.ShiftX, r.ShiftY = float64(dx), float64(dy)
		}
	} else {
		dx, dy = 0, 0
	}
	c := compared{ref: ref, seen: seen, marks: marks, dx: dx, dy: dy}
	c.brightness(dark, lit, o.Dark)
	r.Contrast = 100 * c.contrast
	if c.visible() {
		r.Deviation = 100 * c.deviation()
	}
	gone := c.gone()
	r.Segments, r.MissingSegments = c.segments(gone, o.SmallestSegment, o.MissingAt/100)
	r.MissingShare, r.ExtraShare = c.shares(gone)
	var first int
	if r.DeadColumns, first = c.deadLines(gone, false); r.DeadColumns > 0 {
		r.DeadColumnAt = float64(at.left + first)
	}
	if r.DeadRows, first = c.deadLines(gone, true); r.DeadRows > 0 {
		r.DeadRowAt = float64(at.top + first)
	}
	return r, nil
}

// field is the luminance, 0 to 1, of a region and of a margin around it; NaN
// outside the picture.
type field struct {
	columns, rows, margin int // of the region, without margin
	y                     []float32
}

func newField(p drivers.Picture, at region, margin int) *field {
	f := &field{at.columns, at.rows, margin, make([]float32, (at.columns+2*margin)*(at.rows+2*margin))}
	light, m := linear(), primaries()[1]
	i := 0
	for row := at.top - margin; row < at.top+at.rows+margin; row++ {
		for column := at.left - margin; column < at.left+at.columns+margin; column++ {
			if row < 0 || row >= p.Height || column < 0 || column >= p.Width {
				f.y[i] = float32(nan)
			} else {
				c := p.RGB[3*(row*p.Width+column):]
				f.y[i] = float32(m[0]*light[c[0]] + m[1]*light[c[1]] + m[2]*light[c[2]])
			}
			i++
		}
	}
	return f
}

// index of a pixel, counted from the region's corner.
func (f *field) index(column, row int) int {
	return (row+f.margin)*(f.columns+2*f.margin) + column + f.margin
}

func (f *field) at(column, row int) float32 { return f.y[f.index(column, row)] }

// marks parts the region into what stands out and its ground (Otsu's threshold, on
// lightness), with the usual luminance of each: the ground's median and what a tenth
// of the marks goes beyond. Not ok: there is no contrast.
func (f *field) marks(darkOnes bool) (marks []bool, dark, lit float64, ok bool) {
	var h [256]float64
	level := func(y float32) int { return int(255 * math.Sqrt(float64(max(0, min(1, y))))) }
	for _, y := range f.y {
		h[level(y)]++
	}
	var all, sum float64
	for i, n := range h {
		all, sum = all+n, sum+float64(i)*n
	}
	best, cut := 0.0, -1
	var below, part float64
	for i, n := range h {
		below, part = below+n, part+float64(i)*n
		if below == 0 || below == all {
			continue
		}
		d := part/below - (sum-part)/(all-below)
		if v := below * (all - below) * d * d; v > best*(1+1e-12) {
			best, cut = v, i
		}
	}
	if cut < 0 {
		return nil, 0, 0, false
	}
	marks = make([]bool, len(f.y))
	for i, y := range f.y {
		marks[i] = (level(y) > cut) != darkOnes
	}
	dark, lit = f.levels(f, marks, 0, 0, darkOnes)
	return marks, dark, lit, math.Abs(lit-dark) >= leastSeen
}

// levels are the luminance of seen, moved by a shift, on the ground and on the marks.
func (f *field) levels(seen *field, marks []bool, dx, dy int, darkOnes bool) (ground, mark float64) {
	var h [2][brightnessN]int32
	var n [2]int
	for row := range f.rows {
		for column := range f.columns {
			y := float64(seen.at(column+dx, row+dy))
			if math.IsNaN(y) {
				continue
			}
			k := 0
			if marks[row*f.columns+column] {
				k = 1
			}
			h[k][int(max(0, min(1, y))*(brightnessN-1))]++
			n[k]++
		}
	}
	quantile := func(k int, q float64) float64 {
		rest := q * float64(n[k])
		for i, count := range h[k] {
			if rest -= float64(count); rest < 0 {
				return float64(i) / (brightnessN - 1)
			}
		}
		return 0
	}
	q := 0.9
	if darkOnes {
		q = 0.1
	}
	return quantile(0, 0.5), quantile(1, q)
}

// fit finds the shift at which the two are most alike, by the correlation of up to
// 20,000 pixels spread over the region.
func fit(ref, seen *field, bound int) (dx, dy int, like float64) {
	type point struct {
		i int
		v float64
	}
	n := min(ref.columns*ref.rows, tried)
	points := make([]point, 0, n)
	add := func(column, row int) {
		points = append(points, point{seen.index(column, row), float64(ref.at(column, row))})
	}
	if n == ref.columns*ref.rows {
		for row := range ref.rows {
			for column := range ref.columns {
				add(column, row)
			}
		}
	} else { // a sequence without a grid of its own (Roberts' R2)
		for i := range n {
			_, x := math.Modf(0.5 + float64(i)*0.7548776662466927)
			_, y := math.Modf(0.5 + float64(i)*0.5698402909980532)
			add(int(x*float64(ref.columns)), int(y*float64(ref.rows)))
		}
	}
	like = -1
	for y := -bound; y <= bound; y++ {
		for x := -bound; x <= bound; x++ {
			step := seen.index(x, y) - seen.index(0, 0)
			var m, a, b, aa, bb, ab float64
			for _, p := range points {
				s := float64(seen.y[p.i+step])
				if s != s {
					continue
				}
				m, a, b, aa, bb, ab = m+1, a+p.v, b+s, aa+p.v*p.v, bb+s*s, ab+p.v*s
			}
			if m < float64(n)/2 {
				continue
			}
			va, vb := aa-a*a/m, bb-b*b/m
			if va <= 1e-9*m || vb <= 1e-9*m {
				continue
			}
			// Of equals the nearest counts.
			if c := (ab - a*b/m) / math.Sqrt(va*vb); c > like+1e-9 || c > like-1e-9 && x*x+y*y < dx*dx+dy*dy {
				dx, dy, like = x, y, c
			}
		}
	}
	return dx, dy, like
}

// compared are two fields at the shift that fits, and what of the reference stands
// out.
type compared struct {
	ref, seen         *field
	marks             []bool
	dx, dy            int
	refDark, refLit   float64
	seenDark, seenLit float64
	contrast          float64 // of the reference's
}

func (c *compared) brightness(dark, lit float64, darkOnes bool) {
	c.refDark, c.refLit = dark, lit
	c.seenDark, c.seenLit = c.ref.levels(c.seen, c.marks, c.dx, c.dy, darkOnes)
	c.contrast = (c.seenLit - c.seenDark) / (lit - dark)
}

// visible says whether anything stands out of the ground that could be told from
// none: a fiftieth of the reference's contrast, and three steps of luminance.
func (c *compared) visible() bool {
	return c.contrast >= leastSeen && math.Abs(c.seenLit-c.seenDark) > 3./brightnessN
}

// seenAt is what stands at a pixel of the reference: 0 the ground, 1 a segment; 0
// outside the picture.
func (c *compared) seenAt(column, row int) float64 {
	y := float64(c.seen.at(column+c.dx, row+c.dy))
	if math.IsNaN(y) || !c.visible() {
		return 0
	}
	return (y - c.seenDark) / (c.seenLit - c.seenDark)
}

func (c *compared) deviation() float64 {
	var squares float64
	for row := range c.ref.rows {
		for column := range c.ref.columns {
			d := c.seenAt(column, row) - (float64(c.ref.at(column, row))-c.refDark)/(c.refLit-c.refDark)
			squares += d * d
		}
	}
	return math.Sqrt(squares / float64(c.ref.columns*c.ref.rows))
}

func (c *compared) mark(column, row int) bool {
	return column >= 0 && row >= 0 && column < c.ref.columns && row < c.ref.rows && c.marks[row*c.ref.columns+column]
}

// gone are the marks that are not seen. Inside a segment each pixel is judged by
// itself; at its edge, where half a pixel of shift halves the light, by the best of
// its neighbours.
func (c *compared) gone() []bool {
	list := make([]bool, len(c.marks))
	for row := range c.ref.rows {
		for column := range c.ref.columns {
			if !c.mark(column, row) || c.seenAt(column, row) >= 0.5 {
				continue
			}
			inside := c.mark(column-1, row) && c.mark(column+1, row) && c.mark(column, row-1) && c.mark(column, row+1)
			best := 0.0
			for y := max(0, row-1); y <= min(c.ref.rows-1, row+1) && !inside; y++ {
				for x := max(0, column-1); x <= min(c.ref.columns-1, column+1); x++ {
					best = max(best, c.seenAt(x, y))
				}
			}
			list[row*c.ref.columns+column] = best < 0.5
		}
	}
	return list
}

// segments counts what hangs together, corners included, and those that are missing.
func (c *compared) segments(gone []bool, smallest int, at float64) (all, missing int) {
	done := make([]bool, len(c.marks))
	var open []int
	w := c.ref.columns
	for start := range c.marks {
		if !c.marks[start] || done[start] {
			continue
		}
		size, lost := 0, 0
		done[start], open = true, append(open[:0], start)
		for len(open) > 0 {
			i := open[len(open)-1]
			open = open[:len(open)-1]
			if size++; gone[i] {
				lost++
			}
			for y := i/w - 1; y <= i/w+1; y++ {
				for x := i%w - 1; x <= i%w+1; x++ {
					if k := y*w + x; c.mark(x, y) && !done[k] {
						done[k], open = true, append(open, k)
					}
				}
			}
		}
		if size < smallest {
			continue
		}
		if all++; float64(lost) >= at*float64(size) {
			missing++
		}
	}
	return all, missing
}

// shares are the percentages of marks that are gone and of ground that is lit. Ground
// beside a segment is not judged: its edge may lie there.
func (c *compared) shares(gone []bool) (lost, extra float64) {
	var marks, ground, off, on float64
	for row := range c.ref.rows {
		for column := range c.ref.columns {
			i := row*c.ref.columns + column
			if c.marks[i] {
				if marks++; gone[i] {
					off++
				}
				continue
			}
			near := false
			for y := row - 1; y <= row+1; y++ {
				near = near || c.mark(column-1, y) || c.mark(column, y) || c.mark(column+1, y)
			}
			if near {
				continue
			}
			if ground++; c.seenAt(column, row) > 0.5 {
				on++
			}
		}
	}
	lost, extra = 100*off/marks, 0
	if ground > 0 {
		extra = 100 * on / ground
	}
	return lost, extra
}

// deadLines counts columns, or rows, on which most marks are gone, over most of the
// extent of all marks; neighbours are one. first is where the first of them begins.
func (c *compared) deadLines(gone []bool, rows bool) (count, first int) {
	lines, length := c.ref.columns, c.ref.rows
	if rows {
		lines, length = length, lines
	}
	at := func(line, k int) int {
		if rows {
			return line*c.ref.columns + k
		}
		return k*c.ref.columns + line
	}
	low, high := length, -1 // extent of all marks along the lines
	for line := range lines {
		for k := range length {
			if c.marks[at(line, k)] {
				low, high = min(low, k), max(high, k)
			}
		}
	}
	last := -2
	for line := range lines {
		var marks, lost []float64
		for k := range length {
			if i := at(line, k); c.marks[i] {
				if marks = append(marks, float64(k)); gone[i] {
					lost = append(lost, float64(k))
				}
			}
		}
		if len(lost) == 0 || float64(len(lost)) < deadPart*float64(len(marks)) ||
			lost[len(lost)-1]-lost[0]+1 < deadReach*float64(high-low+1) {
			continue
		}
		if line > last+1 {
			if count++; count == 1 {
				first = line
			}
		}
		last = line
	}
	return count, first
}

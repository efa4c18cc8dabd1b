package measure

import (
	"math"
	"sync"

	"fullthrow/drivers"
)

// region is a rectangle of a picture, in pixels from its upper left corner.
type region struct{ left, top, columns, rows int }

func (r region) pixels() int { return r.columns * r.rows }

// within completes a region, whose size was left out, to the picture's right and
// lower edge. One without pixels, or with some outside the picture, is an error.
func (r region) within(op string, p drivers.Picture) (region, error) {
	const most = 1 << 20
	if p.Width < 1 || p.Height < 1 || p.Width > most || p.Height > most || len(p.RGB) != 3*p.Width*p.Height {
		return r, errorf(op, "the picture has no pixels")
	}
	if r.columns == 0 {
		r.columns = p.Width - r.left
	}
	if r.rows == 0 {
		r.rows = p.Height - r.top
	}
	if r.left < 0 || r.top < 0 || r.columns < 1 || r.rows < 1 || r.left > p.Width-r.columns ||
		r.top > p.Height-r.rows {
		return r, errorf(op, "the region of %d x %d pixels from %d, %d does not lie in the picture of %d x %d", r.columns,
			r.rows, r.left, r.top, p.Width, p.Height)
	}
	return r, nil
}

// linear are the linear values of the 256 codes of sRGB: the transfer curve of IEC
// 61966-2-1, with its own constants.
var linear = sync.OnceValue(func() *[256]float64 {
	var t [256]float64
	for i := range t {
		v := float64(i) / 255
		if v <= 0.04045 {
			t[i] = v / 12.92
		} else {
			t[i] = math.Pow((v+0.055)/1.055, 2.4)
		}
	}
	return &t
})

// primaries is the matrix from linear sRGB to CIE 1931 XYZ, made of the primaries
// and the white point (D65, 0.3127, 0.3290) that IEC 61966-2-1 names. Its own matrix
// is this one, rounded to four digits.
var primaries = sync.OnceValue(func() [3][3]float64 {
	at := [3][2]float64{{0.64, 0.33}, {0.30, 0.60}, {0.15, 0.06}}
	var m [3][3]float64 // X, Y, Z of each primary, Y = 1
	for k, p := range at {
		m[0][k], m[1][k], m[2][k] = p[0]/p[1], 1, (1-p[0]-p[1])/p[1]
	}
	white := [3]float64{d65X / d65Y, 1, (1 - d65X - d65Y) / d65Y}
	// Cramer's rule gives how much of each primary makes white.
	det := determinant(m)
	var share [3]float64
	for k := range share {
		n := m
		for i := range n {
			n[i][k] = white[i]
		}
		share[k] = determinant(n) / det
	}
	for i := range m {
		for k := range m[i] {
			m[i][k] *= share[k]
		}
	}
	return m
})

const d65X, d65Y = 0.3127, 0.3290

func determinant(m [3][3]float64) float64 {
	return m[0][0]*(m[1][1]*m[2][2]-m[1][2]*m[2][1]) - m[0][1]*(m[1][0]*m[2][2]-m[1][2]*m[2][0]) +
		m[0][2]*(m[1][0]*m[2][1]-m[1][1]*m[2][0])
}

// tristimulus turns linear sRGB into X, Y, Z; white has Y = 1.
func tristimulus(rgb [3]float64) (xyz [3]float64) {
	for i, row := range primaries() {
		xyz[i] = row[0]*rgb[0] + row[1]*rgb[1] + row[2]*rgb[2]
	}
	return xyz
}

package measure

import (
	"math"

	"fullthrow/drivers"
)

// ColourOptions say which region of the picture, and what is no colour any more.
type ColourOptions struct {
	Left    int     `range:"[0,)" help:"of the region, in pixels from the picture's left edge"`
	Top     int     `range:"[0,)" help:"of the region, in pixels from the picture's upper edge"`
	Columns int     `range:"[0,)" help:"of pixels in the region; not given: to the right edge"`
	Rows    int     `range:"[0,)" help:"of pixels in the region; not given: to the lower edge"`
	White   string  `default:"D65" help:"that purity counts from: D65, or E, as data sheets have it"`
	Full    int     `default:"253" range:"[1,255]" help:"code of a channel from which on a pixel is clipped"`
	MayClip float64 `unit:"%" default:"0.5" range:"(0,50]" help:"of the pixels; with more clipped there is no colour"`
	Darkest float64 `unit:"%" default:"0.2" range:"(0,100]" help:"luminance below which the region has no colour"`
}

// ColourResult describes the light of a region of a picture as a whole. Its colours
// are those of the picture's sRGB: a camera with a fixed white balance and exposure
// sees differences well, and the colour of narrow light only as far as sRGB reaches.
type ColourResult struct {
	_ struct{} `why:"too many pixels are clipped, or it is too dark to have a colour"`

	Pixels        int     `help:"in the region"`
	ClippedShare  float64 `unit:"%" help:"of the pixels, with a channel at full scale"`
	EdgeShare     float64 `unit:"%" help:"of the pixels, with a channel at 0: at the edge of sRGB"`
	ChromaticityX float64 `unit:"1" help:"CIE 1931 x"`
	ChromaticityY float64 `unit:"1" help:"CIE 1931 y"`
	Luminance     float64 `unit:"%" help:"relative, 100 % is the picture's white" why:"too many pixels are clipped"`
	// Within 1 % of white, noise has a wavelength.
	DominantWavelength float64 `unit:"m" help:"where the line from white ends" why:"purple, white, clipped, dark"`
	// Of a colour without a dominant wavelength.
	ComplementaryWavelength float64 `unit:"m" help:"of purple: where it ends backwards" why:"no purple"`
	Purity                  float64 `unit:"%" help:"excitation purity, 100 % is the spectrum"`
	Hue                     float64 `unit:"deg" help:"CIELAB hue angle, 0 to 360" why:"white, clipped, dark"`
	Uniformity              float64 `unit:"%" help:"darkest of 3 x 3 cells over brightest" why:"no colour, or too small"`
	ColourSpread            float64 `unit:"1" help:"largest distance of two in u', v'" why:"no colour, or too small"`
}

// Colour measures a region of a picture: codes to light by the transfer curve of
// sRGB, pixels averaged as light, and that to CIE 1931 by its primaries.
//
// Special inputs: a picture without pixels and a region outside it are errors. A
// region of which more than may_clip is clipped has no colour, no luminance and
// no uniformity: all of them would be less than they are. A dark one has a
// luminance and no colour.
func Colour(picture drivers.Picture, o ColourOptions) (ColourResult, error) {
	const op = "colour"
	r := missing[ColourResult]()
	o, err := complete(op, o)
	if err != nil {
		return r, err
	}
	at, err := region{o.Left, o.Top, o.Columns, o.Rows}.within(op, picture)
	if err != nil {
		return r, err
	}
	whiteX, whiteY := d65X, d65Y
	switch o.White {
	case "D65":
	case "E":
		whiteX, whiteY = 1./3, 1./3
	default:
		return r, errorf(op, "white is %q, it must be D65 or E", o.White)
	}

	light := linear()
	var cells [3][3][3]float64 // sums of linear r, g, b
	var counts [3][3]float64
	clipped, edge := 0, 0
	for row := range at.rows {
		line := picture.RGB[3*((at.top+row)*picture.Width+at.left):]
		i := 3 * row / at.rows
		for column := range at.columns {
			p := line[3*column : 3*column+3]
			high, low := max(p[0], p[1], p[2]), min(p[0], p[1], p[2])
			if int(high) >= o.Full {
				clipped++
			}
			if low == 0 && high > 0 {
				edge++
			}
			j := 3 * column / at.columns
			c := &cells[i][j]
			c[0], c[1], c[2] = c[0]+light[p[0]], c[1]+light[p[1]], c[2]+light[p[2]]
			counts[i][j]++
		}
	}
	r.Pixels = at.pixels()
	r.ClippedShare = 100 * float64(clipped) / float64(r.Pixels)
	r.EdgeShare = 100 * float64(edge) / float64(r.Pixels)
	if r.ClippedShare > o.MayClip {
		return r, nil
	}
	var sum [3]float64
	for i := range cells {
		for j := range cells[i] {
			for k := range sum {
				sum[k] += cells[i][j][k] / float64(r.Pixels)
			}
		}
	}
	xyz := tristimulus(sum)
	r.Luminance = 100 * xyz[1]
	if !(r.Luminance >= o.Darkest) {
		return r, nil
	}
	x, y := chromaticity(xyz)
	r.ChromaticityX, r.ChromaticityY = x, y
	wave, complementary, purity := dominant(x, y, whiteX, whiteY)
	r.Purity = 100 * purity
	if math.Hypot(x-whiteX, y-whiteY) < 1e-9 {
		r.Purity = 0
	}
	if r.Purity >= 1 {
		r.DominantWavelength, r.ComplementaryWavelength = wave, complementary
	}
	if math.Hypot(x-d65X, y-d65Y) > 1e-3 {
		r.Hue = hue(xyz)
	}
	if at.columns >= 3 && at.rows >= 3 {
		r.Uniformity, r.ColourSpread = uniformity(cells, counts)
	}
	return r, nil
}

// hue is the hue angle of CIELAB (ISO/CIE 11664-4) towards D65, from 0 to 360 deg.
func hue(xyz [3]float64) float64 {
	white := tristimulus([3]float64{1, 1, 1})
	var f [3]float64
	for i := range f {
		t := xyz[i] / white[i]
		if d := 6. / 29; t > d*d*d {
			f[i] = math.Cbrt(t)
		} else {
			f[i] = t/(3*d*d) + 4./29
		}
	}
	h := math.Atan2(200*(f[1]-f[2]), 500*(f[0]-f[1]))
	if h < 0 {
		h += 2 * math.Pi
	}
	return h * 180 / math.Pi
}

// uniformity compares 3 x 3 cells: the share of the darkest's luminance in the
// brightest's, and the largest distance between two in CIE 1976 u', v'.
func uniformity(cells [3][3][3]float64, counts [3][3]float64) (share, spread float64) {
	darkest, brightest := math.Inf(1), 0.0
	var points [][2]float64
	for i := range cells {
		for j, c := range cells[i] {
			for k := range c {
				c[k] /= counts[i][j]
			}
			xyz := tristimulus(c)
			darkest, brightest = min(darkest, xyz[1]), max(brightest, xyz[1])
			if d := xyz[0] + 15*xyz[1] + 3*xyz[2]; d > 0 {
				points = append(points, [2]float64{4 * xyz[0] / d, 9 * xyz[1] / d})
			}
		}
	}
	if len(points) < 9 { // a cell without any light has no colour
		return 100 * darkest / brightest, nan
	}
	for i, a := range points {
		for _, b := range points[:i] {
			spread = max(spread, math.Hypot(a[0]-b[0], a[1]-b[1]))
		}
	}
	return 100 * darkest / brightest, spread
}

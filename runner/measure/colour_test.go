package measure

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"fullthrow/drivers"
)

// plainPicture is of one colour.
func plainPicture(width, height int, r, g, b byte) drivers.Picture {
	p := drivers.Picture{Width: width, Height: height, RGB: make([]byte, 3*width*height)}
	for i := range width * height {
		p.RGB[3*i], p.RGB[3*i+1], p.RGB[3*i+2] = r, g, b
	}
	return p
}

func setPixel(p drivers.Picture, x, y int, c byte) {
	for k := range 3 {
		p.RGB[3*(y*p.Width+x)+k] = c
	}
}

// Published chromaticities. The primaries and D65 are those of IEC 61966-2-1:1999;
// dominant wavelengths towards D65 are re-computed from the table of the observer.
func TestColourOfPrimaries(t *testing.T) {
	for _, c := range []struct {
		name       string
		r, g, b    byte
		x, y       float64
		wave, luma float64 // m; luminance over that of white of the same code
	}{
		{"red", 250, 0, 0, 0.64, 0.33, 611.37e-9, 0.2126},
		{"green", 0, 250, 0, 0.30, 0.60, 549.14e-9, 0.7152},
		{"blue", 0, 0, 250, 0.15, 0.06, 464.20e-9, 0.0722},
		{"grey", 128, 128, 128, 0.3127, 0.3290, math.NaN(), 1},
	} {
		got, err := Colour(plainPicture(9, 9, c.r, c.g, c.b), ColourOptions{})
		require.NoError(t, err)
		white, err := Colour(plainPicture(9, 9, max(c.r, c.g, c.b), max(c.r, c.g, c.b), max(c.r, c.g, c.b)), ColourOptions{})
		require.NoError(t, err)
		assert.InDelta(t, c.x, got.ChromaticityX, 1e-6, c.name)
		assert.InDelta(t, c.y, got.ChromaticityY, 1e-6, c.name)
		assert.InDelta(t, c.luma, got.Luminance/white.Luminance, 5e-5, c.name)
		if math.IsNaN(c.wave) {
			assert.True(t, math.IsNaN(got.DominantWavelength))
			assert.Less(t, got.Purity, 1e-3)
			assert.True(t, math.IsNaN(got.Hue))
		} else {
			assert.InDelta(t, c.wave, got.DominantWavelength, 0.05e-9, c.name)
			assert.Equal(t, 100.0, got.EdgeShare)
		}
		assert.InDelta(t, 100, got.Uniformity, 1e-9)
		assert.InDelta(t, 0, got.ColourSpread, 1e-9)
	}
}

// The matrix of IEC 61966-2-1, as it is printed there (four digits).
func TestPrimariesMatrix(t *testing.T) {
	want := [3][3]float64{{0.4124, 0.3576, 0.1805}, {0.2126, 0.7152, 0.0722}, {0.0193, 0.1192, 0.9505}}
	for i, row := range primaries() {
		for k := range row {
			assert.InDelta(t, want[i][k], row[k], 6e-5)
		}
	}
}

// The transfer curve at codes for which others print its values: 188 is half of white
// (0.5029), 118 is L* 49.6; the foot is a straight line. Re-computed from the formula.
func TestTransferCurve(t *testing.T) {
	l := linear()
	assert.Equal(t, 0.0, l[0])
	assert.Equal(t, 1.0, l[255])
	assert.InDelta(t, 10./255/12.92, l[10], 1e-12)
	assert.InDelta(t, 0.502886, l[188], 1e-6)
	assert.InDelta(t, 0.215861, l[128], 1e-6)
}

// The table of the observer against what CIE 15 prints: its sums, and illuminants E
// (1/3, 1/3) and A (0.44758, 0.40745), the Planckian of 2848 K and c2 = 1.435e-2 m K.
func TestObserver(t *testing.T) {
	var sum [3]float64
	for _, row := range observer {
		for k := range sum {
			sum[k] += row[k]
		}
	}
	assert.InDelta(t, 21.371524, sum[0], 1e-6)
	assert.InDelta(t, 21.371327, sum[1], 1e-6)
	assert.InDelta(t, 21.371540, sum[2], 1e-6)
	x, y := Chromaticity(func(float64) float64 { return 1 })
	assert.InDelta(t, 1./3, x, 1e-5)
	assert.InDelta(t, 1./3, y, 1e-5)
	x, y = Chromaticity(func(w float64) float64 { return math.Pow(w, -5) / math.Expm1(1.435e-2/(2848*w)) })
	assert.InDelta(t, 0.44758, x, 5e-5)
	assert.InDelta(t, 0.40745, y, 5e-5)
	x, _ = Chromaticity(func(float64) float64 { return 0 })
	assert.True(t, math.IsNaN(x))
}

// Each point of the locus has its own wavelength and a purity of 1, towards both
// whites; a purple has the complementary one.
func TestDominantOfTheLocus(t *testing.T) {
	for _, white := range [][2]float64{{d65X, d65Y}, {1. / 3, 1. / 3}} {
		for i := pureFrom + 1; i < pureTo; i++ {
			x, y := chromaticity(observer[i])
			x, y = white[0]+0.7*(x-white[0]), white[1]+0.7*(y-white[1])
			wave, _, purity := dominant(x, y, white[0], white[1])
			assert.InDelta(t, shortestWave+float64(i)*waveStep, wave, 1e-15)
			assert.InDelta(t, 0.7, purity, 1e-9)
		}
	}
	wave, complementary, purity := dominant(0.32, 0.15, d65X, d65Y)
	assert.True(t, math.IsNaN(wave))
	assert.Greater(t, complementary, 540e-9)
	assert.Less(t, complementary, 570e-9)
	assert.Greater(t, purity, 0.0)
	assert.Less(t, purity, 1.0)
}

// A clipped or dark region has no colour, and no number that a limit could pass.
func TestNoColourOfAClippedRegion(t *testing.T) {
	p := plainPicture(20, 20, 200, 90, 20)
	for i := range 3 { // 3 of 400: 0.75 %
		p.RGB[3*i] = 255
	}
	got, err := Colour(p, ColourOptions{})
	require.NoError(t, err)
	assert.InDelta(t, 0.75, got.ClippedShare, 1e-9)
	for _, v := range []float64{got.ChromaticityX, got.ChromaticityY, got.Luminance, got.DominantWavelength, got.Purity,
		got.Hue, got.Uniformity, got.ColourSpread} {
		assert.True(t, math.IsNaN(v))
	}
	got, err = Colour(p, ColourOptions{MayClip: 1})
	require.NoError(t, err)
	assert.False(t, math.IsNaN(got.ChromaticityX))
	got, err = Colour(p, ColourOptions{Top: 1})
	require.NoError(t, err)
	assert.Equal(t, 0.0, got.ClippedShare)
	assert.Equal(t, 380, got.Pixels)

	got, err = Colour(plainPicture(9, 9, 3, 3, 3), ColourOptions{})
	require.NoError(t, err)
	assert.InDelta(t, 0.091, got.Luminance, 0.001)
	assert.True(t, math.IsNaN(got.ChromaticityX))
}

func TestColourOfARegion(t *testing.T) {
	p := plainPicture(30, 30, 0, 200, 0)
	for y := range 10 {
		for x := range 10 {
			setPixel(p, x+10, y+20, 100)
		}
	}
	got, err := Colour(p, ColourOptions{Left: 10, Top: 20, Columns: 10, Rows: 10})
	require.NoError(t, err)
	assert.InDelta(t, d65X, got.ChromaticityX, 1e-6)
	// The right third at half the light: the cells say so.
	for y := range 30 {
		for x := 20; x < 30; x++ {
			p.RGB[3*(y*30+x)+1] = 146 // 0.2874 of 200's 0.5776: 0.4976
		}
	}
	got, err = Colour(p, ColourOptions{Rows: 15})
	require.NoError(t, err)
	assert.InDelta(t, 49.8, got.Uniformity, 0.3)
	for _, bad := range []ColourOptions{{Left: 30}, {Left: 25, Columns: 6}, {Rows: 31}, {White: "D50"}, {Top: -1}} {
		_, err := Colour(p, bad)
		assert.Error(t, err, "%+v", bad)
	}
	_, err = Colour(drivers.Picture{Width: 1 << 40, Height: 1 << 40}, ColourOptions{})
	assert.EqualError(t, err, "measure: colour: the picture has no pixels")
	_, err = Colour(p, ColourOptions{Left: math.MaxInt, Columns: 2})
	assert.Error(t, err)
}

// CIELAB hue angles of the sRGB primaries: 40.0, 136.0, 306.3 degrees (commonly
// printed; re-computed).
func TestHue(t *testing.T) {
	for _, c := range []struct {
		rgb  [3]float64
		want float64
	}{{[3]float64{1, 0, 0}, 40.0}, {[3]float64{0, 1, 0}, 136.0}, {[3]float64{0, 0, 1}, 306.3}} {
		assert.InDelta(t, c.want, hue(tristimulus(c.rgb)), 0.05)
	}
}

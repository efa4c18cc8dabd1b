package measure

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"fullthrow/drivers"
)

// display draws five digits of seven segments in bars of 5 pixels: the segments of
// digit n that are lit are those of lit[n], from 0, top, to 6, middle.
func display(lit [5]string, dx, dy int, on, off byte) drivers.Picture {
	p := plainPicture(260, 120, off, off, off)
	bar := func(x, y, w, h int) {
		for j := range h {
			for i := range w {
				if x, y := x+i+dx, y+j+dy; x >= 0 && y >= 0 && x < p.Width && y < p.Height {
					setPixel(p, x, y, on)
				}
			}
		}
	}
	at := map[rune][4]int{'0': {6, 0, 22, 5}, '1': {29, 6, 5, 28}, '2': {29, 42, 5, 28}, '3': {6, 71, 22, 5},
		'4': {0, 42, 5, 28}, '5': {0, 6, 5, 28}, '6': {6, 36, 22, 5}}
	for n, segments := range lit {
		for _, s := range segments {
			b := at[s]
			bar(20+46*n+b[0], 20+b[1], b[2], b[3])
		}
	}
	return p
}

var eights = [5]string{"0123456", "0123456", "0123456", "0123456", "0123456"}

func noisy(p drivers.Picture, sd float64, seed uint64) drivers.Picture {
	r := rand.New(rand.NewPCG(seed, 1))
	for i, v := range p.RGB {
		p.RGB[i] = byte(min(255, max(0, math.Round(float64(v)+sd*r.NormFloat64()))))
	}
	return p
}

func TestPictureAlike(t *testing.T) {
	ref := display(eights, 0, 0, 200, 20)
	got, err := Picture(ref, ref, PictureOptions{})
	require.NoError(t, err)
	assert.Equal(t, 35, got.Segments)
	assert.Zero(t, got.MissingSegments+got.DeadColumns+got.DeadRows)
	assert.Equal(t, [3]float64{0, 0, 0}, [3]float64{got.ShiftX, got.ShiftY, got.MissingShare})
	assert.InDelta(t, 100, got.Likeness, 1e-6)
	assert.InDelta(t, 100, got.Contrast, 1e-6)
	assert.InDelta(t, 0, got.Deviation, 0.02)
	assert.True(t, math.IsNaN(got.DeadColumnAt))
}

// Each shift within the bound is found, of a dimmer and noisy unit too; one beyond
// it has no number.
func TestPictureShift(t *testing.T) {
	ref := display([5]string{"0123456", "12", "01346", "0234", "56"}, 0, 0, 200, 20)
	for i, d := range [][2]int{{0, 0}, {3, -2}, {-7, 7}, {7, 0}} {
		seen := noisy(display([5]string{"0123456", "12", "01346", "0234", "56"}, d[0], d[1], 110, 12), 6, uint64(i))
		got, err := Picture(seen, ref, PictureOptions{})
		require.NoError(t, err)
		assert.Equal(t, [2]float64{float64(d[0]), float64(d[1])}, [2]float64{got.ShiftX, got.ShiftY})
		assert.Zero(t, got.MissingSegments+got.DeadColumns+got.DeadRows, "%v", d)
		assert.Zero(t, got.MissingShare+got.ExtraShare, "%v", d)
		assert.InDelta(t, 30, got.Contrast, 10)
		assert.Less(t, got.Deviation, 15.0)
	}
	for _, d := range [][2]int{{8, 0}, {0, -9}, {12, 12}} {
		got, err := Picture(display(eights, d[0], d[1], 200, 20), display(eights, 0, 0, 200, 20), PictureOptions{})
		require.NoError(t, err)
		assert.True(t, math.IsNaN(got.ShiftX) && math.IsNaN(got.ShiftY), "%v: %+v", d, got)
	}
}

func TestPictureMissingSegments(t *testing.T) {
	ref := display(eights, 0, 0, 200, 20)
	r := rand.New(rand.NewPCG(3, 3))
	for range 12 {
		lit, missing := eights, 0
		for n := range lit {
			s := ""
			for _, c := range lit[n] {
				if r.Float64() < 0.15 {
					missing++
				} else {
					s += string(c)
				}
			}
			lit[n] = s
		}
		got, err := Picture(noisy(display(lit, 2, 1, 150, 15), 4, r.Uint64()), ref, PictureOptions{})
		require.NoError(t, err)
		assert.Equal(t, missing, got.MissingSegments)
		assert.Equal(t, 35, got.Segments)
	}
	// Segments too many.
	got, err := Picture(ref, display([5]string{"0", "1", "2", "3", "4"}, 0, 0, 200, 20), PictureOptions{})
	require.NoError(t, err)
	assert.Equal(t, 5, got.Segments)
	assert.Zero(t, got.MissingSegments)
	assert.Greater(t, got.ExtraShare, 5.0)
	// Dark segments on a light ground are the same thing.
	lit := eights
	lit[2] = "01235"
	got, err = Picture(display(lit, 0, 0, 20, 200), display(eights, 0, 0, 20, 200), PictureOptions{Dark: true})
	require.NoError(t, err)
	assert.Equal(t, [2]int{35, 2}, [2]int{got.Segments, got.MissingSegments})
}

// dots is a display of dots, each of size pixels with a pixel between.
func dots(columns, rows, size int, lit func(column, row int) bool) drivers.Picture {
	p := plainPicture(columns*(size+1)+20, rows*(size+1)+20, 8, 8, 8)
	for row := range rows {
		for column := range columns {
			if !lit(column, row) {
				continue
			}
			for j := range size {
				for i := range size {
					setPixel(p, 10+column*(size+1)+i, 10+row*(size+1)+j, 180)
				}
			}
		}
	}
	return p
}

func TestPictureDeadLines(t *testing.T) {
	all := func(int, int) bool { return true }
	for _, size := range []int{2, 3, 5} {
		ref := dots(40, 20, size, all)
		got, err := Picture(noisy(dots(40, 20, size, func(c, r int) bool { return c != 17 && c != 30 && r != 5 }), 3, 9), ref,
			PictureOptions{})
		require.NoError(t, err)
		assert.Equal(t, [2]int{2, 1}, [2]int{got.DeadColumns, got.DeadRows}, "dots of %d", size)
		assert.InDelta(t, float64(10+17*(size+1)), got.DeadColumnAt, 1)
		assert.InDelta(t, float64(10+5*(size+1)), got.DeadRowAt, 1)
	}
	// A line of one pixel through a lit field, and what looks like one and is none: a
	// segment that is missing.
	ref, seen := plainPicture(60, 60, 10, 10, 10), plainPicture(60, 60, 10, 10, 10)
	for y := 10; y < 50; y++ {
		for x := 10; x < 50; x++ {
			setPixel(ref, x, y, 180)
			if x != 33 {
				setPixel(seen, x, y, 180)
			}
		}
	}
	got, err := Picture(seen, ref, PictureOptions{})
	require.NoError(t, err)
	assert.Equal(t, 1, got.DeadColumns)
	assert.Equal(t, 33.0, got.DeadColumnAt)
	assert.Zero(t, got.MissingSegments)
	lit := eights
	lit[1] = "012356"
	got, err = Picture(display(lit, 0, 0, 200, 20), display(eights, 0, 0, 200, 20), PictureOptions{})
	require.NoError(t, err)
	assert.Equal(t, [2]int{0, 1}, [2]int{got.DeadColumns, got.MissingSegments})
}

// A dark display misses everything, and no number of it looks good.
func TestPictureOfNothing(t *testing.T) {
	ref := display(eights, 0, 0, 200, 20)
	for name, seen := range map[string]drivers.Picture{"black": plainPicture(260, 120, 0, 0, 0),
		"grey": plainPicture(260, 120, 90, 90, 90), "noise": noisy(plainPicture(260, 120, 20, 20, 20), 2, 1)} {
		got, err := Picture(seen, ref, PictureOptions{})
		require.NoError(t, err)
		assert.Equal(t, 35, got.MissingSegments, name)
		assert.Equal(t, 100.0, got.MissingShare, name)
		assert.NotZero(t, got.DeadColumns, name)
		assert.True(t, math.IsNaN(got.ShiftX), name)
		assert.Less(t, got.Contrast, 2.0, name)
	}
	_, err := Picture(ref, plainPicture(260, 120, 50, 50, 50), PictureOptions{})
	assert.ErrorContains(t, err, "no contrast")
	_, err = Picture(ref, plainPicture(261, 120, 50, 50, 50), PictureOptions{})
	assert.ErrorContains(t, err, "260 x 120 pixels")
	_, err = Picture(drivers.Picture{}, ref, PictureOptions{})
	assert.Error(t, err)
	_, err = Picture(plainPicture(2001, 2000, 9, 9, 9), plainPicture(2001, 2000, 9, 9, 9), PictureOptions{})
	assert.ErrorContains(t, err, "4002000 pixels")
	// Outside the picture nothing is seen, so it is missing.
	shifted := display(eights, 7, 0, 200, 20)
	got, err := Picture(shifted, ref, PictureOptions{Left: 210, Columns: 50})
	require.NoError(t, err)
	assert.Equal(t, 7.0, got.ShiftX)
}

func BenchmarkPicture(b *testing.B) {
	ref := dots(200, 60, 6, func(c, r int) bool { return (c/3+r/5)%2 == 0 })
	for b.Loop() {
		if _, err := Picture(ref, ref, PictureOptions{}); err != nil {
			b.Fatal(err)
		}
	}
}

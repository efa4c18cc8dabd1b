package picture

import (
	"bytes"
	"encoding/binary"
	"hash/crc32"
	"image"
	"image/color"
	"image/gif"
	"image/jpeg"
	"image/png"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"fullthrow/drivers"
)

func asPNG(t testing.TB, m image.Image) []byte {
	t.Helper()
	var b bytes.Buffer
	require.NoError(t, png.Encode(&b, m))
	return b.Bytes()
}

// Pixels come as they are, from each kind of PNG, and nearly so from JPEG.
func TestDecode(t *testing.T) {
	at := func(x, y int) color.NRGBA { return color.NRGBA{uint8(x), uint8(y), uint8(x ^ y), 255} }
	r := image.Rect(0, 0, 150, 200)
	a, b, c := image.NewNRGBA(r), image.NewRGBA64(r), image.NewNRGBA(r)
	for y := range 200 {
		for x := range 150 {
			a.Set(x, y, at(x, y))
			b.Set(x, y, at(x, y))
			c.Set(x, y, color.NRGBA{255, 255, 255, 0})
		}
	}
	for _, m := range []image.Image{a, b} {
		p, err := Decode("seen", asPNG(t, m))
		require.NoError(t, err)
		assert.Equal(t, [2]int{150, 200}, [2]int{p.Width, p.Height})
		assert.Equal(t, "image/png", p.Media)
		for _, q := range [][2]int{{0, 0}, {149, 199}, {70, 63}, {3, 64}, {140, 128}} {
			i := 3 * (q[1]*150 + q[0])
			want := at(q[0], q[1])
			assert.Equal(t, []byte{want.R, want.G, want.B}, p.RGB[i:i+3])
		}
	}
	p, err := Decode("clear", asPNG(t, c))
	require.NoError(t, err)
	assert.Equal(t, make([]byte, len(p.RGB)), p.RGB, "what is transparent lies on black")

	var j bytes.Buffer
	require.NoError(t, jpeg.Encode(&j, a, &jpeg.Options{Quality: 100}))
	p, err = Decode("seen", j.Bytes())
	require.NoError(t, err)
	assert.Equal(t, "image/jpeg", p.Media)
	assert.InDelta(t, 100, float64(p.RGB[3*(50*150+100)]), 6)
}

// claims is a PNG whose head claims a size, and little else.
func claims(width, height uint32) []byte {
	b := []byte("\x89PNG\r\n\x1a\n")
	data := append([]byte("IHDR"), binary.BigEndian.AppendUint32(binary.BigEndian.AppendUint32(nil, width), height)...)
	data = append(data, 8, 2, 0, 0, 0)
	b = append(binary.BigEndian.AppendUint32(b, 13), data...)
	return binary.BigEndian.AppendUint32(b, crc32.ChecksumIEEE(data))
}

// What is no picture, or too large, is refused by its head: nothing is allocated
// for what it claims.
func TestRefused(t *testing.T) {
	small := image.NewGray(image.Rect(0, 0, 9, 9))
	var g bytes.Buffer
	require.NoError(t, gif.Encode(&g, image.NewPaletted(image.Rect(0, 0, 2, 2), color.Palette{color.Black}), nil))
	whole := asPNG(t, small)
	for name, c := range map[string]struct {
		file []byte
		want string
	}{
		"empty":     {nil, "it is no PNG or JPEG picture"},
		"text":      {[]byte("P3 1 1 255 0 0 0"), "it is no PNG or JPEG picture"},
		"GIF":       {g.Bytes(), "it is no PNG or JPEG picture"},
		"huge":      {claims(60000, 60000), "60000 x 60000 pixels: at most 24 million"},
		"wide":      {claims(24_000_001, 1), "24000001 x 1 pixels: at most 24 million"},
		"cut head":  {whole[:20], "it is damaged: unexpected EOF"},
		"cut":       {whole[:len(whole)-20], "it is damaged: png: invalid format: unexpected EOF"},
		"too large": {make([]byte, MaxBytes+1), "32000001 bytes: a picture has at most 32000000"},
	} {
		_, err := Decode("x", c.file)
		assert.EqualError(t, err, c.want, name)
	}
}

// The copy for a report is within its bounds, also of noise, and of pictures that are
// all width or all height.
func TestSmall(t *testing.T) {
	noise := func(width, height int) drivers.Picture {
		p := drivers.Picture{Width: width, Height: height, RGB: make([]byte, 3*width*height)}
		r := rand.New(rand.NewPCG(1, 2))
		for i := range p.RGB {
			p.RGB[i] = byte(r.Uint32())
		}
		return p
	}
	for _, c := range [][2]int{{640, 480}, {400, 3000}, {399, 10}, {5000, 1}, {1, 5000}, {1, 1}} {
		file, media, err := Small(noise(c[0], c[1]))
		require.NoError(t, err)
		assert.LessOrEqual(t, len(file), smallBytes)
		h, err := ReadHead(file)
		require.NoError(t, err)
		assert.Equal(t, media, h.Media)
		assert.LessOrEqual(t, h.Width, 400)
		assert.LessOrEqual(t, h.Height, 800)
	}
	p := drivers.Picture{Width: 800, Height: 4, RGB: make([]byte, 3*800*4)}
	for i := range p.RGB {
		p.RGB[i] = byte(100 + 100*(i/3%2)) // columns of 100 and 200
	}
	file, _, err := Small(p)
	require.NoError(t, err)
	small, err := Decode("small", file)
	require.NoError(t, err)
	assert.Equal(t, [2]int{400, 2}, [2]int{small.Width, small.Height})
	assert.Equal(t, byte(150), small.RGB[0])
	_, _, err = Small(drivers.Picture{})
	assert.Error(t, err)
}

func FuzzDecode(f *testing.F) {
	f.Add(asPNG(f, image.NewGray(image.Rect(0, 0, 3, 3))))
	f.Add(claims(5, 5))
	f.Fuzz(func(t *testing.T, file []byte) {
		h, err := ReadHead(file)
		if err != nil || h.Width*h.Height > 1e6 {
			return
		}
		if p, err := Decode("x", file); err == nil && len(p.RGB) != 3*p.Width*p.Height {
			t.Fatalf("%d bytes for %d x %d pixels", len(p.RGB), p.Width, p.Height)
		}
	})
}

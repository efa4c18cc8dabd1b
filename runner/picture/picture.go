// Package picture decodes the pictures that cameras and files give, within bounds,
// and makes the small copies that go into reports.
//
// A picture is a PNG or JPEG file of at most 32 MB and 24 million pixels, which its
// head must say before anything is decoded. Its codes are taken for sRGB: profiles
// and orientations written beside it are passed over, what is transparent lies on
// black, more than 8 bits are cut to 8.
package picture

import (
	"bytes"
	"errors"
	"fmt"
	"image"
	"image/color"
	"image/draw"
	"image/jpeg"
	"image/png"
	"sync"

	"fullthrow/drivers"
)

// Bounds of a picture.
const (
	MaxBytes  = 32_000_000
	MaxPixels = 24_000_000
)

// Bounds of the copy in a report.
const (
	smallWidth  = 400
	smallHeight = 800
	smallBytes  = 64 << 10
	plainBytes  = 24 << 10 // beyond that PNG, which keeps each pixel, gives way to JPEG
)

// Head is what a file says of itself.
type Head struct {
	Width, Height int
	Media         string // "image/png", "image/jpeg"
}

// ReadHead proves that a file is a picture within the bounds, by its head alone.
func ReadHead(file []byte) (Head, error) {
	if len(file) > MaxBytes {
		return Head{}, fmt.Errorf("%d bytes: a picture has at most %d", len(file), MaxBytes)
	}
	c, kind, err := image.DecodeConfig(bytes.NewReader(file))
	media := map[string]string{"png": "image/png", "jpeg": "image/jpeg"}[kind]
	switch {
	case errors.Is(err, image.ErrFormat), err == nil && media == "":
		return Head{}, errors.New("it is no PNG or JPEG picture")
	case err != nil:
		return Head{}, fmt.Errorf("it is damaged: %w", err)
	case c.Width < 1 || c.Height < 1 || c.Width > MaxPixels/c.Height:
		return Head{}, fmt.Errorf("%d x %d pixels: at most %d million", c.Width, c.Height, MaxPixels/1_000_000)
	}
	return Head{c.Width, c.Height, media}, nil
}

// one lets one picture at a time be decoded, so that the memory for it is bounded
// whatever the number of nests.
var one sync.Mutex

// Decode reads a file. What is beyond the bounds, no PNG or JPEG, or cut short is an
// error.
func Decode(name string, file []byte) (drivers.Picture, error) {
	h, err := ReadHead(file)
	if err != nil {
		return drivers.Picture{}, err
	}
	one.Lock()
	defer one.Unlock()
	m, _, err := image.Decode(bytes.NewReader(file))
	if err != nil {
		return drivers.Picture{}, fmt.Errorf("it is damaged: %w", err)
	}
	p := drivers.Picture{Name: name, Width: h.Width, Height: h.Height, RGB: make([]byte, 3*h.Width*h.Height), File: file,
		Media: h.Media}
	if m.Bounds().Dx() != h.Width || m.Bounds().Dy() != h.Height {
		return drivers.Picture{}, errors.New("it is damaged: its head and its pixels differ in size")
	}
	const strip = 64 // rows at a time: the copy with transparency is never whole
	rows := image.NewRGBA(image.Rect(0, 0, h.Width, min(strip, h.Height)))
	for top := 0; top < h.Height; top += strip {
		n := min(strip, h.Height-top)
		draw.Draw(rows, image.Rect(0, 0, h.Width, n), m, m.Bounds().Min.Add(image.Pt(0, top)), draw.Src)
		to := p.RGB[3*h.Width*top:]
		for i := range n * h.Width { // rows has no gap between its lines
			copy(to[3*i:3*i+3], rows.Pix[4*i:])
		}
	}
	return p, nil
}

// Small is a copy of a picture for a report: at most 400 pixels wide, 800 high and 64
// KiB, encoded anew from its pixels, so that nothing else of the file comes along.
func Small(p drivers.Picture) (file []byte, media string, err error) {
	if p.Width < 1 || p.Height < 1 || len(p.RGB) != 3*p.Width*p.Height {
		return nil, "", errors.New("the picture has no pixels")
	}
	width, height := p.Width, p.Height
	if width > smallWidth {
		width, height = smallWidth, max(1, height*smallWidth/width)
	}
	if height > smallHeight {
		width, height = max(1, width*smallHeight/height), smallHeight
	}
	for {
		m := shrink(p, width, height)
		var b bytes.Buffer
		if err := png.Encode(&b, m); err != nil {
			return nil, "", err
		}
		if b.Len() <= plainBytes {
			return b.Bytes(), "image/png", nil
		}
		for _, quality := range []int{90, 75, 50} {
			b.Reset()
			if err := jpeg.Encode(&b, m, &jpeg.Options{Quality: quality}); err != nil {
				return nil, "", err
			}
			if b.Len() <= smallBytes {
				return b.Bytes(), "image/jpeg", nil
			}
		}
		width, height = max(1, width*3/4), max(1, height*3/4)
	}
}

// shrink gives each pixel the mean of those it stands for.
func shrink(p drivers.Picture, width, height int) image.Image {
	m := image.NewRGBA(image.Rect(0, 0, width, height))
	for y := range height {
		top, bottom := y*p.Height/height, max(y*p.Height/height+1, (y+1)*p.Height/height)
		for x := range width {
			left, right := x*p.Width/width, max(x*p.Width/width+1, (x+1)*p.Width/width)
			var sum [3]int
			for row := top; row < bottom; row++ {
				for at := 3 * (row*p.Width + left); at < 3*(row*p.Width+right); at += 3 {
					sum[0], sum[1], sum[2] = sum[0]+int(p.RGB[at]), sum[1]+int(p.RGB[at+1]), sum[2]+int(p.RGB[at+2])
				}
			}
			n := (bottom - top) * (right - left)
			m.SetRGBA(x, y, color.RGBA{uint8((sum[0] + n/2) / n), uint8((sum[1] + n/2) / n), uint8((sum[2] + n/2) / n),
				255})
		}
	}
	return m
}

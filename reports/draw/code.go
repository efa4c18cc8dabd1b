package draw

import (
	"fmt"
	"image/color"
	"strings"

	"github.com/boombuler/barcode/qr"
)

// quietZone is in modules; ISO/IEC 18004 wants 4.
const quietZone = 4

// QR draws a text as a QR code (ISO/IEC 18004, error correction level M): one
// path in units of a module, so that its edges stay crisp at any size, and how
// many modules there are along an edge, quiet zone included. An empty text, or
// one that is too long for a code, gives "" and 0.
func QR(text string) (path string, size int) {
	if text == "" {
		return "", 0
	}
	q, err := qr.Encode(text, qr.M, qr.Auto)
	if err != nil {
		return "", 0
	}
	n := q.Bounds().Dx()
	dark := func(x, y int) bool { return x < n && color.GrayModel.Convert(q.At(x, y)).(color.Gray).Y < 128 }
	var p strings.Builder
	for y := range n {
		for x := 0; x < n; x++ {
			if !dark(x, y) {
				continue
			}
			from := x
			for dark(x, y) {
				x++
			}
			fmt.Fprintf(&p, "M%d %dh%dv1h-%dz", from+quietZone, y+quietZone, x-from, x-from)
		}
	}
	return p.String(), n + 2*quietZone
}

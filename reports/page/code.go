package page

import (
	"fmt"
	"fullthrow/reports/serial"
	"image/color"
	"strings"

	"github.com/boombuler/barcode"
	"github.com/boombuler/barcode/qr"
)

const quietZone = 4 // modules; ISO/IEC 18004 wants 4

// code is a code ready to be drawn: one path in units of a module, quiet zone
// included, so that its edges stay crisp at any size.
type code struct {
	Text string
	Size int // modules along an edge, quiet zone included
	Path string
}

// newCode draws the code; nil where there is none.
func newCode(number, hash string) *code {
	text := serial.CodeText(number, hash)
	if text == "" {
		return nil
	}
	q, err := qr.Encode(text, qr.M, qr.Auto)
	if err != nil {
		return nil
	}
	return drawCode(text, q)
}

func drawCode(text string, q barcode.Barcode) *code {
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
	return &code{Text: text, Size: n + 2*quietZone, Path: p.String()}
}

package sim

import (
	"bytes"
	"context"
	"image"
	"image/color"
	"image/png"
	"math"
	"math/rand/v2"
	"slices"
	"time"

	"fullthrow/drivers"
)

// Camera is the role of the simulated camera, which is no wire: a program that writes
// a picture. Bench files name it as port "sim:camera" of driver "program".
const Camera = "camera"

// Face is what a camera sees of a handset: a lamp and a display of dots. All are
// amounts of error: the zero value is a good one.
type Face struct {
	LampDim     float64 // share of its light that the lamp lacks
	LampColour  float64 // 0 as meant, green; 1 of the wrong bin, yellow-green to amber
	DeadColumns []int   // of the display, 0 at the left
}

// The picture that the camera takes: the handset's face, in pixels.
const (
	pictureWidth, pictureHeight = 320, 200
	lampX, lampY, lampRadius    = 268.0, 46.0, 13.0
	displayLeft, displayTop     = 30, 76
	dotPitch, dotSize           = 4, 3
	displayColumns, displayRows = 60, 24
	exposure                    = 40 * time.Millisecond
)

// shown are the rows of what the display shows once the handset runs: letters of five
// dots by seven, each dot twice as large.
var glyphs = map[rune][7]byte{
	'K': {0x11, 0x12, 0x14, 0x18, 0x14, 0x12, 0x11}, '8': {0x0e, 0x11, 0x11, 0x0e, 0x11, 0x11, 0x0e},
	'O': {0x0e, 0x11, 0x11, 0x11, 0x11, 0x11, 0x0e}, ' ': {},
}

const shown = "K8 OK"

// lit says whether a dot of the display is lit: the letters, and a frame around them.
func lit(column, row int) bool {
	if row == 0 || row == displayRows-1 {
		return true
	}
	i, c := (column-1)/12, (column-1)%12/2
	r := (row - 5) / 2
	if column < 1 || i >= len(shown) || c > 4 || row < 5 || r > 6 {
		return false
	}
	return glyphs[rune(shown[i])][r]>>(4-c)&1 == 1
}

// CameraOf is the camera over the bench. It takes what it sees at that moment.
func (b *Bench) CameraOf(role string) drivers.Program { return &camera{b, role} }

type camera struct {
	bench *Bench
	role  string
}

func (c *camera) String() string                        { return c.role }
func (c *camera) Ready(context.Context) (string, error) { return "simulated camera", nil }
func (c *camera) Safe(context.Context) error            { return nil }
func (c *camera) Close() error                          { return nil }
func (c *camera) Values() []string                      { return nil }

// Run takes a picture: a PNG file, in Ran.Output.
func (c *camera) Run(ctx context.Context, _ map[string]string) (drivers.Ran, error) {
	if err := c.bench.clock.Sleep(ctx, exposure); err != nil {
		return drivers.Ran{}, drivers.Wrap(c.role, "run", err)
	}
	file, err := c.bench.picture()
	return drivers.Ran{Output: file, Took: exposure}, drivers.Wrap(c.role, "run", err)
}

// picture draws what the camera sees now.
func (b *Bench) picture() ([]byte, error) {
	b.mu.Lock()
	var face *Face
	on, seed := false, uint64(0)
	if b.handset != nil {
		f := b.handset.Face
		f.DeadColumns = slices.Clone(f.DeadColumns)
		face, on = &f, b.power.at(b.now()).phase == running
		b.captures++
		seed = b.stream(hash(Camera)) ^ mix(b.captures)
	}
	b.mu.Unlock()
	m := drawFace(face, on, seed)
	var out bytes.Buffer
	err := (&png.Encoder{CompressionLevel: png.BestSpeed}).Encode(&out, m)
	return out.Bytes(), err
}

// drawFace draws a face that lies up to two pixels elsewhere and is up to 6 % brighter
// or darker than another (by seed, which also makes the noise; 0 is the nominal one).
// Light adds as light does and is written as codes of sRGB.
func drawFace(face *Face, on bool, seed uint64) image.Image {
	r := rand.New(rand.NewPCG(seed, 7))
	gain, dx, dy, noise := 1.0, 0.0, 0.0, 0.0
	if seed != 0 {
		gain, dx, dy, noise = 1+0.06*(2*r.Float64()-1), math.Round(4*r.Float64()-2), math.Round(4*r.Float64()-2), 0.004
	}
	m := image.NewRGBA(image.Rect(0, 0, pictureWidth, pictureHeight))
	lamp := [3]float64{0.03, 0.50, 0.08}
	if face != nil {
		wrong := [3]float64{0.42, 0.30, 0.02}
		for k := range lamp {
			lamp[k] += face.LampColour * (wrong[k] - lamp[k])
			lamp[k] *= max(0, 1-face.LampDim)
		}
	}
	for y := range pictureHeight {
		for x := range pictureWidth {
			light := [3]float64{0.006, 0.006, 0.007} // the bench around it
			fx, fy := float64(x)-dx, float64(y)-dy
			switch {
			case face == nil:
			default:
				light = [3]float64{0.022, 0.022, 0.024} // the shell
				px, py := int(fx)-displayLeft, int(fy)-displayTop
				if px >= -8 && py >= -8 && px < displayColumns*dotPitch+8 && py < displayRows*dotPitch+8 {
					light = [3]float64{0.004, 0.005, 0.006} // the window
					column, row := px/dotPitch, py/dotPitch
					if on && px >= 0 && py >= 0 && column < displayColumns && row < displayRows && px%dotPitch < dotSize &&
						py%dotPitch < dotSize && lit(column, row) && !slices.Contains(face.DeadColumns, column) {
						light = [3]float64{0.30, 0.42, 0.55}
					}
				}
				if d := math.Hypot(fx-lampX, fy-lampY); d < lampRadius {
					light = [3]float64{0.03, 0.03, 0.03} // the lens
					if on {
						for k := range light {
							light[k] += lamp[k] * (1 - 0.15*d/lampRadius)
						}
					}
				}
			}
			var code [3]uint8
			for k := range light {
				code[k] = srgb(light[k]*gain + noise*r.NormFloat64()*math.Sqrt(max(light[k], 0.002)))
			}
			m.SetRGBA(x, y, color.RGBA{code[0], code[1], code[2], 255})
		}
	}
	return m
}

// srgb is the code of a linear value, by the transfer curve of IEC 61966-2-1.
func srgb(v float64) uint8 {
	v = min(1, max(0, v))
	if v <= 0.0031308 {
		v *= 12.92
	} else {
		v = 1.055*math.Pow(v, 1/2.4) - 0.055
	}
	return uint8(math.Round(255 * v))
}

// faceDefects are what a camera alone can see. The stock plan has none; they are
// those of a plan that takes pictures.
func faceDefects() []Defect {
	return []Defect{
		{"lamp-dim", "the lamp is too dim", "lamp", "luminance", "lamp",
			func(h *Handset, s float64, _ *rand.Rand) { h.Face.LampDim = min(1, 0.8*s) }},
		{"lamp-colour", "the lamp is of the wrong colour", "lamp", "chromaticity_x", "lamp",
			func(h *Handset, s float64, _ *rand.Rand) { h.Face.LampColour = min(1, s) }},
		{"display-column", "a column of the display stays dark", "display", "dead_columns", "display",
			func(h *Handset, _ float64, rng *rand.Rand) {
				h.Face.DeadColumns = append(slices.Clone(h.Face.DeadColumns), rng.IntN(displayColumns))
			}},
	}
}

// NominalPicture is what the camera would see of a nominal handset that runs: the
// reference of plans.
func NominalPicture() image.Image { return drawFace(&Face{}, true, 0) }

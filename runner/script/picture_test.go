package script

import (
	"bytes"
	"context"
	"image"
	"image/color"
	"image/png"
	"math"
	"strings"
	"testing"
	"testing/fstest"
	"time"

	verify "github.com/stretchr/testify/assert"
	must "github.com/stretchr/testify/require"

	"fullthrow/drivers"
)

// fakeCamera writes a file as a program does.
type fakeCamera struct {
	part
	ran drivers.Ran
}

func (c *fakeCamera) Values() []string { return []string{"exposure"} }

func (c *fakeCamera) Run(_ context.Context, values map[string]string) (drivers.Ran, error) {
	c.did("exposure %s", values["exposure"])
	return c.ran, nil
}

func pngOf(t testing.TB, width, height int, c color.Color) []byte {
	t.Helper()
	m := image.NewRGBA(image.Rect(0, 0, width, height))
	for y := range height {
		for x := range width {
			m.Set(x, y, c)
		}
	}
	var b bytes.Buffer
	must.NoError(t, png.Encode(&b, m))
	return b.Bytes()
}

const pictures = `plan { product = "p" }
check("lamp", function()
	local ref = picture("lamp.png")
	local seen = bench.camera:picture { exposure = "10" }
	local c = measure.colour(seen, { columns = 4 })
	reading("x", c.chromaticity_x, "1")
	reading("width", seen.width, "1")
	reading("same", measure.colour(ref).luminance < c.luminance)
	keep("lamp", seen, { reference = ref })
	keep("alone", seen)
end)`

func loadWith(t *testing.T, plan string, files map[string][]byte) (*Plan, error) {
	t.Helper()
	fsys := fstest.MapFS{"plan.lua": {Data: []byte(plan)}}
	for name, data := range files {
		fsys[name] = &fstest.MapFile{Data: data}
	}
	return Load(fsys, "plan.lua", nil)
}

func TestPictures(t *testing.T) {
	ref := pngOf(t, 8, 8, color.Gray{60})
	p, err := loadWith(t, pictures, map[string][]byte{"lamp.png": ref})
	must.NoError(t, err)
	must.Empty(t, p.CheckPictures())
	var named []string
	for _, s := range p.Sources {
		named = append(named, s.Name)
	}
	verify.Equal(t, []string{"plan.lua", "lamp.png"}, named, "a reference decides how the run goes")

	for name, c := range map[string]struct {
		ran  drivers.Ran
		want string
	}{
		"good":    {drivers.Ran{Output: pngOf(t, 8, 6, color.Gray{128})}, ""},
		"exit":    {drivers.Ran{Exit: 3, Err: "no camera\n"}, "camera: take a picture: its program ended with 3: no camera"},
		"no file": {drivers.Ran{}, "the program's arguments have no {output}"},
		"text":    {drivers.Ran{Output: []byte("hello")}, "camera: take a picture: it is no PNG or JPEG picture"},
	} {
		t.Run(name, func(t *testing.T) {
			b := newStage()
			b.host.Devices["camera"] = &fakeCamera{part{"camera", b.clock, &b.log}, c.ran}
			err := b.runPlan(context.Background(), p)
			if c.want != "" {
				must.ErrorContains(t, err, c.want)
				return
			}
			must.NoError(t, err)
			must.Len(t, b.tape.readings, 3)
			x, _ := b.tape.readings[0].Value.Number()
			verify.InDelta(t, 0.3127, x, 1e-6)
			w, _ := b.tape.readings[1].Value.Number()
			verify.Equal(t, 8.0, w)
			same, _ := b.tape.readings[2].Value.Bool()
			verify.True(t, same)
			kept := b.tape.kept[0].(Compared)
			verify.Equal(t, "lamp.png", kept.Reference.Name)
			verify.Equal(t, ref, kept.Reference.File)
			verify.False(t, kept.Picture.At.IsZero())
			verify.IsType(t, drivers.Picture{}, b.tape.kept[1])
		})
	}
}

// What is wrong with a reference picture is an error of the plan at its line, before
// any unit is touched.
func TestReferencePicturesAreLookedAt(t *testing.T) {
	good := pngOf(t, 8, 8, color.White)
	for name, c := range map[string]struct {
		plan  string
		files map[string][]byte
		want  string
	}{
		"missing": {pictures, map[string][]byte{"lamps.png": good},
			"plan.lua:3: picture lamp.png: cannot be read: "},
		"text": {pictures, map[string][]byte{"lamp.png": []byte("P3")},
			"plan.lua:3: picture lamp.png: it is no PNG or JPEG"},
		"too large": {pictures, map[string][]byte{"lamp.png": make([]byte, 32_000_001)},
			"plan.lua:3: picture lamp.png: cannot be read: "},
		"computed": {strings.Replace(pictures, `"lamp.png"`, `"lamp" .. ".png"`, 1), nil,
			"plan.lua:3: picture needs the name"},
		"path":    {strings.Replace(pictures, `"lamp.png"`, `"../lamp.png"`, 1), nil, "plan.lua:3: picture needs the name"},
		"drawing": {strings.Replace(pictures, `"lamp.png"`, `"drawing.svg"`, 1), nil, "plan.lua:3: picture needs the name"},
	} {
		_, err := loadWith(t, c.plan, c.files)
		verify.ErrorContains(t, err, c.want, name)
	}
	p, err := loadWith(t, pictures, map[string][]byte{"lamp.png": good[:len(good)-16]})
	must.NoError(t, err, "its head is sound")
	list := p.CheckPictures()
	must.Len(t, list, 1)
	verify.ErrorContains(t, list[0], "plan.lua:3: picture lamp.png: it is damaged")
	p, err = loadWith(t, pictures, map[string][]byte{"lamp.png": good})
	must.NoError(t, err)
	p.references["lamp.png"].file = nil
	verify.Len(t, p.CheckPictures(), 1)
}

// fakeSensor reads one light.
type fakeSensor struct {
	part
	light drivers.Light
}

func (s *fakeSensor) Light(_ context.Context, over time.Duration, gain float64) (drivers.Light, error) {
	s.did("light over %v, gain %v", over, gain)
	return s.light, nil
}

func TestColourSensor(t *testing.T) {
	b := newStage()
	nan := math.NaN()
	s := &fakeSensor{part{"lamp", b.clock, &b.log}, drivers.Light{Clear: 900, Red: 100, Green: 200, Blue: 100, Full: 1024,
		X: nan, Y: nan}}
	b.host.Devices["lamp"] = s
	const plan = `plan { product = "p" }
check("c", function()
	local l = bench.lamp:light { over = 0.024, gain = 4 }
	reading("green", l.green_share, "%")
	reading("x", l.x, "1")
	reading("saturated", l.saturated)
end)`
	must.NoError(t, b.run(t, plan))
	verify.Equal(t, []string{"lamp light over 24ms, gain 4"}, b.log)
	green, _ := b.tape.readings[0].Value.Number()
	verify.Equal(t, 50.0, green)
	x, _ := b.tape.readings[1].Value.Number()
	verify.True(t, math.IsNaN(x))
	b.log, b.tape.readings = nil, nil
	s.light = drivers.Light{Clear: nan, Red: nan, Green: nan, Blue: nan, Saturated: true, X: nan, Y: nan}
	must.NoError(t, b.run(t, plan))
	green, _ = b.tape.readings[0].Value.Number()
	verify.True(t, math.IsNaN(green), "a clipped reading has no number that could pass")
}

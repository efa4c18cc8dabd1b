package station

import (
	"bytes"
	"context"
	"image"
	"image/png"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"
	"testing/fstest"
	"testing/synctest"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"fullthrow/drivers"
	"fullthrow/reports"
	"fullthrow/runner/picture"
	"fullthrow/runner/script"
)

// takes is a program that writes a file.
type takes struct {
	*fake
	file []byte
}

func (c takes) Values() []string { return nil }
func (c takes) Run(context.Context, map[string]string) (drivers.Ran, error) {
	return drivers.Ran{Output: c.file}, nil
}

func noise(t *testing.T, width, height int) []byte {
	t.Helper()
	m := image.NewRGBA(image.Rect(0, 0, width, height))
	r := rand.New(rand.NewPCG(1, uint64(width)))
	for i := range m.Pix {
		m.Pix[i] = byte(r.Uint32()) | byte(i%4/3*255)
	}
	var b bytes.Buffer
	require.NoError(t, png.Encode(&b, m))
	return b.Bytes()
}

// A picture that is kept is in the report as a small copy, whatever becomes of its
// file, with its reference beside it; a plan that keeps many fills no report.
func TestPicturesGoIntoTheReport(t *testing.T) {
	seen, reference := noise(t, 640, 300), noise(t, 600, 200)
	with := func(body string, keep Keep) func(*Config) {
		p, err := script.Load(fstest.MapFS{"plan.lua": {Data: []byte(plan(body))}, "ref.png": {Data: reference}},
			"plan.lua", nil)
		require.NoError(t, err)
		return func(n *Config) {
			n.Plan, n.Keep, n.Devices["camera"] = p, keep, takes{&fake{name: "camera"}, seen}
			n.Drives["camera"] = []drivers.Hazard{drivers.Nothing}
		}
	}
	for _, keep := range []Keep{KeepAll, KeepNone} {
		synctest.Test(t, func(t *testing.T) {
			r := newRig(t, plan(measureStandby), oneLimit, with(measureStandby+
				`keep("lamp", bench.camera:picture(), { reference = picture("ref.png") })`, keep))
			rep := r.run(t, context.Background())
			require.Equal(t, reports.Passed, rep.Outcome)
			require.Len(t, rep.Captures, 1)
			c := rep.Captures[0]
			assert.Equal(t, "image/png", c.Media)
			require.Len(t, c.Pictures, 2)
			for i, want := range []reports.Picture{{Role: "seen", Name: "camera", Width: 640, Height: 300},
				{Role: "reference", Name: "ref.png", Width: 600, Height: 200}} {
				got := c.Pictures[i]
				h, err := picture.ReadHead(got.Data)
				require.NoError(t, err)
				assert.Equal(t, h.Media, got.Media)
				assert.LessOrEqual(t, h.Width, 400)
				assert.LessOrEqual(t, len(got.Data), 64<<10)
				got.Data, got.Media = nil, ""
				assert.Equal(t, want, got)
			}
			file, err := os.ReadFile(filepath.Join(r.dir, "attachments", c.SHA256+".png"))
			if keep == KeepAll {
				require.NoError(t, err)
				assert.Equal(t, seen, file, "as it came")
			} else {
				assert.Empty(t, c.SHA256)
			}
			var named []string
			for _, s := range rep.Sources {
				named = append(named, s.Name)
			}
			assert.Contains(t, named, "ref.png")
			r.archive.Close()
		})
	}
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, plan(measureStandby), oneLimit, with(measureStandby+
			`local p = bench.camera:picture() for i = 1, 50 do keep("p" .. i, p, { reference = p }) end`, KeepNone))
		rep := r.run(t, context.Background())
		require.Equal(t, reports.Passed, rep.Outcome)
		require.Len(t, rep.Captures, 50)
		bytes := 0
		for _, c := range rep.Captures {
			for _, p := range c.Pictures {
				bytes += len(p.Data)
			}
		}
		assert.Greater(t, bytes, mostCopied*9/10)
		assert.LessOrEqual(t, bytes, mostCopied)
		r.archive.Close()
	})
}

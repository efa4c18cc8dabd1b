package lint

import (
	"bytes"
	"context"
	"fmt"
	"image/png"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"testing/fstest"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"fullthrow/drivers/sim"
	"fullthrow/reports"
	"fullthrow/runner/bench"
	"fullthrow/runner/input"
	"fullthrow/runner/limits"
	"fullthrow/runner/product"
	"fullthrow/runner/script"
)

const lightExample = "../../scripts/examples/lamp-display"

// judged takes the readings of a run and their verdicts.
type judged struct {
	limits   *limits.Set
	verdicts map[string]reports.Verdict
	values   map[string]reports.Value
	kept     map[string]any
}

func (j *judged) Reading(in script.Reading) (reports.Verdict, error) {
	r := j.limits.Judge(in.Check, in.Name, limits.Indication{Value: in.Value, Unit: in.Unit, Bound: in.Bound})
	j.verdicts[in.Check+"."+in.Name], j.values[in.Check+"."+in.Name] = r.Verdict, in.Value
	return r.Verdict, nil
}

func (j *judged) CheckStarted(script.Check) error        { return nil }
func (j *judged) Note(string, string) error              { return nil }
func (j *judged) CheckEnded(string, error) (bool, error) { return false, nil }
func (j *judged) Keep(check, name string, c any) error {
	j.kept[check+"."+name] = c
	return nil
}

// failed are the readings that did not pass, in order.
func (j *judged) failed() (list []string) {
	for name, v := range j.verdicts {
		if v != reports.Pass {
			list = append(list, name)
		}
	}
	slices.Sort(list)
	return list
}

// seen runs the example's plan on a handset.
func seen(t *testing.T, m *product.Method, b *bench.File, h sim.Handset, seed uint64) *judged {
	t.Helper()
	clock := sim.NewClock(sim.Morning)
	fixture := sim.NewBench(clock, seed)
	fixture.Load(h)
	n, err := b.Open(t.Context(), 0, bench.Simulated(fixture, clock))
	require.NoError(t, err)
	defer n.Close()
	j := &judged{m.Limits, map[string]reports.Verdict{}, map[string]reports.Value{}, map[string]any{}}
	clock.Together(t.Context(), func(ctx context.Context) {
		err = m.Plan.Run(ctx, script.Host{Clock: clock, Devices: n.Devices, Recorder: j})
	})
	require.NoError(t, err)
	require.Len(t, j.verdicts, 14)
	return j
}

func light(t *testing.T) (*product.Method, *bench.File) {
	t.Helper()
	bench, err := bench.Load(filepath.Join(lightExample, "bench.toml"))
	require.NoError(t, err)
	m, err := product.Sources{Product: lightExample}.Load("")
	require.NoError(t, err)
	return m, bench
}

// The example beside the stock plan: a good lamp and a good display pass, each defect
// that a camera can see fails, and the files agree with each other.
func TestLampAndDisplayExample(t *testing.T) {
	if os.Getenv("UPDATE_SCRIPTS") != "" { // the reference is the nominal unit's picture
		var b bytes.Buffer
		require.NoError(t, png.Encode(&b, sim.NominalPicture()))
		require.NoError(t, os.WriteFile(filepath.Join(lightExample, "display.png"), b.Bytes(), 0o644))
	}
	m, b := light(t)
	problems, err := Devices(t.Context(), m, b)
	require.NoError(t, err)
	assert.Empty(t, problems)
	problems, notes := Readings(m, nil)
	assert.Empty(t, append(problems, notes...))
	_, _, problems, complete, err := RunOnce(t.Context(), m, b, 0)
	require.NoError(t, err)
	assert.Empty(t, problems)
	assert.True(t, complete)

	good := func(seed uint64) sim.Handset {
		h := sim.GoodOf(fmt.Sprint("unit ", seed))
		h.Seed = seed
		return h
	}
	for seed := range uint64(12) {
		j := seen(t, m, b, good(seed+1), seed+1)
		assert.Empty(t, j.failed(), "good unit %d: %v", seed, j.values)
		assert.IsType(t, script.Compared{}, j.kept["display.display"])
	}
	for _, name := range []string{"lamp-dim", "lamp-colour", "display-column"} {
		d, err := sim.DefectNamed(name)
		require.NoError(t, err)
		for seed := range uint64(6) {
			h := good(seed + 50)
			d.Apply(&h, 1, rand.New(rand.NewPCG(seed, 3)))
			j := seen(t, m, b, h, seed+50)
			assert.Contains(t, j.failed(), d.Check+"."+d.Reading, "%s: %v", name, j.values)
			for _, f := range j.failed() {
				assert.True(t, strings.HasPrefix(f, d.Check+"."), "%s fails %s, too: %v", name, f, j.values)
			}
		}
	}
	// A unit that does not start shows nothing, and nothing of it passes for good.
	h := good(7)
	h.Power.Starts = false
	assert.Subset(t, seen(t, m, b, h, 7).failed(), []string{"lamp.luminance", "lamp.chromaticity_y", "display.shift_x",
		"display.contrast", "display.missing_segments", "display.dead_columns"})
}

// lint names what is wrong with pictures, with file and line.
func TestPicturesAreChecked(t *testing.T) {
	files := fstest.MapFS{}
	for _, name := range []string{"plan.lua", "limits.toml", "product.toml", "display.png"} {
		data, err := os.ReadFile(filepath.Join(lightExample, name))
		require.NoError(t, err)
		files[name] = &fstest.MapFile{Data: data}
	}
	in := func(change func(fstest.MapFS)) []string {
		dir := t.TempDir()
		changed := fstest.MapFS{}
		for name, f := range files {
			changed[name] = &fstest.MapFile{Data: slices.Clone(f.Data)}
		}
		change(changed)
		for name, f := range changed {
			require.NoError(t, os.WriteFile(filepath.Join(dir, name), f.Data, 0o644))
		}
		m, err := product.Sources{Product: dir}.Load("")
		found, ok := input.Problems(err)
		if require.True(t, ok || err == nil, "%v", err); err == nil {
			found = Pictures(m, product.Dir(dir))
		}
		var list []string
		for _, p := range found {
			list = append(list, strings.ReplaceAll(fmt.Sprintf("%s:%d: %s", p.File, p.Line, p.Text), dir, "DIR"))
		}
		return list
	}
	before, _, _ := bytes.Cut(files["plan.lua"].Data, []byte("picture(\"display"))
	line := 1 + bytes.Count(before, []byte("\n"))
	at := fmt.Sprintf("DIR/plan.lua:%d: ", line)
	assert.Empty(t, in(func(fstest.MapFS) {}))
	for name, c := range map[string]struct {
		change func(fstest.MapFS)
		want   string
	}{
		"missing": {func(f fstest.MapFS) { delete(f, "display.png") }, at + "picture display.png: cannot be read"},
		"format": {func(f fstest.MapFS) { f["display.png"].Data = []byte("GIF89a") },
			at + "picture display.png: it is no PNG"},
		"too large": {func(f fstest.MapFS) { f["display.png"].Data = make([]byte, 33_000_000) },
			at + "picture display.png: "},
		"cut": {func(f fstest.MapFS) { f["display.png"].Data = f["display.png"].Data[:900] },
			at + "picture display.png: it is damaged"},
		"asked": {func(f fstest.MapFS) {
			f["plan.lua"].Data = append(f["plan.lua"].Data, "\ncheck(\"look\", function()\n"+
				"  ask { text = \"Does it glow?\", picture = \"lamp.svg\" }\nend)\n"...)
		}, "picture lamp.svg: cannot be read"},
		"asked damaged": {func(f fstest.MapFS) {
			f["lamp.png"] = &fstest.MapFile{Data: []byte("hello")}
			f["plan.lua"].Data = append(f["plan.lua"].Data, "\ncheck(\"look\", function()\n"+
				"  ask { text = \"Does it glow?\", picture = \"lamp.png\" }\nend)\n"...)
		}, "picture lamp.png: it is no PNG"},
	} {
		got := in(c.change)
		if assert.Len(t, got, 1, name) {
			assert.Contains(t, got[0], c.want, name)
			assert.Contains(t, got[0], "plan.lua:", name)
		}
	}
}

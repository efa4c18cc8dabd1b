package main

import (
	"fmt"
	"math"
	"math/rand/v2"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"fullthrow/drivers/sim"
	"fullthrow/reports"
	"fullthrow/runner/demo/demotest"
	"fullthrow/runner/offline"
	"fullthrow/runner/station"
)

// The raw data that a station keeps beside the report of a failed unit measure
// as the captures did: every reading that was taken of a kept capture comes out
// of its file again.
func TestAttachmentsMeasureTheSame(t *testing.T) {
	t.Parallel()
	n, archive := demotest.Nest(t, 11, func(c *station.Config) { c.Keep = station.KeepFailed })
	d, err := sim.DefectNamed("stick-play")
	require.NoError(t, err)
	rng := rand.New(rand.NewPCG(7, 1))
	h := sim.Good(rng)
	d.Apply(&h, 1, rng)
	r := n.Unit(t, 1, h)
	require.Equal(t, reports.Failed, r.Outcome)

	files := map[string]string{}
	for _, c := range r.Captures {
		require.NotEmpty(t, c.SHA256, c.Name)
		ext := map[string]string{"audio/wav": ".wav", "text/csv": ".csv"}[c.Media]
		files[c.Name] = filepath.Join(archive.Dir(), "attachments", c.SHA256+ext)
	}
	take := func(name string, options map[string]string, captures ...string) map[string]float64 {
		t.Helper()
		s := offline.Settings{Options: options}
		for _, c := range captures {
			require.NotEmpty(t, files[c], "%s was not kept", c)
			s.Arguments = append(s.Arguments, files[c])
		}
		out := map[string]float64{}
		for _, m := range offline.List() {
			if m.Word() != name {
				continue
			}
			taken, err := offline.Run(m, s)
			require.NoError(t, err)
			for _, f := range taken.Result {
				switch v := f.Value.(type) {
				case float64:
					out[f.Name] = v
				case int:
					out[f.Name] = float64(v)
				}
			}
		}
		return out
	}
	compared := 0
	same := func(check, reading string, got float64) {
		t.Helper()
		for _, c := range r.Checks {
			for _, rd := range c.Readings {
				if c.Name == check && rd.Name == reading {
					want, ok := rd.Value.Number()
					require.True(t, ok, "%s.%s", check, reading)
					assert.InDelta(t, want, got, 1e-6*math.Abs(want)+1e-12, "%s.%s", check, reading)
					compared++
				}
			}
		}
	}
	same("standby", "current", take("steady", nil, "off_current")["mean"])
	inrush := take("inrush", nil, "inrush")
	same("inrush", "peak", inrush["peak"])
	same("inrush", "charge", inrush["charge"])
	running := take("steady", nil, "running_current")
	same("running", "current", running["mean"])
	same("running", "ripple", running["peak_to_peak"])
	tune := take("tune", map[string]string{"score": "1047:0.15,1319:0.15,1568:0.15,2093:0.30"}, "tune")
	same("tune", "notes", tune["right"])
	same("tune", "weakest", tune["weakest_level"])
	same("tune", "pitch", tune["worst_cents"])
	same("tune", "length", tune["worst_length"])
	same("tune", "distortion", tune["thd"])
	same("tune", "foreign_level", tune["foreign_level"])
	for i, axis := range []string{"left_x", "left_y", "right_x", "right_y"} {
		got := take("travel", map[string]string{"axis": axis, "channel": fmt.Sprint(i + 1)}, "stick_travel", "stick_path")
		for _, name := range []string{"follows", "dropouts", "low_end", "high_end", "non_linearity", "hysteresis", "noise"} {
			same("sticks", axis+"_"+name, got[name])
		}
		band := take("dead-band", map[string]string{"axis": axis, "channel": fmt.Sprint(i + 1), "lag": fmt.Sprint(got["lag"])},
			"stick_slow", "stick_slow_up", "stick_slow_down")
		same("sticks", axis+"_dead_band", band["width"])
	}
	assert.Equal(t, 11+4*8, compared, "readings compared; failed: %v", demotest.Broke(r))
}

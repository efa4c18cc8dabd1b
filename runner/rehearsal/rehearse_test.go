package rehearsal

import (
	"bytes"
	"context"
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"fullthrow/reports"
	"fullthrow/runner/demo/demotest"
	"fullthrow/runner/station"
	"fullthrow/runner/terminal"
)

// rehearsalOf is a rehearsal of the stock plan.
func rehearsalOf(t testing.TB, change func(*Options)) *Rehearsal {
	t.Helper()
	o := Options{Units: 400, Nests: 2, Seed: 1, Escapes: 0.1, Rejects: 0.1}
	change(&o)
	b, nest, err := Bench(o.From)
	require.NoError(t, err)
	m, err := o.From.Load(b.Product)
	require.NoError(t, err)
	people, at, err := o.LoadPopulation(m)
	require.NoError(t, err)
	return &Rehearsal{Method: m, Bench: b, Nest: nest, People: people, PopulationAt: at, Options: o, Screen: terminal.NewScreen(io.Discard)}
}

func rehearsed(t testing.TB, change func(*Options)) *rehearsalResult {
	t.Helper()
	h := rehearsalOf(t, change)
	require.NoError(t, h.Run(context.Background()))
	r, err := h.Result()
	require.NoError(t, err)
	return r
}

// The stock plan on the stock population: nothing that must be caught escapes,
// no good unit is rejected, and each unit is judged.
func TestStockPlanRehearsed(t *testing.T) {
	t.Parallel()
	all := demotest.Of(400, 20)
	r := rehearsed(t, func(o *Options) { o.Units = all })
	assert.True(t, r.Kept)
	assert.Equal(t, all, r.Population.Units)
	assert.Equal(t, all, r.Population.Good+r.Population.Defective)
	assert.Equal(t, shareResult{Of: r.Population.MustCatch, High: r.Escapes.High, Allowed: 0.001, Kept: true}, r.Escapes)
	assert.Equal(t, shareResult{Of: r.Population.Good, High: r.FalseRejects.High, Allowed: 0.001, Kept: true}, r.FalseRejects)
	assert.Empty(t, r.NotJudged)
	units := 0
	for _, d := range r.Defects {
		assert.Equal(t, d.Units, d.Caught+d.Missed, d.Name)
		assert.Empty(t, d.Sweep, d.Name)
		units += d.Units
	}
	assert.GreaterOrEqual(t, units, r.Population.Defective, "each defective unit counts with each of its defects")
	for _, l := range r.Limits {
		assert.Zero(t, l.Rejected, l.Limit)
		if l.Side != "equal" {
			assert.Greater(t, l.Left, 0.0, "%+v", l)
			assert.LessOrEqual(t, l.Left, 1.0, "%+v", l)
		}
	}
	c := r.Cycle
	assert.Equal(t, all, c.Units)
	assert.Equal(t, 50.0, c.CycleTime)
	assert.Less(t, c.Mean, c.P95+1e-9)
	assert.LessOrEqual(t, c.P95, c.Max)
	share := c.Rest / c.Mean
	for _, k := range c.Checks {
		share += k.Share
	}
	assert.InDelta(t, 1, share, 1e-9, "where the time goes")
}

// The same seed gives the same JSON, whatever the number of nests; another
// seed another population.
func TestRehearsalIsRepeatable(t *testing.T) {
	t.Parallel()
	lot := func(nests int, seed uint64) string {
		var b bytes.Buffer
		require.NoError(t, rehearsed(t, func(o *Options) { o.Units, o.Nests, o.Seed = demotest.Of(60, 6), nests, seed }).WriteJSON(&b))
		return b.String()
	}
	one := lot(1, 1)
	assert.Equal(t, one, lot(3, 1))
	assert.NotEqual(t, one, lot(1, 2))
}

// A limit that is too wide lets units escape, and the result says which limit,
// by how much, and from which severity on; one that is too narrow rejects sound
// units.
func TestRehearsalFindsWrongLimits(t *testing.T) {
	if testing.Short() {
		t.Skip("takes some hundred units, side by side as TestRehearsalIsRepeatable takes its own; not with -short")
	}
	t.Parallel()
	stockLimits, err := os.ReadFile("../../scripts/kittiwake-k8/limits.toml")
	require.NoError(t, err)
	dir := t.TempDir()
	change := func(name, from, to string) string {
		require.Contains(t, string(stockLimits), from)
		file := filepath.Join(dir, name)
		require.NoError(t, os.WriteFile(file, []byte(strings.Replace(string(stockLimits), from, to, 1)), 0o644))
		return file
	}
	population := filepath.Join(dir, "population.toml")
	require.NoError(t, os.WriteFile(population, []byte(`
product = "kittiwake-k8"
[[defect]]
name = "leakage"
share = 0.5
severity = [0.2, 1.2]
must_catch = 0.6
`), 0o644))
	const tight, wide = "upper = 9.2\nunit = \"uA\"", "upper = 40\nunit = \"uA\""
	const now = "upper = 12\nunit = \"uA\""

	r := rehearsed(t, func(o *Options) {
		o.Units, o.Sweep, o.Population, o.From.Limits = 60, 2, population, change("wide.toml", now, wide)
	})
	assert.False(t, r.Kept)
	assert.NotZero(t, r.Escapes.Count)
	assert.Len(t, r.Escaped, r.Escapes.Count)
	assert.Less(t, r.Escapes.Of, r.Population.Defective, "those below must_catch do not count")
	d := r.Defects[0]
	assert.Equal(t, r.Escapes.Count, d.Missed)
	assert.NotZero(t, d.SweepMissed.Count)
	// 9 uA + severity x 40 uA reaches 40 uA at 0.775.
	assert.InDelta(t, 0.775, d.Edge.Half.At, 0.06)
	assert.GreaterOrEqual(t, *d.Edge.Half.High, 0.75)
	miss := d.Nearest[0]
	assert.Equal(t, "standby.current", miss.Reading)
	assert.InDelta(t, 40e-6, miss.Limit, 1e-9)
	assert.InDelta(t, 33e-6, miss.Value, 3e-6, "the worst is a unit just beyond must_catch")
	assert.InDelta(t, (40e-6-miss.Value)/31e-6, miss.Left, 0.02)
	for _, l := range r.Limits {
		if l.Limit == "standby.current" && l.Side == "upper" {
			require.NotNil(t, l.Mildest)
			assert.Equal(t, miss.Value, l.Mildest.Value, "the limit would have to come down to this unit")
		}
	}
	var b bytes.Buffer
	r.WriteText(terminal.NewScreen(&b))
	assert.Contains(t, b.String(), "ESCAPES")
	assert.Contains(t, b.String(), "MORE THAN ALLOWED")
	assert.Contains(t, b.String(), "standby.current was 3")

	r = rehearsed(t, func(o *Options) {
		o.Units, o.Population, o.From.Limits = 60, population, change("tight.toml", now, tight)
	})
	assert.False(t, r.Kept)
	assert.NotZero(t, r.FalseRejects.Count)
	for _, l := range r.Limits {
		if l.Rejected > 0 {
			assert.Equal(t, "standby.current", l.Limit)
			assert.Equal(t, "upper", l.Side)
			assert.Equal(t, r.FalseRejects.Count, l.Rejected)
			assert.Less(t, l.Left, 0.0)
		}
	}
	b.Reset()
	r.WriteText(terminal.NewScreen(&b))
	assert.Contains(t, b.String(), "REJECTS")
}

// A sweep alone: every defect over its severities, no population.
func TestSweepAlone(t *testing.T) {
	if testing.Short() {
		t.Skip("takes some hundred units, side by side as TestRehearsalIsRepeatable takes its own; not with -short")
	}
	t.Parallel()
	r := rehearsed(t, func(o *Options) { o.Units, o.Sweep = 0, 1 })
	assert.Zero(t, r.Population)
	must := 0
	for _, d := range r.Defects {
		if want := map[bool]int{true: sweepSteps, false: 1}[d.Graded]; assert.Len(t, d.Sweep, want, d.Name) {
			assert.Equal(t, 1, d.Sweep[want-1].Caught, "%s at its worst", d.Name)
		}
		assert.Equal(t, d.Graded, d.Edge != nil, d.Name)
		must += d.SweepMissed.Of
	}
	assert.Equal(t, must, r.Escapes.Of)
	assert.Equal(t, must+countBelow(r)+sweepGood, r.Cycle.Units, "the time is of the sweep")
	assert.Equal(t, sweepGood, r.FalseRejects.Of, "good units to compare with")

	// The drawing is XML whose panels say in words what they show.
	dec := xml.NewDecoder(bytes.NewReader(r.SVG()))
	labels := 0
	for {
		token, err := dec.Token()
		if errors.Is(err, io.EOF) {
			break
		}
		require.NoError(t, err)
		if e, ok := token.(xml.StartElement); ok {
			for _, a := range e.Attr {
				if a.Name.Local == "aria-label" {
					labels++
					assert.Contains(t, a.Value, "must be caught from severity")
				}
				assert.NotContains(t, a.Value, "NaN")
				assert.NotContains(t, a.Value, "Inf")
			}
		}
	}
	graded := 0
	for _, d := range r.Defects {
		if d.Graded {
			graded++
		}
	}
	assert.Equal(t, graded, labels)
}

// countBelow is how many units of the sweep need not be caught.
func countBelow(r *rehearsalResult) (n int) {
	for _, d := range r.Defects {
		for _, s := range d.Sweep {
			if s.Severity < d.MustCatch-1e-9 {
				n += s.Units
			}
		}
	}
	return n
}

// A rehearsal that is stopped says what it has so far and exits as aborted,
// even where that is nothing.
func TestStoppedRehearsal(t *testing.T) {
	for _, after := range []int{0, 5} {
		t.Run(fmt.Sprint(after), func(t *testing.T) {
			h := rehearsalOf(t, func(o *Options) { o.Units, o.Sweep = 20000, 4 })
			ctx, cancel := context.WithCancelCause(context.Background())
			go func() {
				for done := 0; done < after; time.Sleep(time.Millisecond) {
					h.mu.Lock()
					done = h.done
					h.mu.Unlock()
				}
				cancel(&station.Abort{Why: reports.Reason{Code: reports.StoppedByHand}})
			}()
			if after == 0 {
				<-ctx.Done()
			}
			require.NoError(t, h.Run(ctx))
			r, err := h.Result()
			require.NoError(t, err)
			assert.GreaterOrEqual(t, r.Done, after)
			assert.Less(t, r.Done, r.Asked)
			assert.Equal(t, r.Done, r.Population.Units)
			assert.Empty(t, r.NotJudged, "a unit cut short tells nothing")
			assert.False(t, r.Kept)
			var text, js bytes.Buffer
			r.WriteText(terminal.NewScreen(&text))
			require.NoError(t, r.WriteJSON(&js))
			assert.NotEmpty(t, r.SVG())
			assert.NotContains(t, text.String()+js.String(), "NaN")
		})
	}
}

func TestNamesThatShareALimit(t *testing.T) {
	for _, c := range []struct{ a, b, want string }{
		{"sticks.left_x_noise", "sticks.left_x_noise", "sticks.left_x_noise"},
		{"sticks.left_x_noise", "sticks.left_y_noise", "sticks.*_noise"},
		{"sticks.*_noise", "sticks.right_x_noise", "sticks.*_noise"},
		{"sticks.left_x_dead_band", "sticks.right_x_dead_band", "sticks.*_x_dead_band"},
		{"sticks.*_x_dead_band", "sticks.right_y_dead_band", "sticks.*_dead_band"},
		{"link.near", "link.far", "link.*"},
	} {
		assert.Equal(t, c.want, together(c.a, c.b), "%s and %s", c.a, c.b)
	}
}

func TestPositionBetweenTypicalAndLimit(t *testing.T) {
	lower, upper := -10.0, 20.0
	for _, c := range []struct {
		name       string
		x, typical float64
		limit      *reports.Limit
		at         float64
		side       string
		ok         bool
	}{
		{"typical", 5, 5, &reports.Limit{Lower: &lower, Upper: &upper}, 0, "upper", true},
		{"at the upper limit", 20, 5, &reports.Limit{Lower: &lower, Upper: &upper}, 1, "upper", true},
		{"below the lower limit", -25, 5, &reports.Limit{Lower: &lower, Upper: &upper}, 2, "lower", true},
		{"on the far side of an upper limit", -25, 5, &reports.Limit{Upper: &upper}, -2, "upper", true},
		{"typical is beyond the limit", 25, 30, &reports.Limit{Upper: &upper}, 0, "", false},
		{"no number", math.NaN(), 5, &reports.Limit{Upper: &upper}, 0, "", false},
		{"nothing typical", 5, math.NaN(), &reports.Limit{Upper: &upper}, 0, "", false},
		{"no limit", 5, 5, nil, 0, "", false},
	} {
		at, side, ok := position(c.x, c.typical, c.limit)
		assert.Equal(t, c.ok, ok, c.name)
		if c.ok {
			assert.InDelta(t, c.at, at, 1e-12, c.name)
			assert.Equal(t, c.side, side, c.name)
		}
	}
}

// BenchmarkRehearsal is units of the population per second, and per second of
// processor time.
func BenchmarkRehearsal(b *testing.B) {
	h := rehearsalOf(b, func(o *Options) { o.Units, o.Nests = b.N, 1 })
	b.ResetTimer()
	before := demotest.CPUTime()
	require.NoError(b, h.Run(context.Background()))
	b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "units/s")
	b.ReportMetric(float64(b.N)/(demotest.CPUTime()-before).Seconds(), "units/s/core")
}

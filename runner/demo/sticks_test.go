package demo_test

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"fullthrow/drivers/motion"
	"fullthrow/drivers/sim"
	"fullthrow/reports"
	"fullthrow/reports/wording"
	"fullthrow/runner/bench"
	"fullthrow/runner/demo/demotest"
)

// controlled is the demo's bench with a controller of that model in it.
func controlled(model string) func(*bench.File) {
	return func(b *bench.File) {
		d := b.Nests[0].Devices["sticks"]
		d.Model = model
		if model == "generic-gcode" {
			d.Home = motion.Trusted
		}
		b.Nests[0].Devices["sticks"] = d
	}
}

// The stock plan on every controller that there is a model of.
func TestEveryController(t *testing.T) {
	t.Parallel()
	for _, m := range motion.Models() {
		t.Run(m.Name, func(t *testing.T) {
			n, _ := demotest.NestOf(t, 3, controlled(m.Name))
			r := n.Unit(t, 1, sim.GoodOf("K824A00017M"))
			assert.Equal(t, reports.Passed, r.Outcome, "%s %v", wording.English().Reason(r.Reason), demotest.Broke(r))
			require.Len(t, r.Stood, 1)
			assert.True(t, r.Stood[0].Known)
			assert.LessOrEqual(t, r.Stood[0].Seconds, m.StopTime.Seconds())
			t.Log(wording.English().Stood(r.Stood[0]))

			d, err := sim.DefectNamed("stick-dirty-spot")
			require.NoError(t, err)
			bad := sim.GoodOf("K824A00017M")
			d.Apply(&bad, 1, rand.New(rand.NewPCG(1, 1)))
			r = n.Unit(t, 2, bad)
			assert.Equal(t, reports.Failed, r.Outcome, "%s %v", wording.English().Reason(r.Reason), demotest.Broke(r))
		})
	}
}

// The guard opened in the middle of a movement: the machine stands within the
// time of its row, and the report says after how long. One that nothing stops ends
// its movement, and is not safe if that takes longer.
func TestControllersStop(t *testing.T) {
	t.Parallel()
	for _, m := range motion.Models() {
		t.Run(m.Name, func(t *testing.T) {
			n, _ := demotest.NestOf(t, 3, controlled(m.Name))
			moved := n.Unit(t, 1, sim.GoodOf("K824A00017M"))
			require.Equal(t, reports.Passed, moved.Outcome, demotest.Broke(moved))
			var at time.Duration
			for _, c := range moved.Checks {
				if c.Name == "sticks" {
					at = c.Ended.Sub(moved.Started) - time.Second // in a slow movement, at 0.2 throws/s
				}
			}
			require.NotZero(t, at)
			n.Fixture.OpenInterlockAt(n.Clock.Now().Add(at))
			r := n.Unit(t, 2, sim.GoodOf("K824A00017M"))
			require.Equal(t, reports.Aborted, r.Outcome, wording.English().Reason(r.Reason))
			require.Len(t, r.Stood, 1)
			t.Log(wording.English().Stood(r.Stood[0]))
			where := n.Fixture.State().Positions["left_x"]
			if m.Stops() {
				assert.True(t, r.Stood[0].Known)
				assert.LessOrEqual(t, r.Stood[0].Seconds, m.StopTime.Seconds())
				assert.True(t, n.Fixture.State().Safe(), "%+v", n.Fixture.State())
				assert.Less(t, math.Abs(where), 0.0599, "it was stopped on its way")
				assert.Empty(t, r.Unsafe)
				return
			}
			assert.InDelta(t, 0.06, math.Abs(where), 1e-6, "nothing has stopped it")
			assert.Equal(t, !r.Stood[0].Known, len(r.Unsafe) == 1, "%+v", r.Unsafe)
		})
	}
}

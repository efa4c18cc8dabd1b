//go:build drill

package drill

import (
	"sync"
	"testing"

	"fullthrow/reports"
	"fullthrow/runner/demo/demotest"
)

// Damaged bytes on every wire of the stock bench, sound units and bad ones: a
// unit passes with sound readings or the run is an error; no sound unit fails
// and no bad one passes. Each case is eight runs, so that the table has few rows
// to count in.
func TestDrillWire(t *testing.T) {
	traffic := sync.OnceValue(func() map[string]int { return demotest.Traffic(t) })
	campaign(t, "bytes corrupted, dropped, doubled, delayed on a wire of the bench", func(c *trial) {
		a := demotest.AnyAttack(c.Rand, c.Seed, func(wire string) int { return traffic()[wire] })
		came := a.Run(c.T)
		for _, w := range came.Wrong {
			c.Wrong("%s", w)
		}
		unit := "sound unit"
		if a.Defect != "" {
			unit = "bad unit"
		}
		if came.Hits == 0 {
			unit = "untouched " + unit
		}
		c.Count(a.Wire + " " + string(a.Damage.Harm) + ", " + unit + " " + string(came.Report.Outcome))
		if came.Report.Outcome == reports.Errored && came.Hits == 0 && a.Defect == "" {
			c.Wrong("%s, %s: an error, and not a byte was touched", a.Wire, a.Damage)
		}
	})
}

package demo_test

import (
	"fmt"
	"testing"

	"github.com/stretchr/testify/assert"

	"fullthrow/drivers/sim"
	"fullthrow/reports"
	"fullthrow/reports/wording"
	"fullthrow/runner/demo/demotest"
)

// A machine that gathers speed slowly, on wires without check sums: a sound unit
// passes, and one with a defect of its sticks, or of what they are read by, fails
// both times that it is taken; none passes. (At 96 mm/s the ramps take 5, 32, 96 and 160 ms of a
// movement that would take 50 ms without.)
func TestSlowRampsJudgeAlike(t *testing.T) {
	t.Parallel()
	run := func(acceleration float64, seed uint64, defect string) demotest.Came {
		return demotest.Attack{Wire: sim.Meter, Seed: seed, Defect: defect,
			Sticks: sim.SticksHabit{Acceleration: acceleration}}.Run(t)
	}
	for _, acceleration := range []float64{20000, 3000, 1000, 600} {
		for i := range demotest.Of(6, 1) {
			r := run(acceleration, uint64(1+i), "").Report
			assert.Equal(t, reports.Passed, r.Outcome, "%v mm/s2, unit %d: %s", acceleration, i,
				wording.English().Reason(r.Reason))
		}
	}
	tried := 0
	for _, d := range sim.Defects() {
		if d.Part != "sticks" && d.Name != "latency-jitter" && d.Name != "slow-latency" {
			continue
		}
		tried++
		for _, acceleration := range []float64{3000, 1000}[:demotest.Of(2, 1)] {
			for i := range demotest.Of(3, 1) {
				r := run(acceleration, uint64(7+i), d.Name).Report
				if d.Name == "latency-jitter" && r.Outcome == reports.Errored {
					// An output that is late by chance leaves the path in one take and not
					// in the other: what nobody can tell from a bad wire.
					assert.Equal(t, reports.TakesDiffer, r.Reason.Code, wording.English().Reason(r.Reason))
					continue
				}
				assert.Equal(t, reports.Failed, r.Outcome, fmt.Sprintf("%v mm/s2, %s: %s", acceleration, d.Name,
					wording.English().Reason(r.Reason)))
			}
		}
	}
	assert.GreaterOrEqual(t, tried, 10)
}

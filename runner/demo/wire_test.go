package demo_test

import (
	"math/rand/v2"
	"sync"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"fullthrow/drivers/sim"
	"fullthrow/reports"
	"fullthrow/reports/wording"
	"fullthrow/runner/demo/demotest"
)

// Bytes are corrupted, dropped, doubled and delayed on each wire of the stock
// bench, often and once: a unit passes with sound readings or the run is an error;
// no sound unit fails and no bad one passes.
func TestDamagedWires(t *testing.T) {
	t.Parallel()
	traffic := sync.OnceValue(func() map[string]int { return demotest.Traffic(t) })
	hit := 0
	for i := range demotest.Of(100, 8) {
		seed := uint64(5000 + i)
		a := demotest.AnyAttack(rand.New(rand.NewPCG(seed, 0)), seed, func(wire string) int { return traffic()[wire] })
		came := a.Run(t)
		if came.Hits > 0 {
			hit++
		}
		for _, w := range came.Wrong {
			t.Error(w)
		}
	}
	assert.NotZero(t, hit, "no byte was ever hit")
}

// A bench whose wires have no check sums, and damage nothing, judges as one whose
// wires have: every sound unit passes without a retake, and every defect fails,
// both times.
func TestUncheckedWiresJudgeAlike(t *testing.T) {
	t.Parallel()
	for i := range demotest.Of(20, 2) {
		came := demotest.Attack{Wire: sim.Meter, Seed: uint64(100 + i)}.Run(t)
		require.Equal(t, reports.Passed, came.Report.Outcome, "unit %d: %s", i, wording.English().Reason(came.Report.Reason))
		for _, c := range came.Report.Checks {
			assert.Empty(t, c.Retaken, "unit %d: %s", i, c.Name)
		}
	}
	for _, d := range sim.Defects() {
		came := demotest.Attack{Wire: sim.Meter, Seed: 7, Defect: d.Name}.Run(t)
		assert.Equal(t, reports.Failed, came.Report.Outcome, "%s: %s", d.Name, wording.English().Reason(came.Report.Reason))
		for _, c := range came.Report.Checks {
			if c.Verdict == reports.Fail {
				assert.NotEmpty(t, c.Repeated(), "%s: %s", d.Name, c.Name)
			}
		}
	}
}

//go:build drill

package drill

import (
	"fmt"
	"strings"
	"sync"
	"testing"

	"fullthrow/drivers/drivertest"
	"fullthrow/reports"
	"fullthrow/runner/demo/demotest"
)

// Damaged bytes on every wire of the stock bench, sound units and bad ones, on
// simulated time: a unit passes with sound readings or the run is an error; no
// sound unit fails and no bad one passes. What came of it by wire and kind of
// damage is printed as well.
func TestDrillWire(t *testing.T) {
	traffic := sync.OnceValue(func() map[string]int { return demotest.Traffic(t) })
	counts := map[string]int{}
	cell := func(wire string, harm drivertest.Harm, what string) string {
		return wire + "\t" + string(harm) + "\t" + what
	}
	results := []string{"sound passed", "sound error", "bad failed", "bad error", "untouched"}
	campaign(t, "damaged bytes on a wire of the bench (simulated time)", func(c *trial) {
		a := demotest.AnyAttack(c.Rand, c.Seed, func(wire string) int { return traffic()[wire] })
		came := a.Run(c.T)
		for _, w := range came.Wrong {
			c.Wrong("%s", w)
		}
		what := "sound "
		if a.Defect != "" {
			what = "bad "
		}
		what += string(came.Report.Outcome)
		if came.Hits == 0 {
			what = "untouched"
			if came.Report.Outcome == reports.Errored && a.Defect == "" {
				c.Wrong("%s, %s: an error, and not a byte was touched", a.Wire, a.Damage)
			}
		}
		c.Count(what)
		counts[cell(a.Wire, a.Damage.Harm, what)]++
	})
	fmt.Printf("%-14s %-10s %s\n", "wire", "damage", strings.Join(results, ", "))
	for _, wire := range demotest.Wires() {
		for _, harm := range drivertest.Harms() {
			fmt.Printf("%-14s %-10s", wire, harm)
			for _, r := range results {
				fmt.Printf(" %*d", len(r)+1, counts[cell(wire, harm, r)])
			}
			fmt.Println()
		}
	}
}

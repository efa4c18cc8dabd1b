package demo_test

import (
	"fmt"
	"maps"
	"math"
	"math/rand/v2"
	"slices"
	"sync"
	"testing"
	"time"

	"fullthrow/drivers/sim"
	"fullthrow/reports"
	"fullthrow/reports/wording"
	"fullthrow/runner/demo/demotest"

	"github.com/stretchr/testify/assert"
)

// standstill is a moment at which the computer, or every wire, stands still.
type standstill struct {
	after, lasts time.Duration
	wires        bool
}

// standstills are those of a run of the stock plan: up to three, of 3 ms to 3 s,
// most of them short.
func standstills(rng *rand.Rand) (list []standstill) {
	for range 1 + rng.IntN(3) {
		list = append(list, standstill{
			after: time.Duration(rng.Float64() * 40 * float64(time.Second)),
			lasts: time.Duration(0.003 * math.Pow(1000, rng.Float64()) * float64(time.Second)),
			wires: rng.IntN(2) == 0,
		})
	}
	return list
}

// stalled takes a unit through the plan on a bench that stands still.
func stalled(t testing.TB, n *demotest.Proof, h sim.Handset, list []standstill) reports.Report {
	now := n.Clock.Now()
	for _, s := range list {
		if s.wires {
			n.Fixture.HoldUp(now.Add(s.after), s.lasts)
		} else {
			n.Clock.(*sim.Clock).Stall(now.Add(s.after), s.lasts)
		}
	}
	return n.Judge(t, h)
}

// why is in a word or two what a run that was no judgement ended with.
func why(r reports.Report) string {
	w := r.Reason
	for w != nil && w.Kind == "" && len(w.Because) > 0 {
		w = &w.Because[0]
	}
	if w == nil {
		return "no reason"
	}
	return fmt.Sprintf("%s %s %s %s", w.Code, w.Device, w.Verb, w.Kind)
}

// Five hundred sound units on a bench whose computer and wires stand still at
// random moments: what is late is an error of the bench, never a unit's. And
// whoever is not late passes.
func TestLatenessFailsNoSoundUnit(t *testing.T) {
	t.Parallel()
	const workers = 2
	units := demotest.Of(500, 16)
	var mu sync.Mutex
	outcomes, reasons, unharmed := map[reports.Outcome]int{}, map[string]int{}, 0
	var wg sync.WaitGroup
	for k := range workers {
		wg.Go(func() {
			for i := k; i < units; i += workers {
				n, _ := demotest.Nest(t, uint64(i))
				rng := rand.New(rand.NewPCG(41, uint64(i)))
				h, list := sim.Good(rng), standstills(rng)
				r := stalled(t, n, h, list)
				mu.Lock()
				outcomes[r.Outcome]++
				if r.Outcome == reports.Errored {
					reasons[why(r)]++
				}
				mu.Unlock()
				if r.Outcome != reports.Passed && r.Outcome != reports.Errored {
					t.Errorf("sound unit %d, %v: %s: %s; %v", i, list, r.Outcome, wording.English().Reason(r.Reason),
						demotest.Broke(r))
				}
				_ = unharmed
			}
		})
	}
	wg.Wait()
	t.Log(outcomes)
	for _, w := range slices.Sorted(maps.Keys(reasons)) {
		t.Log(reasons[w], w)
	}
	assert.Zero(t, outcomes[reports.Failed])
}

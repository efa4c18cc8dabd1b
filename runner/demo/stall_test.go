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
	"github.com/stretchr/testify/require"
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

// stalled takes a unit through the plan on a bench of its own that stands still:
// one that could not be made safe meanwhile takes no other.
func stalled(t *testing.T, seed uint64, h sim.Handset, list []standstill) (r reports.Report) {
	t.Run(fmt.Sprint("unit ", seed), func(t *testing.T) { r = stalledOnce(t, seed, h, list) })
	return r
}

func stalledOnce(t *testing.T, seed uint64, h sim.Handset, list []standstill) reports.Report {
	n, _ := demotest.Nest(t, seed)
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

// tally is what came of many runs.
type tally struct {
	mu       sync.Mutex
	outcomes map[reports.Outcome]int
	reasons  map[string]int
}

func (c *tally) add(r reports.Report) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.outcomes[r.Outcome]++
	if r.Outcome == reports.Errored {
		c.reasons[why(r)]++
	}
}

func (c *tally) tell(t *testing.T) {
	t.Log(c.outcomes)
	for _, w := range slices.SortedFunc(maps.Keys(c.reasons), func(a, b string) int { return c.reasons[b] - c.reasons[a] }) {
		t.Log(c.reasons[w], w)
	}
}

// Five hundred sound units on a bench whose computer and wires stand still at
// random moments: what is late is an error of the bench, never a unit's. And
// whoever was not touched passes.
func TestLatenessFailsNoSoundUnit(t *testing.T) {
	t.Parallel()
	all := tally{outcomes: map[reports.Outcome]int{}, reasons: map[string]int{}}
	blocks, each := demotest.Of(10, 2), demotest.Of(50, 8)
	t.Run("units", func(t *testing.T) {
		for block := range blocks {
			t.Run(fmt.Sprint(block), func(t *testing.T) {
				t.Parallel()
				for i := range each {
					rng := rand.New(rand.NewPCG(41, uint64(block*each+i)))
					h, list := sim.Good(rng), standstills(rng)
					r := stalled(t, uint64(block*each+i), h, list)
					all.add(r)
					if r.Outcome != reports.Passed && r.Outcome != reports.Errored {
						t.Errorf("sound unit %d, %v: %s: %s; %v", i, list, r.Outcome,
							wording.English().Reason(r.Reason), demotest.Broke(r))
					}
					brief := true
					for _, s := range list {
						brief = brief && s.lasts < 10*time.Millisecond
					}
					if brief && r.Outcome != reports.Passed {
						t.Errorf("sound unit %d, %v: nothing stood still for longer than it may, and it is %s: %s", i,
							list, r.Outcome, wording.English().Reason(r.Reason))
					}
				}
			})
		}
	})
	all.tell(t)
	units := blocks * each
	assert.Greater(t, all.outcomes[reports.Passed], units*2/5, "of %d units passed: a guard that lets none pass is none", units)
}

// What is just not too late yet fails no sound unit either: thirty stalls of 5 to
// 25 ms in every run.
func TestLatenessWithinItsLimits(t *testing.T) {
	t.Parallel()
	all := tally{outcomes: map[reports.Outcome]int{}, reasons: map[string]int{}}
	t.Run("units", func(t *testing.T) {
		for i := range demotest.Of(100, 8) {
			rng := rand.New(rand.NewPCG(47, uint64(i)))
			h, list := sim.Good(rng), make([]standstill, 30)
			for k := range list {
				list[k] = standstill{time.Duration(rng.Float64() * 40 * float64(time.Second)),
					time.Duration(5+20*rng.Float64()) * time.Millisecond, rng.IntN(2) == 0}
			}
			r := stalled(t, uint64(i), h, list)
			all.add(r)
			if r.Outcome != reports.Passed && r.Outcome != reports.Errored {
				t.Errorf("sound unit %d: %s: %s; %v", i, r.Outcome, wording.English().Reason(r.Reason), demotest.Broke(r))
			}
		}
	})
	all.tell(t)
	assert.Greater(t, all.outcomes[reports.Passed], all.outcomes[reports.Errored], "short stalls are borne")
}

// Bad units on the same bench: late or not, none passes; and what is the unit's
// is not called lateness, where nothing stood still for long.
func TestLatenessPassesNoBadUnit(t *testing.T) {
	t.Parallel()
	all := tally{outcomes: map[reports.Outcome]int{}, reasons: map[string]int{}}
	t.Run("units", func(t *testing.T) {
		for k, name := range []string{"stick-play", "stick-dirty-spot", "foreign-tone", "slow-restart", "burst-loss",
			"switch-intermittent", "stick-dead-band", "high-inrush"} {
			t.Run(name, func(t *testing.T) {
				t.Parallel()
				d, err := sim.DefectNamed(name)
				require.NoError(t, err)
				for i := range demotest.Of(24, 4) {
					rng := rand.New(rand.NewPCG(43+uint64(k), uint64(i)))
					h, list := sim.Good(rng), standstills(rng)
					d.Apply(&h, 1, rng)
					if brief := i%2 == 0; brief {
						for s := range list {
							list[s].lasts = min(list[s].lasts, time.Duration(rng.IntN(10))*time.Millisecond)
						}
					}
					r := stalled(t, uint64(i), h, list)
					all.add(r)
					if r.Outcome == reports.Passed || i%2 == 0 && r.Outcome != reports.Failed {
						t.Errorf("unit %d with %s, %v: %s: %s", i, name, list, r.Outcome,
							wording.English().Reason(r.Reason))
					}
				}
			})
		}
	})
	all.tell(t)
}

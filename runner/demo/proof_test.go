package demo_test

import (
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"fullthrow/drivers/sim"
	"fullthrow/reports"
	"fullthrow/reports/wording"
	"fullthrow/runner/demo"
	"fullthrow/runner/demo/demotest"
)

// Every kind of defect that the simulation knows is caught by the check that
// it names, in every one of several units, with a likely cause to tell.
func TestEveryDefectIsCaught(t *testing.T) {
	for _, d := range sim.Defects() {
		t.Run(d.Name, func(t *testing.T) {
			t.Parallel()
			n, _ := demotest.Nest(t, 11)
			for i := range demotest.Of(4, 1) {
				rng := rand.New(rand.NewPCG(7, uint64(i)))
				h := sim.Good(rng)
				d.Apply(&h, 1, rng)
				r := n.Unit(t, i+1, h)
				assert.Equal(t, reports.Failed, r.Outcome, "unit %d: %s; %v", i, wording.English().Reason(r.Reason), demotest.Broke(r))
				caught, cause := false, false
				for _, c := range r.Checks {
					for _, rd := range c.Readings {
						if c.Name == d.Check && rd.Verdict == reports.Fail {
							caught = true
							cause = cause || rd.Cause != "" && rd.Inspect != ""
						}
					}
				}
				assert.True(t, caught, "unit %d: %s is to be caught by %s, broke %v", i, d.Name, d.Check, demotest.Broke(r))
				assert.True(t, cause, "unit %d: no likely cause and place to look at for %v", i, demotest.Broke(r))
			}
		})
	}
}

// Five hundred good units: not one may fail.
func TestSoundUnitsPass(t *testing.T) {
	t.Parallel()
	const nests = 2
	units := demotest.Of(500, 10)
	var wg sync.WaitGroup
	for k := range nests {
		n, _ := demotest.Nest(t, uint64(k))
		wg.Add(1)
		go func() {
			defer wg.Done()
			for i := k; i < units; i += nests {
				r := n.Unit(t, i+1, sim.Good(rand.New(rand.NewPCG(99, uint64(i)))))
				if r.Outcome != reports.Passed {
					t.Errorf("good unit %d: %s: %s; %v", i, r.Outcome, wording.English().Reason(r.Reason), demotest.Broke(r))
				}
			}
		}()
	}
	wg.Wait()
}

// The same seed gives the same reports, but for run ids and times, whatever
// the number of nests.
func TestSameSeedSameReports(t *testing.T) {
	t.Parallel()
	lot := func(nests int) map[string]string {
		_, _, people, err := demo.Files(1)
		require.NoError(t, err)
		units := demotest.Of(200, 6)
		out := make([]string, units)
		var wg sync.WaitGroup
		for k := range nests {
			n, _ := demotest.Nest(t, 1)
			wg.Add(1)
			go func() {
				defer wg.Done()
				for i := k; i < units; i += nests {
					h, _ := people.Draw(1, i)
					out[i] = normalised(t, n.Unit(t, i+1, h))
				}
			}()
		}
		wg.Wait()
		m := map[string]string{}
		for i, s := range out {
			m[fmt.Sprint(i)] = s
		}
		return m
	}
	one, two, three := lot(1), lot(1), lot(2)
	for i := range one {
		require.Equal(t, one[i], two[i], "unit %s, again", i)
		require.Equal(t, one[i], three[i], "unit %s, in two nests", i)
	}
}

// normalised is a report without what must differ between two runs.
func normalised(t testing.TB, r reports.Report) string {
	t.Helper()
	r.Run, r.Nest = "", ""
	r.Started, r.Ended = time.Time{}, time.Time{}
	for i := range r.Checks {
		r.Checks[i].Started, r.Checks[i].Ended = time.Time{}, time.Time{}
	}
	b, err := json.Marshal(r)
	require.NoError(t, err)
	return string(b)
}

// A device that fails in any way makes the run an error that names it, never a
// judgement of the unit, and the fixture ends safe or is said not to be.
func TestDeviceFaultsAreErrors(t *testing.T) {
	faults := []sim.Fault{sim.Silent, sim.Garbled, sim.Partial, sim.Gone, sim.Slow, sim.Stuck}
	// The check of the stock plan that needs the device last.
	roles := map[string]string{sim.Supply: "standby", sim.Microphone: "inrush", sim.Attenuator: "link", sim.Sticks: "centre",
		sim.Receiver: "switches", sim.Meter: "restart", sim.Board: "restart"}
	for role, last := range roles {
		for _, fault := range faults {
			// From the beginning, in the middle of the plan, and near its end.
			moments := []time.Duration{0, 12 * time.Second, 4 * time.Second, 22 * time.Second, 34 * time.Second}
			for _, after := range moments[:demotest.Of(len(moments), 2)] {
				t.Run(fmt.Sprintf("%s/%s/%v", role, fault, after), func(t *testing.T) {
					t.Parallel()
					n, _ := demotest.Nest(t, 3)
					began := n.Clock.Now().Add(after)
					require.NoError(t, n.Fixture.BreakAt(began, role, fault))
					r := n.Unit(t, 1, sim.Good(rand.New(rand.NewPCG(5, 5))))

					state := n.Fixture.State()
					drives := role == sim.Supply || role == sim.Board || role == sim.Sticks
					hears := fault == sim.Garbled || fault == sim.Partial || fault == sim.Slow
					if !drives || hears || after == 0 {
						assert.True(t, state.Safe(), "not safe: %+v", state)
					}
					if !state.Safe() {
						assert.NotEmpty(t, r.Unsafe, "not safe, and nobody was told: %+v", state)
					}
					if !drives {
						assert.Empty(t, r.Unsafe, "said not to be safe, though the %s can hurt nobody", role)
						assert.NotContains(t, wording.English().Reason(r.Reason)+wording.English().Hint(r.Reason), "mains switch")
					}
					if drives && (fault == sim.Silent || fault == sim.Gone) {
						assert.NotEmpty(t, r.Unsafe, "the %s did not say that it is off, and nobody was told", role)
					}

					switch {
					case r.Outcome == reports.Passed && needed(t, r, last, began):
						t.Errorf("passed although the %s broke while it was needed", role)
						return
					case r.Outcome == reports.Passed && len(r.Unsafe) == 0:
						return // it broke when its work was done
					case r.Outcome == reports.Failed && role == sim.Receiver && fault == sim.Stuck:
						// It repeats a whole frame, in time and not marked lost:
						// so does a receiver that hears sticks that nobody can
						// move. What the driver cannot know may fail the unit; it
						// never passes.
						return
					}
					assert.Equal(t, reports.Errored, r.Outcome, "%s; %v", wording.English().Reason(r.Reason), demotest.Broke(r))
					named := strings.Contains(wording.English().Reason(r.Reason), role)
					for _, f := range r.Faults {
						named = named || f.Reason.Device == role || strings.Contains(wording.English().Fault(f), role)
					}
					assert.True(t, named, "the reason does not name the %s: %s", role, wording.English().Reason(r.Reason))
					assert.NotContains(t, wording.English().Reason(r.Reason), "the plan is stuck", "a call did not obey its context")
				})
			}
		}
	}
}

// needed says whether a device that broke at a moment was still needed then:
// the last check that uses it had not ended.
func needed(t *testing.T, r reports.Report, last string, broke time.Time) bool {
	t.Helper()
	for _, c := range r.Checks {
		if c.Name == last {
			return broke.Before(c.Ended)
		}
	}
	t.Fatalf("no check %s in the report", last)
	return true
}

// The guard opened in the middle of a run: aborted, and everything off.
func TestGuardOpened(t *testing.T) {
	t.Parallel()
	for _, after := range []time.Duration{time.Second, 5 * time.Second, 10 * time.Second, 25 * time.Second} {
		t.Run(after.String(), func(t *testing.T) {
			n, _ := demotest.Nest(t, 3)
			n.Fixture.OpenInterlockAt(n.Clock.Now().Add(after))
			began := n.Clock.Now()
			r := n.Unit(t, 1, sim.Good(rand.New(rand.NewPCG(5, 5))))
			assert.Equal(t, reports.Aborted, r.Outcome, wording.English().Reason(r.Reason))
			assert.True(t, n.Fixture.State().Safe(), "%+v", n.Fixture.State())
			assert.Empty(t, r.Faults)
			assert.Less(t, n.Clock.Now().Sub(began), after+2*time.Second)
		})
	}
}

// BenchmarkLot is simulated units per second and core, with records written
// and synced to the disk, real signal processing and real wire formats.
func BenchmarkLot(b *testing.B) {
	_, _, people, err := demo.Files(1)
	require.NoError(b, err)
	n, _ := demotest.Nest(b, 1)
	b.ResetTimer()
	before := demotest.CPUTime()
	for i := range b.N {
		h, _ := people.Draw(1, i)
		n.Unit(b, i%99999+1, h)
	}
	b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "units/s")
	// By processor time, garbage collection and the kernel's share included:
	// what the machine's other work does not disturb.
	b.ReportMetric(float64(b.N)/(demotest.CPUTime()-before).Seconds(), "units/s/core")
}

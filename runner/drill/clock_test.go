//go:build drill

package drill

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"reflect"
	"slices"
	"testing"
	"time"

	"fullthrow/drivers/sim"
	"fullthrow/reports"
	"fullthrow/reports/archive"
	"fullthrow/reports/review"
	"fullthrow/reports/store"
	"fullthrow/runner/bench"
	"fullthrow/runner/demo"
	"fullthrow/runner/product"
	"fullthrow/runner/station"
)

// clockRuns is how many runs a case has, of few units, so that each is tested
// several times.
const (
	clockRuns  = 14
	clockUnits = 4
)

// stepped is a wall clock that is set at random: between runs, and within one
// when it has been looked at so often.
type stepped struct {
	sim    interface{ Now() time.Time }
	off    time.Duration
	looks  int
	at     int // the look at which by is done to it, 0 none
	by     time.Duration
	cancel func() // at the look abort, 0 none
	abort  int
}

func (s *stepped) Now() time.Time {
	s.looks++
	if s.at > 0 && s.looks == s.at {
		s.off += s.by
	}
	if s.abort > 0 && s.looks == s.abort {
		s.cancel()
	}
	return s.sim.Now().Round(0).UTC().Add(s.off)
}

// A station whose clock is set back and ahead, between runs and in them, and
// whose operator stops runs: whatever the clock says, the record says which run
// of a unit was the first and how it stands.
func TestDrillClock(t *testing.T) {
	campaign(t, "the computer's clock is set back or ahead, by seconds to years, between runs and during them, and "+
		"runs are stopped", func(c *trial) {
		for _, name := range []string{"runs", "clock steps", "steps on record", "starts refused", "let through by hand",
			"stopped after a broken limit", "units judged"} {
			c.Add(name, 0)
		}
		if err := clockCase(c); err != nil {
			c.Wrong("%v", err)
		}
	})
}

func clockCase(c *trial) error {
	ctx := context.Background()
	m, b, _, err := demo.Files(1)
	if err != nil {
		return err
	}
	records, err := archive.Open(c.Dir, b.Station)
	if err != nil {
		return err
	}
	defer func() { records.Close() }()
	ix, err := store.OpenIndex(ctx, c.Dir, store.IndexOptions{})
	if err != nil {
		return err
	}
	defer func() { ix.Close() }()
	clock := sim.NewClock(sim.Morning)
	fixture := sim.NewBench(clock, c.Seed)
	open, err := b.Open(ctx, 0, bench.Simulated(fixture, clock))
	if err != nil {
		return err
	}
	defer open.Close()
	wall := &stepped{sim: clock}
	start := func(behind, ahead time.Duration) (*station.Nest, error) {
		config := b.NestConfig(m, 0, open, clock, records)
		config.Grace, config.SafeLimit, config.CPU = time.Hour, time.Hour, time.Hour
		config.Keep = station.KeepNone
		config.Wall, config.ClockBounds = wall.Now, station.ClockBounds{Behind: behind, Ahead: ahead}
		return station.New(config)
	}
	nest, err := start(0, 0)
	if err != nil {
		return err
	}
	step := func() time.Duration {
		most := []time.Duration{10 * time.Second, 4 * time.Minute, 20 * time.Hour, 300 * 24 * time.Hour,
			10 * 365 * 24 * time.Hour}[c.Rand.IntN(5)]
		return time.Duration(c.Rand.Int64N(2*int64(most))) - most
	}
	truth := map[string][]reports.Report{}
	restarts := false
	for range clockRuns {
		if err := clock.Sleep(ctx, time.Duration(c.Rand.IntN(300))*time.Second); err != nil {
			return err
		}
		steps := 0
		if c.Rand.IntN(2) == 0 {
			wall.off += step()
			steps++
		}
		wall.looks, wall.at, wall.abort = 0, 0, 0
		if c.Rand.IntN(3) == 0 {
			wall.at, wall.by = 5+c.Rand.IntN(60), step()
		}
		run, stop := context.WithCancelCause(ctx)
		wall.cancel = func() {
			stop(&station.Abort{Why: reports.Reason{Code: reports.StoppedBySignal, Text: "Ctrl-C"}})
		}
		if c.Rand.IntN(3) == 0 {
			wall.abort = 5 + c.Rand.IntN(120)
		}
		if restarts = c.Rand.IntN(4) == 0; restarts {
			if nest, err = start(0, 0); err != nil {
				return err
			}
		}
		serial, err := demo.Serial("24A", 1+c.Rand.IntN(clockUnits))
		if err != nil {
			return err
		}
		h := sim.GoodOf(serial)
		if c.Rand.IntN(2) == 0 {
			bad := sim.Defects()
			bad[c.Rand.IntN(len(bad))].Apply(&h, 1, c.Rand)
		}
		fixture.Load(h)
		unit := reports.Unit{SerialNumber: serial, Product: product.Stock, Revision: "C", Lot: "24A"}
		was := clock.Now()
		sealed, err := nest.Run(run, station.Job{Unit: unit, Operator: "Ines"})
		var no *station.NotReady
		if errors.As(err, &no) {
			if no.Why.Code != reports.ClockBehind && no.Why.Code != reports.ClockBeyond {
				return fmt.Errorf("refused for another reason: %w", err)
			}
			c.Count("starts refused")
			wall.off = 0 // the clock is set right; where that is not enough, a bound is
			if sealed, err = nest.Run(run, station.Job{Unit: unit, Operator: "Ines"}); errors.As(err, &no) {
				c.Count("let through by hand")
				if nest, err = start(30*365*24*time.Hour, 30*365*24*time.Hour); err != nil {
					return err
				}
				sealed, err = nest.Run(run, station.Job{Unit: unit, Operator: "Ines"})
				if again, err := start(0, 0); err == nil {
					nest = again
				}
			}
		}
		stop(nil)
		if err != nil {
			return err
		}
		r := sealed.Report
		if wall.at > 0 && wall.looks >= wall.at {
			steps++
		}
		c.Count("runs")
		c.Add("clock steps", steps)
		c.Add("steps on record", len(r.Clock))
		if r.CutShort {
			c.Count("stopped after a broken limit")
		}
		if took, most := r.Ended.Sub(r.Started), clock.Now().Sub(was); took < 0 || took > most {
			c.Wrong("run %s took %v of %v by its times", r.Run, took, most)
		}
		for _, k := range r.Checks {
			if k.Ended.Before(k.Started) && !k.Ended.IsZero() {
				c.Wrong("run %s: check %s ended before it began", r.Run, k.Name)
			}
		}
		if wall.by.Abs() > 5*time.Second && wall.at > 0 && wall.looks > wall.at+1 && len(r.Clock) == 0 {
			c.Wrong("run %s: the clock went by %v during it, and nothing is on record", r.Run, wall.by)
		}
		truth[serial] = append(truth[serial], r)
		if c.Rand.IntN(3) > 0 {
			if err := ix.AddSealed(ctx, sealed); err != nil {
				return err
			}
		}
	}
	if _, err := ix.Reconcile(ctx); err != nil {
		return err
	}
	before, err := clockAnswers(c, ix, truth)
	if err != nil {
		return err
	}
	if _, err := ix.Rebuild(ctx, nil); err != nil {
		return err
	}
	again, err := clockAnswers(c, ix, truth)
	if err != nil {
		return err
	}
	if !reflect.DeepEqual(before, again) {
		c.Wrong("the index made again says something else: %v, not %v", again, before)
	}
	v, err := archive.Verify(c.Dir)
	if err != nil {
		return err
	}
	if len(v.Problems) > 0 {
		c.Wrong("verify: %v in %s", v.Problems[0], filepath.Base(c.Dir))
	}
	return nil
}

// clockAnswers compares what the records say with what was done, and returns it.
func clockAnswers(c *trial, ix *store.Index, truth map[string][]reports.Report) ([]any, error) {
	ctx := context.Background()
	var all []any
	var first, final, units, cut int64
	judged := func(r reports.Report) bool {
		return r.Outcome == reports.Passed || r.Outcome == reports.Failed || r.WasCutShort()
	}
	for serial, runs := range truth {
		a, err := (&review.Review{Records: ix}).Unit(ctx, review.Question{Serial: serial})
		if err != nil {
			return nil, err
		}
		var got, want []string
		for _, r := range a.Runs {
			got = append(got, r.Run)
		}
		for _, r := range runs {
			want = append(want, r.Run)
		}
		if !slices.Equal(got, want) {
			c.Wrong("unit %s: runs %v, not %v", serial, got, want)
		}
		runs = slices.DeleteFunc(slices.Clone(runs), func(r reports.Report) bool { return !judged(r) })
		if len(runs) == 0 {
			continue
		}
		units++
		newest := runs[len(runs)-1]
		first += map[bool]int64{true: 1}[runs[0].Outcome == reports.Passed]
		final += map[bool]int64{true: 1}[newest.Outcome == reports.Passed]
		cut += map[bool]int64{true: 1}[runs[0].WasCutShort()]
		if a.State != newest.Outcome {
			c.Wrong("unit %s: now %s, not %s", serial, a.State, newest.Outcome)
		}
		for _, r := range a.Runs {
			if r.First != (r.Run == runs[0].Run) {
				c.Wrong("unit %s: first is said of run %s", serial, r.Run)
			}
		}
	}
	got, err := ix.Counts(ctx, store.Selection{})
	if err != nil {
		return nil, err
	}
	c.Add("units judged", int(units))
	have := []int64{got.Units, got.FirstPassed, got.FinalPassed, got.FirstCutShort}
	if want := []int64{units, first, final, cut}; !slices.Equal(want, have) {
		c.Wrong("units, first passed, finally passed, first cut short: %v, not %v", have, want)
	}
	series, err := ix.Series(ctx, store.Selection{}, "standby.current", false, 1000)
	if err != nil {
		return nil, err
	}
	for _, p := range series.Points {
		all = append(all, p.Run)
	}
	return append(all, got), nil
}

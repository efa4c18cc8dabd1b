package demo

import (
	"context"
	"errors"
	"hash/fnv"
	"sync"
	"time"

	"fullthrow/drivers/sim"
	"fullthrow/reports"
	"fullthrow/reports/archive"
	"fullthrow/runner/bench"
	"fullthrow/runner/crash"
	"fullthrow/runner/product"
	"fullthrow/runner/station"
)

// A history that a station of the demo begins with: what two nests made in the
// last three weeks. It is run through the stock plan like everything else.
const (
	HistoryDays  = 21
	historyUnits = 10 // a working day and nest
)

// demoOperators work the demo's shifts.
var demoOperators = []string{"Amina", "Jonas", "Wei"}

// demoUnitPlan is one unit of the history.
type demoUnitPlan struct {
	at       time.Time
	unit     reports.Unit
	operator string
}

// historyOf lists what a nest has to test in so many days, up to now.
func historyOf(m *product.Method, nest, nests, days int, now time.Time) ([]demoUnitPlan, error) {
	var list []demoUnitPlan
	numbers := map[string]int{}
	for day := days; day >= 0; day-- {
		start := shiftStart(now.AddDate(0, 0, -day))
		if w := start.Weekday(); w == time.Saturday || w == time.Sunday {
			continue
		}
		lot := "24A"
		if day < 9 {
			lot = troubled
		}
		if len(m.Product.Golden) > 0 {
			list = append(list, demoUnitPlan{start, reports.Unit{SerialNumber: m.Product.Golden[0], Product: m.Product.Product,
				Revision: m.Product.Revision, Lot: m.Product.Format().Lot(m.Product.Golden[0]), Golden: true}, demoOperators[day%len(demoOperators)]})
		}
		for i := range historyUnits {
			// A day of two shifts, 06:00 to 22:00, in even steps.
			at := start.Add(10*time.Minute + time.Duration(i)*16*time.Hour/historyUnits + time.Duration(nest)*7*time.Minute)
			n := numbers[lot]*nests + nest + 1
			numbers[lot]++
			serial, err := Serial(lot, n)
			if err != nil {
				return nil, err
			}
			operator := demoOperators[day%len(demoOperators)]
			if at.Hour() >= 14 {
				operator = demoOperators[(day+1)%len(demoOperators)]
			}
			list = append(list, demoUnitPlan{at, reports.Unit{SerialNumber: serial, Product: m.Product.Product, Revision: m.Product.Revision, Lot: lot}, operator})
		}
	}
	for i, p := range list {
		if p.at.After(now.Add(-30 * time.Minute)) {
			return list[:i], nil
		}
	}
	return list, nil
}

// MakeHistory runs the history into the archive, each nest in a goroutine, and
// tells of every report. A unit that fails is tested once more, as the policy
// wants; most go to repair then and come back the next day.
func MakeHistory(ctx context.Context, m *product.Method, b *bench.File, units *Units, records *archive.Archive, days int, sealed func(archive.Sealed)) error {
	now := time.Now()
	var wg sync.WaitGroup
	failures := make([]error, len(b.Nests))
	for k := range b.Nests {
		wg.Add(1)
		go func() {
			defer crash.Guard()
			defer wg.Done()
			failures[k] = makeNestHistory(ctx, m, b, k, units, records, days, now, sealed)
		}()
	}
	wg.Wait()
	if ctx.Err() != nil {
		return context.Cause(ctx)
	}
	return errors.Join(failures...)
}

func makeNestHistory(ctx context.Context, m *product.Method, b *bench.File, k int, units *Units, records *archive.Archive, days int, now time.Time, sealed func(archive.Sealed)) error {
	plans, err := historyOf(m, k, len(b.Nests), days, now)
	if err != nil || len(plans) == 0 {
		return err
	}
	clock := sim.NewClock(plans[0].at.Add(-time.Minute))
	fixture := sim.NewBench(clock, uint64(k)+1)
	n, err := b.Open(ctx, k, bench.Simulated(fixture, clock))
	if err != nil {
		return err
	}
	defer n.Close()
	c := b.NestConfig(m, k, n, clock, records)
	c.Keep = station.KeepNone // captures of three weeks would be most of the folder
	nest, err := station.New(c)
	if err != nil {
		return err
	}
	run := func(p demoUnitPlan, h sim.Handset) (reports.Outcome, archive.Sealed, error) {
		if d := p.at.Sub(clock.Now()); d > 0 {
			if err := clock.Sleep(ctx, d); err != nil {
				return "", archive.Sealed{}, err
			}
		}
		fixture.Load(h)
		s, err := nest.Run(ctx, station.Job{Unit: p.unit, Operator: p.operator})
		if err != nil {
			return "", s, err
		}
		sealed(s)
		return s.Report.Outcome, s, nil
	}
	var repaired []demoUnitPlan
	for i, p := range plans {
		for len(repaired) > 0 && repaired[0].at.Before(p.at) {
			r := repaired[0]
			repaired = repaired[1:]
			if _, _, err := run(r, sim.GoodOf(r.unit.SerialNumber)); err != nil {
				return err
			}
		}
		h, _ := units.handset(p.unit.SerialNumber)
		outcome, _, err := run(p, h)
		if err != nil {
			return err
		}
		if outcome != reports.Failed {
			continue
		}
		outcome, last, err := run(p, h)
		if err != nil {
			return err
		}
		if outcome == reports.Failed && i%4 != 3 {
			if back, ok := repairUnit(records, last, clock.Now(), units); ok {
				repaired = append(repaired, demoUnitPlan{back, p.unit, p.operator})
			}
		}
	}
	return nil
}

// repairUnit writes down what the repair bench found, and returns when the unit
// comes back. In the simulation it is a good one from then on.
func repairUnit(records *archive.Archive, s archive.Sealed, now time.Time, units *Units) (back time.Time, ok bool) {
	r := reports.Repair{ID: reports.NewRunID(now, s.Report.Station, "repair"), Run: s.Report.Run, At: now.Add(3 * time.Hour), By: "Noor",
		Found: "component", Done: "replaced"}
	if len(s.Report.Causes) > 0 {
		r.Found, r.Part = s.Report.Causes[0].Rule, s.Report.Causes[0].Part
	}
	// A ranking that is always right would be too good to be true.
	h := fnv.New32a()
	h.Write([]byte(s.Report.Unit.SerialNumber))
	switch n := h.Sum32() % 8; {
	case n == 0:
		r.Found, r.Done = "soldering", "resoldered"
	case n == 1 && len(s.Report.Causes) > 1:
		r.Found, r.Part = s.Report.Causes[1].Rule, s.Report.Causes[1].Part
	}
	if _, err := records.Repair(r); err != nil {
		return back, false
	}
	units.Give(s.Report.Unit.SerialNumber, "")
	return now.Add(20 * time.Hour), true
}

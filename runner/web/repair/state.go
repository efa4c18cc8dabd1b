package repair

import (
	"context"
	"slices"
	"time"

	"fullthrow/reports"
	"fullthrow/reports/store"
)

// state is how a unit stands for the repair bench.
type state string

const (
	unknown  state = "unknown"  // never run here
	golden   state = "golden"   // proves the bench, is not repaired
	unjudged state = "unjudged" // no run has said anything about it
	passed   state = "passed"
	line     state = "line"     // failed, but the line tests it again first
	waiting  state = "waiting"  // for repair
	repaired state = "repaired" // for its retest
	scrapped state = "scrapped"
)

// standing is a unit, by its runs and repairs.
type standing struct {
	state    state
	unit     reports.Unit
	failed   *store.Run      // the newest run that failed
	newest   *store.Run      // the newest judged run
	last     *store.Run      // the newest run of any outcome
	failures int             // in a row, since it passed or was repaired
	repair   *reports.Repair // the newest
}

// stand judges how a unit stands. Runs are oldest first; those with a flag are
// left out, since their reports are not what was sealed.
func stand(runs []store.Run, repairs []reports.Repair, retests int) standing {
	s := standing{state: unknown}
	repairs = slices.Clone(repairs)
	slices.SortStableFunc(repairs, func(a, b reports.Repair) int { return a.At.Compare(b.At) })
	if n := len(repairs); n > 0 {
		s.repair, s.unit = &repairs[n-1], repairs[n-1].Unit
	}
	for i := range runs {
		r := &runs[i]
		if r.Flag != "" {
			continue
		}
		s.last, s.unit = r, r.Unit
		if r.Outcome != reports.Passed && r.Outcome != reports.Failed && !r.CutShort {
			continue
		}
		since := time.Time{}
		if s.newest != nil {
			since = s.newest.Ended
		}
		between := slices.ContainsFunc(repairs, func(p reports.Repair) bool {
			return p.At.After(since) &&
				p.At.Before(r.Ended)
		})
		if r.Outcome == reports.Passed || between {
			s.failures = 0
		}
		if r.Outcome == reports.Failed {
			s.failures++
			s.failed = r
		}
		s.newest = r
	}
	switch {
	case s.last == nil:
	case s.unit.Golden:
		s.state = golden
	case s.newest == nil:
		s.state = unjudged
	case s.newest.Outcome == reports.Passed:
		s.state = passed
	case s.repair != nil && (s.repair.At.After(s.newest.Ended) || s.repair.Run == s.newest.Run):
		s.state = repaired
		if s.repair.Done == reports.Scrapped {
			s.state = scrapped
		}
	case s.failures <= retests:
		s.state = line
	default:
		s.state = waiting
	}
	return s
}

// history is what is known of a unit, with repairs that the store has not
// taken in yet.
func (b *Bench) history(ctx context.Context, serial string) ([]store.Run, []reports.Repair, error) {
	runs, repairs, err := b.c.Store.History(ctx, b.c.Product.Name, serial)
	if err != nil {
		return nil, nil, err
	}
	sealed := b.c.Archive.Repairs()
	for i := len(sealed) - 1; i >= 0 && i >= len(sealed)-fresh; i-- {
		r := sealed[i].Repair
		if r.Unit.SerialNumber == serial && r.Unit.Product == b.c.Product.Name &&
			!slices.ContainsFunc(repairs, func(k reports.Repair) bool { return k.ID == r.ID }) {
			repairs = append(repairs, r)
		}
	}
	slices.SortStableFunc(repairs, func(a, b reports.Repair) int { return a.At.Compare(b.At) })
	return runs, repairs, nil
}

// fresh is how many of the newest repairs may be missing in the store.
const fresh = 50

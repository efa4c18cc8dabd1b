package repair

import (
	"context"
	"errors"
	"math"
	"slices"
	"time"

	"fullthrow/reports"
	"fullthrow/reports/store"
	"fullthrow/reports/wording"
)

// state is how a unit stands for the repair bench.
type state string

const (
	unknown  state = "unknown"  // never run here
	golden   state = "golden"   // proves the bench, is not repaired
	unjudged state = "unjudged" // no run has said anything about it
	// uncounted: there are runs, and none of them counts.
	uncounted state = "uncounted"
	passed    state = "passed"
	line      state = "line"     // failed, but the line tests it again first
	waiting   state = "waiting"  // for repair
	repaired  state = "repaired" // for its retest
	scrapped  state = "scrapped"
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
	case s.last == nil && len(runs) > 0:
		s.state = uncounted
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

// sentence is a sentence of the product in the reader's language.
func (b *Bench) sentence(q *request, s string) string { return b.c.Texts[q.page.Lang].T(s) }

// part is what people call a part of the handset.
func (b *Bench) part(q *request, name string) string {
	return b.c.Drawing.Title(b.c.Texts[q.page.Lang], name)
}

// parts are those that can be named in a repair.
func (b *Bench) parts(q *request) (list []option) {
	seen := map[string]bool{}
	put := func(name string) {
		if name != "" && !seen[name] {
			seen[name] = true
			list = append(list, option{Value: name, Text: b.part(q, name)})
		}
	}
	if b.c.Drawing != nil {
		for _, p := range b.c.Drawing.Parts() {
			put(p.Name)
		}
	}
	for _, k := range b.c.Causes {
		put(k.Part)
	}
	return list
}

// found is a finding in words: a general one, or a rule's cause.
func (b *Bench) found(q *request, code string) string {
	var cause *reports.Cause
	if k, ok := b.rules[code]; ok {
		cause = &k
	}
	return wording.Capital(q.w.Finding(b.c.Texts[q.page.Lang], code, cause))
}

const (
	// fewGood is below how many good units the comparison goes to more of them:
	// from the same lot and nest, to the lot, to the product.
	fewGood = 25
	// mostGood is how many are looked at.
	mostGood = 200
	// mostPoints is how many readings are looked through for theirs.
	mostPoints = 1000
	// after is how long after the failure a good unit may have been made.
	after = 3 * 24 * time.Hour
)

// good are units that passed at once, made near a unit that failed.
type good struct {
	sel  store.Selection
	kind string // "nest", "lot" or "product": what they have in common
	runs map[string]bool
	near *store.Run // the one nearest in time
}

// goodUnits finds good units to put beside a run. There may be none.
func (b *Bench) goodUnits(ctx context.Context, run store.Run) (good, error) {
	until := run.Started.Add(after)
	lot := store.Selection{Product: run.Unit.Product, Lot: run.Unit.Lot, Until: until}
	nest := lot
	nest.Station, nest.Nest = run.Station, run.Nest
	var g good
	for _, c := range []struct {
		kind string
		sel  store.Selection
	}{{"nest", nest}, {"lot", lot}, {"product", store.Selection{Product: run.Unit.Product, Until: until}}} {
		if c.kind != "product" && run.Unit.Lot == "" {
			continue
		}
		list, err := b.c.Store.Runs(ctx, c.sel, store.RunFilter{Outcome: reports.Passed, First: true}, "", mostGood)
		if err != nil {
			return g, err
		}
		g = good{sel: c.sel, kind: c.kind, runs: map[string]bool{}}
		for i, r := range list {
			if r.Unit.Golden || r.Flag != "" {
				continue
			}
			g.runs[r.Run] = true
			if g.near == nil || r.Started.Sub(run.Started).Abs() < g.near.Started.Sub(run.Started).Abs() {
				g.near = &list[i]
			}
		}
		if len(g.runs) >= fewGood {
			break
		}
	}
	return g, nil
}

// values are a reading of the good units, ascending; none where it is not a
// number.
func (b *Bench) values(ctx context.Context, g good, reading string) ([]float64, error) {
	if len(g.runs) == 0 {
		return nil, nil
	}
	series, err := b.c.Store.Series(ctx, g.sel, reading, true, mostPoints)
	if errors.Is(err, store.ErrUnknown) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	var list []float64
	for _, p := range series.Points {
		if g.runs[p.Run] && !math.IsNaN(p.Value) && !math.IsInf(p.Value, 0) {
			list = append(list, p.Value)
		}
	}
	slices.Sort(list)
	return list, nil
}

// besideWords say where this unit's value lies among those of good units, the
// latter ascending.
func (b *Bench) besideWords(q *request, r reports.Reading, values []float64, g good, run store.Run) (who,
	where string) {
	x, isNumber := r.Value.Number()
	n := len(values)
	if !isNumber || n == 0 {
		return "", ""
	}
	low, high := q.w.Quantity(values[0], r.Unit), q.w.Quantity(values[n-1], r.Unit)
	args := []any{"count", n, "low", low, "high", high, "lot", run.Unit.Lot, "nest", run.Nest}
	if low == high {
		who = q.t("repair.good.same_"+g.kind, args...)
	} else {
		who = q.t("repair.good.range_"+g.kind, args...)
	}
	below, above := 0, 0
	for _, v := range values {
		switch {
		case v < x:
			below++
		case v > x:
			above++
		}
	}
	switch {
	case below == n:
		where = q.t("repair.good.above_all")
	case above == n:
		where = q.t("repair.good.below_all")
	case below >= above:
		where = q.t("repair.good.above", "below", below, "count", n)
	default:
		where = q.t("repair.good.below", "above", above, "count", n)
	}
	return who, where
}

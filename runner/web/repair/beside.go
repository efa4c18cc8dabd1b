package repair

import (
	"context"
	"errors"
	"math"
	"slices"
	"time"

	"fullthrow/reports"
	"fullthrow/reports/store"
)

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

package store

import (
	"context"
	"database/sql"
	"math"
	"slices"
	"time"

	"fullthrow/reports/yield"
)

// scope is a selection as the sums know it: groups, and half hours.
type scope struct {
	groups   []int64 // nil is all
	all      bool
	from, to int64 // ms, whole half hours; [from, to)
}

const (
	always = math.MinInt64 / 4 // before and after any report
	never  = math.MaxInt64 / 4
)

// span is the selection's time in ms, [from, to).
func (s Selection) span() (from, to int64) {
	from, to = always, never
	if !s.Since.IsZero() {
		from = millis(s.Since)
	}
	if !s.Until.IsZero() {
		to = ceilMillis(s.Until)
	}
	return from, to
}

func ceilMillis(t time.Time) int64 {
	ms := millis(t)
	if t.After(time.UnixMilli(ms)) {
		ms++
	}
	return ms
}

func (s Selection) narrows() bool {
	return s.Product != "" || s.Revision != "" || s.Lot != "" || s.Station != "" || s.Nest != "" || s.Operator != ""
}

func (s Selection) admits(g group) bool {
	same := func(want, have string) bool { return want == "" || cleanKey(want) == have }
	return same(s.Product, g.product) && same(s.Revision, g.revision) && same(s.Lot, g.lot) &&
		same(s.Station, g.station) && same(s.Nest, g.nest) && same(s.Operator, g.operator)
}

// scope finds the groups of a selection, and widens its time to half hours.
func (t *transaction) scope(s Selection) *scope {
	sc := &scope{all: !s.narrows()}
	sc.from, sc.to = s.span()
	if sc.from != always {
		sc.from = floorDiv(sc.from, slotMillis) * slotMillis
	}
	if sc.to != never {
		sc.to = -floorDiv(-sc.to, slotMillis) * slotMillis
	}
	for i, g := range t.groups {
		if s.admits(g) {
			sc.groups = append(sc.groups, int64(i+1))
		}
	}
	return sc
}

func (sc *scope) has(grp int64) bool {
	if sc.all {
		return true
	}
	_, ok := slices.BinarySearch(sc.groups, grp)
	return ok
}

// where narrows a query of cells, as far as it is worth it: the rest is left
// to has.
func (sc *scope) where() (string, []any) {
	text, args := "day >= ? AND day <= ?", []any{dayOf(sc.from), dayOf(sc.to - 1)}
	if !sc.all && len(sc.groups) > 0 && len(sc.groups) <= mostIn {
		w, a := in("grp", sc.groups)
		return text + " AND " + w, append(args, a...)
	}
	return text, args
}

// Counts implements [Store].
func (b *base) Counts(ctx context.Context, s Selection) (yield.Counts, error) {
	var sum counts
	err := b.look(ctx, "counts", func(t *transaction) error {
		return t.eachCount(t.scope(s), func(grp, slot int64, c *counts) { sum.add(c) })
	})
	return sum.yield(), err
}

// eachCount hands out what was counted, by group and half hour (since 1970).
func (t *transaction) eachCount(sc *scope, f func(grp, slot int64, c *counts)) error {
	where, args := sc.where()
	first, end := floorDiv(sc.from, slotMillis), floorDiv(sc.to, slotMillis)
	var packed sql.RawBytes
	return t.each("SELECT day, grp, counts FROM cell WHERE "+where, args, func(rows *sql.Rows) error {
		var day, grp int64
		if err := rows.Scan(&day, &grp, &packed); err != nil {
			return err
		}
		if !sc.has(grp) {
			return nil
		}
		return eachSlot(packed, func(slot int, c *counts) {
			if n := day*slotsPerDay + int64(slot); n >= first && n < end {
				f(grp, n, c)
			}
		})
	})
}

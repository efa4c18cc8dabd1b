package store

import (
	"cmp"
	"context"
	"database/sql"
	"maps"
	"slices"

	"fullthrow/reports/yield"
)

// Moments sums up each reading that is a number, in the order of the newest
// plan. Readings whose unit has changed are summed up in the newest.
func (b *base) Moments(ctx context.Context, s Selection) ([]yield.Moments, error) {
	list := []yield.Moments{}
	err := b.look(ctx, "moments", func(t *transaction) error {
		sc := t.scope(s)
		p, err := t.parts(sc)
		if err != nil {
			return err
		}
		a := &addition{newCell(), map[int64]*moments{}}
		if err := t.countEdges(sc, p, true, a); err != nil {
			return err
		}
		if err := t.eachMoments(sc, p, nil, func(day, grp int64, l *layout, packed []byte) error {
			sum := a.moment(l)
			newest, err := eachMoment(packed, func(pos int, m *moment) {
				if pos < len(sum.list) {
					sum.list[pos].merge(m)
				}
			})
			sum.newest = max(sum.newest, newest)
			return err
		}); err != nil {
			return err
		}
		layouts := slices.SortedFunc(maps.Keys(a.moments), func(x, y int64) int {
			return cmp.Or(cmp.Compare(a.moments[y].newest, a.moments[x].newest), cmp.Compare(y, x))
		})
		sums := map[string]*yield.Moments{}
		merged := map[string]*moment{}
		for _, id := range layouts {
			l := t.layout(id)
			for i := range l.Readings {
				rd, m := &l.Readings[i], &a.moments[id].list[i]
				if m.n == 0 {
					continue
				}
				y := sums[rd.full()]
				if y == nil {
					y = &yield.Moments{Name: rd.full(), Unit: rd.Unit, Lower: rd.Lower, Upper: rd.Upper}
					sums[y.Name], merged[y.Name] = y, &moment{}
				}
				if y.Unit == rd.Unit {
					merged[y.Name].merge(m)
				}
			}
		}
		order, err := t.planOrder(s.Product, numberNames)
		if err != nil {
			return err
		}
		for _, n := range inOrder(sums, order) {
			y, m := sums[n], merged[n]
			y.N, y.Mean, y.M2, y.Min, y.Max, y.Failed = m.n, m.mean, m.m2, m.min, m.max, m.failed
			list = append(list, *y)
		}
		return nil
	})
	return list, err
}

// eachMoments hands out the packed moments of the scope's whole days, of these
// layouts or of all.
func (t *transaction) eachMoments(sc *scope, p parts, layouts []int64, f func(day, grp int64, l *layout, packed []byte) error) error {
	if p.first >= p.end {
		return nil
	}
	whole := *sc
	whole.from, whole.to = p.first*dayMillis, p.end*dayMillis
	where, args := whole.where()
	if n := len(layouts); n > 0 && n <= mostIn {
		w, a := in("layout", layouts)
		where, args = where+" AND "+w, append(args, a...)
	}
	var packed sql.RawBytes
	return t.each("SELECT day, grp, layout, moments FROM cell_moments WHERE "+where, args, func(rows *sql.Rows) error {
		var day, grp, id int64
		if err := rows.Scan(&day, &grp, &id, &packed); err != nil || !sc.has(grp) {
			return err
		}
		l := t.layout(id)
		if l == nil {
			return errPacked
		}
		return f(day, grp, l, packed)
	})
}

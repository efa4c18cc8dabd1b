package store

import (
	"cmp"
	"context"
	"database/sql"
	"fmt"
	"slices"

	"fullthrow/reports/yield"
)

// found is a point on its way into a series.
type found struct {
	yield.Point
	stand
	layout *layout
	pos    int
}

// seeker collects the points of one reading.
type seeker struct {
	t      *transaction
	sc     *scope
	pos    map[int64]int // by layout: where the reading stands
	points []found
}

// seek finds a reading's places; layouts lists them.
func (t *transaction) seek(s Selection, reading string) (k *seeker, layouts []int64, err error) {
	k = &seeker{t: t, sc: t.scope(s), pos: map[int64]int{}}
	for _, l := range t.layouts {
		if s.Product != "" && l.product != cleanKey(s.Product) {
			continue
		}
		for i := range l.Readings {
			if rd := &l.Readings[i]; rd.Kind == "number" && rd.full() == reading {
				k.pos[l.id] = i
				layouts = append(layouts, l.id)
			}
		}
	}
	if len(layouts) == 0 {
		return nil, nil, fmt.Errorf("reading %.80q: %w", reading, ErrUnknown)
	}
	return k, layouts, nil
}

const pointColumns = `SELECT r.run, r.serial, r.started, r.grp, r.first, r.layout, r.simulated, s.verdicts, s.readings,
	s2.chain, s2.number FROM run r
	JOIN sample s ON s.id = r.id AND s.started = r.started AND s.station = r.station
	JOIN seal s2 ON s2.id = r.id AND s2.started = r.started AND s2.station = r.station WHERE `

// read takes the points out of the rows of a query; it says how many.
func (k *seeker) read(where string, args []any) (n int64, err error) {
	var verdicts, readings sql.RawBytes
	err = k.t.each(pointColumns+where, args, func(rows *sql.Rows) error {
		var f found
		var grp, first, layoutID, simulated int64
		if err := rows.Scan(&f.run, &f.SerialNumber, &f.started, &grp, &first, &layoutID, &simulated, &verdicts,
			&readings, &f.chain, &f.number); err != nil {
			return err
		}
		pos, ok := k.pos[layoutID]
		if !ok || !k.sc.has(grp) {
			return nil
		}
		x, ok, err := numberAt(readings, pos)
		if err != nil || !ok || pos >= len(verdicts) {
			return err
		}
		g := k.t.group(grp)
		if f.Run = f.run; simulated == 1 {
			f.nest = g.nest
		}
		f.Revision, f.Lot, f.Station, f.Nest, f.Operator = g.revision, g.lot, g.station, g.nest, g.operator
		f.Time, f.First, f.Value, f.Verdict = fromMillis(f.started), first == 1, x, string(verdictOf(verdicts[pos]))
		f.layout, f.pos = k.t.layout(layoutID), pos
		k.points = append(k.points, f)
		n++
		return nil
	})
	return n, err
}

// between reads the judged runs that count of groups in [from, to).
func (k *seeker) between(groups []int64, from, to int64, first bool) (n int64, err error) {
	err = chunks(groups, func(part []int64) error {
		where, args := in("r.grp", part)
		where += " AND r.started >= ? AND r.started < ? AND r.golden = 0 AND r.flag = '' AND r.judged = 1"
		if first {
			where += " AND r.first = 1"
		}
		m, err := k.read(where, append(args, from, to))
		n += m
		return err
	})
	return n, err
}

// keep sorts the points by the clock, newest first, and keeps the newest.
func (k *seeker) keep(limit int) {
	slices.SortFunc(k.points, func(a, b found) int {
		return cmp.Or(cmp.Compare(b.started, a.started), cmp.Compare(b.Run, a.Run))
	})
	if limit >= 0 && len(k.points) > limit {
		k.points = slices.Clip(k.points[:limit])
	}
}

// series makes the answer of the points, in their order.
func (k *seeker) series(reading string) yield.Series {
	s := yield.Series{Name: reading, Points: make([]yield.Point, 0, len(k.points))}
	if len(k.points) == 0 {
		return s
	}
	for i, at := range arrange(k.points, func(f *found) stand { return f.stand }) {
		if p := &k.points[i]; at != p.started {
			p.At = fromMillis(at)
		}
	}
	newest := &k.points[len(k.points)-1]
	rd := &newest.layout.Readings[newest.pos]
	s.Unit, s.Lower, s.Upper = rd.Unit, rd.Lower, rd.Upper
	for i := range k.points {
		p := &k.points[i]
		s.Points = append(s.Points, p.Point)
		o := &p.layout.Readings[p.pos]
		if !sameLimit(o.Lower, rd.Lower) || !sameLimit(o.Upper, rd.Upper) {
			s.LimitChanged = true
		}
	}
	return s
}

// only leaves out what is in another unit: that is another quantity.
func (k *seeker) only(unit string) {
	for id, pos := range k.pos {
		if k.t.layout(id).Readings[pos].Unit != unit {
			delete(k.pos, id)
		}
	}
	k.points = slices.DeleteFunc(k.points, func(f found) bool { return f.layout.Readings[f.pos].Unit != unit })
}

// Series is one reading ("check.reading") over the selection's judged runs:
// the newest limit points of it by the clock, in their order, oldest first (see
// order.go). With first, only first judged
// runs. An unknown reading is an error wrapping [ErrUnknown]. Its time is kept
// to half hours, as that of Moments. Where the unit of a reading has changed,
// only runs with the newest unit are in it. A limit of 0 asks for the total
// alone.
func (b *base) Series(ctx context.Context, s Selection, reading string, first bool, limit int) (yield.Series, error) {
	var answer yield.Series
	err := b.look(ctx, "series", func(t *transaction) error {
		k, layouts, err := t.seek(s, reading)
		if err != nil {
			return err
		}
		p, err := t.parts(k.sc)
		if err != nil {
			return err
		}
		type place struct{ day, grp, layout, n int64 }
		var places []place
		if err := t.eachMoments(k.sc, p, layouts, func(day, grp int64, l *layout, packed []byte) error {
			pos, ok := k.pos[l.id]
			if !ok {
				return nil
			}
			all, n, err := countsOfMoment(packed, pos)
			if first {
				all = n
			}
			if all > 0 {
				places = append(places, place{day, grp, l.id, all})
			}
			return err
		}); err != nil {
			return err
		}
		unit := ""
		if n := len(places); n > 0 {
			newest := slices.MaxFunc(places, func(a, b place) int {
				return cmp.Or(cmp.Compare(a.day, b.day),
					cmp.Compare(a.layout, b.layout))
			})
			unit = t.layout(newest.layout).Readings[k.pos[newest.layout]].Unit
		}
		for _, e := range p.edges { // in the order of time
			groups, err := t.groupsOn(k.sc, e.day)
			if err != nil {
				return err
			}
			n, err := k.between(groups, e.from, e.to, first)
			if err != nil {
				return err
			}
			if n > 0 && (len(places) == 0 || e.day >= p.end) {
				f := slices.MaxFunc(k.points, func(a, b found) int { return cmp.Compare(a.started, b.started) })
				unit = f.layout.Readings[f.pos].Unit
			}
		}
		k.only(unit)
		var total int64
		var old []found // at the early edge: older than all whole days
		late := k.points[:0:0]
		for _, f := range k.points {
			total++
			if f.started < p.first*dayMillis && p.first < p.end {
				old = append(old, f)
			} else {
				late = append(late, f)
			}
		}
		k.points = late
		places = slices.DeleteFunc(places, func(x place) bool { _, ok := k.pos[x.layout]; return !ok })
		for _, x := range places {
			total += x.n
		}
		slices.SortFunc(places, func(a, b place) int {
			return cmp.Or(cmp.Compare(b.day, a.day),
				cmp.Compare(a.grp, b.grp))
		})
		for len(places) > 0 && len(k.points) < limit {
			// As many whole days as hold what is wanted.
			want, end := int64(limit-len(k.points)), 0
			var groups []int64
			for end < len(places) && (want > 0 || places[end].day == places[end-1].day) && end < 4*mostIn {
				want -= places[end].n
				groups = append(groups, places[end].grp)
				end++
			}
			for end < len(places) && places[end].day == places[end-1].day {
				groups = append(groups, places[end].grp)
				end++
			}
			slices.Sort(groups)
			if _, err := k.between(slices.Compact(groups), places[end-1].day*dayMillis, (places[0].day+1)*dayMillis,
				first); err != nil {
				return err
			}
			places = places[end:]
		}
		if len(k.points) < limit {
			k.points = append(k.points, old...)
		}
		k.keep(limit)
		answer = k.series(reading)
		answer.Unit, answer.Total = unit, total
		return nil
	})
	return answer, err
}

// GoldenSeries is the same for the golden units in the selection.
func (b *base) GoldenSeries(ctx context.Context, s Selection, reading string, limit int) (yield.Series, error) {
	var answer yield.Series
	err := b.look(ctx, "golden series", func(t *transaction) error {
		k, _, err := t.seek(s, reading)
		if err != nil {
			return err
		}
		if _, err := k.read("r.golden = 1 AND r.flag = '' AND r.judged = 1 AND "+
			"r.started >= ? AND r.started < ?",
			[]any{k.sc.from, k.sc.to}); err != nil {
			return err
		}
		k.keep(-1)
		if len(k.points) > 0 {
			k.only(k.points[0].layout.Readings[k.points[0].pos].Unit)
		}
		total := int64(len(k.points))
		k.keep(limit)
		answer = k.series(reading)
		answer.Total = total
		return nil
	})
	return answer, err
}

// countsOfMoment reads from packed moments how many judged runs, and how many
// first ones, have the reading at a position.
func countsOfMoment(packed []byte, pos int) (all, first int64, err error) {
	u := unpack(packed)
	u.int()
	for i := 0; len(u.b) > 0; i++ {
		all, first = int64(u.uint()), int64(u.uint())
		if u.bad {
			return 0, 0, errPacked
		}
		if i == pos {
			return all, first, nil
		}
		if first > 0 {
			u.uint()
			if len(u.b) < 32 {
				return 0, 0, errPacked
			}
			u.b = u.b[32:]
		}
	}
	return 0, 0, u.err()
}

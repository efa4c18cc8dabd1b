package store

import (
	"cmp"
	"database/sql"
	"slices"

	"fullthrow/reports"
)

// unitRun is what decides about a unit's yield of one of its judged runs that
// count (no golden unit, no flag), and how it stands in the table.
type unitRun struct {
	stand
	id      int64
	station string
	grp     int64
	passed  bool
	cut     bool // it broke a limit and was then cut short

	first  bool
	totals totals

	new *record // not in the table yet
}

// settle says of each of a unit's runs how it should stand in the table, in
// their order: see [yield.Counts]. found says that a repair of the unit
// found something.
func settle(runs []unitRun, found bool) []unitRun {
	list := slices.Clone(runs)
	arrange(list, func(u *unitRun) stand { return u.stand })
	for i := range list {
		list[i].first, list[i].totals = false, totals{}
	}
	if n := len(list); n > 0 {
		first, newest := &list[0], &list[n-1]
		first.first = true
		first.totals = totals{
			final: newest.passed, retests: int64(n - 1), repaired: found,
			nff: !first.passed && newest.passed && !found,
		}
	}
	return list
}

// counts is what a first judged run adds to its half hour for its unit; checks
// are the letters of its checks.
func (t totals) counts(passed, cut bool, checks string) counts {
	var c counts
	c[nUnits] = 1
	c[nFirstPassed] = number(passed)
	c[nFirstCutShort] = number(cut)
	c[nFinalPassed] = number(t.final)
	c[nRetested] = min(t.retests, 1)
	c[nRetests] = t.retests
	c[nNoFaultFound] = number(t.nff)
	c[nRepaired] = number(t.repaired)
	for i := range len(checks) {
		switch {
		case missed(checks[i]):
			c[nDefects]++
			c[nOpportunities]++
		case checks[i] == 'p':
			c[nOpportunities]++
		}
	}
	return c
}

// cellKey names a cell.
type cellKey struct{ day, grp int64 }

// changes are the cells that a transaction changes: those made again from
// their rows, and what is added to others.
type changes struct {
	again map[cellKey]bool
	add   map[cellKey]*addition
}

// addition is what is added to a cell.
type addition struct {
	cell    *cell
	moments map[int64]*moments // by layout
}

func newChanges() *changes {
	return &changes{again: map[cellKey]bool{}, add: map[cellKey]*addition{}}
}

func (c *changes) at(k cellKey) *addition {
	a := c.add[k]
	if a == nil {
		a = &addition{newCell(), map[int64]*moments{}}
		c.add[k] = a
	}
	return a
}

func (a *addition) moment(l *layout) *moments {
	m := a.moments[l.id]
	if m == nil {
		m = newMoments(len(l.Readings))
		a.moments[l.id] = m
	}
	return m
}

// settleUnits brings the runs of units up to date in the table: fresh are
// judged runs about to be inserted, whose records are settled in place. What
// that does to the sums goes to ch.
func (t *transaction) settleUnits(units []unitKey, fresh map[unitKey][]unitRun, ch *changes) error {
	if len(units) == 0 {
		return nil
	}
	serials := map[string]bool{}
	for _, u := range units {
		serials[u.serial] = true
	}
	var list []string
	for s := range serials {
		list = append(list, s)
	}
	slices.Sort(list)
	runs, err := t.runsOf(list)
	if err != nil {
		return err
	}
	found, err := t.foundAt(list)
	if err != nil {
		return err
	}
	for _, u := range units {
		before := append(slices.Clip(runs[u]), fresh[u]...)
		was := make(map[int64]*unitRun, len(before))
		for i := range before {
			was[before[i].id] = &before[i]
		}
		for _, r := range settle(before, found[u]) {
			old := was[r.id]
			if r.new != nil {
				r.new.first, r.new.totals = r.first, r.totals
				continue
			}
			if old.first == r.first && old.totals == r.totals {
				continue
			}
			if _, err := t.exec("UPDATE run SET first = ?, final = ?, retests = ?, nff = ?, repaired = ? WHERE id = "+
				"? AND started = ? AND station = ?",
				number(r.first), number(r.totals.final), r.totals.retests, number(r.totals.nff),
				number(r.totals.repaired),
				r.id, r.started, r.station); err != nil {
				return err
			}
			k := cellKey{dayOf(r.started), r.grp}
			if !old.first || !r.first {
				ch.again[k] = true
				continue
			}
			after, gone := r.totals.counts(r.passed, r.cut, ""), old.totals.counts(r.passed, r.cut, "")
			after.sub(&gone)
			ch.at(k).cell.slot(slotOf(r.started), &after)
		}
	}
	return nil
}

// runsOf reads the judged runs that count of the units with these serial
// numbers.
func (t *transaction) runsOf(serials []string) (map[unitKey][]unitRun, error) {
	m := map[unitKey][]unitRun{}
	err := chunks(serials, func(part []string) error {
		where, args := in("r.serial", part)
		return t.each(`SELECT r.id, r.station, r.started, r.run, r.grp, r.serial, r.outcome, r.first, r.final,
			r.retests, r.nff, r.repaired, s.chain, s.number FROM run r
			JOIN seal s ON s.id = r.id AND s.started = r.started AND s.station = r.station
			WHERE `+where+` AND r.golden = 0 AND r.flag = '' AND r.judged = 1`, args,
			func(rows *sql.Rows) error {
				var u unitRun
				var serial, outcome string
				var first, final, nff, repaired int64
				if err := rows.Scan(&u.id, &u.station, &u.started, &u.run, &u.grp, &serial, &outcome,
					&first, &final, &u.totals.retests, &nff, &repaired, &u.chain, &u.number); err != nil {
					return err
				}
				u.passed, u.first = outcome == string(reports.Passed), first == 1
				u.cut = !ended(reports.Outcome(outcome))
				u.totals.final, u.totals.nff, u.totals.repaired = final == 1, nff == 1, repaired == 1
				k := unitKey{t.group(u.grp).product, serial}
				m[k] = append(m[k], u)
				return nil
			})
	})
	return m, err
}

// foundAt says for which units a repair found something.
func (t *transaction) foundAt(serials []string) (map[unitKey]bool, error) {
	m := map[unitKey]bool{}
	err := chunks(serials, func(part []string) error {
		where, args := in("serial", part)
		return t.each("SELECT product, serial FROM repair WHERE "+where+" AND golden = 0 AND found <> ?",
			append(args, reports.NoFaultFound), func(rows *sql.Rows) error {
				var u unitKey
				if err := rows.Scan(&u.product, &u.serial); err != nil {
					return err
				}
				m[u] = true
				return nil
			})
	})
	return m, err
}

func (u unitKey) compare(v unitKey) int {
	return cmp.Or(cmp.Compare(u.product, v.product), cmp.Compare(u.serial, v.serial))
}

package store

import (
	"database/sql"
	"maps"
	"slices"

	"fullthrow/reports"
)

// counted is a run as the sums take it, whether it comes or is in the table.
type counted struct {
	started, ended int64
	outcome        reports.Outcome
	counts         bool // no golden unit, no flag
	judged         bool // it says something of its unit: see [record.judged]
	first          bool
	totals         totals
	cause          int64
	cycleTime      float64
	takt           float64
	layout         *layout
	codes          sample
}

// count adds a run to a cell, and its readings to the moments of its layout
// where m is not nil. It is the one place that says what counts.
func (c *cell) count(r *counted, m *moments) error {
	switch r.outcome {
	case reports.Passed:
		c.rows[nPassed]++
	case reports.Failed:
		c.rows[nFailed]++
	case reports.Aborted:
		c.rows[nAborted]++
	default:
		c.rows[nErrors]++
	}
	if !r.counts {
		return nil
	}
	took := min(max(r.ended-r.started, 0), longestRun)
	var d counts
	switch r.outcome {
	case reports.Passed, reports.Failed:
		d[nPassed], d[nFailed] = number(r.outcome == reports.Passed), number(r.outcome == reports.Failed)
		d[nJudgedMillis] = took
	case reports.Aborted:
		d[nAborted], d[nAbortedMillis] = 1, took
	default:
		d[nErrors], d[nErrorMillis] = 1, took
	}
	cut := r.judged && !ended(r.outcome)
	if cut {
		d[nCutShort], d[nAbortedCutShort] = 1, number(r.outcome == reports.Aborted)
	}
	if r.first {
		u := r.totals.counts(r.outcome == reports.Passed, cut, r.codes.checks)
		d.add(&u)
	}
	c.slot(slotOf(r.started), &d)
	if !r.judged {
		return nil
	}
	if !cut { // how long it would have taken nobody knows
		c.cycle.count(float64(took)/1000, took, r.started, r.cycleTime, r.takt)
	}
	if r.first {
		for i := range r.layout.Checks {
			if i >= len(r.codes.checks) {
				break
			}
			if v := r.codes.checks[i]; v == 'p' || missed(v) {
				p := c.checks[r.layout.Checks[i].ID]
				c.checks[r.layout.Checks[i].ID] = pair{p[0] + 1, p[1] + number(v == 'p')}
			}
		}
	}
	if r.outcome != reports.Passed {
		r.layout.failures(&r.codes, r.cause, func(id int64) {
			p := c.failures[id]
			c.failures[id] = pair{p[0] + number(r.first), p[1] + 1}
		})
	}
	if m == nil {
		return nil
	}
	if r.first {
		m.newest = max(m.newest, r.started)
	}
	return eachNumber(r.codes.readings, func(pos int, x float64) bool {
		if pos < len(m.list) && pos < len(r.codes.verdicts) {
			m.list[pos].count(x, r.first, missed(r.codes.verdicts[pos]))
		}
		return true
	})
}

// countRuns adds the runs of groups that began in [from, to) to sums, in the
// order of time. Without readings, moments are left out.
func (t *transaction) countRuns(groups []int64, from, to int64, readings bool, at func(grp int64) *addition) error {
	column := "''"
	if readings {
		column = "s.readings"
	}
	return chunks(groups, func(part []int64) error {
		where, args := in("r.grp", part)
		return t.each(`SELECT r.started, r.ended, r.outcome, r.golden, r.flag, r.first, r.final, r.retests,
			r.nff, r.repaired, r.cause, r.cycle_time, r.takt, r.judged,
			r.grp, r.layout, s.checks, s.verdicts, `+column+` FROM run r
			JOIN sample s ON s.id = r.id AND s.started = r.started AND s.station = r.station
			WHERE `+where+` AND r.started >= ? AND r.started < ? ORDER BY r.started, r.run`, append(args, from, to),
			func(rows *sql.Rows) error {
				var r counted
				var golden, first, final, nff, repaired, isJudged, grp, layoutID int64
				var flag string
				if err := rows.Scan(&r.started, &r.ended, &r.outcome, &golden, &flag, &first, &final, &r.totals.retests,
					&nff, &repaired, &r.cause, &r.cycleTime, &r.takt, &isJudged,
					&grp, &layoutID, &r.codes.checks, &r.codes.verdicts, &r.codes.readings); err != nil {
					return err
				}
				r.counts, r.first, r.judged = golden == 0 && flag == "", first == 1, isJudged == 1
				r.totals.final, r.totals.nff, r.totals.repaired = final == 1, nff == 1, repaired == 1
				if r.layout = t.layout(layoutID); r.layout == nil {
					return errPacked
				}
				a := at(grp)
				if a == nil {
					return nil
				}
				var m *moments
				if readings && r.counts && r.judged {
					m = a.moment(r.layout)
				}
				return a.cell.count(&r, m)
			})
	})
}

// save writes the changes of the sums.
func (t *transaction) save(ch *changes) error {
	for k := range ch.again {
		delete(ch.add, k)
	}
	keys := slices.Collect(maps.Keys(ch.again))
	for k := range ch.add {
		keys = append(keys, k)
	}
	slices.SortFunc(keys, cellKey.compare)
	for _, k := range keys {
		var err error
		if ch.again[k] {
			err = t.remake(k)
		} else {
			err = t.enlarge(k, ch.add[k])
		}
		if err != nil {
			return err
		}
	}
	return nil
}

func (k cellKey) compare(o cellKey) int {
	if k.day != o.day {
		return int(min(max(k.day-o.day, -1), 1))
	}
	return int(min(max(k.grp-o.grp, -1), 1))
}

// remake makes a cell again from its rows.
func (t *transaction) remake(k cellKey) error {
	a := &addition{newCell(), map[int64]*moments{}}
	if err := t.countRuns([]int64{k.grp}, k.day*dayMillis, (k.day+1)*dayMillis, true,
		func(int64) *addition { return a }); err != nil {
		return err
	}
	station := t.group(k.grp).station
	if _, err := t.exec("DELETE FROM cell WHERE day = ? AND grp = ? AND station = ?", k.day, k.grp,
		station); err != nil {
		return err
	}
	if _, err := t.exec("DELETE FROM cell_moments WHERE day = ? AND grp = ? AND station = ?", k.day, k.grp,
		station); err != nil {
		return err
	}
	if err := t.insertCell(k, a.cell); err != nil {
		return err
	}
	for _, id := range slices.Sorted(maps.Keys(a.moments)) {
		if _, err := t.exec("INSERT INTO cell_moments (day, grp, layout, station, moments) VALUES (?,?,?,?,?)",
			k.day, k.grp, id, station, a.moments[id].pack()); err != nil {
			return err
		}
	}
	return nil
}

func (t *transaction) insertCell(k cellKey, c *cell) error {
	_, err := t.exec(`INSERT INTO cell (day, grp, station, passed, failed, errors, aborted, firsts,
		counts, checks, failures, cycle)
		VALUES (?,?,?,?,?,?,?,?,?,?,?,?)`, k.day, k.grp, t.group(k.grp).station,
		c.rows[nPassed], c.rows[nFailed], c.rows[nErrors], c.rows[nAborted], c.firsts(),
		bytesOf(c.packCounts()), bytesOf(packPairs(c.checks)), bytesOf(packPairs(c.failures)), c.cycle.pack())
	return err
}

// bytesOf keeps no bytes apart from NULL.
func bytesOf(b []byte) []byte {
	if b == nil {
		return []byte{}
	}
	return b
}

// enlarge adds to a cell.
func (t *transaction) enlarge(k cellKey, a *addition) error {
	station := t.group(k.grp).station
	c := newCell()
	var packed [4][]byte
	ok, err := t.one(`SELECT passed, failed, errors, aborted, counts, checks, failures, cycle FROM cell
		WHERE day = ? AND grp = ? AND station = ?`, []any{k.day, k.grp, station},
		&c.rows[nPassed], &c.rows[nFailed], &c.rows[nErrors], &c.rows[nAborted], &packed[0], &packed[1], &packed[2],
		&packed[3])
	if err != nil {
		return err
	}
	if ok {
		err = eachSlot(packed[0], func(slot int, d *counts) { c.slot(slot, d) })
		if err == nil {
			err = unpackPairs(packed[1], c.checks)
		}
		if err == nil {
			err = unpackPairs(packed[2], c.failures)
		}
		if err == nil {
			c.cycle, err = unpackCycle(packed[3])
		}
		if err != nil {
			return err
		}
	}
	for i, n := range a.cell.rows {
		c.rows[i] += n
	}
	for n, d := range a.cell.slots {
		c.slot(n, &d)
	}
	addPairs(c.checks, a.cell.checks)
	addPairs(c.failures, a.cell.failures)
	c.cycle.merge(&a.cell.cycle)
	if !ok {
		err = t.insertCell(k, c)
	} else {
		_, err = t.exec(`UPDATE cell SET passed = ?, failed = ?, errors = ?, aborted = ?, firsts = ?, counts
			= ?, checks = ?, failures = ?, cycle = ?
			WHERE day = ? AND grp = ? AND station = ?`,
			c.rows[nPassed], c.rows[nFailed], c.rows[nErrors], c.rows[nAborted], c.firsts(),
			bytesOf(c.packCounts()), bytesOf(packPairs(c.checks)), bytesOf(packPairs(c.failures)), c.cycle.pack(),
			k.day, k.grp, station)
	}
	if err != nil {
		return err
	}
	for _, id := range slices.Sorted(maps.Keys(a.moments)) {
		m := a.moments[id]
		var packed []byte
		ok, err := t.one("SELECT moments FROM cell_moments WHERE day = ? AND grp = ? AND layout = ? AND station = ?",
			[]any{k.day, k.grp, id, station}, &packed)
		if err != nil {
			return err
		}
		query := "INSERT INTO cell_moments (moments, day, grp, layout, station) VALUES (?,?,?,?,?)"
		if ok {
			query = "UPDATE cell_moments SET moments = ? WHERE day = ? AND grp = ? AND layout = ? AND station = ?"
			there := newMoments(len(m.list))
			newest, err := eachMoment(packed, func(pos int, x *moment) {
				if pos < len(there.list) {
					there.list[pos] = *x
				}
			})
			if err != nil {
				return err
			}
			there.newest = max(newest, m.newest)
			for i := range m.list {
				there.list[i].merge(&m.list[i])
			}
			m = there
		}
		if _, err := t.exec(query, m.pack(), k.day, k.grp, id, station); err != nil {
			return err
		}
	}
	return nil
}

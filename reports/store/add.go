package store

import (
	"cmp"
	"context"
	"database/sql"
	"encoding/json"
	"fmt"
	"maps"
	"slices"

	"fullthrow/reports"
)

// Add takes in sealed reports. It is durable when it returns, and all of the
// items are in, or none. A run that is in already counts as Added.Known, if
// its hash is the same; with another hash it is an error wrapping
// [ErrConflict], and what was there stays. Reports may come in any order, also
// long after later ones.
func (b *base) Add(ctx context.Context, items ...Item) (Added, error) {
	if len(items) == 0 {
		return Added{}, nil
	}
	records := make([]*record, len(items))
	for i, item := range items {
		records[i] = digest(item)
	}
	var added Added
	err := b.change(ctx, "add", func(t *transaction) error {
		n, err := t.add(records)
		added = n
		return err
	})
	if err != nil {
		return Added{}, err
	}
	return added, nil
}

func conflict(run, have, got string) error {
	return fmt.Errorf("run %.80q: %w: its SHA-256 begins %.12s, this one's %.12s", run, ErrConflict, have, got)
}

func (t *transaction) add(records []*record) (Added, error) {
	added := Added{}
	hashes := map[string]string{}
	var runs []string
	for _, r := range records {
		runs = append(runs, r.run)
	}
	if err := chunks(runs, func(part []string) error {
		where, args := in("r.run", part)
		return t.each("SELECT r.run, s.sha256 FROM run r JOIN seal s ON s.id = r.id AND s.started = r.started AND "+
			"s.station = r.station WHERE "+where, args, func(rows *sql.Rows) error {
			var run, hash string
			if err := rows.Scan(&run, &hash); err != nil {
				return err
			}
			hashes[run] = hash
			return nil
		})
	}); err != nil {
		return added, err
	}
	var fresh []*record
	for _, r := range records {
		got := r.item.Sealed.Seal.SHA256
		have, ok := hashes[r.run]
		switch {
		case ok && have != got:
			return Added{}, conflict(r.run, have, got)
		case ok:
			added.Known++
		default:
			hashes[r.run] = got
			fresh = append(fresh, r)
			added.New++
		}
	}
	if len(fresh) > 0 {
		if err := t.insertRecords(fresh); err != nil {
			return Added{}, err
		}
	}
	return added, t.keepAttachments(records)
}

// insertRecords takes in reports that are not in the tables.
func (t *transaction) insertRecords(fresh []*record) error {
	if f := t.b.dialect.before; f != nil {
		var started []int64
		for _, r := range fresh {
			started = append(started, r.started)
		}
		if err := f(t.ctx, t.s.conn, started); err != nil {
			return err
		}
	}
	if err := t.flagFresh(fresh); err != nil {
		return err
	}
	if err := t.flagContradictions(fresh); err != nil {
		return err
	}
	for _, r := range fresh {
		t.runs++
		r.id = t.runs
	}
	if err := t.chainFresh(fresh); err != nil {
		return err
	}
	ch := newChanges()
	judgedRuns := map[unitKey][]unitRun{}
	var units []unitKey
	layouts := map[int64]*layout{}
	for _, r := range fresh {
		var err error
		if r.grpID, err = t.groupOf(r.group); err != nil {
			return err
		}
		l, err := t.layoutFor(r)
		if err != nil {
			return err
		}
		layouts[l.id] = l
		r.layoutID = l.id
		r.encode(l)
		if r.cause.kind != "" {
			if r.causeID, err = t.nameOf(r.cause); err != nil {
				return err
			}
		}
		if r.judged() && r.counts() {
			u := r.unit()
			if judgedRuns[u] == nil {
				units = append(units, u)
			}
			judgedRuns[u] = append(judgedRuns[u], unitRun{
				stand: stand{chain: r.chainID, number: r.item.Sealed.Seal.Number, started: r.started, run: r.run},
				id:    r.id, station: r.group.station, grp: r.grpID,
				passed: r.outcome == reports.Passed, cut: r.cut, new: r,
			})
		}
	}
	if err := t.settleUnits(units, judgedRuns, ch); err != nil {
		return err
	}
	for _, r := range fresh {
		a := ch.at(cellKey{dayOf(r.started), r.grpID})
		l := layouts[r.layoutID]
		c := counted{
			started: r.started, ended: r.ended, outcome: r.outcome, counts: r.counts(), judged: r.judged(),
			first: r.first, totals: r.totals,
			cause: r.causeID, cycleTime: r.cycleTime, takt: r.takt, layout: l, codes: r.codes,
		}
		var m *moments
		if r.judged() && r.counts() {
			m = a.moment(l)
		}
		if err := a.cell.count(&c, m); err != nil {
			return err
		}
	}
	if err := t.insertRows(fresh, layouts); err != nil {
		return err
	}
	if err := t.save(ch); err != nil {
		return err
	}
	newestOf := func(id func(r *record) int64) map[int64]int64 {
		m := map[int64]int64{}
		for _, r := range fresh {
			if at, ok := m[id(r)]; !ok || r.started > at {
				m[id(r)] = r.started
			}
		}
		return m
	}
	for table, m := range map[string]map[int64]int64{
		"grp":    newestOf(func(r *record) int64 { return r.grpID }),
		"layout": newestOf(func(r *record) int64 { return r.layoutID }),
	} {
		for _, id := range slices.Sorted(maps.Keys(m)) {
			if _, err := t.exec("UPDATE "+table+" SET newest = ? WHERE id = ? AND newest < ?", m[id], id,
				m[id]); err != nil {
				return err
			}
		}
	}
	return t.saveState()
}

// counts says whether the run may count in any yield.
func (r *record) counts() bool { return !r.golden && r.flag == "" }

func (t *transaction) insertRows(fresh []*record, layouts map[int64]*layout) error {
	var runs, samples, seals, raws, failures [][]any
	for _, r := range fresh {
		failed := ""
		if list := r.failed(); len(list) > 0 {
			text, err := json.Marshal(list)
			if err != nil {
				return err
			}
			failed = string(text)
		}
		station := r.group.station
		runs = append(runs, []any{
			r.id, station, r.started, r.run, r.grpID, r.layoutID, r.serial, number(r.golden), r.attempt,
			r.ended, string(r.outcome), number(r.first), number(r.totals.final), r.totals.retests, number(r.totals.nff),
			number(r.totals.repaired), r.flag,
			r.reason, r.why, failed, r.causeID, number(r.simulated), r.cycleTime, r.takt,
			number(r.judged()), r.clock,
		})
		samples = append(samples, []any{r.id, station, r.started, r.codes.checks, r.codes.verdicts, r.codes.readings})
		s := &r.item.Sealed.Seal
		modified := int64(0)
		if !r.item.Modified.IsZero() {
			modified = r.item.Modified.UnixMicro()
		}
		signature := "" // a station's stands in the file
		if t.b.dialect.keeps {
			signature = s.Signature
		}
		seals = append(seals, []any{
			r.id, station, r.started, r.chainID, s.Number, s.Previous, s.SHA256, signature,
			valid(r.item.File), r.item.Size, modified,
		})
		if t.b.dialect.keeps {
			raws = append(raws, []any{r.id, station, r.started, bytesOf(r.item.Sealed.Raw)})
		}
		seen := map[int64]bool{}
		layouts[r.layoutID].failures(&r.codes, r.causeID, func(id int64) {
			if !seen[id] {
				seen[id] = true
				failures = append(failures, []any{id, r.started, r.id, station, r.grpID})
			}
		})
	}
	for _, x := range []struct {
		table, columns string
		rows           [][]any
	}{
		{"run", "id, station, started, run, grp, layout, serial, golden, attempt, ended, outcome, first, final, " +
			"retests, nff, repaired, flag, reason, why, failed, cause, simulated, cycle_time, takt, " +
			"judged, clock", runs},
		{"sample", "id, station, started, checks, verdicts, readings", samples},
		{"seal", "id, station, started, chain, number, previous, sha256, signature, file, size, modified", seals},
		{"raw", "id, station, started, report", raws},
		{"failure", "name, started, id, station, grp", failures},
	} {
		if err := t.insert(x.table, x.columns, x.rows); err != nil {
			return fmt.Errorf("%s: %w", x.table, err)
		}
	}
	return nil
}

func (t *transaction) keepAttachments(records []*record) error {
	if !t.b.dialect.keeps {
		return nil
	}
	for _, r := range records {
		for _, sum := range slices.Sorted(maps.Keys(r.item.Attachments)) {
			data := r.item.Attachments[sum]
			if _, err := t.exec("INSERT INTO attachment (sha256, size, data) VALUES (?,?,?) ON CONFLICT (sha256) DO "+
				"NOTHING", sum, len(data), bytesOf(data)); err != nil {
				return fmt.Errorf("attachment %.12s...: %w", sum, err)
			}
		}
	}
	return nil
}

// flagFresh marks the fresh reports that a flag is waiting for.
func (t *transaction) flagFresh(fresh []*record) error {
	at := map[string]*record{}
	var runs []string
	for _, r := range fresh {
		at[r.run] = r
		runs = append(runs, r.run)
	}
	return chunks(runs, func(part []string) error {
		where, args := in("run", part)
		return t.each("SELECT run, key, kind FROM flag WHERE "+where+" ORDER BY n DESC", args,
			func(rows *sql.Rows) error {
				var run, key, kind string
				if err := rows.Scan(&run, &key, &kind); err != nil {
					return err
				}
				if r := at[run]; r != nil && t.b.dialect.flagHolds(key, cleanKey(r.item.Sealed.Seal.Key)) {
					r.flag = kind
				}
				return nil
			})
	})
}

// flagContradictions marks the fresh reports that say of themselves what cannot
// be.
func (t *transaction) flagContradictions(fresh []*record) error {
	var rows [][]any
	id := t.runs
	for _, r := range fresh {
		id++ // as insertRecords numbers them
		c := r.item.Sealed.Report.Contradiction()
		if c == nil {
			continue
		}
		r.flag = FlagContradicts
		rows = append(rows, []any{contradictKey, id, r.run, r.group.station, valid(r.item.File), FlagContradicts,
			"it contradicts itself: " + string(c.Code)})
	}
	return t.insert("flag", "key, n, run, station, file, kind, text", rows)
}

// chain is how far a station's reports have come: a row of chain.
type chain struct {
	id, number, reports, newest int64
	key, station, sha256        string
}

// chainFresh counts fresh reports in the chains of their stations, and finds
// out up to which number all are there.
func (t *transaction) chainFresh(fresh []*record) error {
	byKey := map[string][]*record{}
	for _, r := range fresh {
		key := cleanKey(r.item.Sealed.Seal.Key)
		byKey[key] = append(byKey[key], r)
	}
	for _, key := range slices.Sorted(maps.Keys(byKey)) {
		list := byKey[key]
		c := chain{key: key, newest: noTime}
		ok, err := t.one("SELECT id, number, sha256, reports, newest, station FROM chain WHERE key = ?", []any{key},
			&c.id, &c.number, &c.sha256, &c.reports, &c.newest, &c.station)
		if err != nil {
			return err
		}
		if !ok {
			t.chains++
			c.id = t.chains
			// A renewed key goes on where the one before ended.
			first := slices.MinFunc(list, func(a, b *record) int {
				return cmp.Compare(a.item.Sealed.Seal.Number, b.item.Sealed.Seal.Number)
			}).item.Sealed.Seal
			var before int64
			if follows, err := t.one("SELECT number FROM chain WHERE sha256 = ? AND number = ?",
				[]any{first.Previous, first.Number - 1}, &before); err != nil {
				return err
			} else if follows {
				c.number, c.sha256 = before, first.Previous
			}
			if _, err := t.exec("INSERT INTO chain (id, key, station, number, sha256, reports, newest) VALUES "+
				"(?,?,?,?,?,?,?)",
				c.id, key, "", 0, "", 0, int64(noTime)); err != nil {
				return err
			}
		}
		slices.SortStableFunc(list, func(a, b *record) int {
			return int(min(max(a.item.Sealed.Seal.Number-b.item.Sealed.Seal.Number, -1), 1))
		})
		gap := false
		for _, r := range list {
			r.chainID = c.id
			c.reports++
			if r.started >= c.newest {
				c.newest, c.station = r.started, r.group.station
			}
			if s := &r.item.Sealed.Seal; s.Number == c.number+1 && !gap {
				c.number, c.sha256 = s.Number, s.SHA256
			} else if s.Number > c.number {
				gap = true // some may be in the table
			}
		}
		// What came after a gap before now follows.
		if ok {
			tail := map[int64]string{}
			for _, r := range list {
				tail[r.item.Sealed.Seal.Number] = r.item.Sealed.Seal.SHA256
			}
			for {
				from := c.number
				err := t.each(
					"SELECT number, sha256 FROM seal WHERE chain = ? AND number > ? ORDER BY number LIMIT 256",
					[]any{c.id, from}, func(rows *sql.Rows) error {
						var n int64
						var hash string
						if err := rows.Scan(&n, &hash); err != nil {
							return err
						}
						for ; n > c.number+1 && tail[c.number+1] != ""; c.number++ {
							c.sha256 = tail[c.number+1]
						}
						if n == c.number+1 {
							c.number, c.sha256 = n, hash
						} else if n > c.number {
							return errEnough
						}
						return nil
					})
				if err != nil {
					return err
				}
				for tail[c.number+1] != "" {
					c.sha256 = tail[c.number+1]
					c.number++
				}
				if c.number == from {
					break
				}
			}
		}
		if _, err := t.exec("UPDATE chain SET station = ?, number = ?, sha256 = ?, reports = ?, newest = ? "+
			"WHERE id = ?",
			c.station, c.number, c.sha256, c.reports, c.newest, c.id); err != nil {
			return err
		}
	}
	return nil
}

package store

import (
	"context"
	"database/sql"
	"maps"
	"slices"

	"fullthrow/reports"
)

// The kinds of [Flag].
const (
	FlagChanged  = "changed"
	FlagRemoved  = "removed"
	FlagInserted = "inserted"
	// FlagContradicts is of a report that says of itself what cannot be, see
	// [reports.Report.Contradiction]: well sealed or not, it counts nowhere.
	FlagContradicts = "contradicts"
)

// contradictKey stands for a station's key at flags that follow from the report
// alone: whoever sets a station's flags leaves them.
const contradictKey = "contradicts"

// flagHolds says whether a flag of the station with one key keeps a report
// sealed with another from counting. In a plant's store a station answers for
// its own reports; in its index it answers for all that lies in its records,
// and what was put in may be signed with any key.
func (d *dialect) flagHolds(flagKey, reportKey string) bool {
	return !d.keeps || flagKey == reportKey || flagKey == contradictKey
}

// SetFlags replaces the flags of one station (by its key) by these.
func (b *base) SetFlags(ctx context.Context, key string, flags []Flag) error {
	return b.change(ctx, "flags", func(t *transaction) error { return t.setFlags(cleanKey(key), flags) })
}

func (t *transaction) setFlags(key string, flags []Flag) error {
	affected := map[string]bool{}
	if err := t.each("SELECT run FROM flag WHERE key = ?", []any{key}, func(rows *sql.Rows) error {
		var run string
		err := rows.Scan(&run)
		affected[run] = true
		return err
	}); err != nil {
		return err
	}
	if _, err := t.exec("DELETE FROM flag WHERE key = ?", key); err != nil {
		return err
	}
	var rows [][]any
	for i, f := range flags {
		run := cleanKey(f.Run)
		affected[run] = true
		rows = append(rows, []any{key, i, run, cleanKey(f.Station), valid(f.File), cleanKey(f.Kind), clean(f.Text)})
	}
	if err := t.insert("flag", "key, n, run, station, file, kind, text", rows); err != nil {
		return err
	}
	delete(affected, "")
	return t.reflag(slices.Sorted(maps.Keys(affected)))
}

// reflag brings the runs up to date with the flags, and with them the sums.
func (t *transaction) reflag(runs []string) error {
	type row struct {
		id, started, grp      int64
		station, flag, serial string
		key                   string
	}
	ch := newChanges()
	units := map[unitKey]bool{}
	err := chunks(runs, func(part []string) error {
		where, args := in("r.run", part)
		have := map[string]row{}
		if err := t.each(`SELECT r.run, r.id, r.started, r.grp, r.station, r.flag, r.serial, c.key FROM run r
			JOIN seal s ON s.id = r.id AND s.started = r.started AND s.station = r.station
			JOIN chain c ON c.id = s.chain WHERE `+where, args, func(rows *sql.Rows) error {
			var run string
			var x row
			err := rows.Scan(&run, &x.id, &x.started, &x.grp, &x.station, &x.flag, &x.serial, &x.key)
			have[run] = x
			return err
		}); err != nil {
			return err
		}
		want := map[string]string{}
		where, args = in("run", part)
		if err := t.each("SELECT run, key, kind FROM flag WHERE "+where+" ORDER BY n DESC", args,
			func(rows *sql.Rows) error {
				var run, key, kind string
				if err := rows.Scan(&run, &key, &kind); err != nil {
					return err
				}
				if x, ok := have[run]; ok && t.b.dialect.flagHolds(key, x.key) {
					want[run] = kind
				}
				return nil
			}); err != nil {
			return err
		}
		for _, run := range slices.Sorted(maps.Keys(have)) {
			x := have[run]
			if x.flag == want[run] {
				continue
			}
			// A flagged run is no unit's first, and says nothing of it.
			if _, err := t.exec("UPDATE run SET flag = ?, first = 0, final = 0, retests = 0, nff = 0, repaired = 0 "+
				"WHERE id = ? AND started = ? AND station = ?",
				want[run], x.id, x.started, x.station); err != nil {
				return err
			}
			ch.again[cellKey{dayOf(x.started), x.grp}] = true
			units[unitKey{t.group(x.grp).product, x.serial}] = true
		}
		return nil
	})
	if err != nil {
		return err
	}
	list := slices.SortedFunc(maps.Keys(units), unitKey.compare)
	if err := t.settleUnits(list, nil, ch); err != nil {
		return err
	}
	return t.save(ch)
}

// AddRepairs takes in repairs, idempotent by their ID.
func (b *base) AddRepairs(ctx context.Context, repairs ...reports.Repair) error {
	if len(repairs) == 0 {
		return nil
	}
	return b.change(ctx, "repairs", func(t *transaction) error {
		units := map[unitKey]bool{}
		for _, r := range repairs {
			n, err := t.exec(`INSERT INTO repair (id, run, serial, product, revision, lot, golden, at, by_whom,
				found, part, done, text, suggested)
				VALUES (?,?,?,?,?,?,?,?,?,?,?,?,?,?) ON CONFLICT (id) DO NOTHING`,
				cleanKey(r.ID), cleanKey(r.Run), cleanKey(r.Unit.SerialNumber), cleanKey(r.Unit.Product),
				cleanKey(r.Unit.Revision), cleanKey(r.Unit.Lot),
				number(r.Unit.Golden), millis(r.At), cleanKey(r.By), cleanKey(r.Found), cleanKey(r.Part),
				cleanKey(r.Done), clean(r.Text), cleanKey(r.Suggested))
			if err != nil {
				return err
			}
			if n > 0 && !r.Unit.Golden {
				units[unitKey{cleanKey(r.Unit.Product), cleanKey(r.Unit.SerialNumber)}] = true
			}
		}
		ch := newChanges()
		if err := t.settleUnits(slices.SortedFunc(maps.Keys(units), unitKey.compare), nil, ch); err != nil {
			return err
		}
		return t.save(ch)
	})
}

// dropRepairs takes out repairs that are not on the station's record (any
// more).
func (t *transaction) dropRepairs(ids map[string]bool) error {
	units := map[unitKey]bool{}
	for _, id := range slices.Sorted(maps.Keys(ids)) {
		var u unitKey
		if ok, err := t.one("SELECT product, serial FROM repair WHERE id = ?", []any{id}, &u.product,
			&u.serial); err != nil {
			return err
		} else if ok {
			units[u] = true
		}
		if _, err := t.exec("DELETE FROM repair WHERE id = ?", id); err != nil {
			return err
		}
	}
	ch := newChanges()
	if err := t.settleUnits(slices.SortedFunc(maps.Keys(units), unitKey.compare), nil, ch); err != nil {
		return err
	}
	return t.save(ch)
}

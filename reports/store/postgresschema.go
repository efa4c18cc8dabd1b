package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"fullthrow/reports"
)

// How a plant's tables are laid out, and how they could be spread over several
// machines.
//
// Tables with a time (run, sample, seal, raw, failure, cell, cell_moments) are
// parted by the month in which the run began, UTC; a month's part is made with
// its first report, however late that comes. What begins before 2020 or from
// 2050 on, by a clock that is wrong, shares a part.
//
// The same tables hold the station, and nothing in the layout stands against
// spreading them by it with PostgreSQL's extension Citus: every primary key
// and unique index of theirs contains station, they are joined on station (and
// id and started) only, a row's station never changes, and no foreign key
// refers from one table to another. The others (state, grp, name, layout,
// layout_reading, chain, repair, flag, attachment) are small or looked up by
// all, and are copied to every machine:
//
//	SELECT create_reference_table('grp');              -- and name, layout, ...
//	SELECT create_distributed_table('run', 'station'); -- and sample, seal, ...
//
// Writers take turns by an advisory lock of the machine they connect to, so
// all of them must connect to the coordinator.
//
// Tested is that the keys are so (in postgres_test.go, against the running
// database's own catalogue), and that there are no foreign keys. The extension
// is not in Debian, and nothing has been run on it.

// Names of advisory locks, "FtWr" and "FtMi" in ASCII: held while a
// transaction writes, and while the tables are brought up to date.
const (
	writeLock   = 0x46745772
	migrateLock = 0x46744d69
)

// plantDialect is PostgreSQL's. Writers take turns by a lock that ends with
// the transaction: cells and numbers are read and written back, and there is
// nothing to deadlock with. Readers see one moment and never wait.
func plantDialect() *dialect {
	return &dialect{
		name:    "PostgreSQL",
		integer: "BIGINT", real: "DOUBLE PRECISION", text: `TEXT COLLATE "C"`, blob: "BYTEA",
		numbered:     true,
		begin:        []string{"BEGIN", "SELECT pg_advisory_xact_lock(" + itoa(writeLock) + ")"},
		beginReading: []string{"BEGIN ISOLATION LEVEL REPEATABLE READ READ ONLY"},
		keeps:        true,
		key: func(t table) string {
			key := "PRIMARY KEY (" + strings.Join(t.key, ", ") + ")"
			if t.name == "attachment" { // the database proves it too
				key += ", CHECK (sha256 = encode(sha256(data), 'hex') AND size = length(data))"
			}
			return key
		},
		tail: func(t table) string {
			if t.time == "" {
				return ""
			}
			return " PARTITION BY RANGE (" + t.time + ")"
		},
		// A unique index of a table in parts must hold what it is parted by. A
		// run is in once because writers take turns and look first.
		unique: func(t table) bool { return t.time == "" },
		before: makePartitions,
		stamp:  func(c string) string { return "to_timestamp(" + c + " / 1000.0)" },
		day:    func(c string) string { return "(to_timestamp(" + c + " / 1000.0) AT TIME ZONE 'UTC')::date" },
		values: func(c string) (string, string, string, string) {
			return "jsonb_array_elements(" + c + "::jsonb) WITH ORDINALITY AS v(value, n)", "v.n - 1",
				"CASE jsonb_typeof(v.value) WHEN 'number' THEN v.value::text::double precision END",
				"CASE jsonb_typeof(v.value) WHEN 'string' THEN v.value #>> '{}' WHEN 'boolean' THEN v.value::text END"
		},
	}
}

// Months that have a part of their own; what begins before or after, by a
// clock that is wrong, shares one.
const (
	firstYear = 2020
	endYear   = 2050
)

// part is a range of a table that is parted by time: [from, to) in ms.
type part struct {
	name     string
	from, to int64
}

// partOf is the part that a run beginning at ms belongs to; to 0 and from 0
// stand for no bound.
func partOf(ms int64) part {
	t := fromMillis(ms)
	first := time.Date(firstYear, 1, 1, 0, 0, 0, 0, time.UTC)
	end := time.Date(endYear, 1, 1, 0, 0, 0, 0, time.UTC)
	switch {
	case t.Before(first):
		return part{name: "early", to: millis(first)}
	case !t.Before(end):
		return part{name: "late", from: millis(end)}
	}
	month := time.Date(t.Year(), t.Month(), 1, 0, 0, 0, 0, time.UTC)
	return part{t.Format("y2006m01"), millis(month), millis(month.AddDate(0, 1, 0))}
}

// attach writes the statements that make the part of a table. The part is made
// by itself first: so nobody who reads the table meanwhile has to wait.
func (p part) attach(t table) []string {
	unit := int64(1)
	if t.time == "day" {
		unit = dayMillis
	}
	from, to := "MINVALUE", "MAXVALUE"
	if p.from != 0 {
		from = fmt.Sprint(p.from / unit)
	}
	if p.to != 0 {
		to = fmt.Sprint(p.to / unit)
	}
	name := t.name + "_" + p.name
	return []string{
		"CREATE TABLE " + name + " (LIKE " + t.name + " INCLUDING ALL)",
		"ALTER TABLE " + t.name + " ATTACH PARTITION " + name + " FOR VALUES FROM (" + from + ") TO (" + to + ")",
	}
}

// makePartitions makes the parts for runs beginning at these times, where they
// are not there yet. Writers take turns, so nobody else does so meanwhile.
func makePartitions(ctx context.Context, q querier, started []int64) error {
	var parts []part
	for _, ms := range started {
		if p := partOf(ms); !slices.Contains(parts, p) {
			parts = append(parts, p)
		}
	}
	slices.SortFunc(parts, func(a, b part) int { return strings.Compare(a.name, b.name) })
	for _, p := range parts {
		if there, err := tableIn(ctx, q, "run_"+p.name); err != nil {
			return err
		} else if there {
			continue
		}
		for _, t := range tables() {
			if t.time == "" {
				continue
			}
			for _, s := range p.attach(t) {
				if _, err := q.ExecContext(ctx, s); err != nil {
					return fmt.Errorf("part %s of table %s: %w", p.name, t.name, err)
				}
			}
		}
	}
	return nil
}

// tableIn says whether a table is there, as the table of tables has it: what
// the database remembers of names may be older than a lock just granted.
func tableIn(ctx context.Context, q querier, name string) (there bool, err error) {
	err = q.QueryRowContext(ctx, "SELECT EXISTS (SELECT 1 FROM pg_class WHERE relname = $1 AND relnamespace = "+
		"current_schema()::regnamespace)", name).Scan(&there)
	return there, err
}

// plantMigrations bring the tables of an older program up to this one's, one
// number each; the last of nil makes them all.
func plantMigrations() [][]string {
	return [][]string{nil, plantDialect().schema()}
}

// oldestLayout is the oldest that can be brought up to date: those before it
// were never anybody's.
const oldestLayout = 2

// migratePlant brings the tables up to date, all or nothing, one process at a
// time. Where they are, it writes nothing.
func migratePlant(ctx context.Context, db *sql.DB) error {
	tx, err := db.BeginTx(ctx, nil)
	if err != nil {
		return err
	}
	defer tx.Rollback()
	steps := plantMigrations()
	version, err := plantVersion(ctx, tx)
	if err != nil || version == len(steps) {
		return err
	}
	// Once more, now that nobody else is at it.
	if _, err := tx.ExecContext(ctx, "SELECT pg_advisory_xact_lock($1)", migrateLock); err != nil {
		return err
	}
	if version, err = plantVersion(ctx, tx); err != nil {
		return err
	}
	if version > len(steps) {
		return &reports.HintedError{
			Err:  fmt.Errorf("the database is of a newer program (layout %d, this one knows %d)", version, len(steps)),
			Hint: "bring this station's program up to date; its reports wait here until then",
		}
	}
	if version > 0 && version < oldestLayout {
		return &reports.HintedError{
			Err: fmt.Errorf("the database is of an older program (layout %d, this one needs %d)", version, len(steps)),
			Hint: "give it a new database (createdb NAME): the stations send all reports again; " +
				"keep the old one until they have",
		}
	}
	if version == 0 {
		taken, err := tableIn(ctx, tx, "run")
		if err != nil {
			return err
		}
		if taken {
			return &reports.HintedError{Err: errors.New("the database holds tables of another program"),
				Hint: "give it a database of its own: createdb NAME"}
		}
		if _, err := tx.ExecContext(ctx, "CREATE TABLE fullthrow_layout (version BIGINT NOT NULL)"); err != nil {
			return err
		}
		if _, err := tx.ExecContext(ctx, "INSERT INTO fullthrow_layout (version) VALUES (0)"); err != nil {
			return err
		}
	}
	for n := version; n < len(steps); n++ {
		for _, s := range steps[n] {
			if _, err := tx.ExecContext(ctx, s); err != nil {
				return fmt.Errorf("layout %d: %w", n+1, err)
			}
		}
	}
	if _, err := tx.ExecContext(ctx, "UPDATE fullthrow_layout SET version = $1", len(steps)); err != nil {
		return err
	}
	return tx.Commit()
}

// plantVersion is 0 where there are no tables yet.
func plantVersion(ctx context.Context, tx *sql.Tx) (version int, err error) {
	if there, err := tableIn(ctx, tx, "fullthrow_layout"); err != nil || !there {
		return 0, err
	}
	err = tx.QueryRowContext(ctx, "SELECT version FROM fullthrow_layout").Scan(&version)
	return version, err
}

package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"net/url"
	"path/filepath"
	"strconv"
	"strings"

	"fullthrow/reports"
)

// openSQLite opens or begins the database in a file: one connection that
// writes, a few that read. Every change is on the disk when it returns, and
// other processes may have the file open too.
func openSQLite(ctx context.Context, file string) (*base, error) {
	write, err := connect(file, "_txlock=immediate&_pragma=synchronous(full)&_pragma=cache_spill(off)", 1)
	if err != nil {
		return nil, err
	}
	if err := migrate(ctx, write); err != nil {
		write.Close()
		return nil, err
	}
	read, err := connect(file, "_pragma=query_only(on)", readers)
	if err != nil {
		write.Close()
		return nil, err
	}
	return newBase(&sqliteDialect, write, read), nil
}

// readSQLite opens the database in a file that is there for reading alone: it
// needs no more than the right to read it.
func readSQLite(ctx context.Context, file string) (*base, error) {
	read, err := connect(file, "mode=ro&_pragma=query_only(on)", readers)
	if err != nil {
		return nil, err
	}
	if err := current(ctx, read); err != nil {
		read.Close()
		return nil, err
	}
	return newBase(&sqliteDialect, read, read), nil
}

// connect prepares connections to a file, with what all of them have in common
// and these options. There is a rollback journal and no write-ahead log: a log
// wants shared memory that readers too may write, and works over no network.
func connect(file, options string, connections int) (*sql.DB, error) {
	pages()
	path, err := filepath.Abs(file)
	if err != nil {
		return nil, err
	}
	path = filepath.ToSlash(path)
	if !strings.HasPrefix(path, "/") {
		path = "/" + path // a drive letter
	}
	u := url.URL{Scheme: "file", Path: path}
	u.RawQuery = "vfs=" + pagesVFS + "&_pragma=busy_timeout(" + strconv.Itoa(busyMillis) + ")" +
		"&_pragma=temp_store(memory)&_pragma=trusted_schema(off)&_pragma=cache_size(-" +
		strconv.Itoa(cacheKiB) + ")&" + options
	db, err := sql.Open("sqlite", u.String())
	if err != nil {
		return nil, err
	}
	db.SetMaxOpenConns(connections)
	db.SetMaxIdleConns(connections)
	return db, nil
}

// cacheKiB is what a connection keeps of the file in memory.
const cacheKiB = 32 << 10

// busyMillis is how long a change waits for another process's.
const busyMillis = 30000

// applicationID stands in the file's head, so that what is not an index is
// known at once: "FtIx".
const applicationID = 0x46744978

// migrations bring the tables of an older program up to this one's, one
// number each. The index holds nothing that the reports do not: tables of an
// older layout are dropped, made anew, and filled from the reports again.
func migrations() [][]string {
	var anew []string
	for _, v := range sqliteDialect.views() {
		anew = append(anew, "DROP VIEW IF EXISTS "+v.name)
	}
	for _, t := range tables() {
		anew = append(anew, "DROP TABLE IF EXISTS "+t.name)
	}
	return [][]string{nil, append(anew, sqliteDialect.schema()...)}
}

var (
	errForeign = errors.New("it is a database of another program")
	errNotOurs = errors.New("some of its tables are missing")
)

// migrate brings the tables up to date, all or nothing.
func migrate(ctx context.Context, db *sql.DB) error {
	tx, err := db.BeginTx(ctx, nil)
	if err != nil {
		return err
	}
	defer tx.Rollback()
	version, err := layoutOfFile(ctx, tx)
	if err != nil {
		return err
	}
	steps := migrations()
	if version == int64(len(steps)) {
		if err := whole(ctx, tx); err != nil {
			return err
		}
		return tx.Commit()
	}
	for n := version; n < int64(len(steps)); n++ {
		for _, s := range steps[n] {
			if _, err := tx.ExecContext(ctx, s); err != nil {
				return fmt.Errorf("layout %d: %w", n+1, err)
			}
		}
	}
	for _, s := range []string{
		"PRAGMA application_id = " + strconv.Itoa(applicationID),
		"PRAGMA user_version = " + strconv.Itoa(len(steps)),
	} {
		if _, err := tx.ExecContext(ctx, s); err != nil {
			return err
		}
	}
	return tx.Commit()
}

// layoutOfFile is the number of the layout that a file's tables have, 0 in a new one.
func layoutOfFile(ctx context.Context, tx *sql.Tx) (int64, error) {
	var id, version, objects int64
	for query, to := range map[string]*int64{
		"PRAGMA application_id": &id, "PRAGMA user_version": &version, "SELECT count(*) FROM sqlite_schema": &objects,
	} {
		if err := tx.QueryRowContext(ctx, query).Scan(to); err != nil {
			return 0, err
		}
	}
	known := len(migrations())
	switch {
	case id != applicationID && (id != 0 || version != 0 || objects > 0):
		return 0, errForeign
	case version > int64(known):
		return 0, &reports.HintedError{
			Err:  fmt.Errorf("the index is of a newer program (layout %d, this one knows %d)", version, known),
			Hint: "run the newer program; or move index.sqlite away, and this one makes its own from the reports",
		}
	}
	return version, nil
}

// errOlder says that a file that cannot be written would have to be.
var errOlder = errors.New("the index is of an older program")

// current says whether a file can be read as it is.
func current(ctx context.Context, db *sql.DB) error {
	tx, err := db.BeginTx(ctx, &sql.TxOptions{ReadOnly: true})
	if err != nil {
		return err
	}
	defer tx.Rollback()
	version, err := layoutOfFile(ctx, tx)
	if err == nil && version != int64(len(migrations())) {
		err = errOlder
	}
	if err == nil {
		err = whole(ctx, tx)
	}
	return err
}

// whole says whether all tables and views are there.
func whole(ctx context.Context, tx *sql.Tx) error {
	names := map[string]bool{}
	for _, t := range tables() {
		names[t.name] = !t.plant
	}
	for _, v := range sqliteDialect.views() {
		names[v.name] = true
	}
	rows, err := tx.QueryContext(ctx, "SELECT name FROM sqlite_schema WHERE type IN ('table', 'view')")
	if err != nil {
		return err
	}
	defer rows.Close()
	for rows.Next() {
		var name string
		if err := rows.Scan(&name); err != nil {
			return err
		}
		delete(names, name)
	}
	for _, needed := range names {
		if needed {
			return errNotOurs
		}
	}
	return rows.Err()
}

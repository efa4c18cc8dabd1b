package store

import (
	"context"
	"database/sql"
	"errors"
	"io/fs"
	"net/url"
	"os"
	"path/filepath"
	"strconv"
	"strings"

	"fullthrow/reports/archive"
)

// Seen is what an index remembers of the records beside it, however they are now.
type Seen struct {
	Reports []archive.Known // the newest of each key
	Repairs []string        // IDs
}

// lostRepair marks the flags of repairs that are not on the record any more:
// the file they were in, and behind it their ID.
const lostRepair = "repairs.jsonl#"

// WhatIndexSaw reads what the index of the archive in dir has seen, without
// changing it or looking at the records; nothing where there is no index, or one
// that cannot be read.
func WhatIndexSaw(ctx context.Context, dir string) (seen Seen, err error) {
	file := filepath.Join(dir, IndexFile)
	if info, err := os.Stat(file); errors.Is(err, fs.ErrNotExist) || err == nil && info.Size() == 0 {
		return seen, nil
	}
	abs, err := filepath.Abs(file)
	if err != nil {
		return seen, err
	}
	path := filepath.ToSlash(abs)
	if !strings.HasPrefix(path, "/") {
		path = "/" + path // a drive letter
	}
	u := url.URL{Scheme: "file", Path: path, RawQuery: "mode=ro&_pragma=query_only(on)&_pragma=busy_timeout(" +
		strconv.Itoa(busyMillis) + ")"}
	db, err := sql.Open("sqlite", u.String())
	if err != nil {
		return seen, err
	}
	defer db.Close()
	rows, err := db.QueryContext(ctx, `SELECT c.key, s.number, s.sha256 FROM chain c JOIN seal s ON s.chain = c.id
		WHERE s.number = (SELECT MAX(number) FROM seal WHERE chain = c.id)`)
	if err != nil {
		return seen, err
	}
	for rows.Next() {
		k := archive.Known{From: "index"}
		if err := rows.Scan(&k.Key, &k.Number, &k.Hash); err != nil {
			return seen, errors.Join(err, rows.Close())
		}
		seen.Reports = append(seen.Reports, k)
	}
	if err := rows.Err(); err != nil {
		return seen, err
	}
	ids, err := db.QueryContext(ctx, "SELECT id FROM repair UNION SELECT file FROM flag WHERE file LIKE '"+lostRepair+"%'")
	if err != nil {
		return seen, err
	}
	for ids.Next() {
		var id string
		if err := ids.Scan(&id); err != nil {
			return seen, errors.Join(err, ids.Close())
		}
		seen.Repairs = append(seen.Repairs, strings.TrimPrefix(id, lostRepair))
	}
	return seen, ids.Err()
}

package store

import (
	"context"
	"crypto/sha256"
	"database/sql"
	"database/sql/driver"
	"encoding/hex"
	"errors"
	"fmt"
	"net"
	"strings"
	"sync"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
	"github.com/jackc/pgx/v5/stdlib"

	"fullthrow/reports"
	"fullthrow/reports/archive"
)

// Plant is a plant's store: a PostgreSQL database that keeps the sealed
// reports of many stations whole, with their attachments. Make it by
// [OpenPlant]. Writers take turns, whatever process they are in, so that any
// number of stations may forward at once.
type Plant struct {
	*base
}

// PlantOptions are those of [OpenPlant]; the zero value is right.
type PlantOptions struct {
	// Stalled is how long the other computer may be silent: a station that
	// begins to write and is switched off, or its cable pulled, holds up the
	// others no longer, and one whose plant is gone notices. 0 means 30 s.
	Stalled time.Duration
}

// OpenPlant connects to the plant's database and brings its tables up to date;
// in an empty database it makes them. dsn is a PostgreSQL connection string,
// as URL (postgres://user@host/database) or as words (host=... dbname=...); what
// it leaves out comes from the usual PG... environment variables and
// ~/.pgpass.
//
// What people can put right (password, missing database or permission, a
// newer program's tables) is an [*reports.HintedError].
func OpenPlant(ctx context.Context, dsn string, o PlantOptions) (*Plant, error) {
	c, err := pgx.ParseConfig(dsn)
	if err != nil {
		// Its text leaves the password out.
		return nil, &reports.HintedError{Err: fmt.Errorf("store: plant: %w", err), Hint: "write it like postgres://station@plant.example/fullthrow"}
	}
	if o.Stalled <= 0 {
		o.Stalled = 30 * time.Second
	}
	if c.ConnectTimeout <= 0 {
		c.ConnectTimeout = 10 * time.Second
	}
	stalled := itoa(int(o.Stalled.Milliseconds()))
	for name, value := range map[string]string{
		"timezone": "UTC",
		// What is confirmed is on the plant's disk, whatever its default.
		"synchronous_commit": "on",
		// A station that vanishes in the middle gives its turn back.
		"idle_in_transaction_session_timeout": stalled, "tcp_user_timeout": stalled,
		"tcp_keepalives_idle": "15", "tcp_keepalives_interval": "5", "tcp_keepalives_count": "3",
		// Tables that are parted by the same months are joined month by month.
		"enable_partitionwise_join": "on",
	} {
		c.RuntimeParams[name] = value
	}
	if c.RuntimeParams["application_name"] == "" {
		c.RuntimeParams["application_name"] = "fullthrow"
	}
	c.DialFunc = dialer(o.Stalled).DialContext
	db := stdlib.OpenDB(*c, stdlib.OptionResetSession(func(_ context.Context, c *pgx.Conn) error {
		if c.PgConn().TxStatus() != 'I' { // given back in the middle of a transaction
			return driver.ErrBadConn
		}
		return nil
	}))
	if err := migratePlant(ctx, db); err != nil {
		db.Close()
		return nil, fmt.Errorf("store: plant: %w", hinted(err))
	}
	return &Plant{newBase(plantDialect(), db, db)}, nil
}

// dialer notices within this time that the other computer is gone, rather
// than after the quarter of an hour that TCP tries.
func dialer(gone time.Duration) *net.Dialer {
	gone = max(gone, 2*time.Second)
	return &net.Dialer{
		KeepAliveConfig: net.KeepAliveConfig{Enable: true, Idle: gone / 2, Interval: max(gone/8, time.Second), Count: 4},
		Control:         unanswered(gone),
	}
}

// Close ends it.
func (p *Plant) Close() error { return p.close() }

// Add takes in sealed reports. It is durable when it returns, and all of the
// items are in, or none. A run that is in already counts as Added.Known, if
// its hash is the same; with another hash it is an error wrapping
// [ErrConflict], and what was there stays. Reports may come in any order, also
// long after later ones. Every report is proved against its seal again, and
// every attachment against its hash, before anything is written.
func (p *Plant) Add(ctx context.Context, items ...Item) (Added, error) {
	if err := prove(items); err != nil {
		return Added{}, fmt.Errorf("store: add: %w", err)
	}
	var added Added
	err := again(ctx, func() (err error) {
		added, err = p.base.Add(ctx, items...)
		return err
	})
	return added, err
}

// AddRepairs takes in repairs, idempotent by their ID.
func (p *Plant) AddRepairs(ctx context.Context, repairs ...reports.Repair) error {
	return again(ctx, func() error { return p.base.AddRepairs(ctx, repairs...) })
}

// SetFlags replaces the flags of one station (by its key) by these.
func (p *Plant) SetFlags(ctx context.Context, key string, flags []Flag) error {
	return again(ctx, func() error { return p.base.SetFlags(ctx, key, flags) })
}

// Report is the sealed report of a run as it stands in the station's file,
// seal included. The plant has it in the database; a station's index reads it
// from the records.
func (p *Plant) Report(ctx context.Context, run string) (archive.Sealed, error) {
	var s archive.Sealed
	err := p.look(ctx, "report", func(t *transaction) error {
		ok, err := t.one(`SELECT w.report, s.number, s.previous, s.sha256, s.signature, c.key, s.file FROM run r
			JOIN seal s ON s.id = r.id AND s.started = r.started AND s.station = r.station
			JOIN raw w ON w.id = r.id AND w.started = r.started AND w.station = r.station
			JOIN chain c ON c.id = s.chain WHERE r.run = ?`, []any{cleanKey(run)},
			&s.Raw, &s.Seal.Number, &s.Seal.Previous, &s.Seal.SHA256, &s.Seal.Signature, &s.Seal.Key, &s.File)
		if err == nil && !ok {
			err = fmt.Errorf("run %.80q: %w", run, ErrUnknown)
		}
		return err
	})
	if err != nil {
		return archive.Sealed{}, err
	}
	file, err := s.Bytes()
	if err == nil {
		var proved archive.Sealed
		if proved, err = archive.Parse(file); err == nil {
			proved.File = s.File
			return proved, nil
		}
	}
	return archive.Sealed{}, fmt.Errorf("store: run %.80q: %w", run, err)
}

// Attachment is the content of an attachment, by its SHA-256; an error
// wrapping [ErrUnknown] if it is not there.
func (p *Plant) Attachment(ctx context.Context, sum string) ([]byte, error) {
	var data []byte
	err := p.look(ctx, "attachment", func(t *transaction) error {
		ok, err := t.one("SELECT data FROM attachment WHERE sha256 = ?", []any{valid(sum)}, &data)
		if err == nil && !ok {
			err = fmt.Errorf("%.80q: %w", sum, ErrUnknown)
		}
		return err
	})
	if err != nil {
		return nil, err
	}
	if err := proveAttachment(sum, data); err != nil {
		return nil, fmt.Errorf("store: %w", err)
	}
	return data, nil
}

// Now is the time of the database's clock.
func (p *Plant) Now(ctx context.Context) (now time.Time, err error) {
	if err := p.read.QueryRowContext(ctx, "SELECT clock_timestamp()").Scan(&now); err != nil {
		return now, fmt.Errorf("store: now: %w", hinted(err))
	}
	return now, nil
}

// Known says which of these runs are in the store, and with what SHA-256.
func (p *Plant) Known(ctx context.Context, runs []string) (map[string]string, error) {
	known := map[string]string{}
	err := p.have(ctx, runs, "r.run", `SELECT r.run, s.sha256 FROM run r
		JOIN seal s ON s.id = r.id AND s.started = r.started AND s.station = r.station WHERE `, known)
	return known, err
}

// KnownAttachments says which of these attachments are in the store, by
// SHA-256.
func (p *Plant) KnownAttachments(ctx context.Context, sums []string) (map[string]bool, error) {
	return p.haveAny(ctx, sums, "sha256", "SELECT sha256, '' FROM attachment WHERE ")
}

// KnownRepairs says which of these repairs are in the store, by ID.
func (p *Plant) KnownRepairs(ctx context.Context, ids []string) (map[string]bool, error) {
	return p.haveAny(ctx, ids, "id", "SELECT id, '' FROM repair WHERE ")
}

func (p *Plant) haveAny(ctx context.Context, keys []string, column, query string) (map[string]bool, error) {
	found := map[string]string{}
	err := p.have(ctx, keys, column, query, found)
	known := make(map[string]bool, len(found))
	for k := range found {
		known[k] = true
	}
	return known, err
}

// have looks keys up and enters what was found, under the keys as given.
func (p *Plant) have(ctx context.Context, keys []string, column, query string, found map[string]string) error {
	as := make(map[string]string, len(keys))
	clean := make([]string, len(keys))
	for i, k := range keys {
		clean[i] = cleanKey(k)
		as[clean[i]] = k
	}
	return p.look(ctx, "known", func(t *transaction) error {
		return chunks(clean, func(part []string) error {
			where, args := in(column, part)
			return t.each(query+where, args, func(rows *sql.Rows) error {
				var key, value string
				err := rows.Scan(&key, &value)
				found[as[key]] = value
				return err
			})
		})
	})
}

// prove checks that items are what they say, on all processors.
func prove(items []Item) error {
	errs := make([]error, len(items))
	next := make(chan int)
	var wg sync.WaitGroup
	for range min(4, len(items)) {
		wg.Go(func() {
			for i := range next {
				errs[i] = reports.Caught(func() error { return proveItem(items[i]) })
			}
		})
	}
	for i := range items {
		next <- i
	}
	close(next)
	wg.Wait()
	for _, err := range errs { // the first, so that it is the same each time
		if err != nil {
			return &RefusedError{err}
		}
	}
	return nil
}

func proveItem(i Item) error {
	run := i.Sealed.Report.Run
	file, err := i.Sealed.Bytes()
	if err == nil {
		var s archive.Sealed
		if s, err = archive.Parse(file); err == nil && s.Report.Run != run {
			err = fmt.Errorf("%w: it is of run %.80q", archive.ErrSeal, s.Report.Run)
		}
	}
	if err != nil {
		return fmt.Errorf("run %.80q: %w", run, err)
	}
	for sum, data := range i.Attachments {
		if err := proveAttachment(sum, data); err != nil {
			return fmt.Errorf("run %.80q: %w", run, err)
		}
	}
	return nil
}

func proveAttachment(sum string, data []byte) error {
	if got := sha256.Sum256(data); hex.EncodeToString(got[:]) != sum {
		return fmt.Errorf("attachment %.12q: %w: its SHA-256 begins %x", sum, archive.ErrSeal, got[:6])
	}
	return nil
}

// RefusedError is of items that a store cannot take, now or later.
type RefusedError struct{ Err error }

func (e *RefusedError) Error() string { return e.Err.Error() }

func (e *RefusedError) Unwrap() error { return e.Err }

// Refused reports true: to try again would not help.
func (e *RefusedError) Refused() bool { return true }

// again runs f once more where the database gave up one of two transactions
// that stood in each other's way.
func again(ctx context.Context, f func() error) error {
	for try := 0; ; try++ {
		err := f()
		var pe *pgconn.PgError
		if err == nil || !errors.As(err, &pe) || try == 5 || ctx.Err() != nil {
			return hinted(err)
		}
		switch {
		case pe.Code == "40001" || pe.Code == "40P01": // serialization failure, deadlock
		case strings.HasPrefix(pe.Code, "22") || strings.HasPrefix(pe.Code, "23"): // data exception, constraint
			return &RefusedError{err}
		default:
			return hinted(err)
		}
	}
}

// hinted adds what to do about errors that people can put right.
func hinted(err error) error {
	hint := ""
	var pe *pgconn.PgError
	var ce *pgconn.ConnectError
	switch {
	case err == nil:
		return nil
	case errors.As(err, &pe):
		hint = map[string]string{
			"28P01": "give user name and password, for instance in ~/.pgpass",
			"28000": "let this computer in by the plant's pg_hba.conf",
			"3D000": "make the database once: createdb NAME",
			"42501": "the user needs the right to make and change tables in the database: GRANT CREATE ON SCHEMA public TO NAME",
			"53100": "the plant's disk is full: make room there; the stations keep their reports",
			"53300": "the plant has too many connections open: raise max_connections there",
			"57P03": "the plant's database is starting up",
			"25006": "this is a copy that cannot be written to: connect to the main server",
		}[pe.Code]
	case errors.As(err, &ce):
		hint = "is the plant's computer on, and the network up? Reports stay here until it is"
	}
	if hint == "" {
		return err
	}
	return &reports.HintedError{Err: err, Hint: hint}
}

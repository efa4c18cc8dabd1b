package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"strings"
)

// base is a store over a database of either kind, but for what only one
// kind does (Report of a station's index).
type base struct {
	dialect     *dialect
	write, read *sql.DB // may be the same
	writers     *pool   // of one: writers take turns
	readers     *pool
	dict        *dictionary
	// damaged is told of errors that are not the caller's, and may say more
	// about them; it may be nil.
	damaged func(error) error
}

// readers is how many questions are answered at a time; others wait.
const readers = 4

// newBase needs one connection of write for itself, and one of read for each
// of the readers.
func newBase(d *dialect, write, read *sql.DB) *base {
	return &base{dialect: d, write: write, read: read, writers: newPool(write, 1), readers: newPool(read, readers),
		dict: newDictionary()}
}

// querier is what a transaction of this package and one of database/sql have
// in common.
type querier interface {
	ExecContext(ctx context.Context, query string, args ...any) (sql.Result, error)
	QueryRowContext(ctx context.Context, query string, args ...any) *sql.Row
}

func (b *base) close() error {
	b.writers.close()
	b.readers.close()
	err := b.write.Close()
	if b.read != b.write {
		err = errors.Join(err, b.read.Close())
	}
	if err != nil {
		return fmt.Errorf("store: close: %w", err)
	}
	return nil
}

// replace puts what open gives in the place of the databases, which it closes first:
// between the transactions under way and those that wait for their turn. Where open
// fails, whatever comes later fails, until it is replaced again.
func (b *base) replace(ctx context.Context, open func() (*base, error)) error {
	var held []*pool
	defer func() {
		for _, p := range held {
			p.tickets <- nil
		}
	}()
	for _, p := range []*pool{b.writers, b.readers} {
		for range cap(p.tickets) {
			select {
			case <-ctx.Done():
				return context.Cause(ctx)
			case s := <-p.tickets:
				held = append(held, p)
				if s != nil {
					s.close()
				}
			}
		}
	}
	b.write.Close()
	b.read.Close()
	n, err := open()
	if err != nil {
		return err
	}
	b.write, b.read, b.dict = n.write, n.read, n.dict
	b.writers.db, b.readers.db = n.write, n.read
	return nil
}

// pool hands out sessions, at most as many at a time as it has tickets.
type pool struct {
	db      *sql.DB
	tickets chan *session // nil for one that is still to be opened
}

// session is a connection with the statements prepared on it.
type session struct {
	conn       *sql.Conn
	statements map[string]*sql.Stmt
}

func newPool(db *sql.DB, n int) *pool {
	p := &pool{db, make(chan *session, n)}
	for range n {
		p.tickets <- nil
	}
	return p
}

// take waits for its turn; old says that the session was used before.
func (p *pool) take(ctx context.Context) (s *session, old bool, err error) {
	select {
	case <-ctx.Done():
		return nil, false, context.Cause(ctx)
	case s := <-p.tickets:
		if s != nil {
			return s, true, nil
		}
		conn, err := p.db.Conn(ctx)
		if err != nil {
			p.tickets <- nil
			return nil, false, err
		}
		return &session{conn, map[string]*sql.Stmt{}}, false, nil
	}
}

// give takes a session back; one that met an error is not used again.
func (p *pool) give(s *session, err error) {
	if err != nil {
		s.close()
		s = nil
	}
	p.tickets <- s
}

func (s *session) close() {
	for _, st := range s.statements {
		st.Close()
	}
	s.conn.Close()
}

// close waits for the transactions under way; what comes later fails by the
// closed database.
func (p *pool) close() {
	for range cap(p.tickets) {
		if s := <-p.tickets; s != nil {
			s.close()
		}
	}
	for range cap(p.tickets) {
		p.tickets <- nil
	}
}

// mostStatements bounds the prepared statements of a session; the few others
// are prepared each time.
const mostStatements = 400

// transaction is one moment of the database, or one change of it.
type transaction struct {
	ctx context.Context
	b   *base
	s   *session
	*words
}

// change runs f in a transaction that writes: all of it lasts, or none.
func (b *base) change(ctx context.Context, verb string, f func(t *transaction) error) error {
	return b.inside(ctx, verb, b.writers, b.dialect.begin, f)
}

// look runs f in a transaction that sees one moment.
func (b *base) look(ctx context.Context, verb string, f func(t *transaction) error) error {
	return b.inside(ctx, verb, b.readers, b.dialect.beginReading, f)
}

func (b *base) inside(ctx context.Context, verb string, p *pool, begin []string, f func(t *transaction) error) error {
	if err := b.run(ctx, p, begin, f); err != nil {
		return fmt.Errorf("store: %s: %w", verb, err)
	}
	return nil
}

// told is an error as it is told. It is called before the session is given back, so
// that damage is never said of a database that came in its place.
func (b *base) told(ctx context.Context, err error) error {
	switch {
	case err == nil:
		return nil
	case ctx.Err() != nil:
		return context.Cause(ctx)
	case b.damaged != nil && !errors.Is(err, ErrUnknown) && !errors.Is(err, ErrConflict):
		return b.damaged(err)
	}
	return err
}

func (b *base) run(ctx context.Context, p *pool, begin []string, f func(t *transaction) error) (err error) {
	var t *transaction
	for {
		s, old, err := p.take(ctx)
		if err != nil {
			return b.told(ctx, err)
		}
		t = &transaction{ctx: ctx, b: b, s: s}
		for _, q := range begin {
			if _, err = t.exec(q); err != nil {
				break
			}
		}
		if err == nil {
			break
		}
		if !old || ctx.Err() != nil {
			said := b.told(ctx, err)
			p.give(s, err)
			return said
		}
		p.give(s, err)
		// The other end may have gone while nobody asked: once more, anew.
	}
	defer func() {
		said := b.told(ctx, err)
		p.give(t.s, err)
		err = said
	}()
	done := false
	defer func() {
		if !done { // also where f panics
			t.s.conn.ExecContext(context.WithoutCancel(ctx), "ROLLBACK")
		}
	}()
	if t.words, err = b.dict.at(t); err != nil {
		return err
	}
	if err := f(t); err != nil {
		return err
	}
	if err := ctx.Err(); err != nil {
		return err
	}
	t.ctx = context.WithoutCancel(ctx) // whether it lasted must be known
	if _, err := t.exec("COMMIT"); err != nil {
		return err
	}
	done = true
	return nil
}

func (t *transaction) prepare(query string) (st *sql.Stmt, keep bool, err error) {
	if st := t.s.statements[query]; st != nil {
		return st, true, nil
	}
	if st, err = t.s.conn.PrepareContext(t.ctx, t.b.dialect.bind(query)); err != nil {
		return nil, false, err
	}
	if keep = len(t.s.statements) < mostStatements; keep {
		t.s.statements[query] = st
	}
	return st, keep, nil
}

// exec runs a statement and says how many rows it touched.
func (t *transaction) exec(query string, args ...any) (int64, error) {
	st, keep, err := t.prepare(query)
	if err != nil {
		return 0, err
	}
	if !keep {
		defer st.Close()
	}
	res, err := st.ExecContext(t.ctx, args...)
	if err != nil {
		return 0, err
	}
	return res.RowsAffected()
}

// each hands the rows of a query to scan, one after the other.
func (t *transaction) each(query string, args []any, scan func(rows *sql.Rows) error) error {
	st, keep, err := t.prepare(query)
	if err != nil {
		return err
	}
	if !keep {
		defer st.Close()
	}
	rows, err := st.QueryContext(t.ctx, args...)
	if err != nil {
		return err
	}
	defer rows.Close()
	for rows.Next() {
		if err := scan(rows); err != nil {
			if errors.Is(err, errEnough) {
				return rows.Close()
			}
			return err
		}
	}
	return rows.Err()
}

// errEnough ends a query early.
var errEnough = errors.New("enough")

// one scans the only row; ok is false if there is none.
func (t *transaction) one(query string, args []any, to ...any) (ok bool, err error) {
	err = t.each(query, args, func(rows *sql.Rows) error {
		ok = true
		if err := rows.Scan(to...); err != nil {
			return err
		}
		return errEnough
	})
	return ok, err
}

// insert puts rows of the given width into a table, many at a time.
func (t *transaction) insert(table, columns string, rows [][]any) error {
	width := strings.Count(columns, ",") + 1
	most := 1
	for most*2*width <= 900 && most < 64 {
		most *= 2
	}
	row := "(" + strings.TrimSuffix(strings.Repeat("?,", width), ",") + ")"
	for len(rows) > 0 {
		n := most
		for n > len(rows) {
			n /= 2 // few sizes, so that the statements can be kept
		}
		args := make([]any, 0, n*width)
		for _, r := range rows[:n] {
			args = append(args, r...)
		}
		if _, err := t.exec("INSERT INTO "+table+" ("+columns+") VALUES "+strings.TrimSuffix(strings.Repeat(row+",", n),
			","), args...); err != nil {
			return err
		}
		rows = rows[n:]
	}
	return nil
}

// mostIn bounds the values of one IN (...).
const mostIn = 512

// in writes "column IN (?, ...)" for at most mostIn values. The number of
// marks is a power of two, the last value repeated, so that the statements can
// be kept.
func in[T any](column string, values []T) (string, []any) {
	n := 1
	for n < len(values) {
		n *= 2
	}
	args := make([]any, n)
	for i := range args {
		args[i] = values[min(i, len(values)-1)]
	}
	return column + " IN (" + strings.TrimSuffix(strings.Repeat("?,", n), ",") + ")", args
}

// chunks calls f for at most mostIn values at a time.
func chunks[T any](values []T, f func([]T) error) error {
	for len(values) > 0 {
		n := min(len(values), mostIn)
		if err := f(values[:n]); err != nil {
			return err
		}
		values = values[n:]
	}
	return nil
}

func number(b bool) int64 {
	if b {
		return 1
	}
	return 0
}

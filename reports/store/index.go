package store

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"sync"
	"time"

	"modernc.org/sqlite"
	sqlite3 "modernc.org/sqlite/lib"

	"fullthrow/reports"
	"fullthrow/reports/archive"
)

// IndexFile is the name of the index in a station's archive directory. While it is
// written to, SQLite keeps a file of the same name ending in -journal beside it.
const IndexFile = "index.sqlite"

// Index is a station's store: an SQLite file beside the records. Several
// processes may have it open at once.
type Index struct {
	*base
	dir   string
	file  string // of the index
	notes []string
	about func() // to be told of a look through everything; may be nil

	reading bool   // nothing may be written
	behind  bool   // ... though something should be
	justNow bool   // ... of which something came just now
	away    string // a folder that goes when the index is closed

	met     func()     // to be told of damage; may be nil
	mending sync.Mutex // held by [Index.Mend]
	broken  bool       // the file was moved aside, and a new one could not be opened
}

// IndexOptions are those of [OpenIndex]; the zero value is right for a command.
type IndexOptions struct {
	// Defer leaves [Index.Reconcile] to the caller: a server starts without
	// waiting, and looks through years of files beside its work.
	Defer bool
	// Progress is told how many of the files that had to be read have been.
	Progress func(done, total int)
	// Write says that the index will be written to: who may not write to the
	// archive gets an own one even where the archive's is up to date.
	Write bool
	// Cache is where readers who may not write keep their own; the user's cache
	// folder if it is "".
	Cache string
	// Damaged is told when damage is met, before whoever asked has the error: it
	// must not wait. See [Index.Mend].
	Damaged func()
}

// OpenIndex opens the index of the archive in dir, or makes it, and brings it
// up to date with the files (see [Index.Follow]). It opens no archive and may run
// beside the station's program. Who may only read the archive asks its index all the
// same, or an own one: see reader.go.
//
// An index that is damaged, cut short or no index at all is moved aside and
// made again from the reports, which hold all that was in it; [Index.Notes]
// says so. One that a newer program made is an [*reports.HintedError].
func OpenIndex(ctx context.Context, dir string, o IndexOptions) (*Index, error) {
	if info, err := os.Stat(dir); err != nil {
		return nil, fmt.Errorf("store: index: %w", err)
	} else if !info.IsDir() {
		return nil, fmt.Errorf("store: index: %s is no directory", dir)
	}
	file := filepath.Join(dir, IndexFile)
	_, err := os.Stat(file)
	if !writable(dir) || err == nil && !writable(file) {
		return openForReading(ctx, dir, o)
	}
	return openIn(ctx, dir, file, o)
}

// openIn opens or begins the index of the archive in dir in a file.
func openIn(ctx context.Context, dir, file string, o IndexOptions) (*Index, error) {
	for try := 0; ; try++ {
		ix, err := openIndex(ctx, dir, file, o, try > 0)
		if err == nil {
			return ix, nil
		}
		// Damage that showed only while it was brought up to date: once more,
		// with the file moved aside.
		if try > 0 || !isDamage(err) || ctx.Err() != nil {
			return nil, err
		}
	}
}

func openIndex(ctx context.Context, dir, file string, o IndexOptions, damaged bool) (_ *Index, err error) {
	ix := &Index{dir: dir, file: file, met: o.Damaged}
	what := examine(file)
	if damaged && what == "" {
		what = "it is damaged"
	}
	if what == "" {
		ix.base, err = openSQLite(ctx, file)
		if err == nil {
			err = ix.fresh(ctx)
			if err != nil {
				ix.base.close()
			}
		}
		if errors.Is(err, errStale) {
			what = plainly(err)
		} else if isDamage(err) || errors.Is(err, errForeign) {
			what = diagnose(file, err)
		} else if err != nil {
			return nil, openError(err)
		}
	}
	if what != "" {
		var note string
		if ix.base, note, err = begin(ctx, file, what); err != nil {
			return nil, err
		}
		ix.notes = append(ix.notes, note)
	}
	ix.base.damaged = ix.mark
	defer func() {
		if err != nil {
			ix.close()
		}
	}()
	if what == "" {
		if err := ix.noteMissing(ctx); err != nil {
			return nil, err
		}
	}
	if o.Defer {
		return ix, nil
	}
	_, err = ix.bring(ctx, false, o.Progress)
	return ix, err
}

// begin moves a file of an index that cannot be used aside, for a reason in words,
// and begins a new one.
func begin(ctx context.Context, file, what string) (*base, string, error) {
	aside, err := moveAside(file)
	if err != nil {
		return nil, "", fmt.Errorf("store: index: %s, and cannot be moved aside: %w", what, err)
	}
	kept := ""
	if aside != "" {
		kept = " and kept as " + filepath.Base(aside)
	}
	b, err := openSQLite(ctx, file)
	if err != nil {
		return nil, "", openError(err)
	}
	return b, fmt.Sprintf("The index cannot be used (%s): it was moved aside%s, and a new one is made from the "+
		"reports, which hold everything.", what, kept), nil
}

// Mend begins the index anew, without closing it, where damage was met; questions
// wait meanwhile. It says in words what was done, "" where nothing had to be. The
// new index is empty: [Index.Follow] takes in all reports.
func (ix *Index) Mend(ctx context.Context) (note string, err error) {
	ix.mending.Lock()
	defer ix.mending.Unlock()
	what := examine(ix.file)
	if what == "" && ix.broken {
		what = "it is damaged"
	}
	if what == "" || ix.reading {
		return "", nil
	}
	err = ix.base.replace(ctx, func() (b *base, err error) {
		b, note, err = begin(ctx, ix.file, what)
		ix.broken = err != nil
		return b, err
	})
	return note, err
}

// errStale says that the index knows less of flags than it did.
var errStale = errors.New("it is an older copy")

// fresh says whether the index is not older than it was.
func (ix *Index) fresh(ctx context.Context) error {
	return ix.look(ctx, "open", func(t *transaction) error {
		g, err := t.generation()
		if err == nil && t.runs > 0 && g < ix.generation() {
			err = errStale
		}
		return err
	})
}

// noteMissing says that the index is made anew where there are reports.
func (ix *Index) noteMissing(ctx context.Context) error {
	var runs int64
	if err := ix.look(ctx, "open", func(t *transaction) error { runs = t.runs; return nil }); err != nil || runs > 0 {
		return err
	}
	switch head, err := archive.ReadHead(ix.dir); {
	case err != nil:
		ix.notes = append(ix.notes, "There was no index: it is made from the reports.")
	case head.Number > 0:
		ix.notes = append(ix.notes, fmt.Sprintf("There was no index: it is made from the %d reports.", head.Number))
	}
	return nil
}

func openError(err error) error {
	var h *reports.HintedError
	if errors.As(err, &h) {
		return &reports.HintedError{Err: fmt.Errorf("store: index: %w", h.Err), Hint: h.Hint}
	}
	return advise(fmt.Errorf("store: index: %w", err))
}

// advise adds what to do about errors that people can put right.
func advise(err error) error {
	hint := map[int]string{
		sqliteBusy:     "another program works on the index: wait for it, or end it",
		sqliteFull:     "make room on the disk; the reports themselves are not touched",
		sqliteCantOpen: "whoever asks must be allowed to write to the data directory, where the index is kept",
		sqliteReadOnly: "whoever asks must be allowed to write to the data directory, where the index is kept",
	}[code(err)]
	if hint == "" {
		return err
	}
	return &reports.HintedError{Err: err, Hint: hint}
}

// Result codes of SQLite (sqlite.org/rescode.html).
const (
	sqliteBusy     = 5
	sqliteReadOnly = 8
	sqliteCorrupt  = 11
	sqliteFull     = 13
	sqliteCantOpen = 14
	sqliteNotADB   = 26
)

// code is SQLite's primary result code, 0 for other errors.
func code(err error) int {
	var e *sqlite.Error
	if errors.As(err, &e) {
		return e.Code() & 0xff
	}
	return 0
}

// isDamage says that the file holds something else than was written to it.
func isDamage(err error) bool {
	c := code(err)
	return c == sqliteCorrupt || c == sqliteNotADB || pageDamage(err) || errors.Is(err, errPacked) ||
		errors.Is(err, errNotOurs)
}

// pageDamage says that a page did not fit its sum: see pages.go.
func pageDamage(err error) bool {
	var e *sqlite.Error
	return errors.As(err, &e) && e.Code() == sqlite3.SQLITE_IOERR_DATA
}

func plainly(err error) string {
	switch {
	case errors.Is(err, errForeign):
		return errForeign.Error()
	case errors.Is(err, errNotOurs):
		return errNotOurs.Error()
	case errors.Is(err, errStale):
		return errStale.Error()
	case code(err) == sqliteNotADB:
		return "it is no database"
	}
	return "it is damaged"
}

// ErrDamaged is in the chain of every error that damage of a station's index
// caused: whoever opens it again has it made from the reports.
var ErrDamaged = errors.New("the index is damaged")

const damageMark = IndexFile + ".damaged"

// mark takes note of damage that was met, so that whoever opens the index next
// makes it again, and says what to do.
func (ix *Index) mark(err error) error {
	if !isDamage(err) {
		return advise(err)
	}
	// best effort: the error is told anyway
	if !ix.reading {
		os.WriteFile(filepath.Join(filepath.Dir(ix.file), damageMark), []byte(err.Error()+"\n"), 0o644)
	}
	if ix.met != nil {
		ix.met()
	}
	return &reports.HintedError{Err: fmt.Errorf("%w: %w", ErrDamaged, err),
		Hint: "the index is damaged, the reports are not: ask again, and it is made from them"}
}

// examine says what stands in the way of opening a file as an index, "" if nothing
// does or if it is not there. It does not open it: whoever closes a file, loses the
// locks that SQLite has on it in the same process (sqlite.org/howtocorrupt.html, 2.2).
func examine(file string) string {
	if _, err := os.Stat(filepath.Join(filepath.Dir(file), damageMark)); err == nil {
		return "it was found damaged"
	}
	if info, err := os.Stat(file); err == nil && !info.Mode().IsRegular() {
		return "it is no file"
	}
	return ""
}

// diagnose says in words what is wrong with a file that could not be opened.
func diagnose(file string, err error) string {
	f, ferr := os.Open(file)
	if ferr != nil || !isDamage(err) {
		return plainly(err)
	}
	defer f.Close()
	info, ferr := f.Stat()
	// sqlite.org/fileformat2.html, 1.3: the database header.
	var head [100]byte
	switch n, _ := f.ReadAt(head[:], 0); {
	case ferr != nil:
		return plainly(err)
	case n < len(head) || string(head[:16]) != "SQLite format 3\x00":
		return "it is no database"
	case binary.BigEndian.Uint32(head[68:]) != applicationID:
		return errForeign.Error()
	case info.Size() < pageSize*int64(binary.BigEndian.Uint32(head[28:])):
		return "it was cut short"
	}
	return plainly(err)
}

// moveAside renames the files of an index and returns the new name, "" if
// there was none.
func moveAside(file string) (string, error) {
	aside := file + ".bad-" + time.Now().UTC().Format("20060102T150405.000Z")
	moved := ""
	for _, end := range []string{"", "-journal"} {
		err := os.Rename(file+end, aside+end)
		if err != nil && !errors.Is(err, fs.ErrNotExist) {
			return "", err
		}
		if err == nil && end == "" {
			moved = aside
		}
	}
	if err := os.Remove(filepath.Join(filepath.Dir(file), damageMark)); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return "", err
	}
	return moved, nil
}

// Notes are sentences for people about how the index was opened: that it was
// damaged, for instance, and is made again.
func (ix *Index) Notes() []string { return ix.notes }

// Dir is the archive's directory.
func (ix *Index) Dir() string { return ix.dir }

// Close ends it.
func (ix *Index) Close() error {
	err := ix.close()
	if ix.away != "" {
		err = errors.Join(err, os.RemoveAll(ix.away))
	}
	return err
}

// ItemOf makes the item of a report just sealed in the archive in dir.
func ItemOf(dir string, s archive.Sealed) (Item, error) {
	file := s.File
	if rel, err := filepath.Rel(dir, file); err == nil && filepath.IsAbs(file) {
		file = rel
	}
	file = filepath.ToSlash(file)
	info, err := os.Lstat(filepath.Join(dir, filepath.FromSlash(file)))
	if err != nil {
		return Item{}, fmt.Errorf("store: %w", err)
	}
	return Item{Sealed: s, File: file, Size: info.Size(), Modified: info.ModTime()}, nil
}

// AddSealed takes in a report that was just sealed in the index's archive.
func (ix *Index) AddSealed(ctx context.Context, s archive.Sealed) error {
	item, err := ItemOf(ix.dir, s)
	if err != nil {
		return err
	}
	_, err = ix.Add(ctx, item)
	return err
}

// Report is the sealed report of a run as it stands in the station's file,
// seal included. The plant has it in the database; a station's index reads it
// from the records. It reads the report's file and proves its seal.
func (ix *Index) Report(ctx context.Context, run string) (archive.Sealed, error) {
	r, err := ix.Run(ctx, run)
	if err != nil {
		return archive.Sealed{}, err
	}
	s, err := archive.Load(filepath.Join(ix.dir, filepath.FromSlash(r.File)))
	if err != nil {
		return archive.Sealed{}, fmt.Errorf("store: run %.80q: %w", run, err)
	}
	s.File = r.File
	if s.Seal.SHA256 != r.SHA256 {
		return archive.Sealed{}, fmt.Errorf("store: run %.80q: %w: %s is another report than was indexed", run,
			archive.ErrSeal, r.File)
	}
	return s, nil
}

// stationKey is the first key of the archive's station, lower-case hex, "" if it
// cannot be read.
func (ix *Index) stationKey() string {
	keys := archive.Keys(ix.dir)
	if len(keys) == 0 {
		return ""
	}
	return keys[0]
}

// Current takes in what follows on the newest report, and says whether the index now
// knows every report of the archive: quick, whatever came up.
func (ix *Index) Current(ctx context.Context) (bool, error) {
	current, _, err := ix.upToDate(ctx)
	return current, err
}

// UnitRuns lists a unit's sealed runs, also those with a flag, oldest first.
func (ix *Index) UnitRuns(ctx context.Context, product, serial string) ([]archive.Entry, error) {
	runs, _, err := ix.History(ctx, product, serial)
	list := make([]archive.Entry, len(runs))
	for i, r := range runs {
		list[i] = archive.Entry{Number: r.Number, Hash: r.SHA256, Run: r.Run, File: r.File, Nest: r.Nest, Unit: r.Unit,
			Attempt: r.Attempt, Started: r.Started, Ended: r.Ended, Outcome: r.Outcome, CutShort: r.CutShort}
	}
	return list, err
}

// FileOf is the file of the station's report with a number, "" if there is none.
func (ix *Index) FileOf(ctx context.Context, number int64) (file string, err error) {
	err = ix.look(ctx, "file", func(t *transaction) error {
		_, err := t.one("SELECT s.file FROM seal s JOIN chain c ON c.id = s.chain WHERE c.key = ? AND s.number = ?",
			[]any{cleanKey(ix.stationKey()), number}, &file)
		return err
	})
	return file, err
}

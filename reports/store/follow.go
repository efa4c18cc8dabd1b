package store

import (
	"cmp"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"

	"fullthrow/reports/archive"
)

// What is known of an archive's folders and notes is kept in the table seen, so
// that the index is brought up to date without a look at every file: a folder in
// which nothing came, went or was renamed has the time it had.

// mark is how a folder or a note stood.
type mark struct {
	at   int64 // a folder's time, µs, 0 where that says nothing; the number of the flags
	hash string
}

// Rows of seen that are no folders.
const (
	chainNote   = "chain"
	repairsNote = "repairs.chain"
	flagsNote   = "flags"
)

// settled is how old a folder's time must be to tell that nothing came after it:
// file systems count in steps of up to two seconds.
const settled = 2 * time.Second

func folderMark(f archive.Folder, looked time.Time) mark {
	if looked.Sub(f.Modified) < settled {
		return mark{}
	}
	return mark{f.Modified.UnixMicro(), ""}
}

func headMark(h archive.Place, err error) mark {
	if err != nil {
		return mark{0, "?"}
	}
	return mark{h.Number, h.SHA256}
}

func (t *transaction) see(marks map[string]mark) error {
	for name, m := range marks {
		if _, err := t.exec("INSERT INTO seen (name, at, hash) VALUES (?,?,?) "+
			"ON CONFLICT (name) DO UPDATE SET at = excluded.at, hash = excluded.hash", name, m.at, m.hash); err != nil {
			return err
		}
	}
	return nil
}

func (t *transaction) seen() (map[string]mark, error) {
	list := map[string]mark{}
	err := t.each("SELECT name, at, hash FROM seen", nil, func(rows *sql.Rows) error {
		var name string
		var m mark
		err := rows.Scan(&name, &m.at, &m.hash)
		list[name] = m
		return err
	})
	return list, err
}

// generation counts the changes of the flags. The file beside the index knows it
// too: an older copy of the index, put back, would count what was found changed.
func (t *transaction) generation() (g int64, err error) {
	_, err = t.one("SELECT at FROM seen WHERE name = ?", []any{flagsNote}, &g)
	return g, err
}

const generationEnding = ".generation"

func (ix *Index) generation() int64 {
	text, err := os.ReadFile(ix.file + generationEnding)
	if err != nil {
		return 0
	}
	g, err := strconv.ParseInt(strings.TrimSpace(string(text)), 10, 64)
	if err != nil || g < 0 || g > math.MaxInt64/2 {
		return 0
	}
	return g
}

func (ix *Index) setGeneration(g int64) error {
	if ix.generation() >= g {
		return nil
	}
	file := ix.file + generationEnding
	if err := os.WriteFile(file+".new", []byte(strconv.FormatInt(g, 10)+"\n"), 0o644); err != nil {
		return fmt.Errorf("store: index: %w", err)
	}
	if err := os.Rename(file+".new", file); err != nil {
		return fmt.Errorf("store: index: %w", err)
	}
	return nil
}

// mostFollowed bounds the new reports that are held in memory at once; more are
// taken in by a look through everything.
const mostFollowed = 1024

// following is a look at what came since the last.
type following struct {
	ix       *Index
	key      string
	thorough bool
	began    time.Time
	head     archive.Place
	headErr  error
	repairs  archive.Place

	marks  map[string]mark
	flags  map[string]string // by file: what kind is known
	runs   int64
	newest struct {
		number int64
		hash   string
	}
	fresh []archive.File
	see   map[string]mark
	done  Reconciled
}

// follow takes in new reports that follow on the newest; plain is false where
// anything else came up, which takes a look at all. Thorough, it looks into every
// folder, by size and time of the files.
func (ix *Index) follow(ctx context.Context, thorough bool) (done Reconciled, plain bool, err error) {
	f := &following{ix: ix, key: ix.stationKey(), thorough: thorough, began: time.Now(), flags: map[string]string{},
		see: map[string]mark{}}
	f.repairs, _ = archive.ReadRepairHead(ix.dir)
	f.head, f.headErr = archive.ReadHead(ix.dir) // before the files: never ahead of them
	if err := ix.look(ctx, "follow", f.known); err != nil {
		return f.done, false, err
	}
	if f.runs == 0 {
		return f.done, false, nil
	}
	folders, err := archive.Folders(ix.dir)
	if err != nil {
		return f.done, false, fmt.Errorf("store: follow: %w", err)
	}
	there := map[string]bool{}
	for _, folder := range folders {
		there[folder.Name] = true
		m := folderMark(folder, f.began)
		if old, ok := f.marks[folder.Name]; ok && !thorough && old == m && m.at != 0 {
			continue
		}
		plain, err := f.lookInto(ctx, folder.Name)
		if err != nil || !plain {
			return f.done, false, err
		}
		if m != f.marks[folder.Name] {
			f.see[folder.Name] = m
		}
	}
	for name := range f.marks {
		if name[0] >= '0' && name[0] <= '9' && !there[name] {
			return f.done, false, nil
		}
	}
	if plain, err := f.add(ctx); err != nil || !plain {
		return f.done, false, err
	}
	if err := f.keep(ctx); err != nil {
		if errors.Is(err, errRepairsLost) {
			err = nil
		}
		return f.done, false, err
	}
	f.done.Files = int(f.runs) + f.done.Added
	return f.done, true, nil
}

// known reads what the index knows.
func (f *following) known(t *transaction) (err error) {
	if f.marks, err = t.seen(); err != nil {
		return err
	}
	flags, err := t.flagsOf(f.key)
	if err != nil {
		return err
	}
	for _, x := range flags {
		if x.File != "" {
			f.flags[x.File] = x.Kind
		}
	}
	f.done.Flags = len(flags)
	if _, err := t.one("SELECT COALESCE(SUM(reports), 0) FROM chain", nil, &f.runs); err != nil {
		return err
	}
	_, err = t.one("SELECT s.number, s.sha256 FROM seal s JOIN chain c ON c.id = s.chain WHERE c.key = ? "+
		"ORDER BY s.number DESC LIMIT 1", []any{cleanKey(f.key)}, &f.newest.number, &f.newest.hash)
	return err
}

// lookInto compares a folder with what is known of it.
func (f *following) lookInto(ctx context.Context, folder string) (plain bool, err error) {
	type row struct {
		size, modified int64
		hash           string
	}
	rows := map[string]row{}
	// In this order: what is in the tables was in the files before.
	if err := f.ix.look(ctx, "follow", func(t *transaction) error {
		return t.each("SELECT file, size, modified, sha256 FROM seal WHERE file > ? AND file < ?",
			[]any{folder + "/", folder + "0"}, func(r *sql.Rows) error { // 0 comes after the slash
				var file string
				var x row
				err := r.Scan(&file, &x.size, &x.modified, &x.hash)
				if !strings.Contains(file[len(folder)+1:], "/") {
					rows[file] = x
				}
				return err
			})
	}); err != nil {
		return false, err
	}
	files, deeper, err := archive.FilesIn(f.ix.dir, folder)
	if errors.Is(err, fs.ErrNotExist) {
		return false, nil
	}
	if err != nil {
		return false, fmt.Errorf("store: follow: %w", err)
	}
	if deeper {
		return false, nil
	}
	for _, file := range files {
		name := valid(file.Name)
		r, ok := rows[name]
		delete(rows, name)
		kind := f.flags[name]
		same := ok && r.size == file.Size && r.modified == file.Modified.UnixMicro()
		if ok && kind == FlagChanged { // size and time do not tell: it may be put back, or changed without a trace
			s, err := archive.Load(filepath.Join(f.ix.dir, filepath.FromSlash(file.Name)))
			same = err == nil && s.Seal.SHA256 == r.hash
		}
		switch {
		case same && kind == FlagChanged, same && kind == FlagRemoved, ok && !same && kind != FlagChanged:
			return false, nil // put back; or changed
		case !ok && kind == "":
			f.fresh = append(f.fresh, file)
		}
	}
	for name := range rows {
		if f.flags[name] != FlagRemoved {
			return false, nil
		}
	}
	return len(f.fresh) <= mostFollowed, nil
}

// add takes in the new reports, if they follow on each other and on the newest.
func (f *following) add(ctx context.Context) (plain bool, err error) {
	if len(f.fresh) > 0 && f.ix.reading {
		return true, nil // behind, and that is all that is asked
	}
	if len(f.fresh) > 0 {
		got := f.ix.load(ctx, f.fresh)
		if ctx.Err() != nil {
			return false, fmt.Errorf("store: follow: %w", context.Cause(ctx))
		}
		got = slices.DeleteFunc(got, func(l loaded) bool { return errors.Is(l.err, fs.ErrNotExist) })
		slices.SortFunc(got, func(a, b loaded) int {
			return cmp.Compare(a.sealed.Seal.Number, b.sealed.Seal.Number)
		})
		newest := f.newest
		for _, l := range got {
			s := &l.sealed.Seal
			if l.err != nil || belongs(l.sealed.Report) != l.file.Name || f.key != "" && cleanKey(s.Key) != f.key ||
				s.Number != newest.number+1 || s.Previous != newest.hash {
				return false, nil
			}
			newest.number, newest.hash = s.Number, s.SHA256
		}
		for part := range slices.Chunk(got, batchSize) {
			items := make([]Item, len(part))
			for i, l := range part {
				items[i] = Item{Sealed: l.sealed, File: l.file.Name, Size: l.file.Size, Modified: l.file.Modified}
				items[i].Sealed.File = l.file.Name
			}
			added, err := f.ix.Add(ctx, items...)
			if errors.Is(err, ErrConflict) {
				return false, nil
			}
			if err != nil {
				return false, err
			}
			f.done.Added += added.New
		}
		f.done.Read, f.newest = len(got), newest
	}
	return f.ends(ctx)
}

// ends says whether the head of the chain is the newest report, or at most one
// behind: a crash may have come between the two.
func (f *following) ends(ctx context.Context) (bool, error) {
	m := headMark(f.head, f.headErr)
	if m == f.marks[chainNote] && f.done.Read == 0 && len(f.fresh) == 0 {
		return true, nil
	}
	f.see[chainNote] = m
	if f.headErr != nil || f.head.Number > f.newest.number {
		return false, nil
	}
	if f.head.Number == 0 {
		return f.newest.number <= 1, nil
	}
	hash := ""
	if err := f.ix.look(ctx, "follow", func(t *transaction) error {
		_, err := t.one("SELECT s.sha256 FROM seal s JOIN chain c ON c.id = s.chain WHERE c.key = ? AND s.number = ?",
			[]any{cleanKey(f.key), f.head.Number}, &hash)
		return err
	}); err != nil {
		return false, err
	}
	if hash != f.head.SHA256 {
		return false, nil
	}
	if f.newest.number <= f.head.Number+1 {
		return true, nil
	}
	now, err := archive.ReadHead(f.ix.dir) // the station went on meanwhile
	return err == nil && f.newest.number <= now.Number+1, nil
}

// keep takes in the repairs and writes down how everything stands.
func (f *following) keep(ctx context.Context) error {
	if m := (mark{0, f.repairs.SHA256}); m != f.marks[repairsNote] || f.thorough {
		if f.ix.reading {
			f.ix.behind = f.ix.behind || m != f.marks[repairsNote]
		} else {
			v := &survey{ix: f.ix, key: f.key, following: true}
			if err := v.repairs(ctx, nil); err != nil {
				return err
			}
			f.done.Repairs = v.done.Repairs
			if m != f.marks[repairsNote] {
				f.see[repairsNote] = m
			}
		}
	}
	if f.ix.reading {
		f.ix.behind = f.ix.behind || len(f.fresh) > 0
		f.ix.justNow = slices.ContainsFunc(f.fresh, func(x archive.File) bool {
			return time.Since(x.Modified).Abs() < 2*sharedPatience
		})
		return nil
	}
	if len(f.see) == 0 || !f.worth() {
		return nil
	}
	return f.ix.change(ctx, "follow", func(t *transaction) error { return t.see(f.see) })
}

// worth says whether what was seen is worth a wait for the disk: not where nothing
// is known of it but that a folder's time says nothing yet.
func (f *following) worth() bool {
	for name, m := range f.see {
		if m != f.marks[name] {
			return true
		}
	}
	return false
}

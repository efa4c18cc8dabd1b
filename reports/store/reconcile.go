package store

import (
	"cmp"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"os"
	"path"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"sync"
	"time"

	"fullthrow/reports"
	"fullthrow/reports/archive"
)

// Reconciled is what [Index.Reconcile] found.
type Reconciled struct {
	Files   int // reports in the archive
	Added   int // that the index did not have
	Read    int // files that had to be read: new, or not as they were
	Flags   int // reports that do not count: see [Store.Flags]
	Repairs int // taken in
}

// Reconcile brings the index up to date with the files of the archive: what is
// new is read, proved and taken in; what was changed, has gone or does not
// belong gets a flag and leaves the yield; what was put back as it was loses
// it. Of files known already only size and time are looked at: [Index.Prove]
// reads all. It may run beside anything else that uses the index.
func (ix *Index) Reconcile(ctx context.Context) (Reconciled, error) {
	return ix.bring(ctx, true, nil)
}

// Follow is Reconcile with a look into those folders only in which something
// came, went or was renamed since they were last looked into: as quick in a large
// archive as in a small one. What was changed within a file, it does not see.
func (ix *Index) Follow(ctx context.Context) (Reconciled, error) { return ix.bring(ctx, false, nil) }

// bring follows, and where more than new reports came up looks through all.
func (ix *Index) bring(ctx context.Context, thorough bool, progress func(done, total int)) (Reconciled, error) {
	done, plain, err := ix.follow(ctx, thorough)
	if err != nil || plain {
		return done, err
	}
	if ix.about != nil {
		ix.about()
	}
	return ix.reconcile(ctx, false, progress)
}

// Prove is Reconcile, reading every file whatever its size and time.
func (ix *Index) Prove(ctx context.Context, progress func(done, total int)) (Reconciled, error) {
	return ix.reconcile(ctx, true, progress)
}

// Rebuild makes the index again from the files. Meanwhile it answers from what
// has been read so far; if it is interrupted, the next Reconcile goes on.
func (ix *Index) Rebuild(ctx context.Context, progress func(done, total int)) (Reconciled, error) {
	if err := ix.change(ctx, "rebuild", func(t *transaction) error { return t.empty() }); err != nil {
		return Reconciled{}, err
	}
	return ix.reconcile(ctx, true, progress)
}

// empty begins another epoch with empty tables.
func (t *transaction) empty() error {
	for _, x := range tables() {
		if x.name == "state" || x.plant {
			continue
		}
		if _, err := t.exec("DELETE FROM " + x.name); err != nil {
			return err
		}
	}
	_, err := t.exec("UPDATE state SET epoch = epoch + 1, grps = 0, names = 0, layouts = 0, runs = 0, chains = 0 " +
		"WHERE one = 1")
	return err
}

// indexed is a report as the index has it.
type indexed struct {
	id, size, modified, started int64
	number                      int64
	run, station, hash, key     string
	previous                    string
	seen                        bool // its file is there, as it was
	spoiled                     bool // its file is there, but not as it was
}

// survey is one look through the archive.
type survey struct {
	ix    *Index
	key   string              // the station's first: its flags go by it
	fits  archive.KeyFits     // which keys seal its reports
	rows  map[string]*indexed // by file
	byRun map[string]*indexed
	flags []Flag
	// lost are the numbers of files that are there and cannot be relied on.
	lost map[int64]bool
	// unlinked says that the whole chain has to be looked at.
	unlinked bool
	// contradict is how many reports contradict themselves.
	contradict int
	// following: only what came is taken in; see [errRepairsLost].
	following bool
	done      Reconciled
}

// errRepairsLost says that repairs went, which takes a look at all: their loss
// becomes a flag.
var errRepairsLost = errors.New("repairs are not on the record any more")

func (ix *Index) reconcile(ctx context.Context, prove bool, progress func(done, total int)) (Reconciled, error) {
	v := &survey{ix: ix, key: ix.stationKey(), fits: archive.KeysOf(ix.dir), lost: map[int64]bool{}}
	// In this order: what is in the tables was in the files before.
	var before []Flag
	if err := ix.look(ctx, "reconcile", func(t *transaction) error {
		var err error
		if v.rows, err = t.indexed(); err == nil {
			before, err = t.flagsOf(v.key)
		}
		if err == nil {
			var flags []Flag
			flags, err = t.flagsOf(contradictKey)
			v.contradict = len(flags)
		}
		return err
	}); err != nil {
		return v.done, err
	}
	began := time.Now()
	repairs, _ := archive.ReadRepairHead(ix.dir)
	if err := v.repairs(ctx, before); err != nil {
		return v.done, err
	}
	folders, err := archive.Folders(ix.dir)
	if err != nil {
		return v.done, fmt.Errorf("store: reconcile: %w", err)
	}
	head, headErr := archive.ReadHead(ix.dir) // before the files: never ahead of them
	files, err := archive.Files(ix.dir)
	if err != nil {
		return v.done, fmt.Errorf("store: reconcile: %w", err)
	}
	v.done.Files = len(files)
	v.unlinked = len(before) > 0
	var read []archive.File
	suspect := map[string]bool{} // what was found changed may look as it was
	for _, f := range before {
		suspect[f.File] = f.Kind == FlagChanged
	}
	for _, f := range files {
		r := v.rows[f.Name]
		if r != nil && !prove && !suspect[f.Name] && r.size == f.Size && r.modified == f.Modified.UnixMicro() {
			r.seen = true
			continue
		}
		read = append(read, f)
	}
	v.done.Read = len(read)
	if err := v.read(ctx, read, progress); err != nil {
		return v.done, err
	}
	if err := v.gone(ctx); err != nil {
		return v.done, err
	}
	v.chain(head, headErr == nil)
	slices.SortStableFunc(v.flags, func(a, b Flag) int {
		return cmp.Or(cmp.Compare(a.File, b.File),
			cmp.Compare(a.Text, b.Text))
	})
	v.done.Flags = len(v.flags) + v.contradict
	seen := map[string]mark{chainNote: headMark(head, headErr), repairsNote: {0, repairs.SHA256}}
	for _, f := range folders {
		seen[f.Name] = folderMark(f, began)
	}
	generation := ix.generation()
	err = ix.change(ctx, "reconcile", func(t *transaction) error {
		g, err := t.generation()
		if err != nil {
			return err
		}
		generation = max(generation, g)
		if !slices.Equal(v.flags, before) {
			generation++
			if err := t.setFlags(v.key, v.flags); err != nil {
				return err
			}
		}
		seen[flagsNote] = mark{generation, ""}
		if _, err := t.exec("DELETE FROM seen"); err != nil {
			return err
		}
		return t.see(seen)
	})
	if err == nil {
		err = ix.setGeneration(generation)
	}
	return v.done, err
}

// indexed reads what is known of every report's file.
func (t *transaction) indexed() (map[string]*indexed, error) {
	rows := make(map[string]*indexed, t.runs)
	keys := map[int64]string{}
	if err := t.each("SELECT id, key FROM chain", nil, func(r *sql.Rows) error {
		var id int64
		var key string
		err := r.Scan(&id, &key)
		keys[id] = key
		return err
	}); err != nil {
		return nil, err
	}
	err := t.each(`SELECT s.id, s.station, s.started, s.file, s.size, s.modified, s.sha256, s.chain,
		s.number, s.previous, r.run FROM seal s
		JOIN run r ON r.id = s.id AND r.started = s.started AND r.station = s.station`, nil, func(r *sql.Rows) error {
		var x indexed
		var file string
		var chain int64
		if err := r.Scan(&x.id, &x.station, &x.started, &file, &x.size, &x.modified, &x.hash, &chain, &x.number,
			&x.previous, &x.run); err != nil {
			return err
		}
		x.key = keys[chain]
		rows[file] = &x
		return nil
	})
	return rows, err
}

func (t *transaction) flagsOf(key string) ([]Flag, error) {
	var list []Flag
	err := t.each("SELECT run, station, file, kind, text FROM flag WHERE key = ? ORDER BY n", []any{key},
		func(rows *sql.Rows) error {
			var f Flag
			err := rows.Scan(&f.Run, &f.Station, &f.File, &f.Kind, &f.Text)
			list = append(list, f)
			return err
		})
	return list, err
}

// batchSize is how many reports are taken in at a time: one wait for the disk
// for all of them.
const batchSize = 256

// loaded is a file that was read.
type loaded struct {
	file   archive.File
	sealed archive.Sealed
	err    error
}

// load reads files on all processors.
func (ix *Index) load(ctx context.Context, files []archive.File) []loaded {
	got := make([]loaded, len(files))
	var wg sync.WaitGroup
	next := make(chan int)
	for range min(runtime.GOMAXPROCS(0), len(files)) {
		wg.Go(func() {
			for i := range next {
				got[i].file = files[i]
				got[i].err = reports.Caught(func() (err error) {
					got[i].sealed, err = archive.Load(filepath.Join(ix.dir, filepath.FromSlash(files[i].Name)))
					return err
				})
			}
		})
	}
	for i := range files {
		if ctx.Err() != nil {
			break
		}
		next <- i
	}
	close(next)
	wg.Wait()
	return got
}

// read reads files on all processors, takes in what is new and judges the
// rest, in the order of the files.
func (v *survey) read(ctx context.Context, files []archive.File, progress func(done, total int)) error {
	if len(files) == 0 {
		return nil
	}
	v.byRun = make(map[string]*indexed, len(v.rows))
	for _, r := range v.rows {
		v.byRun[r.run] = r
	}
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	var astray []loaded // not where their run belongs: judged when all others are in
	for len(files) > 0 {
		part := files[:min(len(files), batchSize)]
		files = files[len(part):]
		got := v.ix.load(ctx, part)
		if err := ctx.Err(); err != nil {
			return fmt.Errorf("store: reconcile: %w", context.Cause(ctx))
		}
		var fresh []loaded
		for _, l := range got {
			if l.err == nil && belongs(l.sealed.Report) != l.file.Name {
				astray = append(astray, l)
				continue
			}
			if isNew, err := v.judge(ctx, l); err != nil {
				return err
			} else if isNew {
				fresh = append(fresh, l)
			}
		}
		if err := v.add(ctx, fresh); err != nil {
			return err
		}
		if progress != nil {
			progress(v.done.Read-len(files), v.done.Read)
		}
	}
	for _, l := range astray {
		v.unlinked = true
		r := v.byRun[cleanKey(l.sealed.Report.Run)]
		f := Flag{Station: cleanKey(l.sealed.Report.Station), File: valid(l.file.Name), Kind: FlagInserted}
		switch {
		case r == nil:
			f.Run, f.Text = cleanKey(l.sealed.Report.Run), "belongs at "+belongs(l.sealed.Report)
			if err := v.add(ctx, []loaded{l}); err != nil {
				return err
			}
		case r.seen || r.spoiled || r.hash != l.sealed.Seal.SHA256:
			f.Text = fmt.Sprintf("run %s stands twice; this one belongs at %s", r.run, belongs(l.sealed.Report))
		default:
			r.seen = true // it is this one
			f.Run, f.Text = r.run, "belongs at "+belongs(l.sealed.Report)
		}
		v.flags = append(v.flags, f)
	}
	return nil
}

// belongs is the place of a report in its archive.
func belongs(r reports.Report) string {
	return path.Join(r.Started.UTC().Format("2006/01/02"), r.Run+".json")
}

// judge says whether a file that was read, and lies where it belongs or cannot
// be read, is new.
func (v *survey) judge(ctx context.Context, l loaded) (isNew bool, err error) {
	r := v.rows[l.file.Name]
	if l.err != nil {
		if errors.Is(l.err, fs.ErrNotExist) {
			return false, nil // it went meanwhile
		}
		v.unlinked = true
		cause := l.err
		if c := errors.Unwrap(cause); c != nil {
			cause = c
		}
		f := Flag{File: valid(l.file.Name), Kind: FlagChanged, Text: clean(cause.Error())}
		if r != nil {
			r.spoiled = true
			f.Run, f.Station = r.run, r.station
		} else if p, err := archive.ReadPlace(v.ix.dir, l.file.Name); err == nil {
			v.lost[p.Number] = true // by its own words
		}
		v.flags = append(v.flags, f)
		return false, nil
	}
	s := &l.sealed.Seal
	if r == nil {
		r = v.byRun[cleanKey(l.sealed.Report.Run)]
	}
	switch {
	case r == nil:
		return true, nil
	case r.hash == s.SHA256 && r.number == s.Number && r.key == cleanKey(s.Key):
		// As it was, but touched or moved.
		r.seen = true
		return false, v.ix.change(ctx, "reconcile", func(t *transaction) error {
			_, err := t.exec("UPDATE seal SET file = ?, size = ?, modified = ? WHERE id = ? AND started = ? AND "+
				"station = ?",
				valid(l.file.Name), l.file.Size, l.file.Modified.UnixMicro(), r.id, r.started, r.station)
			return err
		})
	}
	v.unlinked = true
	r.spoiled = true
	text := "another report was put in its place"
	if r.hash == s.SHA256 {
		text = fmt.Sprintf("was renumbered: it was report number %d, and says it is number %d", r.number, s.Number)
	}
	v.flags = append(v.flags, Flag{Run: r.run, Station: r.station, File: valid(l.file.Name), Kind: FlagChanged,
		Text: text})
	return false, nil
}

// add takes in new reports.
func (v *survey) add(ctx context.Context, list []loaded) error {
	if len(list) == 0 {
		return nil
	}
	items := make([]Item, len(list))
	for i, l := range list {
		items[i] = Item{Sealed: l.sealed, File: l.file.Name, Size: l.file.Size, Modified: l.file.Modified}
		items[i].Sealed.File = l.file.Name
	}
	added, err := v.ix.Add(ctx, items...)
	if err != nil {
		return err
	}
	v.done.Added += added.New
	for _, l := range list {
		if l.sealed.Report.Contradiction() != nil {
			v.contradict++
		}
		s := &l.sealed.Seal
		r := &indexed{
			size: l.file.Size, modified: l.file.Modified.UnixMicro(), started: millis(l.sealed.Report.Started),
			number: s.Number,
			run:    cleanKey(l.sealed.Report.Run), station: cleanKey(l.sealed.Report.Station), hash: s.SHA256,
			key: cleanKey(s.Key), previous: s.Previous, seen: true,
		}
		v.rows[valid(l.file.Name)], v.byRun[r.run] = r, r
	}
	return nil
}

// gone flags the reports whose files are not there any more. One that another
// key had signed was never the station's to lose: it is forgotten.
func (v *survey) gone(ctx context.Context) error {
	var strange []*indexed
	for file, r := range v.rows {
		if r.seen || r.spoiled {
			continue
		}
		if _, err := os.Lstat(filepath.Join(v.ix.dir, filepath.FromSlash(file))); err == nil {
			continue // it came back meanwhile
		}
		v.unlinked = true
		if !v.fits(r.number, r.key) {
			strange = append(strange, r)
			delete(v.rows, file)
			continue
		}
		v.flags = append(v.flags, Flag{Run: r.run, Station: r.station, File: file, Kind: FlagRemoved,
			Text: fmt.Sprintf("report number %d is missing", r.number)})
	}
	if len(strange) == 0 {
		return nil
	}
	return v.ix.change(ctx, "reconcile", func(t *transaction) error {
		for _, r := range strange {
			if err := t.forget(r); err != nil {
				return err
			}
		}
		return nil
	})
}

// forget takes a report out of the tables.
func (t *transaction) forget(r *indexed) error {
	var grp, chainID int64
	var serial string
	if ok, err := t.one("SELECT r.grp, r.serial, s.chain FROM run r JOIN seal s ON s.id = r.id WHERE r.id = ?",
		[]any{r.id}, &grp, &serial, &chainID); err != nil || !ok {
		return err
	}
	if _, err := t.exec("DELETE FROM flag WHERE key = ? AND n = ?", contradictKey, r.id); err != nil {
		return err
	}
	for _, table := range []string{"run", "sample", "seal"} {
		if _, err := t.exec("DELETE FROM "+table+" WHERE id = ?", r.id); err != nil {
			return err
		}
	}
	if _, err := t.exec("DELETE FROM failure WHERE id = ? AND started = ?", r.id, r.started); err != nil {
		return err
	}
	if _, err := t.exec("UPDATE chain SET reports = reports - 1 WHERE id = ?", chainID); err != nil {
		return err
	}
	if _, err := t.exec("DELETE FROM chain WHERE id = ? AND reports <= 0", chainID); err != nil {
		return err
	}
	ch := newChanges()
	ch.again[cellKey{dayOf(r.started), grp}] = true
	if err := t.settleUnits([]unitKey{{t.group(grp).product, serial}}, nil, ch); err != nil {
		return err
	}
	return t.save(ch)
}

// repairs brings the repairs up to date with the sealed record.
func (v *survey) repairs(ctx context.Context, before []Flag) error {
	known := map[string]bool{}
	if err := v.ix.look(ctx, "reconcile", func(t *transaction) error {
		return t.each("SELECT id FROM repair", nil, func(rows *sql.Rows) error {
			var id string
			err := rows.Scan(&id)
			known[id] = true
			return err
		})
	}); err != nil {
		return err
	}
	sealed, _, err := archive.ReadRepairs(v.ix.dir) // what is wrong with the rest, verify says
	if err != nil {
		return fmt.Errorf("store: reconcile: %w", err)
	}
	lost := map[string]bool{}
	for _, f := range before { // already
		if id, ok := strings.CutPrefix(f.File, lostRepair); ok {
			lost[id] = true
		}
	}
	var fresh []reports.Repair
	for _, s := range sealed {
		id := cleanKey(s.Repair.ID)
		if delete(lost, id); known[id] {
			delete(known, id)
		} else {
			fresh = append(fresh, s.Repair)
		}
	}
	v.done.Repairs = len(fresh)
	for len(fresh) > 0 {
		n := min(len(fresh), batchSize)
		if err := v.ix.AddRepairs(ctx, fresh[:n]...); err != nil {
			return err
		}
		fresh = fresh[n:]
	}
	if len(known) > 0 && v.following {
		return errRepairsLost
	}
	maps.Copy(lost, known)
	for _, id := range slices.Sorted(maps.Keys(lost)) {
		v.flags = append(v.flags, Flag{File: valid(lostRepair + id), Kind: FlagRemoved,
			Text: fmt.Sprintf("repair %s is not on the record any more", id)})
	}
	if len(known) == 0 {
		return nil
	}
	return v.ix.change(ctx, "reconcile", func(t *transaction) error { return t.dropRepairs(known) })
}

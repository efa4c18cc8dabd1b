package store

import (
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"time"
)

// Who may read an archive and not write to it asks its index as it is, where that is
// up to date. Where it is missing, behind or damaged, the reader keeps an index of
// its own in its cache folder: in one folder for each archive, seeded with a copy of
// the archive's, and removed when it was not used for long.

const (
	// mostOwn is how many archives a reader keeps an index of, longestUnused for how
	// long without using it.
	mostOwn       = 8
	longestUnused = 60 * 24 * time.Hour
	// usedMark, in an own index's folder, has the time of its last use, and
	// avoidMark says how the archive's index looked that was found damaged.
	usedMark  = "used"
	avoidMark = "avoid"
)

// openForReading opens the archive's index where it can be read and is up to date,
// else the reader's own.
func openForReading(ctx context.Context, dir string, o IndexOptions) (*Index, error) {
	folder, temporary, err := ownFolder(dir, o.Cache)
	if err != nil {
		return nil, fmt.Errorf("store: index: %w", err)
	}
	shared := filepath.Join(dir, IndexFile)
	own := filepath.Join(folder, IndexFile)
	why := ""
	if !o.Write {
		var ix *Index
		ix, why, err = openShared(ctx, dir, shared, folder)
		if ctx.Err() != nil || ix != nil && why == "" {
			if temporary {
				os.RemoveAll(folder)
			}
			return ix, err
		}
		if ix != nil { // behind: a copy saves reading what it knows
			_, serr := os.Stat(own)
			if errors.Is(serr, fs.ErrNotExist) {
				err = seed(ctx, ix, own)
			}
			ix.Close()
			if err != nil {
				os.Remove(own)
			}
		}
	}
	_, serr := os.Stat(own)
	ix, err := openIn(ctx, dir, own, o)
	if err != nil {
		if temporary {
			os.RemoveAll(folder)
		}
		return nil, err
	}
	if temporary {
		ix.away = folder
	} else {
		os.WriteFile(filepath.Join(folder, usedMark), nil, 0o600)
		tidy(filepath.Dir(folder), folder)
	}
	if errors.Is(serr, fs.ErrNotExist) && why != "" {
		where := folder
		if temporary {
			where = "a temporary folder"
		}
		ix.notes = []string{fmt.Sprintf("The records may only be read here, and their index cannot be used (%s): an own "+
			"one is kept in %s.", why, where)}
	}
	return ix, nil
}

// sharedPatience is how long a reader waits for a station that has just sealed a
// report to take it into the index.
const sharedPatience = 2 * time.Second

// openShared opens the archive's index; why says what is wrong with it, and ix is
// not nil then where it is behind.
func openShared(ctx context.Context, dir, file, folder string) (ix *Index, why string, err error) {
	info, err := os.Stat(file)
	if err != nil {
		return nil, "there is none", nil
	}
	looks := fmt.Sprint(info.Size(), info.ModTime().UnixNano())
	if text, err := os.ReadFile(filepath.Join(folder, avoidMark)); err == nil && string(text) == looks {
		return nil, "it is damaged", nil
	}
	if what := examine(file); what != "" {
		return nil, what, nil
	}
	own := &Index{file: filepath.Join(folder, IndexFile)}
	for began := time.Now(); ; {
		ix = &Index{dir: dir, file: file, reading: true}
		if ix.base, err = readSQLite(ctx, file); err != nil {
			return nil, plainly(err), nil
		}
		ix.base.damaged = func(err error) error {
			if isDamage(err) {
				os.WriteFile(filepath.Join(folder, avoidMark), []byte(looks), 0o600)
			}
			return ix.mark(err)
		}
		plain := false
		if err = ix.fresh(ctx); err == nil {
			if g := own.generation(); g > 0 {
				err = ix.look(ctx, "open", func(t *transaction) error {
					here, err := t.generation()
					if err == nil && here < g {
						err = errStale
					}
					return err
				})
			}
		}
		if err == nil {
			plain, _, err = ix.upToDate(ctx)
		}
		switch {
		case err != nil:
			ix.Close()
			return nil, plainly(err), nil
		case plain:
			return ix, "", nil
		case !ix.justNow || time.Since(began) > sharedPatience:
			return ix, "it is behind", nil
		}
		ix.Close()
		select {
		case <-ctx.Done():
			return nil, "", context.Cause(ctx)
		case <-time.After(50 * time.Millisecond):
		}
	}
}

// upToDate says whether the index knows everything.
func (ix *Index) upToDate(ctx context.Context) (bool, Reconciled, error) {
	ix.behind = false
	done, plain, err := ix.follow(ctx, false)
	return plain && !ix.behind, done, err
}

// seed copies an index, of one moment, to a file that is not there yet.
func seed(ctx context.Context, ix *Index, to string) error {
	return ix.look(ctx, "copy", func(t *transaction) error { // holds off who writes
		if _, err := t.generation(); err != nil {
			return err
		}
		from, err := os.Open(ix.file)
		if err != nil {
			return err
		}
		defer from.Close()
		f, err := os.CreateTemp(filepath.Dir(to), "copy-*")
		if err != nil {
			return err
		}
		defer os.Remove(f.Name())
		_, err = io.Copy(f, from)
		if err = errors.Join(err, f.Close()); err != nil {
			return err
		}
		if err := os.Link(f.Name(), to); err != nil && !errors.Is(err, fs.ErrExist) { // never over another's
			return os.Rename(f.Name(), to)
		}
		return nil
	})
}

// ownFolder is where a reader keeps its index of the archive in dir: below cache, the
// user's where it is "". Where that cannot be, it is a temporary one.
func ownFolder(dir, cache string) (folder string, temporary bool, err error) {
	if cache == "" {
		if cache, err = os.UserCacheDir(); err == nil {
			cache = filepath.Join(cache, "fullthrow", "index")
		}
	}
	full, err := filepath.Abs(dir)
	if err != nil {
		return "", false, err
	}
	if real, err := filepath.EvalSymlinks(full); err == nil {
		full = real
	}
	sum := sha256.Sum256([]byte(full + "\n" + (&Index{dir: dir}).stationKey()))
	if cache != "" {
		folder = filepath.Join(cache, hex.EncodeToString(sum[:8]))
		if err := os.MkdirAll(folder, 0o700); err == nil && writable(folder) {
			return folder, false, nil
		}
	}
	folder, err = os.MkdirTemp("", "fullthrow-index-")
	return folder, true, err
}

// tidy removes the own indexes that were not used for long, and all but the newest.
func tidy(cache, but string) {
	type old struct {
		folder string
		used   time.Time
	}
	var list []old
	marks, _ := filepath.Glob(filepath.Join(cache, "*", usedMark))
	for _, m := range marks {
		if info, err := os.Stat(m); err == nil && filepath.Dir(m) != but {
			list = append(list, old{filepath.Dir(m), info.ModTime()})
		}
	}
	slices.SortFunc(list, func(a, b old) int { return cmp.Compare(b.used.UnixNano(), a.used.UnixNano()) })
	for i, x := range list {
		if i >= mostOwn-1 || time.Since(x.used) > longestUnused {
			os.RemoveAll(x.folder)
		}
	}
}

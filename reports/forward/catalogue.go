package forward

import (
	"cmp"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"

	"fullthrow/reports/archive"
)

// catalogue knows which reports of an archive are still to be sent. It goes by
// the directories of days: the newest first, and back only until every number
// of the chain after base is found, so that an archive of years costs no more
// than what is to be sent. A day whose directory changed is looked at again.
type catalogue struct {
	dir     string
	base    archive.Place // the plant has the chain up to here
	days    map[string]*day
	pending []entry // to be sent, by number
	bytes   int64   // of them
	sorted  bool
	upTo    int64          // every number after base up to here was seen
	numbers map[int64]bool // seen beyond upTo
	fits    archive.KeyFits
	head    int64  // of the chain; 0 while its file cannot be read
	hash    string // of the report of that number
	headErr error
	lost    map[string]error // files that do not end as a sealed report, by name
	forked  bool             // the chain on disk is not the one that base is of
}

// entry is a file to be sent.
type entry struct {
	number int64
	file   string // within the archive, with slashes
	size   int64
	began  time.Time // of the run, as the file's name says; else when it was sealed
}

func runOf(file string) string { return strings.TrimSuffix(path.Base(file), ".json") }

// day is what was seen of a directory.
type day struct {
	modified time.Time
	settled  bool            // modified long enough before it was looked at
	read     bool            // its files were looked at
	seen     map[string]bool // their names, as long as more may come
}

// settling is longer than any file system's clock ticks: a directory modified
// less than that before it was listed may change again under the same time.
const settling = 3 * time.Second

// newestDays are always read: the chain's own file may be a report behind.
const newestDays = 2

func newCatalogue(dir string, base archive.Place) *catalogue {
	return &catalogue{dir: dir, base: base, fits: archive.KeysOf(dir), upTo: base.Number, days: map[string]*day{}, numbers: map[int64]bool{},
		lost: map[string]error{}}
}

// refresh takes in what has come since. What cannot be read at all is an
// error; a file that is no report is in lost.
func (c *catalogue) refresh(now time.Time) error {
	// First the head: every report up to it is in its place by now.
	head, err := archive.ReadHead(c.dir)
	if c.headErr = err; err == nil {
		c.head, c.hash = head.Number, head.SHA256
	}
	names, err := dayDirs(c.dir)
	if err != nil {
		return fmt.Errorf("archive: %w", err)
	}
	for i, name := range slices.Backward(names) {
		info, err := os.Stat(filepath.Join(c.dir, filepath.FromSlash(name)))
		if errors.Is(err, fs.ErrNotExist) {
			continue
		}
		if err != nil {
			return fmt.Errorf("archive: %w", err)
		}
		d := c.days[name]
		if d == nil {
			d = &day{}
			c.days[name] = d
		}
		wanted := i >= len(names)-newestDays || !c.complete()
		same := d.settled && d.modified.Equal(info.ModTime())
		first := d.modified.IsZero()
		d.modified, d.settled = info.ModTime(), now.Sub(info.ModTime()) > settling
		if same && (d.read || !wanted) || first && !wanted {
			continue
		}
		if err := c.read(name, d); err != nil {
			return fmt.Errorf("archive: %w", err)
		}
	}
	if !c.sorted {
		slices.SortStableFunc(c.pending, func(a, b entry) int {
			return cmp.Or(cmp.Compare(a.number, b.number), strings.Compare(a.file, b.file))
		})
		c.sorted = true
	}
	if head.Number > 0 && (head.Number < c.base.Number || head.Number == c.base.Number &&
		head.SHA256 != c.base.SHA256) {
		c.forked = true
	}
	return nil
}

// complete reports whether every number of the chain after base was seen.
func (c *catalogue) complete() bool { return c.head > 0 && c.upTo >= c.head }

// read takes in the files of a day that are new.
func (c *catalogue) read(name string, d *day) error {
	files, err := os.ReadDir(filepath.Join(c.dir, filepath.FromSlash(name)))
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	if d.read = true; d.seen == nil {
		d.seen = make(map[string]bool, len(files))
	}
	for _, f := range files {
		if f.IsDir() || d.seen[f.Name()] || strings.HasPrefix(f.Name(), ".") {
			continue
		}
		info, err := f.Info()
		if err != nil {
			continue // gone meanwhile: the day changes again
		}
		d.seen[f.Name()] = true
		c.take(path.Join(name, f.Name()), info)
	}
	return nil
}

// take puts a file where it belongs.
func (c *catalogue) take(file string, info fs.FileInfo) {
	p, err := archive.ReadPlace(c.dir, file)
	if err != nil {
		c.lost[file] = err
		return
	}
	delete(c.lost, file)
	if p.Number == c.base.Number && p.SHA256 != c.base.SHA256 || p.Number == c.base.Number+1 &&
		p.Previous != c.base.SHA256 {
		// So says the file; it must also prove it.
		s, err := archive.Load(filepath.Join(c.dir, filepath.FromSlash(file)))
		c.forked = c.forked || err == nil && c.fits(s.Seal.Number, s.Seal.Key)
	}
	if p.Number <= c.base.Number {
		return
	}
	e := entry{number: p.Number, file: file, size: info.Size(), began: info.ModTime()}
	if t, err := time.Parse("20060102T150405.000Z", stamp(path.Base(file))); err == nil {
		e.began = t
	}
	c.pending = append(c.pending, e)
	c.bytes += e.size
	c.sorted = false
	if p.Number > c.upTo {
		c.numbers[p.Number] = true
	}
	for c.numbers[c.upTo+1] {
		c.upTo++
		delete(c.numbers, c.upTo)
	}
}

// again puts a file that was taken off back, if it is there.
func (c *catalogue) again(file string) {
	if info, err := os.Lstat(filepath.Join(c.dir, filepath.FromSlash(file))); err == nil {
		c.take(file, info)
	}
}

// stamp is the time at the beginning of a run's name, with a point before the
// milliseconds; see [reports.NewRunID].
func stamp(name string) string {
	t, _, _ := strings.Cut(name, "-")
	if len(t) != len("20060102T150405000Z") {
		return ""
	}
	return t[:15] + "." + t[15:]
}

// done takes entries off that need not be sent any more; they are among the
// first n.
func (c *catalogue) done(n int, files map[string]bool) {
	var kept []entry
	for _, e := range c.pending[:n] {
		if files[e.file] {
			c.bytes -= e.size
		} else {
			kept = append(kept, e)
		}
	}
	n -= len(kept)
	copy(c.pending[n:], kept)
	c.pending = c.pending[n:]
	if len(c.pending) > 0 {
		return
	}
	c.pending = nil
	for _, d := range c.days { // years of names need no memory
		if d.settled {
			d.seen = nil
		}
	}
}

// backlog sums up what is to be sent.
func (c *catalogue) backlog() Backlog {
	b := Backlog{Known: true, Reports: int64(len(c.pending)), Bytes: c.bytes}
	// By number, runs are in order of their ends: some of several nests, or one
	// sealed after a power cut, began earlier than the first.
	for _, e := range c.pending[:min(1000, len(c.pending))] {
		if b.Oldest.IsZero() || e.began.Before(b.Oldest) {
			b.Oldest = e.began
		}
	}
	return b
}

// missing lists the ranges of numbers after base that no file has.
func (c *catalogue) missing() (gaps [][2]int64) {
	next := c.upTo + 1
	for _, n := range append(slices.Sorted(maps.Keys(c.numbers)), c.head+1) {
		if n > c.head+1 {
			continue
		}
		if n > next {
			gaps = append(gaps, [2]int64{next, n - 1})
		}
		next = n + 1
	}
	return gaps
}

// dayDirs lists the directories yyyy/mm/dd, the oldest first.
func dayDirs(dir string) ([]string, error) {
	names := []string{""}
	for _, length := range []int{4, 2, 2} {
		var next []string
		for _, parent := range names {
			list, err := os.ReadDir(filepath.Join(dir, filepath.FromSlash(parent)))
			if err != nil && (parent == "" || !errors.Is(err, fs.ErrNotExist)) {
				return nil, err
			}
			for _, l := range list {
				if _, err := strconv.ParseUint(l.Name(), 10, 32); err == nil && len(l.Name()) == length && l.IsDir() {
					next = append(next, path.Join(parent, l.Name()))
				}
			}
		}
		names = next
	}
	return names, nil
}

package archive

import (
	"errors"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"fullthrow/reports"
)

// An archive is opened by its newest report alone: the note of the chain names it,
// and what may have come after it lies in its folder or in a later one. What is
// asked of older ones is looked up, by [Finder] or by a report's name, and only
// where neither helps are the heads of all of them read.

// Finder looks up sealed reports of an archive: an index of them.
type Finder interface {
	// UnitRuns lists the sealed runs of a unit, in any order. An error says that
	// the index does not know them all.
	UnitRuns(product, serial string) ([]Entry, error)
	// FileOf is the file of a report by its number, "" if the index has none.
	FileOf(number int64) string
}

// LookUp has the archive ask an index, rather than read the heads of all reports.
func (a *Archive) LookUp(f Finder) {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.finder = f
}

// newestFiles lists the newest report and what may have been sealed after it; all
// reports, and whole, where no note says which that is.
func (a *Archive) newestFiles() (files []string, whole bool, err error) {
	all := func() ([]string, bool, error) {
		files, err := reportFiles(a.dir, true)
		return files, true, err
	}
	h, err := reportChain.read(a.dir)
	if errors.Is(err, fs.ErrNotExist) || err != nil || h.File == "" {
		return all()
	}
	info, err := os.Lstat(filepath.Join(a.dir, filepath.FromSlash(h.File)))
	if err != nil {
		return all()
	}
	if p, err := ReadPlace(a.dir, h.File); err != nil || p.Number != h.Number || p.SHA256 != h.Hash {
		return all()
	}
	folders, err := Folders(a.dir)
	if err != nil {
		return nil, false, err
	}
	unnoted := a.unnoted()
	for _, folder := range folders {
		// A run that began on an earlier day may have been sealed later.
		if folder.Name < path.Dir(h.File) && folder.Modified.Before(info.ModTime()) && !unnoted.days[folder.Name] {
			continue
		}
		sweepTemps(filepath.Join(a.dir, filepath.FromSlash(folder.Name)))
		here, deeper, err := FilesIn(a.dir, folder.Name)
		if errors.Is(err, fs.ErrNotExist) {
			continue
		}
		if err != nil {
			return nil, false, err
		}
		if deeper {
			return all()
		}
		for _, f := range here {
			if f.Name == h.File || !f.Modified.Before(info.ModTime()) || unnoted.files[f.Name] {
				files = append(files, f.Name)
			}
		}
	}
	return files, false, nil
}

// unnoted is where the reports of left journals lie, if they were sealed: one that
// the head does not know has its journal still, whatever the clock said.
func (a *Archive) unnoted() (u struct{ files, days map[string]bool }) {
	u.files, u.days = map[string]bool{}, map[string]bool{}
	journals, _ := filepath.Glob(filepath.Join(a.dir, journalDir, "*.jsonl"))
	for _, j := range journals {
		events, _ := ReadJournal(j)
		if len(events) == 0 {
			continue
		}
		day := events[0].Time.UTC().Format("2006/01/02")
		u.days[day] = true
		u.files[path.Join(day, strings.TrimSuffix(filepath.Base(j), ".jsonl")+".json")] = true
	}
	return u
}

// all reads the heads of all reports, once.
func (a *Archive) all() {
	a.loading.Lock()
	defer a.loading.Unlock()
	a.mu.Lock()
	whole := a.whole
	a.mu.Unlock()
	if whole {
		return
	}
	files, err := reportFiles(a.dir, false)
	if err != nil {
		a.trouble(reports.Problem{File: a.dir, Text: err.Error(), Hint: hintVerify})
		return
	}
	entries, problems := a.readEntries(files)
	a.mu.Lock()
	defer a.mu.Unlock()
	have := map[string]bool{}
	for _, e := range entries {
		have[e.File] = true
	}
	for _, e := range a.entries { // sealed meanwhile, too
		if !have[e.File] {
			entries = append(entries, e)
		}
	}
	a.problems = append(a.problems, problems...)
	a.entries = entries
	a.runs, a.attempts = map[string]int{}, map[unitKey]int{}
	a.order()
	a.whole = true
}

func (a *Archive) readEntries(files []string) (list []Entry, problems []reports.Problem) {
	for _, name := range files {
		e, err := readEntry(a.dir, name)
		if err != nil {
			problems = append(problems, reports.Problem{Code: ReportChanged, File: name, Text: err.Error(),
				Hint: hintVerify})
			continue
		}
		list = append(list, e)
	}
	return list, problems
}

// dayOf is the folder in which a run's name says that its report lies, "" if it
// does not say: see [reports.NewRunID].
func dayOf(run string) string {
	if len(run) < 8 {
		return ""
	}
	at, err := time.Parse("20060102", run[:8])
	if err != nil {
		return ""
	}
	return at.Format("2006/01/02")
}

// find is the file of a run's report, "" if there is none.
func (a *Archive) find(run string) string {
	a.mu.Lock()
	i, ok := a.runs[run]
	name, whole := "", a.whole
	if ok {
		name = a.entries[i].File
	}
	a.mu.Unlock()
	if ok || whole {
		return name
	}
	if day := dayOf(run); day != "" && reports.ValidRun(run) {
		name := path.Join(day, run+".json")
		if _, err := os.Lstat(filepath.Join(a.dir, filepath.FromSlash(name))); err == nil {
			return name
		}
	}
	a.all() // another clock named it
	a.mu.Lock()
	defer a.mu.Unlock()
	if i, ok := a.runs[run]; ok {
		return a.entries[i].File
	}
	return ""
}

// sealed says whether a run has its report, by its name's day and the days beside it,
// and by the day on which its journal, if there is one, says that it began. It reads
// all heads only for names that say no day.
func (a *Archive) sealed(run, journal string) bool {
	a.mu.Lock()
	_, ok := a.runs[run]
	whole := a.whole
	a.mu.Unlock()
	if ok || whole {
		return ok
	}
	at, err := time.Parse("2006/01/02", dayOf(run))
	if err != nil {
		return a.find(run) != ""
	}
	days := []time.Time{at, at.AddDate(0, 0, -1), at.AddDate(0, 0, 1)}
	if journal != "" {
		if events, _ := ReadJournal(journal); len(events) > 0 && events[0].Start != nil {
			days = append(days, events[0].Time.UTC())
		}
	}
	for _, day := range days {
		name := filepath.Join(a.dir, filepath.FromSlash(day.Format("2006/01/02")), run+".json")
		if _, err := os.Lstat(name); err == nil {
			return true
		}
	}
	return false
}

// UnitRuns lists the sealed runs of a unit, in the order of their numbers.
func (a *Archive) UnitRuns(product, serial string) []Entry {
	of := func(e Entry) bool { return e.Unit.Product == product && e.Unit.SerialNumber == serial }
	a.mu.Lock()
	finder, whole := a.finder, a.whole
	a.mu.Unlock()
	var list []Entry
	if !whole {
		err := errors.New("nobody to ask")
		if finder != nil {
			list, err = finder.UnitRuns(product, serial)
		}
		if err != nil {
			list = nil
			a.all()
		}
	}
	have := map[string]bool{}
	for _, e := range list {
		have[e.Run] = true
	}
	a.mu.Lock()
	for _, e := range a.entries {
		if of(e) && !have[e.Run] {
			list = append(list, e)
		}
	}
	a.mu.Unlock()
	slices.SortFunc(list, func(x, y Entry) int { return int(min(max(x.Number-y.Number, -1), 1)) })
	return list
}

// Recent lists the reports that were sealed since a moment, as the file system
// tells it, oldest first.
func (a *Archive) Recent(since time.Time) []Entry {
	var list []Entry
	folders, _ := Folders(a.dir)
	for _, folder := range folders {
		if folder.Modified.Before(since) {
			continue
		}
		files, _, _ := FilesIn(a.dir, folder.Name)
		for _, f := range files {
			if f.Modified.Before(since) {
				continue
			}
			if e, err := readEntry(a.dir, f.Name); err == nil {
				list = append(list, e)
			}
		}
	}
	slices.SortStableFunc(list, func(x, y Entry) int { return int(min(max(x.Number-y.Number, -1), 1)) })
	return list
}

// Newest is the newest report; ok is false if there is none.
func (a *Archive) Newest() (e Entry, ok bool) {
	a.mu.Lock()
	defer a.mu.Unlock()
	if n := len(a.entries); n > 0 {
		return a.entries[n-1], true
	}
	return Entry{}, false
}

// fileOf is the file of a report by its number, "" if it is not known.
func (a *Archive) fileOf(number int64) string {
	look := func() (string, bool) {
		a.mu.Lock()
		defer a.mu.Unlock()
		i, ok := slices.BinarySearchFunc(a.entries, number, func(e Entry, n int64) int {
			return int(min(max(e.Number-n, -1), 1))
		})
		if ok {
			return a.entries[i].File, true
		}
		return "", a.whole
	}
	name, known := look()
	if known || number < 1 {
		return name
	}
	a.mu.Lock()
	finder, head := a.finder, int64(0)
	if n := len(a.entries); n > 0 {
		head = a.entries[n-1].Number
	}
	a.mu.Unlock()
	if number > head {
		return ""
	}
	if finder != nil {
		if name = finder.FileOf(number); name != "" {
			if p, err := ReadPlace(a.dir, name); err == nil && p.Number == number {
				return name
			}
		}
	}
	a.all()
	name, _ = look()
	return name
}

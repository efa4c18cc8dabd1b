package archive

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"

	"fullthrow/reports"
)

// Guarded appends what a guardian did to the journal of a run whose program is
// gone, where the next [Open] finds it. It holds the archive's lock meanwhile, so
// nobody else writes. What the program had not finished writing is dropped: nobody
// was told of it.
//
// Errors: fs.ErrNotExist where the run has no journal (it had not begun, or is
// sealed); an archive that another process holds; a journal that is damaged, which
// stays as it is.
func Guarded(dir, run string, e reports.Event) error {
	if !reports.ValidRun(run) {
		return fmt.Errorf("journal: run %.80q: no run's name", run)
	}
	name := filepath.Join(dir, journalDir, run+".jsonl")
	if _, err := os.Stat(name); err != nil {
		return fmt.Errorf("journal: %w", err)
	}
	a := &Archive{dir: dir}
	if err := a.takeLock(); err != nil {
		return err
	}
	defer a.lock.Close()
	f, err := os.OpenFile(name, os.O_RDWR, 0)
	if err != nil {
		return fmt.Errorf("journal: %w", err)
	}
	defer f.Close()
	data, err := os.ReadFile(name)
	if err != nil {
		return fmt.Errorf("journal: %w", err)
	}
	events, err := parseJournal(name, data)
	if err != nil {
		return fmt.Errorf("journal: %w", err)
	}
	if len(events) == 0 {
		return fmt.Errorf("journal: run %s had not begun: %w", run, fs.ErrNotExist)
	}
	whole := 0
	for range events {
		for whole < len(data) && data[whole] != '\n' {
			whole++
		}
		whole++
	}
	e.Time = e.Time.Round(0).UTC()
	e = e.Finite()
	e.Seq = int64(len(events)) + 1
	if err := e.Validate(); err != nil {
		return fmt.Errorf("journal: %w", err)
	}
	event, err := json.Marshal(e)
	if err != nil {
		return fmt.Errorf("journal: event %d: %w", e.Seq, err)
	}
	err = f.Truncate(int64(whole))
	if err == nil {
		// It vouches for no line before it: nobody knows which of them were synced.
		_, err = f.WriteAt(appendLine(nil, event, 0), int64(whole))
	}
	if err = errors.Join(err, f.Sync()); err != nil {
		return fmt.Errorf("journal: write event %d: %w", e.Seq, err)
	}
	return nil
}

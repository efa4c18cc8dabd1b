package archive

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"strings"

	"fullthrow/reports"
)

// loadChain finds the number and hash that the next report follows. The head
// in the file chain is one behind after a crash between report and chain;
// further behind, or ahead of the files, something was put back or taken away:
// then the higher number counts, so that a gap stays a gap for ever.
func (a *Archive) loadChain() error {
	var newest head
	if n := len(a.entries); n > 0 {
		e := a.entries[n-1]
		newest = head{e.Number, e.Hash, e.File}
	}
	h, err := reportChain.read(a.dir)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		if newest.Number > 1 {
			a.problems = append(a.problems, reports.Problem{File: string(reportChain),
				Text: "missing; taken from the newest report", Hint: hintVerify})
		}
		h = newest
	case err != nil:
		a.problems = append(a.problems, reports.Problem{File: string(reportChain), Text: err.Error(), Hint: hintVerify})
		h = newest
	case h.Number > newest.Number:
		a.problems = append(a.problems, reports.Problem{File: h.File, Text: fmt.Sprintf("number %d, the newest "+
			"report, is missing", h.Number), Hint: hintVerify})
	case h.Number == newest.Number && h.Hash != newest.Hash:
		a.problems = append(a.problems, reports.Problem{File: newest.File, Text: "is not the report that was sealed " +
			"last", Hint: hintVerify})
	default:
		h = newest
	}
	a.head = h
	return nil
}

// recover seals the runs whose journals were left behind.
func (a *Archive) recover() error {
	dir := filepath.Join(a.dir, journalDir)
	names, err := os.ReadDir(dir)
	if err != nil {
		return fmt.Errorf("archive: %w", err)
	}
	for _, n := range names { // first: what they kept free is for the reports below
		if strings.HasSuffix(n.Name(), roomEnding) {
			os.Remove(filepath.Join(dir, n.Name()))
		}
	}
	for _, n := range names { // by name, and so by time
		run, ok := strings.CutSuffix(n.Name(), ".jsonl")
		if !ok || n.IsDir() || !reports.ValidRun(run) {
			continue
		}
		file := filepath.Join(dir, n.Name())
		if _, sealed := a.runs[run]; sealed {
			if err := os.Remove(file); err != nil {
				return fmt.Errorf("archive: %w", err)
			}
			continue
		}
		events, rerr := ReadJournal(file)
		var damage *reports.Problem
		if rerr != nil && !errors.As(rerr, &damage) {
			return fmt.Errorf("archive: %w", rerr)
		}
		if damage != nil {
			damage.File = path.Join(journalDir, filepath.Base(damage.File))
			a.problems = append(a.problems, *damage)
		}
		if len(events) > 0 {
			report, err := reports.Fold(events)
			if err != nil || report.Run != run {
				// Whole lines that make no run: not this program's doing.
				damage = &reports.Problem{File: path.Join(journalDir, n.Name()),
					Text: fmt.Sprintf("not the journal of run %s: %v", run, err)}
				a.problems = append(a.problems, *damage)
			} else {
				cutShort(&report, damage)
				s, err := a.seal(report)
				if err != nil {
					return fmt.Errorf("archive: run %s was cut short: %w", run, err)
				}
				a.recovered = append(a.recovered, s)
			}
		}
		if damage != nil {
			keep, err := a.disk.makeDir(dir, "damaged")
			if err == nil {
				err = os.Rename(file, filepath.Join(keep, n.Name()))
			}
			if err != nil {
				return fmt.Errorf("archive: %w", err)
			}
			continue
		}
		// Without a whole first line nobody was told that the run began.
		if err := os.Remove(file); err != nil {
			return fmt.Errorf("archive: %w", err)
		}
	}
	return nil
}

// cutShort makes the report of a run whose journal was found unsealed. A run
// that had ended as failed or error stays so: pulling the plug must not undo a
// failure. One that had ended as passed is aborted: a pass is only what was
// sealed while the unit was still in the nest.
func cutShort(r *reports.Report, damage *reports.Problem) {
	if damage != nil {
		r.Outcome, r.Reason = reports.Aborted, &reports.Reason{Code: reports.CutDamaged, Text: damage.Error()}
		return
	}
	if r.Outcome == reports.Passed {
		r.Outcome, r.Reason = reports.Aborted, &reports.Reason{Code: reports.CutUnsealed}
		if r.Guardian != nil {
			r.Reason.Because = []reports.Reason{*r.Guardian}
		}
	}
}

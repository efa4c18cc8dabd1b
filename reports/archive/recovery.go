package archive

import (
	"crypto/ed25519"
	"encoding/hex"
	"errors"
	"fmt"
	"os"
	"path"
	"path/filepath"
	"strings"

	"fullthrow/reports"
)

// Known is what somebody else has seen of an archive's reports: the index, the
// plant's store, a witness. A number with its hash, by a key where that is known.
type Known struct {
	From   string // "index", "plant", "checkpoint", "witness"
	Number int64
	Hash   string // "" not known
	Key    string // "" not known
}

// sameKey refuses a key that was put in the place of the station's.
func (a *Archive) sameKey() error {
	if len(a.entries) == 0 {
		return nil
	}
	newest := a.entries[len(a.entries)-1]
	p, err := ReadPlace(a.dir, newest.File)
	public := hex.EncodeToString(a.key.Public().(ed25519.PublicKey))
	if err != nil || p.Key == public || p.Key == a.ring.of(kindReport, p.Number) && a.ring.current() == public {
		return nil
	}
	s, err := Load(filepath.Join(a.dir, filepath.FromSlash(newest.File)))
	if err != nil || len(a.entries) > 1 && a.entries[len(a.entries)-2].Hash != s.Seal.Previous {
		return nil // put in by somebody: verify names it
	}
	return &reports.HintedError{
		Err: fmt.Errorf("archive: %s is another key than sealed the newest report, %s", keyFile, newest.File),
		Hint: "put the right key back from a copy; if it is lost, take this one away and let fullthrow key --lost " +
			"make a new one, which every check will say",
	}
}

// loadChain finds the number and hash that the next report follows. The head of
// an earlier version, which is not signed, is signed now.
//
// The head in the file chain is one behind after a crash between report and
// chain; further behind, or ahead of the files, something was put back or taken
// away: then the higher number counts, so that a gap stays a gap for ever. The
// same goes for the numbers that others have seen. Where the head is gone or
// forged, and nobody knows how far the station was, a number is left out: it
// names the report before, and so stays to be seen (NumbersGivenUp).
func (a *Archive) loadChain() {
	var newest head
	if n := len(a.entries); n > 0 {
		e := a.entries[n-1]
		newest = head{Number: e.Number, Hash: e.Hash, File: e.File}
	}
	problem := func(code, file, format string, args ...any) {
		a.problems = append(a.problems, reports.Problem{Code: code, File: file, Text: fmt.Sprintf(format, args...),
			Hint: hintVerify})
	}
	h, herr := reportChain.read(a.dir)
	next, lost, rewrite := newest, false, false
	worth := h.prove(reportChain, a.ring, herr)
	if worth == headOld && a.numbered(newest) {
		worth = headForged
	}
	switch worth {
	case headNone:
		rewrite = true
		if lost = newest.Number > 1 || newest.Number == 1 && a.numbered(newest); lost {
			problem(HeadMissing, string(reportChain), "the note of the newest report is missing; numbers go on after %d, "+
				"one left out", newest.Number)
		}
	case headForged:
		rewrite, lost = true, true
		if herr != nil {
			problem(HeadForged, string(reportChain), "%v", herr)
		} else {
			problem(HeadForged, string(reportChain), "it is not signed by the station")
		}
	case headOld, headSigned:
		rewrite = worth == headOld
		switch {
		case h.Number > newest.Number:
			next = h
			if h.File == "" && h.Hash == newest.Hash {
				break // left out when it was opened before
			}
			problem(ReportMissing, h.File, "number %d, the newest report, is missing", h.Number)
		case h.Number == newest.Number && h.Hash != newest.Hash:
			problem(HeadOther, newest.File, "is not the report that was sealed last")
			next = h
		case h.Number < newest.Number:
			rewrite = true
		}
	}
	for _, k := range a.known {
		if k.Key != "" && !a.ring.knows(k.Key) {
			problem(KeyReplaced, pubFile, "the %s knows another key of this station, which handed over to none that is "+
				"here", k.From)
			continue
		}
		if k.Number > maxNumber/2 || k.Number < next.Number || k.Number == next.Number && (k.Hash == next.Hash || k.Hash == "") {
			continue
		}
		if k.Number > next.Number {
			problem(RolledBack, string(reportChain), "the %s knows report number %d, the newest here is number %d: "+
				"numbers go on after %d", k.From, k.Number, newest.Number, k.Number)
			next, lost, rewrite = head{Number: k.Number, Hash: k.Hash}, false, true
			if !isHash(k.Hash) {
				next.Hash = newest.Hash
			}
		} else {
			problem(RolledBack, string(reportChain), "the %s knows another report under number %d", k.From, k.Number)
		}
	}
	if lost {
		next = head{Number: next.Number + 1, Hash: next.Hash}
	}
	if a.head = next; rewrite {
		if err := a.writeHead(next); err != nil {
			a.problems = append(a.problems, reports.Problem{File: string(reportChain), Text: err.Error(),
				Hint: roomHint(a.dir, roomForRun, err)})
		}
	}
}

// numbered says whether a report's seal proves its number: then a program has
// sealed here that signs heads too.
func (a *Archive) numbered(h head) bool {
	if h.Number == 0 {
		return false
	}
	data, err := readBounded(filepath.Join(a.dir, filepath.FromSlash(h.File)), maxReport)
	if err != nil {
		return true
	}
	_, f, err := parseForm(data)
	return err != nil || f == formNumbered
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
		if a.sealed(run, file) {
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

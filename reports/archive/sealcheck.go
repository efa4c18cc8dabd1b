package archive

import (
	"cmp"
	"crypto/ed25519"
	"encoding/hex"
	"fmt"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strings"

	"fullthrow/reports"
)

// SealCheck says how far a seal was checked.
type SealCheck struct {
	Own   bool   // hash and signature fit, by the key that the seal names
	Chain bool   // so do the station's key, the report before and the one after
	Text  string // what does not fit, in words; "" nothing was found
	// Contradicts is what the report says of itself that cannot be, see
	// [reports.Report.Contradiction]; nil nothing was found.
	Contradicts *reports.Reason
}

// Check proves a report by its own seal; without its bytes it proves nothing.
func (s Sealed) Check() SealCheck {
	if s.Raw == nil {
		return SealCheck{}
	}
	if _, err := s.Seal.prove(s.Raw, kindReport); err != nil {
		return SealCheck{Text: err.Error()}
	}
	return SealCheck{Own: true, Contradicts: s.Report.Contradiction()}
}

// Surroundings are what the archive around a report tells of it.
type Surroundings struct {
	History []reports.HistoryRow // of the unit: runs and repairs, oldest first
	Check   SealCheck
}

// ArchiveOf finds the archive in which a report's file lies, by its place;
// ok is false where it lies elsewhere.
func ArchiveOf(file string) (dir string, ok bool) {
	abs, err := filepath.Abs(file)
	if err != nil {
		return "", false
	}
	dir = filepath.Join(filepath.Dir(abs), "..", "..", "..")
	rel, err := filepath.Rel(dir, abs)
	if err != nil {
		return "", false
	}
	parts := strings.Split(filepath.ToSlash(rel), "/")
	for i, digits := range []int{4, 2, 2} {
		if len(parts) != 4 || len(parts[i]) != digits || strings.Trim(parts[i], "0123456789") != "" {
			return "", false
		}
	}
	_, err = os.Stat(filepath.Join(dir, pubFile))
	return dir, err == nil
}

// Around reads what the archive in dir tells of one of its reports: what else
// happened to the unit, and whether the report stands between its neighbours.
// It opens the head of every report, changes nothing, and may run beside the
// station's program. A report that cannot be read is a row that says so.
func Around(dir string, s Sealed) (Surroundings, error) {
	newest, worth := newestNote(dir) // before the files: never ahead of them
	files, err := reportFiles(dir, false)
	if err != nil {
		return Surroundings{}, fmt.Errorf("history: %w", err)
	}
	var a Surroundings
	numbers := map[int64]string{} // of the neighbours, to file
	causes := map[string][]reports.Cause{}
	unit := unitKey{s.Report.Unit.Product, s.Report.Unit.SerialNumber}
	type numbered struct {
		number int64
		row    reports.HistoryRow
	}
	var runs []numbered
	for _, name := range files {
		e, err := readEntry(dir, name)
		if err != nil {
			continue // nobody knows whose it is; Verify names it
		}
		if e.Number == s.Seal.Number-1 || e.Number == s.Seal.Number+1 {
			numbers[e.Number] = name
		}
		if (unitKey{e.Unit.Product, e.Unit.SerialNumber}) != unit {
			continue
		}
		r, err := Load(filepath.Join(dir, filepath.FromSlash(name)))
		if err != nil {
			runs = append(runs, numbered{e.Number, reports.HistoryRow{At: e.Started, Run: e.Run,
				Reason: &reports.Reason{Code: reports.ReportChanged}, Flagged: true}})
			continue
		}
		causes[r.Report.Run] = r.Report.Causes
		runs = append(runs, numbered{r.Seal.Number, reports.RunRow(r.Report)})
	}
	slices.SortStableFunc(runs, func(x, y numbered) int { return cmp.Compare(x.number, y.number) })
	for _, r := range runs {
		a.History = append(a.History, r.row)
	}
	repairs, _, err := ReadRepairs(dir)
	if err != nil {
		return Surroundings{}, err
	}
	for _, r := range repairs {
		if (unitKey{r.Repair.Unit.Product, r.Repair.Unit.SerialNumber}) == unit {
			a.History = append(a.History, reports.RepairRow(r.Repair, causes[r.Repair.Run]))
		}
	}
	reports.SortHistory(a.History)
	a.Check = s.checkIn(dir, numbers, newest, worth)
	return a, nil
}

// checkIn proves a report by its own seal, the station's key and its
// neighbours, whose files are given by number; newest is the head of the chain,
// and worth what it is worth.
func (s Sealed) checkIn(dir string, neighbours map[int64]string, newest head, worth standing) SealCheck {
	c := s.Check()
	if !c.Own {
		return c
	}
	wrong := func(format string, args ...any) SealCheck {
		c.Text = fmt.Sprintf(format, args...)
		return c
	}
	ring := loadRing(dir)
	if ring.current() == "" {
		return wrong("the station's public key cannot be read: %v", ring.problems[0].Text)
	}
	if !ring.fits(kindReport, s.Seal) {
		return wrong("it is signed with another key than the station's")
	}
	if file := path.Join(s.Report.Started.UTC().Format("2006/01/02"), s.Report.Run+".json"); s.File != "" &&
		!strings.HasSuffix(filepath.ToSlash(s.File), file) {
		return wrong("it belongs at %s", file)
	}
	load := func(number int64) (Sealed, error) {
		name, ok := neighbours[number]
		if !ok {
			return Sealed{}, fmt.Errorf("report number %d is missing", number)
		}
		n, err := Load(filepath.Join(dir, filepath.FromSlash(name)))
		if err != nil {
			return Sealed{}, fmt.Errorf("report number %d (%s) is not as it was sealed", number, name)
		}
		return n, nil
	}
	switch before, err := load(s.Seal.Number - 1); {
	case s.Seal.Number == 1 && s.Seal.Previous == "":
	case err != nil:
		return wrong("%v", err)
	case before.Seal.SHA256 != s.Seal.Previous:
		return wrong("it does not follow report number %d", before.Seal.Number)
	}
	switch after, err := load(s.Seal.Number + 1); {
	case neighbours[s.Seal.Number+1] == "" && worth == headForged:
		return wrong("nothing proves that it is the newest: the note of the newest report is not the station's")
	case neighbours[s.Seal.Number+1] == "" && worth == headNone && numbered(s):
		return wrong("nothing proves that it is the newest: the note of the newest report is missing")
	case neighbours[s.Seal.Number+1] == "" && newest.Number <= s.Seal.Number:
		if newest.Number == s.Seal.Number && newest.Hash != s.Seal.SHA256 {
			return wrong("it is not the report that was sealed last")
		}
	case err != nil:
		return wrong("%v", err)
	case after.Seal.Previous != s.Seal.SHA256:
		return wrong("report number %d does not follow it", after.Seal.Number)
	}
	c.Chain = true
	return c
}

// newestNote reads the note of the newest report, and says what it is worth.
func newestNote(dir string) (head, standing) {
	h, err := reportChain.read(dir)
	worth := h.prove(reportChain, loadRing(dir), err)
	if worth == headForged {
		h = head{}
	}
	return h, worth
}

// numbered says whether the seal of a report proves its number.
func numbered(s Sealed) bool {
	f, err := s.Seal.prove(s.Raw, kindReport)
	return err == nil && f == formNumbered
}

// KeyName is the fingerprint of the key that a seal names, "" if it is none.
func KeyName(s Seal) string {
	key, err := hex.DecodeString(s.Key)
	if err != nil || len(key) != ed25519.PublicKeySize {
		return ""
	}
	return Fingerprint(key)
}

// Check proves a report of this archive by its own seal, the station's key and
// its neighbours in the chain, which it finds by the archive's index: as quick
// in a large archive as in a small one.
func (a *Archive) Check(s Sealed) SealCheck {
	newest, worth := newestNote(a.dir) // before the index: never ahead of it
	numbers := map[int64]string{}
	for _, n := range []int64{s.Seal.Number - 1, s.Seal.Number + 1} {
		if name := a.fileOf(n); name != "" {
			numbers[n] = name
		}
	}
	return s.checkIn(a.dir, numbers, newest, worth)
}

package archive

import (
	"bytes"
	"crypto/ed25519"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"slices"

	"fullthrow/reports"
)

// Repairs are kept as JSON Lines, one sealed repair a line, each naming the
// hash of the one before; the file beside it names the newest, as chain does
// for reports.
const (
	repairsFile = "repairs.jsonl"
	repairHead  = `{"repair":`
)

// SealedRepair is a repair as it stands in the record, one line of
// repairs.jsonl:
//
//	{"repair":{...},"seal":{"number":1,"previous":"","sha256":"...","key":"...","signature":"..."}}
//
// Its seal is that of a report: the hash is of Previous, a newline, and the
// repair's bytes as they stand in the line; number and previous are of the
// repairs alone.
type SealedRepair struct {
	Repair reports.Repair `json:"repair"`
	Seal   Seal           `json:"seal"`
}

// maxNumber is beyond any number a station reaches: one above it was changed.
const maxNumber = 1 << 50

// Repair seals what was found and done about a failed run of this archive, and
// returns once that is on the disk. Control characters become blanks (Text
// keeps its line ends); an empty Unit is taken from the run, and Suggested
// always is. The same repair given twice is kept once.
//
// Refused, as an [*HintedError]: a run that is not in the archive or did not
// fail, another unit than the run's, a finding or remedy that is none, texts
// that are too long, an ID that another repair has.
func (a *Archive) Repair(r reports.Repair) (SealedRepair, error) {
	s, err := a.Load(r.Run)
	if errors.Is(err, fs.ErrNotExist) {
		return SealedRepair{}, &reports.HintedError{
			Err:  fmt.Errorf("repair: run %.80q is not in this archive", r.Run),
			Hint: "scan the unit again; a run of another station is looked up in the plant's store",
		}
	}
	if err != nil {
		return SealedRepair{}, &reports.HintedError{Err: fmt.Errorf("repair: %w", err), Hint: hintVerify}
	}
	return a.RepairOf(r, s)
}

// RepairOf is [Archive.Repair] for a run of whichever station, as the plant's
// store holds it.
func (a *Archive) RepairOf(r reports.Repair, of Sealed) (SealedRepair, error) {
	r, err := r.Check(of.Report)
	if err != nil {
		return SealedRepair{}, err
	}
	a.repairing.Lock()
	defer a.repairing.Unlock()
	a.mu.Lock()
	closed := a.closed
	a.mu.Unlock()
	if closed {
		return SealedRepair{}, errors.New("repair: the archive is closed")
	}
	if i := slices.IndexFunc(a.repairs, func(s SealedRepair) bool { return s.Repair.ID == r.ID }); i >= 0 {
		if a.repairs[i].Repair == r {
			return a.repairs[i], nil
		}
		return SealedRepair{}, &reports.HintedError{Err: fmt.Errorf("repair: %s is on record with another content",
			r.ID), Hint: "what is sealed stays: write a new repair"}
	}
	raw, err := json.Marshal(r)
	if err != nil {
		return SealedRepair{}, fmt.Errorf("repair: %w", err)
	}
	if a.repairBehind {
		if err := a.writeRepairHead(a.repairHead); err != nil {
			return SealedRepair{}, &reports.HintedError{Err: fmt.Errorf("repair: %s: %w", r.ID, err),
				Hint: roomHint(a.dir, 1000, err) + "; nothing was written down"}
		}
	}
	sl, line, err := sealLine(raw, a.repairHead.Number+1, a.repairHead.Hash, a.key)
	if err != nil {
		return SealedRepair{}, fmt.Errorf("repair: %w", err)
	}
	if err := a.appendRepair(line); err != nil {
		return SealedRepair{}, &reports.HintedError{Err: fmt.Errorf("repair: %s: %w", r.ID, err),
			Hint: roomHint(a.dir, int64(len(line)), err) + "; nothing was written down"}
	}
	s := SealedRepair{r, sl}
	if err := a.writeRepairHead(head{Number: sl.Number, Hash: sl.SHA256, File: repairsFile}); err != nil {
		a.trouble(reports.Problem{File: string(repairChain), Text: err.Error(), Hint: roomHint(a.dir, 1000, err) +
			"; the repair itself is sealed"})
	}
	a.mu.Lock()
	a.repairs = append(a.repairs, s)
	a.mu.Unlock()
	return s, nil
}

// writeRepairHead is writeHead for repairs; the caller holds repairing.
func (a *Archive) writeRepairHead(h head) (err error) {
	a.repairHead = h
	a.repairHead, err = repairChain.write(a.dir, a.disk, h, a.key)
	a.repairBehind = err != nil
	return err
}

// appendRepair makes a line last, or takes it back; the caller holds repairing.
func (a *Archive) appendRepair(line []byte) (err error) {
	path := filepath.Join(a.dir, repairsFile)
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o644)
	if err != nil {
		return err
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return err
	}
	size := info.Size()
	if a.repairDirt > 0 { // a line that could not be taken back
		size -= min(a.repairDirt, size)
		if err := f.Truncate(size); err != nil {
			return err
		}
		a.repairDirt = 0
	}
	if size > 0 {
		var last [1]byte
		if _, err := f.ReadAt(last[:], size-1); err != nil {
			return err
		}
		if last[0] != '\n' { // damaged by hand: what comes now stays apart from it
			line = append([]byte{'\n'}, line...)
		}
	}
	n, err := a.disk.write(f, line, size)
	if err == nil {
		err = a.disk.sync(f)
	}
	if err == nil && size == 0 {
		err = syncDir(a.dir)
	}
	if err != nil {
		if terr := f.Truncate(size); terr != nil {
			a.repairDirt = int64(n)
		}
	}
	return err
}

// Repairs lists the repairs on record, oldest first, without lines whose seal
// does not fit.
func (a *Archive) Repairs() []SealedRepair {
	a.mu.Lock()
	defer a.mu.Unlock()
	return slices.Clone(a.repairs)
}

// ReadRepairs reads the repairs in dir, oldest first, and says what is wrong
// with the rest: a line that was changed, removed, moved or put in. It changes
// nothing and may run beside the station's program. A last line that was being
// written when the power went is not there. No repairs is no error.
func ReadRepairs(dir string) ([]SealedRepair, []reports.Problem, error) {
	f, err := readRepairs(dir)
	return f.list, f.problems, err
}

// repairRecord is the file of repairs as it was read.
type repairRecord struct {
	list     []SealedRepair
	problems []reports.Problem
	head     head  // of the chain: the newest by file or by repairs.chain
	whole    int64 // bytes before a torn last line
	torn     int64 // bytes of it
	spoiled  int   // lines at the end that are not what was sealed
	numbered bool  // the newest seal proves its number
	lost     bool  // how far the record went is not known
	unsigned bool  // repairs.chain has to be signed
}

func readRepairs(dir string) (repairRecord, error) {
	var r repairRecord
	newest, herr := repairChain.read(dir) // before the file: never ahead of it
	ring := loadRing(dir)
	worth := newest.prove(repairChain, ring, herr)
	h, err := reportChain.read(dir)
	signing := h.prove(reportChain, ring, err) == headSigned
	data, err := os.ReadFile(filepath.Join(dir, repairsFile))
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return r, fmt.Errorf("repairs: %w", err)
	}
	upTo := newest.Number
	if worth == headForged {
		upTo = 0
	}
	r.parse(data, ring, upTo)
	if worth == headOld && (signing || r.numbered) {
		worth = headForged
	}
	const (
		restore = "restore " + repairsFile + " from a copy; if there is none, note the loss: the gap will always show"
		compare = "compare the newest repair with a note kept elsewhere"
	)
	r.unsigned = worth != headSigned
	switch {
	case worth == headNone:
		// With one, by an earlier version, the crash may have come between the two files.
		if r.lost = r.head.Number > 1 || r.numbered || signing; r.lost {
			r.problem(HeadMissing, string(repairChain), compare, "the note of the newest repair is missing")
		}
	case worth == headForged && herr != nil:
		r.lost = true
		r.problem(HeadForged, string(repairChain), compare, "%v", herr)
	case worth == headForged:
		r.lost = true
		r.problem(HeadForged, string(repairChain), compare, "it is not signed by the station")
	case newest.Number > r.head.Number && newest.File == "":
		r.problem(NumbersGivenUp, string(repairChain), givenUpHint, "%s", givenUp(repairChain, r.head.Number, newest.At))
		r.head = newest
	case newest.Number > r.head.Number:
		switch missing := newest.Number - r.head.Number; {
		case missing <= int64(r.spoiled): // said of its line
		case missing == 1:
			r.problem(RepairMissing, repairsFile, restore, "repair number %d, the newest, is missing", newest.Number)
		default:
			r.problem(RepairMissing, repairsFile, restore, "repairs number %d to %d, the newest, are missing",
				r.head.Number+1, newest.Number)
		}
		r.head = newest
	case newest.Number == r.head.Number && newest.Hash != r.head.Hash:
		r.problem(RepairUnlinked, repairsFile, restore, "its newest line is not the repair that was sealed last")
	case newest.Number < r.head.Number-1:
		r.problem(HeadBehind, string(repairChain), "it was put back from an older copy",
			"names number %d as the newest, but there is number %d", newest.Number, r.head.Number)
	}
	r.unsigned = r.unsigned || newest.Number < r.head.Number
	return r, nil
}

const givenUpHint = "compare with a note kept elsewhere; the place will always show"

// givenUp says what a number that was left out means.
func givenUp(c chain, after int64, at string) string {
	what := "reports"
	if c == repairChain {
		what = "repairs"
	}
	text := fmt.Sprintf("the station found no head that it had signed and left a number out after number %d: %s "+
		"after it may have been removed", after, what)
	if at != "" {
		text += " before " + at
	}
	return text
}

func (r *repairRecord) problem(code, file, hint, format string, args ...any) {
	r.problems = append(r.problems, reports.Problem{Code: code, File: file, Text: fmt.Sprintf(format, args...),
		Hint: hint})
}

// parse takes in the content of the file; newest is the number in repairs.chain.
func (r *repairRecord) parse(data []byte, ring keyring, newest int64) {
	const restore = "restore the line from a copy; if there is none, note the loss: the gap will always show"
	hashes := map[int64]string{} // of whole lines
	lines := map[int64]int{}
	ids := map[string]int{}
	where := func(n int) string { return fmt.Sprintf("%s:%d", repairsFile, n) }
	var highest int64
	spoiled := 0 // lines since the last whole one: they stand for missing numbers
	var order []struct {
		s       SealedRepair
		line    int
		spoiled int
	}
	for n, rest := 1, data; len(rest) > 0; n++ {
		line, after, ended := bytes.Cut(rest, []byte{'\n'})
		s, f, err := parseRepair(line)
		if len(after) == 0 && newest <= highest && torn(line, ended, err) && lines[s.Seal.Number] == 0 {
			r.torn = int64(len(rest)) // nobody was told of it
			break
		}
		rest = after
		r.whole += int64(len(line)) + 1
		switch {
		case err == nil && !ended:
			err = errors.New("the end of the line was cut off")
			fallthrough
		case err != nil:
			r.problem(RepairChanged, where(n), restore, "%v", err)
			spoiled++
			continue
		case !ring.fits(kindRepair, s.Seal):
			r.problem(RepairForeign, where(n), "it was put in: take it out, and find out who wrote it",
				"signed with another key than the station's")
			continue
		case s.Seal.Number < 1 || s.Seal.Number > maxNumber:
			r.problem(NumberNone, where(n), restore, "number %d is none", s.Seal.Number)
			continue
		case lines[s.Seal.Number] > 0:
			r.problem(RepairTwice, where(n), "one of the two was put in: take out the one that does not fit",
				"number %d stands twice, also in line %d", s.Seal.Number, lines[s.Seal.Number])
			continue
		case ids[s.Repair.ID] > 0:
			r.problem(RepairTwice, where(n), "one of the two was put in: take out the one that does not fit",
				"repair %s stands twice, also in line %d", s.Repair.ID, ids[s.Repair.ID])
			continue
		}
		hashes[s.Seal.Number], lines[s.Seal.Number], ids[s.Repair.ID] = s.Seal.SHA256, n, n
		if s.Seal.Number > highest {
			highest = s.Seal.Number
			r.head = head{Number: highest, Hash: s.Seal.SHA256, File: repairsFile}
			r.numbered = f == formNumbered
		}
		order = append(order, struct {
			s       SealedRepair
			line    int
			spoiled int
		}{s, n, spoiled})
		spoiled = 0
	}
	r.spoiled = spoiled
	highest = 0
	numbers := slices.Sorted(maps.Keys(lines))
	for _, o := range order {
		n := o.s.Seal.Number
		r.list = append(r.list, o.s)
		before, ok := hashes[n-1]
		gap := n - 1 // numbers before this one that are nowhere
		if i, _ := slices.BinarySearch(numbers, n); i > 0 {
			gap -= numbers[i-1]
		}
		switch {
		case n < highest:
			r.problem(RepairMoved, where(o.line), "put the lines back in the order of their numbers",
				"number %d stands after number %d: lines were moved", n, highest)
		case ok && o.s.Seal.Previous != before:
			r.problem(RepairUnlinked, where(o.line), restore, "does not follow repair number %d (line %d): one of the two was "+
				"replaced or renumbered", n-1, lines[n-1])
		case n == 1 && o.s.Seal.Previous != "":
			r.problem(RepairUnlinked, where(o.line), restore, "is not the first repair of its record: it was renumbered")
		case gap > 0 && o.spoiled == 0 && o.s.Seal.Previous == hashes[n-1-gap]:
			r.problem(NumbersGivenUp, where(o.line), givenUpHint, "%s", givenUp(repairChain, n-1-gap, ""))
		case gap == 1 && o.spoiled == 0:
			r.problem(RepairMissing, where(o.line), restore, "repair number %d, before this one, is missing", n-1)
		case gap > int64(o.spoiled):
			r.problem(RepairMissing, where(o.line), restore, "repairs number %d to %d, before this one, are missing", n-gap, n-1)
		}
		highest = max(highest, n)
	}
	slices.SortStableFunc(r.list, func(x, y SealedRepair) int { return int(x.Seal.Number - y.Seal.Number) })
}

// torn reports whether a last line that gave err is what the power left of one
// that was being written: its beginning, or blocks that never reached the disk.
func torn(line []byte, ended bool, err error) bool {
	if err != nil && bytes.IndexByte(line, 0) >= 0 {
		return true
	}
	begins := bytes.HasPrefix(line, []byte(repairHead)) || bytes.HasPrefix([]byte(repairHead), line)
	return !ended && begins && !errors.Is(err, ErrSeal)
}

// parseRepair reads one line, without its end. Only the exact form that
// sealLine writes is accepted.
func parseRepair(line []byte) (SealedRepair, form, error) {
	var f struct {
		Repair json.RawMessage `json:"repair"`
		Seal   *Seal           `json:"seal"`
	}
	if err := json.Unmarshal(line, &f); err != nil {
		return SealedRepair{}, formNone, errors.New("not a sealed repair")
	}
	if f.Repair == nil || f.Seal == nil {
		return SealedRepair{}, formNone, errors.New("not a sealed repair: repair or seal is missing")
	}
	s := SealedRepair{Seal: *f.Seal}
	d := json.NewDecoder(bytes.NewReader(f.Repair))
	d.DisallowUnknownFields() // the signature of another record proves no repair
	if err := d.Decode(&s.Repair); err != nil {
		return SealedRepair{}, formNone, fmt.Errorf("not a sealed repair: %w", err)
	}
	if same, err := envelope(repairHead, f.Repair, s.Seal); err != nil || !bytes.Equal(same, append(bytes.Clone(line),
		'\n')) {
		return SealedRepair{}, formNone, fmt.Errorf("%w: the line is not in the form it was sealed in", ErrSeal)
	}
	proved, err := s.Seal.prove(f.Repair, kindRepair)
	if err != nil {
		return SealedRepair{}, formNone, err
	}
	return s, proved, nil
}

func sealLine(raw []byte, number int64, previous string, key ed25519.PrivateKey) (Seal, []byte, error) {
	s := newSeal(kindRepair, raw, number, previous, key)
	line, err := envelope(repairHead, raw, s)
	return s, line, err
}

// loadRepairs takes in the repairs when the archive is opened, and removes a
// torn last line.
func (a *Archive) loadRepairs() error {
	r, err := readRepairs(a.dir)
	if err != nil {
		return fmt.Errorf("archive: %w", err)
	}
	if r.torn > 0 {
		if err := os.Truncate(filepath.Join(a.dir, repairsFile), r.whole); err != nil {
			return fmt.Errorf("archive: %w", err)
		}
	}
	a.repairs, a.repairHead = r.list, r.head
	a.problems = append(a.problems, r.problems...)
	if r.lost { // a number is left out, see loadChain
		a.repairHead = head{Number: r.head.Number + 1, Hash: r.head.Hash}
	}
	if r.unsigned {
		if err := a.writeRepairHead(a.repairHead); err != nil {
			a.problems = append(a.problems, reports.Problem{File: string(repairChain), Text: err.Error(),
				Hint: roomHint(a.dir, 1000, err)})
		}
	}
	return nil
}

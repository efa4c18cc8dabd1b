package archive

import (
	"cmp"
	"context"
	"crypto/ed25519"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"fullthrow/reports"
	"fullthrow/reports/serial"
)

// Verification is what [Verify] found. An archive is sound if Problems is
// empty.
//
// It cannot find everything. Whoever holds the station's key can seal another
// history from the start; and whoever puts back the whole folder as it was
// yesterday leaves an archive that looks merely younger. Against both helps what
// others have seen ([Known]): a later archive must contain that number with that
// hash.
type Verification struct {
	Key         ed25519.PublicKey
	Station     string // as the newest report names it
	Reports     int    // sealed reports that are as they were sealed
	Outcomes    map[reports.Outcome]int
	Number      int64    // of the newest report
	Head        string   // its hash
	Attachments int      // that reports refer to, found whole
	Loose       []string // attachments no report refers to: left by runs that were cut short
	Pending     []string // journals of runs that are under way or were cut short
	Repairs     int      // whose seal fits
	// OldHead: the heads are not signed, since an earlier version wrote them; they
	// are when the station next opens the archive.
	OldHead bool
	// Unread is how many of Reports were read whole at Since, the last time, and
	// by size, times and place on the disk have not been written to since. Of them
	// the chain alone was proved now.
	Unread   int
	Since    time.Time
	Problems []reports.Problem
	// Notes are what speaks against no report: that the station's clock was set.
	Notes []reports.Problem

	hashes map[int64]string // of the reports, by number
	ring   keyring
}

// VerifyOptions are those of [VerifyWith].
type VerifyOptions struct {
	// Checkpoint is a file, not in the archive, that remembers which files were
	// read and proved; "" for none. All reads every file all the same.
	Checkpoint string
	All        bool
	// Known is what others have seen of this archive.
	Known []Known
	// Repairs are the IDs of repairs that others have seen.
	Repairs  []string
	Progress func(done, total int)
}

// Verify reads every sealed report in dir and proves each against its seal,
// the station's key, its place in the chain, and its attachments; and every
// repair the same way. It changes nothing and may run beside the station's program.
//
// The error is that dir cannot be read at all; everything else is a Problem.
func Verify(dir string) (*Verification, error) {
	return VerifyWith(context.Background(), dir, VerifyOptions{})
}

// VerifyWith is [Verify] on all processors, from where it last stood and against
// what others have seen.
func VerifyWith(ctx context.Context, dir string, o VerifyOptions) (*Verification, error) {
	for try := 0; ; try++ {
		before, berr := reportChain.read(dir)
		v, err := verify(ctx, dir, before, berr, o)
		if err != nil {
			return nil, err
		}
		// A report sealed meanwhile would look like damage: look again.
		if after, _ := reportChain.read(dir); after == before || len(v.Problems) == 0 || try == 3 {
			return v, nil
		}
	}
}

const (
	hintRestore = "restore it from a copy; if there is none, note the loss: the gap will always show"
	hintCompare = "compare number and hash of the newest report with a note kept elsewhere"
)

// proof is what reading a report proved.
type proof struct {
	file      string
	id        fileID
	number    int64
	previous  string
	hash, key string
	form      form
	outcome   reports.Outcome
	station   string
	captures  []reports.Capture // those with a SHA256, and of them its names and size
	unread    bool

	run, belongs string
	ended        time.Time // zero where no clock could have been set
	contradicts  *reports.Reason
	err          error
	of           Entry // where err: by its own words
}

func verify(ctx context.Context, dir string, chain head, chainErr error, o VerifyOptions) (*Verification, error) {
	v := &Verification{Outcomes: map[reports.Outcome]int{}, hashes: map[int64]string{}}
	problem := func(code, file, hint, format string, args ...any) {
		v.Problems = append(v.Problems, reports.Problem{Code: code, File: file, Text: fmt.Sprintf(format, args...),
			Hint: hint})
	}
	files, err := reportFiles(dir, false)
	if err != nil {
		return nil, fmt.Errorf("verify: %w", err)
	}
	v.ring = loadRing(dir)
	if key, err := hex.DecodeString(v.ring.current()); err == nil && len(key) == ed25519.PublicKeySize {
		v.Key = key
	}
	keyless := len(v.ring.problems) == 1 && v.ring.problems[0].Code == KeyMissing
	if !keyless || len(files) > 0 || !errors.Is(chainErr, fs.ErrNotExist) { // else there is nothing yet
		v.Problems = append(v.Problems, v.ring.problems...)
	}
	attachments, err := listAttachments(dir)
	if err != nil {
		return nil, fmt.Errorf("verify: %w", err)
	}
	last := recallCheckpoint(o.Checkpoint, dir)
	if !o.All {
		v.Since = last.at
	}
	began := time.Now()
	proofs, err := proveFiles(ctx, dir, files, last, o)
	if err != nil {
		return nil, err
	}

	whole := map[string]fileID{} // attachments that were found whole
	used := map[string]bool{}
	var links []*proof
	runs := map[string]string{}
	spoiled := map[int64]bool{} // numbers of reports that are there, but not as they were sealed
	numbered := false
	for i := range proofs {
		p := &proofs[i]
		if p.err != nil {
			of := ""
			if p.of.Number > 0 { // by its own words, which prove nothing
				spoiled[p.of.Number] = true
				of = fmt.Sprintf("; it names unit %s", reports.Brief(p.of.Unit.SerialNumber, serial.MaxCodeSerial))
			}
			problem(ReportChanged, p.file, "do not rely on it: "+hintRestore, "%v%s", p.err, of)
			continue
		}
		v.Reports++
		v.Outcomes[p.outcome]++
		numbered = numbered || p.form == formNumbered
		if p.unread {
			v.Unread++
		}
		if !v.ring.fits(kindReport, Seal{Number: p.number, Key: p.key}) {
			problem(ReportForeign, p.file, "it was sealed elsewhere, or the station's key was replaced",
				"signed with another key than the station's")
		}
		if p.belongs != p.file {
			problem(ReportMoved, p.file, "move it back", "belongs at %s", p.belongs)
		}
		if first, ok := runs[p.run]; ok {
			problem(ReportTwice, p.file, "remove the copy that does not fit the chain", "run %s stands twice, also in %s",
				p.run, first)
		}
		if c := p.contradicts; c != nil {
			problem(ReportContradicts, p.file, "do not rely on it: whoever sealed it had the station's key and changed "+
				"what it says", "it contradicts itself (%s)", c.Code)
			v.Problems[len(v.Problems)-1].Because = c
		}
		runs[p.run] = p.file
		links = append(links, p)
		for _, c := range p.captures {
			file, ok := attachments[c.SHA256]
			if !ok {
				problem(AttachmentMissing, p.file, hintRestore, "capture %s.%s: attachment %.12s... is missing", c.Check,
					c.Name, c.SHA256)
				continue
			}
			if used[file] {
				continue
			}
			used[file] = true
			full := filepath.Join(dir, filepath.FromSlash(file))
			id, idOK := identify(full, began)
			if idOK && !o.All && last.attachments[file] == id {
				whole[file] = id
				v.Attachments++
				continue
			}
			if sum, size, err := hashFile(full); err != nil {
				problem(AttachmentChanged, file, hintRestore, "%v", err)
			} else if sum != c.SHA256 || size != c.Size {
				problem(AttachmentChanged, file, hintRestore, "was changed: it is not what run %s kept as %s.%s", p.run,
					c.Check, c.Name)
			} else {
				if idOK {
					whole[file] = id
				}
				v.Attachments++
			}
		}
	}
	v.chain(links, spoiled, problem)
	v.Notes = clockNotes(len(links), func(i int) (time.Time, string) { return links[i].ended, links[i].file })
	v.head(chain, chainErr, links, spoiled, numbered, problem)
	v.compare(append(last.known(), OfThis(dir, o.Known)...), spoiled, problem)

	repairs, problems, err := ReadRepairs(dir)
	if err != nil {
		return nil, fmt.Errorf("verify: %w", err)
	}
	for _, id := range o.Repairs {
		if !slices.ContainsFunc(repairs, func(s SealedRepair) bool { return s.Repair.ID == id }) {
			problem(RepairMissing, repairsFile, hintRestore, "the index knows repair %.80s, which is not on the record", id)
		}
	}
	v.Repairs = len(repairs)
	v.Problems = append(v.Problems, problems...)

	for _, file := range attachments {
		if !used[file] {
			v.Loose = append(v.Loose, file)
		}
	}
	slices.Sort(v.Loose)
	journals, err := os.ReadDir(filepath.Join(dir, journalDir))
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return nil, fmt.Errorf("verify: %w", err)
	}
	for _, j := range journals {
		if strings.HasSuffix(j.Name(), ".jsonl") {
			v.Pending = append(v.Pending, path.Join(journalDir, j.Name()))
		}
	}
	if o.Checkpoint != "" {
		// Where it cannot be kept, the next verification reads everything.
		_ = keepCheckpoint(o.Checkpoint, dir, began, v, last, proofs, whole)
	}
	return v, nil
}

// proveFiles reads files on all processors; those that were read before, and
// not written to since, it only looks at.
func proveFiles(ctx context.Context, dir string, files []string, last checkpoint, o VerifyOptions) ([]proof, error) {
	proofs := make([]proof, len(files))
	var next, done atomic.Int64
	var failed atomic.Pointer[error]
	var wg sync.WaitGroup
	var telling sync.Mutex
	for range min(runtime.GOMAXPROCS(0), len(files)) {
		wg.Go(func() {
			for {
				i := int(next.Add(1)) - 1
				if i >= len(files) || ctx.Err() != nil || failed.Load() != nil {
					return
				}
				err := reports.Caught(func() error {
					proofs[i] = proveFile(dir, files[i], last, o.All)
					return nil
				})
				if err != nil {
					failed.CompareAndSwap(nil, &err)
					return
				}
				if n := int(done.Add(1)); o.Progress != nil {
					telling.Lock()
					o.Progress(n, len(files))
					telling.Unlock()
				}
			}
		})
	}
	wg.Wait()
	if err := failed.Load(); err != nil {
		return nil, fmt.Errorf("verify: %w", *err)
	}
	if ctx.Err() != nil {
		return nil, fmt.Errorf("verify: %w", context.Cause(ctx))
	}
	return proofs, nil
}

func proveFile(dir, name string, last checkpoint, all bool) proof {
	full := filepath.Join(dir, filepath.FromSlash(name))
	id, ok := identify(full, time.Now()) // before it is read: what is written later shows
	if before, known := last.reports[name]; ok && known && !all && before.id == id {
		before.unread = true
		return before
	}
	p := proof{file: name}
	if ok {
		p.id = id
	}
	data, err := readBounded(full, maxReport)
	var s Sealed
	if err == nil {
		s, p.form, err = parseForm(data)
	}
	if err != nil {
		p.err = err
		if e, err := readEntry(dir, name); err == nil {
			p.of = e
		}
		return p
	}
	p.number, p.previous, p.hash, p.key = s.Seal.Number, s.Seal.Previous, s.Seal.SHA256, s.Seal.Key
	p.outcome, p.station, p.run = s.Report.Outcome, s.Report.Station, s.Report.Run
	p.belongs = path.Join(s.Report.Started.UTC().Format("2006/01/02"), s.Report.Run+".json")
	p.contradicts = s.Report.Contradiction()
	if !s.Report.Simulated { // whose nests have a clock each
		p.ended = s.Report.Ended
	}
	for _, c := range s.Report.Captures {
		if c.SHA256 != "" {
			p.captures = append(p.captures, reports.Capture{Check: c.Check, Name: c.Name, SHA256: c.SHA256, Size: c.Size})
		}
	}
	return p
}

type tellProblem func(code, file, hint, format string, args ...any)

// chain proves that each report follows the one before.
func (v *Verification) chain(links []*proof, spoiled map[int64]bool, problem tellProblem) {
	slices.SortStableFunc(links, func(a, b *proof) int { return cmp.Compare(a.number, b.number) })
	prev := &proof{}
	for _, l := range links {
		switch {
		case l.number < 1 || l.number > maxNumber:
			problem(NumberNone, l.file, hintRestore, "number %d is none", l.number)
			continue
		case l.number == prev.number:
			problem(ReportTwice, l.file, "one of the two was put in: keep the one that fits the chain",
				"number %d stands twice, also in %s", l.number, prev.file)
			if v.hashes[l.number-1] == l.previous {
				prev = l
				v.hashes[l.number] = l.hash
			}
			continue
		case l.number > prev.number+1 && l.previous == prev.hash:
			problem(NumbersGivenUp, l.file, givenUpHint, "%s", givenUp(reportChain, prev.number, ""))
		case l.number > prev.number+1:
			if gap := missing(prev.number+1, l.number-1, spoiled); gap != "" {
				problem(ReportMissing, l.file, "restore what is missing from a copy; if there is none, note the loss: "+
					"the gap will always show", "%s", gap)
			}
		case l.previous != prev.hash:
			problem(ReportUnlinked, l.file, hintRestore, "does not follow report number %d (%s): one of the two was "+
				"replaced or renumbered", prev.number, prev.file)
		}
		prev = l
		v.hashes[l.number] = l.hash
	}
	v.Number, v.Head, v.Station = prev.number, prev.hash, prev.station
}

// head proves the note of the newest report.
func (v *Verification) head(chain head, chainErr error, links []*proof, spoiled map[int64]bool, numbered bool,
	problem tellProblem) {
	worth := chain.prove(reportChain, v.ring, chainErr)
	if worth == headOld && numbered {
		worth = headForged
	}
	at := slices.IndexFunc(links, func(l *proof) bool { return l.number == chain.Number && l.hash == chain.Hash })
	switch {
	case worth == headNone:
		// With one report, by an earlier version, the crash may have come between the two.
		if v.Number > 1 || v.Number == 1 && numbered {
			problem(HeadMissing, string(reportChain), hintCompare, "the head of the chain is missing")
		}
	case worth == headForged && chainErr != nil:
		problem(HeadForged, string(reportChain), hintCompare, "%v", chainErr)
	case worth == headForged:
		problem(HeadForged, string(reportChain), hintCompare, "it is not signed by the station")
	case chain.Number > v.Number && chain.File == "" && (chain.Hash == v.Head || chain.Hash == ""):
		problem(NumbersGivenUp, string(reportChain), givenUpHint, "%s", givenUp(reportChain, v.Number, chain.At))
	case chain.Number > v.Number:
		if gap := missing(v.Number+1, chain.Number, spoiled); gap != "" {
			file := chain.File
			if file == "" {
				file = string(reportChain)
			}
			problem(ReportMissing, file, hintRestore, "report number %d, the newest, is missing", chain.Number)
		}
	case chain.Number == 0 && v.Number <= 1: // the first report; the crash came before its note
	case at < 0:
		problem(HeadOther, string(reportChain), hintRestore, "its report, number %d (%s), is not in the archive as it "+
			"was sealed", chain.Number, chain.File)
	case chain.Number < v.Number-1:
		problem(HeadBehind, string(reportChain), "it was put back from an older copy",
			"names number %d as the newest, but there is number %d", chain.Number, v.Number)
	}
	v.OldHead = worth == headOld
}

// Sees adds what somebody else has seen of the archive, and says whether it fits.
func (v *Verification) Sees(k Known) bool {
	n := len(v.Problems)
	v.compare([]Known{k}, nil, func(code, file, hint, format string, args ...any) {
		v.Problems = append(v.Problems, reports.Problem{Code: code, File: file, Text: fmt.Sprintf(format, args...),
			Hint: hint})
	})
	return len(v.Problems) == n
}

// OfThis leaves those of what others have seen that are of the station in dir: by
// a key that it has had; where they know none of these, the newest of each.
func OfThis(dir string, list []Known) []Known {
	ring := loadRing(dir)
	byFrom := map[string][]Known{}
	var from []string
	for _, k := range list {
		if byFrom[k.From] == nil {
			from = append(from, k.From)
		}
		byFrom[k.From] = append(byFrom[k.From], k)
	}
	var out []Known
	for _, f := range from {
		part := byFrom[f]
		ours := slices.DeleteFunc(slices.Clone(part), func(k Known) bool { return k.Key != "" && !ring.knows(k.Key) })
		if len(ours) == 0 {
			ours = []Known{slices.MaxFunc(part, func(a, b Known) int { return cmp.Compare(a.Number, b.Number) })}
		}
		out = append(out, ours...)
	}
	return out
}

// compare proves the archive against what others have seen of it.
func (v *Verification) compare(known []Known, spoiled map[int64]bool, problem tellProblem) {
	const hint = "find out who put an older or another archive in its place; the newer one may be in a copy"
	for _, k := range known {
		if k.Key != "" && v.ring.current() != "" && !v.ring.knows(k.Key) {
			problem(KeyReplaced, pubFile, hint, "the %s knows another key of this station, %s, which handed over to none "+
				"that is here", k.From, KeyName(Seal{Key: k.Key}))
			continue
		}
		hash, here := v.hashes[k.Number]
		switch {
		case k.Number < 1 || spoiled[k.Number]: // said already
		case k.Number > v.Number:
			problem(RolledBack, string(reportChain), hint, "the %s has seen report number %d, and the newest here is "+
				"number %d", k.From, k.Number, v.Number)
		case !here:
			problem(RolledBack, string(reportChain), hint, "the %s has seen report number %d, which is not here", k.From,
				k.Number)
		case k.Hash != "" && !strings.HasPrefix(hash, k.Hash):
			problem(RolledBack, string(reportChain), hint, "the %s has seen another report number %d", k.From, k.Number)
		}
	}
}

// clockBack is how much earlier than the report before one must have ended for
// the clock to have been set back: nests that end together are sealed within
// moments.
const clockBack = time.Minute

// clockNotes finds where the clock was set back between reports, in the order of
// their numbers.
func clockNotes(n int, report func(i int) (ended time.Time, file string)) (notes []reports.Problem) {
	var before time.Time
	for i := range n {
		ended, file := report(i)
		if ended.IsZero() {
			continue
		}
		if back := before.Sub(ended); !before.IsZero() && back > clockBack {
			notes = append(notes, reports.Problem{File: file,
				Text: fmt.Sprintf("ended %v before the report before it: the clock was set back; the order of the "+
					"station's reports is that of their numbers", back.Round(time.Second)),
				Hint: "look whether the computer's clock is right"})
		}
		before = ended
	}
	return notes
}

// missing says which numbers from first to last are not there, but for those
// of reports that are, though spoiled; "" if none is.
func missing(first, last int64, spoiled map[int64]bool) string {
	for first <= last && spoiled[first] {
		first++
	}
	for last >= first && spoiled[last] {
		last--
	}
	switch {
	case first > last:
		return ""
	case first == last:
		return fmt.Sprintf("report number %d, before this one, is missing", first)
	}
	return fmt.Sprintf("reports number %d to %d, before this one, are missing", first, last)
}

// listAttachments maps the hash in a name to the file, with slashes.
func listAttachments(dir string) (map[string]string, error) {
	names, err := os.ReadDir(filepath.Join(dir, attachmentsDir))
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return nil, err
	}
	m := map[string]string{}
	for _, n := range names {
		if sum, _, ok := strings.Cut(n.Name(), "."); ok && sum != "" {
			m[sum] = path.Join(attachmentsDir, n.Name())
		}
	}
	return m, nil
}

func hashFile(name string) (sum string, size int64, err error) {
	f, err := os.Open(name)
	if err != nil {
		return "", 0, err
	}
	defer f.Close()
	h := sha256.New()
	if size, err = io.Copy(h, f); err != nil {
		return "", 0, err
	}
	return hex.EncodeToString(h.Sum(nil)), size, nil
}

package archive

import (
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
	"slices"
	"strings"
	"time"

	"fullthrow/reports"
	"fullthrow/reports/serial"
)

// Verification is what [Verify] found. An archive is sound if Problems is
// empty.
//
// It cannot find everything. Whoever holds the station's key can seal another
// history from the start; and whoever removes the newest reports together with
// the head of the chain leaves an archive that looks merely younger. Against
// both helps a note of Number and Head kept elsewhere (printed, or in the
// plant's store): a later archive must contain that number with that hash.
type Verification struct {
	Key         ed25519.PublicKey
	Reports     int // sealed reports that were read
	Outcomes    map[reports.Outcome]int
	Number      int64    // of the newest report
	Head        string   // its hash
	Attachments int      // that reports refer to, found whole
	Loose       []string // attachments no report refers to: left by runs that were cut short
	Pending     []string // journals of runs that are under way or were cut short
	Repairs     int      // whose seal fits
	Problems    []reports.Problem
	// Notes are what speaks against no report: that the station's clock was set.
	Notes []reports.Problem
}

// Verify reads every sealed report in dir and proves each against its seal,
// the station's key, its place in the chain, and its attachments; and every
// repair the same way. It changes nothing and may run beside the station's program.
//
// The error is that dir cannot be read at all; everything else is a Problem.
func Verify(dir string) (*Verification, error) {
	for try := 0; ; try++ {
		before, berr := reportChain.read(dir)
		v, err := verify(dir, before, berr)
		if err != nil {
			return nil, err
		}
		// A report sealed meanwhile would look like damage: look again.
		if after, _ := reportChain.read(dir); after == before || len(v.Problems) == 0 || try == 3 {
			return v, nil
		}
	}
}

func verify(dir string, chain head, chainErr error) (*Verification, error) {
	v := &Verification{Outcomes: map[reports.Outcome]int{}}
	problem := func(file, hint, format string, args ...any) {
		v.Problems = append(v.Problems, reports.Problem{File: file, Text: fmt.Sprintf(format, args...), Hint: hint})
	}
	files, err := reportFiles(dir, false)
	if err != nil {
		return nil, fmt.Errorf("verify: %w", err)
	}
	const restore = "restore it from a copy; if there is none, note the loss: the gap will always show"
	if v.Key, err = loadPublic(dir); err != nil && (len(files) > 0 || !errors.Is(err, fs.ErrNotExist)) {
		problem(pubFile, restore, "the station's public key cannot be read: %v", err)
	}

	attachments, err := listAttachments(dir)
	if err != nil {
		return nil, fmt.Errorf("verify: %w", err)
	}
	used := map[string]bool{}
	type link struct {
		number         int64
		previous, hash string
		file           string
		ended          time.Time // zero where no clock could have been set
	}
	var links []link
	runs := map[string]string{}
	spoiled := map[int64]bool{} // numbers of reports that are there, but not as they were sealed
	for _, name := range files {
		s, err := Load(filepath.Join(dir, filepath.FromSlash(name)))
		if err != nil {
			if cause := errors.Unwrap(err); cause != nil {
				err = cause
			}
			of := ""
			if e, eerr := readEntry(dir, name); eerr == nil { // by its own words, which prove nothing
				spoiled[e.Number] = true
				of = fmt.Sprintf("; it names unit %s", reports.Brief(e.Unit.SerialNumber, serial.MaxCodeSerial))
			}
			problem(name, "do not rely on it: "+restore, "%v%s", err, of)
			continue
		}
		v.Reports++
		v.Outcomes[s.Report.Outcome]++
		if v.Key != nil && s.Seal.Key != hex.EncodeToString(v.Key) {
			problem(name, "it was sealed elsewhere, or the station's key was replaced",
				"signed with another key than the station's")
		}
		if want := path.Join(s.Report.Started.UTC().Format("2006/01/02"), s.Report.Run+".json"); want != name {
			problem(name, "move it back", "belongs at %s", want)
		}
		if first, ok := runs[s.Report.Run]; ok {
			problem(name, "remove the copy that does not fit the chain", "run %s stands twice, also in %s",
				s.Report.Run, first)
		}
		runs[s.Report.Run] = name
		l := link{s.Seal.Number, s.Seal.Previous, s.Seal.SHA256, name, time.Time{}}
		if !s.Report.Simulated { // whose nests have a clock each
			l.ended = s.Report.Ended
		}
		links = append(links, l)
		for _, c := range s.Report.Captures {
			if c.SHA256 == "" {
				continue
			}
			file, ok := attachments[c.SHA256]
			if !ok {
				problem(name, restore, "capture %s.%s: attachment %.12s... is missing", c.Check, c.Name, c.SHA256)
				continue
			}
			if used[file] {
				continue
			}
			used[file] = true
			if sum, size, err := hashFile(filepath.Join(dir, filepath.FromSlash(file))); err != nil {
				problem(file, restore, "%v", err)
			} else if sum != c.SHA256 || size != c.Size {
				problem(file, restore, "was changed: it is not what run %s kept as %s.%s", s.Report.Run, c.Check,
					c.Name)
			} else {
				v.Attachments++
			}
		}
	}

	slices.SortStableFunc(links, func(a, b link) int { return int(a.number - b.number) })
	prev := link{}
	v.Notes = clockNotes(len(links), func(i int) (time.Time, string) { return links[i].ended, links[i].file })
	for _, l := range links {
		switch {
		case l.number < 1:
			problem(l.file, restore, "number %d is none", l.number)
			continue
		case l.number == prev.number:
			problem(l.file, "one of the two was put in: keep the one that fits the chain",
				"number %d stands twice, also in %s", l.number, prev.file)
			if prev.hash == l.previous {
				prev = l
			}
			continue
		case l.number > prev.number+1:
			if gap := missing(prev.number+1, l.number-1, spoiled); gap != "" {
				problem(l.file, "restore what is missing from a copy; if there is none, note the loss: the gap will "+
					"always show", "%s", gap)
			}
		case l.previous != prev.hash:
			problem(l.file, restore, "does not follow report number %d (%s): one of the two was replaced or renumbered",
				prev.number, prev.file)
		}
		prev = l
	}
	v.Number, v.Head = prev.number, prev.hash

	at := slices.IndexFunc(links, func(l link) bool { return l.number == chain.Number && l.hash == chain.Hash })
	switch {
	case errors.Is(chainErr, fs.ErrNotExist):
		if v.Number > 1 { // with one report, the crash may have come between report and chain
			problem(string(reportChain), "compare number and hash of the newest report with a note kept elsewhere",
				"the head of the chain is missing")
		}
	case chainErr != nil:
		problem(string(reportChain), "compare number and hash of the newest report with a note kept elsewhere", "%v",
			chainErr)
	case chain.Number > v.Number:
		if missing(chain.Number, chain.Number, spoiled) != "" {
			problem(chain.File, restore, "report number %d, the newest, is missing", chain.Number)
		}
	case at < 0:
		problem(string(reportChain), restore, "its report, number %d (%s), is not in the archive as it was sealed",
			chain.Number, chain.File)
	case chain.Number < v.Number-1:
		problem(string(reportChain), "it was put back from an older copy, or the disk was full",
			"names number %d as the newest, but there is number %d", chain.Number, v.Number)
	}

	repairs, problems, err := ReadRepairs(dir)
	if err != nil {
		return nil, fmt.Errorf("verify: %w", err)
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
	return v, nil
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

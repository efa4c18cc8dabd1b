package forward

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"fullthrow/reports"
	"fullthrow/reports/archive"
	"fullthrow/reports/store"
)

// batchBytes is about what one transaction carries at most; a single report
// may have more.
const batchBytes = 16 << 20

// attachmentBytes is the largest attachment that is sent: PostgreSQL has room
// for 1 GB in a field, this program's memory for less.
const attachmentBytes = 256 << 20

// What a plant's store may offer beside [Store]; what it has already
// then need not be sent to find out.
type (
	knower interface {
		// Known says which of the runs the store has, and with what SHA-256.
		Known(ctx context.Context, runs []string) (map[string]string, error)
	}
	attachmentKnower interface {
		// KnownAttachments says which attachments the store has, by SHA-256.
		KnownAttachments(ctx context.Context, sums []string) (map[string]bool, error)
	}
	repairKnower interface {
		// KnownRepairs says which repairs the store has, by ID.
		KnownRepairs(ctx context.Context, ids []string) (map[string]bool, error)
	}
)

// refusal is an error that is about the reports handed over, not about the
// store: trying again would not help.
type refusal interface{ Refused() bool }

// aside is a file that is not sent, until it changes.
type aside struct {
	problem  Problem
	size     int64
	modified time.Time
	missing  bool
}

// stuck counts how often a report could not be sent although the plant
// answered.
type stuck struct {
	times int
	until time.Time
}

// parcel is a report on its way, with what there is to know of its file.
type parcel struct {
	entry
	item store.Item
}

// sendBatch sends the next reports of the list, and takes them off.
func (f *Forwarder) sendBatch(ctx context.Context) error {
	done := map[string]bool{}
	next := f.list.pending[:min(f.batch, len(f.list.pending))]
	parcels, err := f.pack(ctx, next, done)
	if err == nil {
		err = f.add(ctx, parcels, done)
	}
	first := next[0].file
	f.list.done(len(next), done)
	if err == nil {
		f.batch = min(f.c.Batch, 2*f.batch)
		return nil
	}
	// It may have been too much at once; or one report that the plant cannot
	// take, which must not hold up the rest.
	if f.batch = max(1, f.batch/2); len(parcels) == 1 && !done[first] && ctx.Err() == nil {
		s := f.stuck[first]
		if s.times++; s.times >= 3 {
			s.until = time.Now().Add(lookAgain)
		}
		f.stuck[first] = s
	}
	return err
}

// pack loads the entries; what need not or cannot be sent is done.
func (f *Forwarder) pack(ctx context.Context, entries []entry, done map[string]bool) ([]parcel, error) {
	known := map[string]string{}
	if k, ok := f.plant.(knower); ok {
		runs := make([]string, len(entries))
		for i, e := range entries {
			runs[i] = runOf(e.file)
		}
		patient, cancel := context.WithTimeout(ctx, patience)
		defer cancel()
		var err error
		if known, err = k.Known(patient, runs); err != nil {
			return nil, fmt.Errorf("plant: %w", err)
		}
	}
	var parcels []parcel
	var bytes int64
	for _, e := range entries {
		if s := f.stuck[e.file]; s.times >= 3 && time.Now().Before(s.until) {
			f.setAside(e.file, Problem{Kind: "refused", Text: "the plant has failed to take it three times, though " +
				"it answers", Hint: "it is tried again later; look into the plant's log"})
			done[e.file] = true
			continue
		}
		if sum, ok := known[runOf(e.file)]; ok {
			done[e.file] = true
			if p, err := archive.ReadPlace(f.c.Dir, e.file); err == nil && p.SHA256 == sum {
				delete(f.aside, e.file)
				f.sent.Known++
			} else {
				f.setAside(e.file, conflict())
			}
			continue
		}
		item, problem := f.load(e)
		if problem != nil {
			f.setAside(e.file, *problem)
			done[e.file] = true
			continue
		}
		f.station = item.Sealed.Report.Station
		parcels = append(parcels, parcel{e, item})
		for _, a := range item.Attachments {
			bytes += int64(len(a))
		}
		if bytes += e.size; bytes >= batchBytes {
			break
		}
	}
	return parcels, f.leaveOutKnown(ctx, parcels)
}

// load reads and proves a report and what goes with it.
func (f *Forwarder) load(e entry) (store.Item, *Problem) {
	s, err := archive.Load(filepath.Join(f.c.Dir, filepath.FromSlash(e.file)))
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return store.Item{}, &Problem{Kind: "removed", Text: "it was removed before it was sent", Hint: hintRestore}
	case errors.Is(err, archive.ErrSeal):
		return store.Item{}, &Problem{Kind: "changed", Text: err.Error(), Hint: hintRestore}
	case err != nil:
		return store.Item{}, &Problem{Kind: "changed", Text: err.Error(), Hint: hintRestore}
	case !f.list.fits(s.Seal.Number, s.Seal.Key):
		return store.Item{}, &Problem{Kind: "inserted", Text: "it is signed with another key than the station's",
			Hint: "find out how it came into this archive"}
	case s.Report.Run != runOf(e.file):
		return store.Item{}, &Problem{Kind: "inserted", Text: fmt.Sprintf("it is the report of run %s under another "+
			"name", s.Report.Run), Hint: "remove the copy, or give it its name back"}
	}
	if why := s.Report.Contradiction(); why != nil { // sent all the same: the plant does not count it
		f.general["contradicts "+e.file] = Problem{File: e.file, Run: s.Report.Run, Kind: "contradicts",
			Text: fmt.Sprintf("it contradicts itself (%s)", why.Code),
			Hint: "do not rely on it: whoever sealed it had the station's key and changed what it says"}
	}
	s.File = e.file
	item := store.Item{Sealed: s, File: e.file}
	if !f.c.Attachments {
		return item, nil
	}
	for _, c := range s.Report.Captures {
		if c.SHA256 == "" || item.Attachments[c.SHA256] != nil {
			continue
		}
		data, err := f.attachment(c)
		if err != nil { // the report itself is good
			f.general["attachment "+c.SHA256] = Problem{File: e.file, Run: s.Report.Run, Kind: "attachment",
				Text: fmt.Sprintf("capture %s.%s: %v", c.Check, c.Name, err), Hint: hintRestore}
			continue
		}
		if item.Attachments == nil {
			item.Attachments = map[string][]byte{}
		}
		item.Attachments[c.SHA256] = data
	}
	return item, nil
}

const hintRestore = "verify the archive, and restore the file from a copy"

func conflict() Problem {
	return Problem{Kind: "conflict", Text: "the plant has another report of the same run",
		Hint: "verify this archive and the plant's report of the run: one of the two was replaced"}
}

// attachment reads a capture and proves it against the report.
func (f *Forwarder) attachment(c reports.Capture) ([]byte, error) {
	if sum, err := hex.DecodeString(c.SHA256); err != nil || len(sum) != sha256.Size {
		return nil, fmt.Errorf("%.80q is no SHA-256", c.SHA256)
	}
	names, err := filepath.Glob(filepath.Join(f.c.Dir, "attachments", c.SHA256+".*"))
	switch {
	case err != nil:
		return nil, err
	case len(names) == 0:
		return nil, errors.New("its attachment is missing")
	case c.Size > attachmentBytes:
		return nil, fmt.Errorf("its attachment has %s, more than %s: it stays at the station", size(c.Size),
			size(attachmentBytes))
	}
	data, err := os.ReadFile(names[0])
	if err != nil {
		return nil, err
	}
	if sum := sha256.Sum256(data); hex.EncodeToString(sum[:]) != c.SHA256 {
		return nil, errors.New("its attachment was changed")
	}
	return data, nil
}

// leaveOutKnown takes attachments out of the parcels that the plant has, and
// those that more than one of them has.
func (f *Forwarder) leaveOutKnown(ctx context.Context, parcels []parcel) error {
	sums := map[string]bool{}
	for _, p := range parcels {
		for sum := range p.item.Attachments {
			if sums[sum] {
				delete(p.item.Attachments, sum)
			}
			sums[sum] = true
		}
	}
	k, ok := f.plant.(attachmentKnower)
	if !ok || len(sums) == 0 {
		return nil
	}
	ctx, cancel := context.WithTimeout(ctx, patience)
	defer cancel()
	known, err := k.KnownAttachments(ctx, slices.Collect(maps.Keys(sums)))
	if err != nil {
		return fmt.Errorf("plant: %w", err)
	}
	for _, p := range parcels {
		maps.DeleteFunc(p.item.Attachments, func(sum string, _ []byte) bool { return known[sum] })
	}
	return nil
}

// add hands parcels to the plant. All are in when it returns, or none of those
// not done: a report that the plant refuses is found by halves.
func (f *Forwarder) add(ctx context.Context, parcels []parcel, done map[string]bool) error {
	if len(parcels) == 0 {
		return nil
	}
	items := make([]store.Item, len(parcels))
	for i, p := range parcels {
		items[i] = p.item
	}
	patient, cancel := context.WithTimeout(ctx, patience)
	added, err := f.plant.Add(patient, items...)
	cancel()
	var r refusal
	refused := errors.As(err, &r) && r.Refused()
	switch {
	case err == nil:
		for _, p := range parcels {
			done[p.file] = true
			delete(f.stuck, p.file)
			delete(f.aside, p.file)
			f.sent.Bytes += p.size
			f.sent.Attachments += len(p.item.Attachments)
		}
		f.sent.Sent += added.New
		f.sent.Known += added.Known
		f.succeeded()
		return nil
	case !refused && !errors.Is(err, store.ErrConflict):
		return fmt.Errorf("plant: %w", err)
	case len(parcels) > 1:
		half := len(parcels) / 2
		if err := f.add(ctx, parcels[:half], done); err != nil {
			return err
		}
		return f.add(ctx, parcels[half:], done)
	}
	problem := conflict()
	if refused {
		problem = Problem{Kind: "refused", Text: err.Error(), Hint: "keep the report: the plant's program may need " +
			"to be a newer one"}
	}
	f.setAside(parcels[0].file, problem)
	done[parcels[0].file] = true
	return nil
}

// setAside notes a file that is not sent.
func (f *Forwarder) setAside(file string, p Problem) {
	p.File, p.Run = file, runOf(file)
	// Texts name the file as it was opened; the problem names it already.
	p.Text = strings.TrimPrefix(strings.TrimPrefix(p.Text, "report: "), filepath.Join(f.c.Dir,
		filepath.FromSlash(file))+": ")
	a := aside{problem: p}
	if info, err := os.Lstat(filepath.Join(f.c.Dir, filepath.FromSlash(file))); err == nil {
		a.size, a.modified = info.Size(), info.ModTime()
	} else {
		a.missing = true
	}
	f.aside[file] = a
}

// retry puts files back on the list that were set aside and have changed, and
// those the plant would not take some time ago.
func (f *Forwarder) retry() {
	for file, err := range f.list.lost {
		if _, ok := f.aside[file]; !ok {
			f.setAside(file, Problem{Kind: "changed", Text: strings.TrimPrefix(err.Error(), "report: "+file+": "),
				Hint: hintRestore})
		}
	}
	for file, a := range f.aside {
		info, err := os.Lstat(filepath.Join(f.c.Dir, filepath.FromSlash(file)))
		same := err != nil && a.missing || err == nil && !a.missing && info.Size() == a.size &&
			info.ModTime().Equal(a.modified)
		s := f.stuck[file]
		if same && (s.times < 3 || time.Now().Before(s.until)) {
			continue
		}
		delete(f.aside, file)
		delete(f.stuck, file)
		if !slices.ContainsFunc(f.list.pending, func(e entry) bool { return e.file == file }) {
			f.list.again(file)
		}
	}
}

// repairs is what has been sent of the file of repairs.
type repairs struct {
	size     int64
	modified time.Time
	number   int64 // of the newest sent
}

// sendRepairs sends the repairs written down since the last time.
func (f *Forwarder) sendRepairs(ctx context.Context) error {
	info, err := os.Stat(filepath.Join(f.c.Dir, "repairs.jsonl"))
	if errors.Is(err, fs.ErrNotExist) || err == nil && info.Size() == f.repairs.size &&
		info.ModTime().Equal(f.repairs.modified) {
		return nil
	}
	if err != nil {
		return fmt.Errorf("archive: %w", err)
	}
	list, problems, err := archive.ReadRepairs(f.c.Dir)
	if err != nil {
		return fmt.Errorf("archive: %w", err)
	}
	maps.DeleteFunc(f.general, func(name string, _ Problem) bool { return strings.HasPrefix(name, "repair ") })
	for _, p := range problems {
		f.general["repair "+p.Error()] = Problem{File: p.File, Kind: "repair", Text: p.Text, Hint: p.Hint}
	}
	list = slices.DeleteFunc(list, func(r archive.SealedRepair) bool { return r.Seal.Number <= f.repairs.number })
	for part := range slices.Chunk(list, f.c.Batch) {
		if err := f.addRepairs(ctx, part); err != nil {
			return fmt.Errorf("plant: repairs: %w", err)
		}
		f.repairs.number = part[len(part)-1].Seal.Number
	}
	f.repairs.size, f.repairs.modified = info.Size(), info.ModTime()
	return nil
}

func (f *Forwarder) addRepairs(ctx context.Context, part []archive.SealedRepair) error {
	ctx, cancel := context.WithTimeout(ctx, patience)
	defer cancel()
	known := map[string]bool{}
	if k, ok := f.plant.(repairKnower); ok {
		ids := make([]string, len(part))
		for i, r := range part {
			ids[i] = r.Repair.ID
		}
		var err error
		if known, err = k.KnownRepairs(ctx, ids); err != nil {
			return err
		}
	}
	var new []reports.Repair
	for _, r := range part {
		if !known[r.Repair.ID] {
			new = append(new, r.Repair)
		}
	}
	if len(new) == 0 {
		return nil
	}
	if err := f.plant.AddRepairs(ctx, new...); err != nil {
		return err
	}
	f.sent.Repairs += len(new)
	return nil
}

// sendFlags tells the plant what is wrong with the station's records.
func (f *Forwarder) sendFlags(ctx context.Context) error {
	ctx, cancel := context.WithTimeout(ctx, patience)
	defer cancel()
	var flags []store.Flag
	if f.c.Flags != nil {
		own, err := f.c.Flags(ctx)
		if err != nil { // the station's own index: what the plant knows stays
			f.general["flags"] = Problem{Kind: "index", Text: fmt.Sprintf("what the station knows of damaged "+
				"records could not be read: %v", err)}
			return nil
		}
		delete(f.general, "flags")
		for _, g := range own {
			// What follows from a report alone, the plant finds in its own copy of it:
			// that may be the true one, which the station's was put in the place of.
			if g.Kind != store.FlagContradicts {
				flags = append(flags, g)
			}
		}
	}
	for _, p := range f.problems() {
		switch p.Kind {
		case "changed", "removed", "inserted":
			if !slices.ContainsFunc(flags, func(g store.Flag) bool { return g.File == p.File && g.Kind == p.Kind }) {
				flags = append(flags, store.Flag{Run: p.Run, Station: f.station, File: p.File, Kind: p.Kind,
					Text: p.Text})
			}
		}
	}
	if f.flagged != nil && slices.Equal(flags, *f.flagged) {
		return nil
	}
	for _, key := range archive.Keys(f.c.Dir) { // each answers for the reports it sealed
		if err := f.plant.SetFlags(ctx, key, flags); err != nil {
			return fmt.Errorf("plant: flags: %w", err)
		}
	}
	f.flagged = &flags
	return nil
}

package archive

import (
	"crypto/ed25519"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"fullthrow/reports"
)

// Archive is a station's directory of records, held by one process at a time:
//
//	lock                     taken while open; holds the process's number
//	station.key, station.pub Ed25519; the key readable by its owner only
//	station.keys             which key followed which, where one was renewed
//	chain                    number, hash and file of the newest report, signed
//	journal/<run>.jsonl      a run that is not sealed yet
//	journal/<run>.room       room on the disk for its report, given back for it
//	journal/damaged/         journals the disk had damaged, kept to look at
//	<yyyy>/<mm>/<dd>/<run>.json  sealed reports, by the day they began (UTC)
//	attachments/<sha256>.<ext>   raw data, by content
//	repairs.jsonl, repairs.chain what was found and done about failed runs
//
// A journal is removed once its report is sealed: the report is its fold and
// holds everything that was judged, and two copies of one truth could come to
// differ. The order of steps (attachments, report, chain, journal) makes any
// crash between them harmless: what is in the directories is the truth, chain
// follows it, and a journal whose run is sealed is swept.
//
// Its methods may be called from any goroutine.
type Archive struct {
	dir     string
	station string
	lock    *os.File
	key     ed25519.PrivateKey
	ring    keyring
	known   []Known

	create func(path string) (journalFile, error) // tests fill the disk
	disk   disk

	mu        sync.Mutex
	entries   []Entry        // in order of Number; the newest only, unless whole
	whole     bool           // all reports are in entries, runs and attempts
	finder    Finder         // asked where they are not; may be nil
	runs      map[string]int // index into entries
	attempts  map[unitKey]int
	open      map[string]*Journal
	recovered []Sealed
	problems  []reports.Problem
	closed    bool

	repairs   []SealedRepair // guarded by mu
	repairing sync.Mutex     // one repair at a time; guards what follows

	repairHead   head
	repairBehind bool
	repairDirt   int64 // bytes at the end of the repairs that should not be there

	loading sync.Mutex // one at a time reads all heads

	sealing sync.Mutex // one seal at a time; guards head, behind and day
	head    head
	behind  bool   // the note of head could not be written
	day     string // whose directory is known to last
}

// Entry is a line of the archive's index: what there is to know of a sealed
// report without opening it.
type Entry struct {
	Number  int64
	Hash    string
	Run     string
	File    string // within the archive, with slashes
	Nest    string
	Unit    reports.Unit
	Attempt int
	Started time.Time
	Ended   time.Time
	Outcome reports.Outcome
	// CutShort: it broke a limit and was then cut short.
	CutShort bool
}

// Entry is the line of the report in its archive's index.
func (s Sealed) Entry() Entry { return entryOf(s.Report, s.Seal, s.File) }

// Judged says that the run says something of its unit.
func (e Entry) Judged() bool {
	return e.Outcome == reports.Passed || e.Outcome == reports.Failed || e.CutShort
}

// A run keeps so many bytes of the disk free for its report from the
// beginning, so that a disk that fills up meanwhile does not leave it unsealed;
// and it begins only where a run as large as most (journal, report, captures)
// has room.
const (
	roomForReport = 1 << 20
	roomForRun    = 4 << 20
)

type unitKey struct{ product, serial string }

const (
	roomEnding     = ".room"
	journalDir     = "journal"
	attachmentsDir = "attachments"
)

// OpenArchive opens the archive in dir, or begins one, for the station of that
// name. Runs that were cut short (power, crash) are sealed first, see
// [Archive.Recovered].
//
// known is what others have seen of this archive. Where that is more than there
// is now, [Archive.Problems] says so, and numbers go on after the highest that
// anybody knows: none is given twice.
//
// An archive that another process holds is an [*HintedError] naming that process.
func Open(dir, station string, known ...Known) (*Archive, error) {
	return OpenOn(nil, dir, station, known...)
}

// OpenOn is [Open] on a disk that may refuse a step as the kernel would: "make"
// (a file or directory), "write", "sync", "rename". For tests, which also end the
// program there, by a panic.
func OpenOn(refuse func(step, path string) error, dir, station string, known ...Known) (*Archive, error) {
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return nil, fmt.Errorf("archive: %w", err)
	}
	a := &Archive{
		dir: dir, station: station, known: known, disk: disk{refuse: refuse},
		runs: map[string]int{}, attempts: map[unitKey]int{}, open: map[string]*Journal{},
		create: func(path string) (journalFile, error) {
			return os.OpenFile(path, os.O_WRONLY|os.O_APPEND|os.O_CREATE|os.O_EXCL, 0o644)
		},
	}
	if err := a.takeLock(); err != nil {
		return nil, err
	}
	if err := a.load(); err != nil {
		a.lock.Close()
		return nil, err
	}
	return a, nil
}

func (a *Archive) takeLock() error {
	path := filepath.Join(a.dir, "lock")
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o644)
	if err != nil {
		return fmt.Errorf("archive: %w", err)
	}
	if err := lockFile(f); err != nil {
		defer f.Close()
		var pid [20]byte
		n, _ := f.ReadAt(pid[:], 0)
		who := strings.TrimSpace(string(pid[:n]))
		if _, err := strconv.Atoi(who); err != nil {
			who = "unknown"
		}
		return &reports.HintedError{
			Err:  fmt.Errorf("archive: %s is in use by process %s: %w", a.dir, who, err),
			Hint: "one station program at a time: end the other one, or give this one another data directory",
		}
	}
	// Only for people: the lock is the kernel's, not the number.
	if err = f.Truncate(0); err == nil {
		_, err = f.WriteAt([]byte(strconv.Itoa(os.Getpid())+"\n"), 0)
	}
	if err != nil {
		f.Close()
		return fmt.Errorf("archive: lock: %w", err)
	}
	a.lock = f
	return nil
}

func (a *Archive) load() error {
	for _, d := range [][]string{{journalDir}, {attachmentsDir}} {
		if _, err := a.disk.makeDir(a.dir, d...); err != nil {
			return fmt.Errorf("archive: %w", err)
		}
	}
	files, whole, err := a.newestFiles()
	if err != nil {
		return fmt.Errorf("archive: %w", err)
	}
	sweepTemps(a.dir)
	sweepTemps(filepath.Join(a.dir, attachmentsDir))
	a.entries, a.problems = a.readEntries(files)
	a.whole = whole
	a.order()
	_, herr := reportChain.read(a.dir)
	used := len(a.entries) > 0 || !errors.Is(herr, fs.ErrNotExist)
	if a.key, err = stationKey(a.dir, used); err != nil {
		return err
	}
	if a.ring = loadRing(a.dir); used {
		a.problems = append(a.problems, a.ring.problems...)
	}
	if err := a.sameKey(); err != nil {
		return err
	}
	// In this order: who signs the head of reports has signed that of repairs.
	if err := a.loadRepairs(); err != nil {
		return err
	}
	a.loadChain()
	return a.recover()
}

const hintVerify = "verify the archive, and restore the file from a copy"

// order brings the entries into the order of their numbers and makes the other
// indexes; the caller holds mu or is alone.
func (a *Archive) order() {
	slices.SortStableFunc(a.entries, func(x, y Entry) int { return int(x.Number - y.Number) })
	for i, e := range a.entries {
		if i > 0 && a.entries[i-1].Number == e.Number {
			a.problems = append(a.problems, reports.Problem{Code: ReportTwice, File: e.File,
				Text: fmt.Sprintf("number %d stands twice, also in %s", e.Number, a.entries[i-1].File),
				Hint: hintVerify})
		}
		a.count(i)
	}
}

// count takes entries[i] into the other indexes; the caller holds mu or is
// alone.
func (a *Archive) count(i int) {
	e := a.entries[i]
	a.runs[e.Run] = i
	if e.Judged() {
		a.attempts[unitKey{e.Unit.Product, e.Unit.SerialNumber}]++
	}
}

// Recovered lists the runs that were sealed when the archive was opened
// because they had been cut short: aborted, except those that had already
// ended as failed or error.
func (a *Archive) Recovered() []Sealed {
	a.mu.Lock()
	defer a.mu.Unlock()
	return slices.Clone(a.recovered)
}

// Problems lists what was found wrong so far: at open, and files that could
// not be brought up to date later. None of it stops the station. [Verify]
// looks much closer.
func (a *Archive) Problems() []reports.Problem {
	a.mu.Lock()
	defer a.mu.Unlock()
	return slices.Clone(a.problems)
}

// Entries lists the sealed reports, oldest first. It reads the heads of all of them
// where that was not done yet: not for a station's way up.
func (a *Archive) Entries() []Entry {
	a.all()
	a.mu.Lock()
	defer a.mu.Unlock()
	return slices.Clone(a.entries)
}

// Load reads the sealed report of a run; fs.ErrNotExist if there is none.
func (a *Archive) Load(run string) (Sealed, error) {
	name := a.find(run)
	if name == "" {
		return Sealed{}, fmt.Errorf("report: run %.80q: %w", run, fs.ErrNotExist)
	}
	s, err := Load(filepath.Join(a.dir, filepath.FromSlash(name)))
	s.File = name
	return s, err
}

// Dir is the archive's directory.
func (a *Archive) Dir() string { return a.dir }

// PublicKey is the station's.
func (a *Archive) PublicKey() ed25519.PublicKey { return a.key.Public().(ed25519.PublicKey) }

// Attempts is how many sealed runs of this unit in this archive ended passed
// or failed, or broke a limit and were then cut short. The next run's
// Start.Attempt is one more. Other runs that ended as error or aborted said
// nothing about the unit and do not count.
func (a *Archive) Attempts(product, serial string) int {
	a.mu.Lock()
	n, whole := a.attempts[unitKey{product, serial}], a.whole
	a.mu.Unlock()
	if whole {
		return n
	}
	n = 0
	for _, e := range a.UnitRuns(product, serial) {
		if e.Judged() {
			n++
		}
	}
	return n
}

// Begin opens the journal of a run, writes RunStarted at the given time, and
// waits until that is on the disk. On a full disk no run begins: the error says
// how much room is wanted. start.Run must be new, and fit for a file
// name as [NewRunID] makes it. Each tell is subscribed from the first event.
// Several runs may be open at once, one per nest.
func (a *Archive) Begin(start reports.Start, at time.Time, tell ...func(reports.Event)) (*Journal, error) {
	if !reports.ValidRun(start.Run) {
		return nil, fmt.Errorf("journal: run %.80q: a run's name is 1 to 80 letters, digits and hyphens", start.Run)
	}
	sealed := a.sealed(start.Run, "")
	a.mu.Lock()
	_, open := a.open[start.Run]
	closed := a.closed
	a.mu.Unlock()
	if sealed || open {
		return nil, fmt.Errorf("journal: run %s is in the archive already", start.Run)
	}
	if closed {
		return nil, errors.New("journal: the archive is closed")
	}
	dir := filepath.Join(a.dir, journalDir)
	j := &Journal{archive: a, run: start.Run, path: filepath.Join(dir, start.Run+".jsonl")}
	j.changed = sync.NewCond(&j.mu)
	j.room = filepath.Join(dir, start.Run+roomEnding)
	begin := func(err error) error {
		os.Remove(j.room)
		err = fmt.Errorf("journal: begin: %w", err)
		if isFull(err) {
			err = &reports.HintedError{Err: err, Hint: roomHint(a.dir, roomForRun, err) + ", then run the unit again"}
		}
		return err
	}
	if err := a.disk.reserve(j.room, roomForReport); err != nil {
		return nil, begin(err)
	}
	var err error
	if j.file, err = a.create(j.path); err != nil {
		return nil, begin(err)
	}
	err = syncDir(dir)
	if err == nil {
		err = j.append(reports.Event{Time: at, Kind: reports.RunStarted, Start: &start})
	}
	if err == nil {
		err = j.Sync()
	}
	if err != nil {
		j.close()
		os.Remove(j.path)
		return nil, begin(err)
	}
	a.mu.Lock()
	a.open[start.Run] = j
	a.mu.Unlock()
	for _, t := range tell {
		j.Subscribe(0, t)
	}
	return j, nil
}

// Seal ends a run: it waits for the disk, folds the events, seals the report,
// and removes the journal. A run without RunEnded is sealed as aborted. A
// journal stopped by a disk error is sealed as an error with what it holds, if
// the disk allows. Once sealed, Seal returns the same again.
//
// After an error nothing is sealed: Seal may be called again, and if it never
// succeeds the run is recovered when the archive is next opened.
func (j *Journal) Seal() (Sealed, error) {
	j.sealing.Lock()
	defer j.sealing.Unlock()
	if j.sealed != nil {
		return *j.sealed, nil
	}
	derr := j.Sync()
	j.close()
	report, err := reports.Fold(j.Events())
	if err != nil {
		return Sealed{}, fmt.Errorf("seal: %w", err)
	}
	if derr != nil {
		why := Unrecorded(derr)
		report.Outcome, report.Reason = reports.Errored, &why
		report.Faults = append(report.Faults, reports.Fault{Reason: why})
	}
	os.Remove(j.room) // now is when it is needed
	s, err := j.archive.seal(report)
	if err != nil {
		return Sealed{}, err
	}
	j.sealed = &s
	a := j.archive
	a.mu.Lock()
	delete(a.open, j.run)
	a.mu.Unlock()
	a.sealing.Lock()
	behind := a.behind
	a.sealing.Unlock()
	if behind { // the next start finds the report by it
		return s, nil
	}
	if err := os.Remove(j.path); err != nil {
		a.trouble(reports.Problem{File: path.Join(journalDir, j.run+".jsonl"), Text: err.Error(),
			Hint: "harmless: it is swept when the archive is next opened"})
	}
	return s, nil
}

// Unrecorded is the reason of a run whose record could not be written in full.
func Unrecorded(err error) reports.Reason {
	why := reports.Reason{Code: reports.Unrecorded, Text: strings.ReplaceAll(err.Error(), "\n", "; ")}
	if e, ok := errors.AsType[*reports.HintedError](err); ok {
		why.Hint = e.Hint
	}
	return why
}

func (a *Archive) trouble(p reports.Problem) {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.problems = append(a.problems, p)
}

// seal writes the report as the next in the chain.
func (a *Archive) seal(r reports.Report) (Sealed, error) {
	a.sealing.Lock()
	defer a.sealing.Unlock()
	var raw []byte
	fail := func(err error) (Sealed, error) {
		return Sealed{}, &reports.HintedError{
			Err: fmt.Errorf("seal: run %s: %w", r.Run, err),
			Hint: roomHint(a.dir, max(int64(len(raw)), roomForRun), err) +
				", then run the unit again; this run counts for nothing, its journal is kept",
		}
	}
	a.mu.Lock()
	closed := a.closed
	a.mu.Unlock()
	if closed {
		return Sealed{}, fmt.Errorf("seal: run %s: the archive is closed", r.Run)
	}
	if a.behind { // one behind is a crash, two are somebody's doing: never two
		if err := a.writeHead(a.head); err != nil {
			return fail(err)
		}
	}
	r.CutShort = r.WasCutShort()
	raw, err := json.Marshal(r)
	if err != nil {
		return fail(err)
	}
	sl, data, err := seal(raw, a.head.Number+1, a.head.Hash, a.key)
	if err != nil {
		return fail(err)
	}
	day := r.Started.UTC().Format("2006/01/02")
	name := path.Join(day, r.Run+".json")
	if day != a.day {
		if _, err := a.disk.makeDir(a.dir, strings.Split(day, "/")...); err != nil {
			return fail(err)
		}
		a.day = day
	}
	full := filepath.Join(a.dir, filepath.FromSlash(name))
	if _, err := os.Lstat(full); err == nil {
		return fail(fmt.Errorf("%s exists already", name))
	}
	if err := a.disk.writeFile(full, data, 0o644); err != nil {
		// It may stand there under its name and yet not be sure to last.
		if rerr := os.Remove(full); rerr == nil || errors.Is(rerr, fs.ErrNotExist) {
			return fail(err)
		}
		err = fmt.Errorf("%w (and %s could not be taken back)", err, name)
		a.head, a.behind = head{Number: sl.Number, Hash: sl.SHA256, File: name}, true
		return fail(err)
	}
	// From here on the report is sealed, whatever happens to the head.
	if err := a.writeHead(head{Number: sl.Number, Hash: sl.SHA256, File: name}); err != nil {
		a.trouble(reports.Problem{File: string(reportChain), Text: err.Error(), Hint: roomHint(a.dir, roomForRun, err) +
			"; the report itself is sealed"})
	}
	// Times and texts as a reader of the file will find them.
	var clean reports.Report
	if err := json.Unmarshal(raw, &clean); err != nil {
		return fail(err)
	}
	a.mu.Lock()
	a.entries = append(a.entries, entryOf(clean, sl, name))
	a.count(len(a.entries) - 1)
	a.mu.Unlock()
	return Sealed{Report: clean, Seal: sl, Raw: raw, File: name}, nil
}

// writeHead takes h as the head of the chain and writes its note; the caller
// holds sealing or is alone.
func (a *Archive) writeHead(h head) (err error) {
	a.head = h
	a.head, err = reportChain.write(a.dir, a.disk, h, a.key)
	a.behind = err != nil
	return err
}

func entryOf(r reports.Report, s Seal, name string) Entry {
	return Entry{
		Number: s.Number, Hash: s.SHA256, Run: r.Run, File: name, Nest: r.Nest, Unit: r.Unit,
		Attempt: r.Attempt, Started: r.Started, Ended: r.Ended, Outcome: r.Outcome, CutShort: r.CutShort,
	}
}

// Close gives the archive up to other processes. Runs still open stay as
// journals, and are recovered when it is next opened.
func (a *Archive) Close() error {
	a.mu.Lock()
	open := a.open
	a.open, a.closed = map[string]*Journal{}, true
	a.mu.Unlock()
	for _, j := range open {
		j.close()
	}
	return a.lock.Close()
}

func (a *Archive) attach(ext string, data []byte) (string, int64, error) {
	if !validExt(ext) {
		return "", 0, fmt.Errorf("attachment: ending %.40q: 1 to 8 lower-case letters or digits", ext)
	}
	sum := sha256.Sum256(data)
	name := hex.EncodeToString(sum[:])
	file := filepath.Join(a.dir, attachmentsDir, name+"."+ext)
	if info, err := os.Stat(file); err == nil && info.Size() == int64(len(data)) {
		return name, info.Size(), syncDir(filepath.Dir(file))
	}
	if err := a.disk.writeFile(file, data, 0o644); err != nil {
		return "", 0, &reports.HintedError{Err: fmt.Errorf("attachment: %w", err),
			Hint: roomHint(a.dir, max(int64(len(data)), roomForRun), err)}
	}
	return name, int64(len(data)), nil
}

func validExt(ext string) bool {
	for _, r := range ext {
		if !(r >= 'a' && r <= 'z' || r >= '0' && r <= '9') {
			return false
		}
	}
	return len(ext) >= 1 && len(ext) <= 8
}

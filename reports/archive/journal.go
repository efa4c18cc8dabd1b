package archive

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"hash/crc32"
	"io"
	"path/filepath"
	"slices"
	"strconv"
	"sync"

	"fullthrow/reports"
)

// A journal is a file of JSON Lines, one event per line, line n holding event
// n:
//
//	{"crc":"1c291ca3","synced":4,"event":{"seq":5,...}}
//
// crc is the CRC-32C of the rest of the line (from "synced" to the end,
// without the newline), in hex. synced is how many events were known to be on
// the disk when the line was written. It tells what a bad line means: if any
// later line says that the bad one had been synced, the disk has lost
// something that was promised, and the journal is damaged; if none does, the
// power went while the last group was being written, nobody had been told of
// it, and the rest is dropped.
const (
	crcHead = `{"crc":"`
	crcTail = `",`
)

var castagnoli = sync.OnceValue(func() *crc32.Table { return crc32.MakeTable(crc32.Castagnoli) })

func appendLine(dst []byte, event []byte, synced int) []byte {
	dst = append(dst, crcHead...)
	at := len(dst)
	dst = append(dst, "00000000"...)
	dst = append(dst, crcTail...)
	from := len(dst)
	dst = append(dst, `"synced":`...)
	dst = strconv.AppendInt(dst, int64(synced), 10)
	dst = append(dst, `,"event":`...)
	dst = append(dst, event...)
	dst = append(dst, '}')
	copy(dst[at:], fmt.Sprintf("%08x", crc32.Checksum(dst[from:], castagnoli())))
	return append(dst, '\n')
}

// JournalLine is a line of a journal.
type JournalLine struct {
	CRC    string        `json:"crc"`    // CRC-32C of the rest of the line, in hex
	Synced int64         `json:"synced"` // how many events were known to be on the disk
	Event  reports.Event `json:"event"`
}

func parseLine(line []byte) (e reports.Event, synced int64, err error) {
	rest, ok := bytes.CutPrefix(line, []byte(crcHead))
	if !ok || len(rest) < 8+len(crcTail) || string(rest[8:8+len(crcTail)]) != crcTail {
		return e, 0, errors.New("not a line of a journal")
	}
	body := rest[8+len(crcTail):]
	if got := fmt.Sprintf("%08x", crc32.Checksum(body, castagnoli())); got != string(rest[:8]) {
		return e, 0, fmt.Errorf("checksum is %s, the line says %.8q", got, rest[:8])
	}
	var l JournalLine
	if err := json.Unmarshal(append([]byte{'{'}, body...), &l); err != nil {
		return e, 0, err
	}
	return l.Event, l.Synced, nil
}

// ReadJournal reads the journal of a run. Lines that were being written when
// the power went are dropped. A journal that has lost what had been promised
// is an error, a [*Problem] naming file and line; the events before that line
// are returned with it.
func ReadJournal(path string) ([]reports.Event, error) {
	data, err := readBounded(path, maxJournal)
	if err != nil {
		return nil, fmt.Errorf("journal: %w", err)
	}
	return parseJournal(path, data)
}

func parseJournal(name string, data []byte) ([]reports.Event, error) {
	var events []reports.Event
	var bad error // of the first bad line
	badLine := 0
	for n := 1; len(data) > 0; n++ {
		line, rest, whole := bytes.Cut(data, []byte{'\n'})
		data = rest
		e, synced, err := parseLine(line)
		if err == nil && !whole {
			err = errors.New("no end of line")
		}
		if err == nil && bad == nil {
			if e.Seq != int64(n) {
				err = fmt.Errorf("holds event %d", e.Seq)
			} else if verr := e.Validate(); verr != nil {
				err = verr
			}
		}
		switch {
		case err == nil && bad == nil:
			events = append(events, e)
		case err != nil && bad == nil:
			bad, badLine = err, n
		case err == nil && synced > int64(len(events)):
			return events, &reports.Problem{
				File: fmt.Sprintf("%s:%d", name, badLine),
				Text: "damaged: " + bad.Error(),
				Hint: "the disk has lost or changed what had been written: check it before testing on",
			}
		}
	}
	return events, nil
}

// journalFile is what a journal needs of its file.
type journalFile interface {
	io.Writer
	Sync() error
	Truncate(size int64) error
	Close() error
}

// Journal takes down the events of one run. Its methods may be called from
// any goroutine.
//
// Append only queues. A writer takes everything queued at that moment, writes
// it, and waits once for the disk; only then are subscribers told, in order,
// each at its own pace.
type Journal struct {
	archive *Archive
	path    string
	room    string // file that keeps room for the report
	run     string

	mu        sync.Mutex
	changed   *sync.Cond // durable, err or a follower's place changed
	file      journalFile
	seq       int64 // of the last event queued
	queue     [][]byte
	writing   bool
	durable   []reports.Event // append-only
	size      int64           // bytes of the file that hold durable
	err       error           // of the disk; final
	ended     bool
	sealing   sync.Mutex
	sealed    *Sealed
	followers []*follower
}

type follower struct {
	next    int // index into durable
	tell    func(reports.Event)
	running bool
	stopped bool
}

// Append takes down one event: it gives it the next number and the time in
// UTC, and queues it for the disk. It does not wait. The event is copied; what
// JSON cannot hold is put right first: a value that is not finite makes a
// reading that has a limit an error, and is written as none; so does an
// uncertainty or limit that is not finite; points of a plot that are not
// finite are left out.
//
// Errors: an event without time, kind or content (nothing is queued);
// [ErrEnded]; and, from then on at each call, the disk error that stopped the
// journal. A run whose journal stopped must end as an error.
func (j *Journal) Append(e reports.Event) error {
	if e.Kind == reports.RunStarted {
		return errors.New("journal: " + string(reports.RunStarted) + " is written by Begin")
	}
	return j.append(e)
}

func (j *Journal) append(e reports.Event) error {
	if e.Time.IsZero() {
		return fmt.Errorf("journal: %s: no time", e.Kind)
	}
	e.Time = e.Time.Round(0).UTC()
	e = e.Finite()
	j.mu.Lock()
	defer j.mu.Unlock()
	e.Seq = j.seq + 1
	if err := e.Validate(); err != nil {
		return fmt.Errorf("journal: %w", err)
	}
	switch {
	case j.err != nil:
		return j.err
	case j.ended || j.file == nil:
		return reports.ErrEnded
	}
	line, err := json.Marshal(e)
	if err != nil {
		return fmt.Errorf("journal: event %d: %w", e.Seq, err)
	}
	j.seq = e.Seq
	j.ended = e.Kind == reports.RunEnded
	j.queue = append(j.queue, line)
	if !j.writing {
		j.writing = true
		go j.write()
	}
	return nil
}

// write takes what is queued to the disk until nothing is.
func (j *Journal) write() {
	var buf []byte
	for {
		j.mu.Lock()
		group, synced := j.queue, len(j.durable)
		j.queue = nil
		if len(group) == 0 {
			j.writing = false
			j.changed.Broadcast()
			j.mu.Unlock()
			return
		}
		file := j.file
		j.mu.Unlock()

		buf = buf[:0]
		for _, event := range group {
			buf = appendLine(buf, event, synced)
		}
		events := make([]reports.Event, len(group))
		err := reports.Caught(func() error {
			_, err := file.Write(buf)
			if err == nil {
				err = file.Sync()
			}
			// What is told, and folded, is what a reader of the file will see.
			for i := range group {
				if derr := json.Unmarshal(group[i], &events[i]); derr != nil && err == nil {
					err = derr
				}
			}
			return err
		})

		j.mu.Lock()
		if err != nil {
			// Take back the half-written group: nobody was told of it.
			file.Truncate(j.size)
			j.err = &reports.HintedError{
				Err:  fmt.Errorf("journal: write event %d: %w", synced+1, err),
				Hint: roomHint(filepath.Dir(filepath.Dir(j.path)), roomForRun, err) + ", then run the unit again",
			}
			j.queue, j.writing = nil, false
			j.changed.Broadcast()
			j.mu.Unlock()
			return
		}
		j.durable = append(j.durable, events...)
		j.size += int64(len(buf))
		for _, f := range j.followers {
			j.wake(f)
		}
		j.changed.Broadcast()
		j.mu.Unlock()
	}
}

// Sync waits until everything appended so far is on the disk.
func (j *Journal) Sync() error {
	j.mu.Lock()
	defer j.mu.Unlock()
	for want := j.seq; int64(len(j.durable)) < want && j.err == nil; {
		j.changed.Wait()
	}
	return j.err
}

// Subscribe calls tell for every event after number after (0 for all), in
// order, each only once it is on the disk; it may be called at any time, also
// after the run. Calls come from one goroutine at a time, which may be as slow
// as it likes. The event is shared: tell must not change what it points to.
// After stop no new call begins.
func (j *Journal) Subscribe(after int64, tell func(reports.Event)) (stop func()) {
	j.mu.Lock()
	defer j.mu.Unlock()
	f := &follower{next: int(max(after, 0)), tell: tell}
	j.followers = append(j.followers, f)
	j.wake(f)
	return func() {
		j.mu.Lock()
		defer j.mu.Unlock()
		f.stopped = true
		j.followers = slices.DeleteFunc(j.followers, func(g *follower) bool { return g == f })
		j.changed.Broadcast()
	}
}

// wake lets f catch up; the caller holds mu.
func (j *Journal) wake(f *follower) {
	if f.running || f.stopped || f.next >= len(j.durable) {
		return
	}
	f.running = true
	go func() {
		j.mu.Lock()
		defer j.mu.Unlock()
		for !f.stopped && f.next < len(j.durable) {
			j.tell(f, j.durable[f.next])
			f.next++
		}
		f.running = false
		j.changed.Broadcast()
	}()
}

// tell calls f without the lock, which it has again whatever becomes of the call.
func (j *Journal) tell(f *follower, e reports.Event) {
	j.mu.Unlock()
	defer j.mu.Lock()
	f.tell(e)
}

// Drain waits until everything appended so far is on the disk and every
// subscriber has been told.
func (j *Journal) Drain() error {
	err := j.Sync()
	j.mu.Lock()
	defer j.mu.Unlock()
	want := len(j.durable)
	for slices.ContainsFunc(j.followers, func(f *follower) bool { return f.next < want }) {
		j.changed.Wait()
	}
	return err
}

// Events returns a copy of what is on the disk so far.
func (j *Journal) Events() []reports.Event {
	j.mu.Lock()
	defer j.mu.Unlock()
	return slices.Clone(j.durable)
}

// Run is the name of the run.
func (j *Journal) Run() string { return j.run }

// Attach keeps raw data with the run: a file named by its content, whole and
// on the disk when Attach returns. ext is 1 to 8 lower-case letters or digits
// ("wav"). The event that mentions it comes after.
func (j *Journal) Attach(ext string, data []byte) (sha256 string, size int64, err error) {
	return j.archive.attach(ext, data)
}

// close ends the journal's use of its file; the caller has synced.
func (j *Journal) close() {
	j.mu.Lock()
	defer j.mu.Unlock()
	for j.writing {
		j.changed.Wait()
	}
	if j.file != nil {
		j.file.Close()
		j.file = nil
	}
	j.ended = true
}

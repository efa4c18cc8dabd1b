package archive

import (
	"bytes"
	"crypto/ed25519"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"path/filepath"
	"time"

	"fullthrow/reports"
)

// ringFile tells which key followed which, one [Handover] a line, as JSON. An
// archive that never had another key than its first has none.
const ringFile = "station.keys"

// Handover is the renewal of a station's key: the old key signs the new one.
type Handover struct {
	Number  int64  `json:"number"`  // of the last report under Old
	Hash    string `json:"hash"`    // of it
	Repairs int64  `json:"repairs"` // number of the last repair under Old
	Old     string `json:"old"`     // public key, lower-case hex
	New     string `json:"new"`     // likewise
	At      string `json:"at"`      // RFC 3339, UTC
	// Signature is Old's over what [Handover.text] gives; none where Old was
	// lost, and nobody but who has New says so.
	Signature string `json:"signature,omitempty"`
	Proof     string `json:"proof"` // New's, over the same
}

// Lost reports whether the old key was lost.
func (h Handover) Lost() bool { return h.Signature == "" }

func (h Handover) text() []byte {
	return fmt.Appendf(nil, "fullthrow-key/1\n%d\n%s\n%d\n%s\n%s\n%s\n", h.Number, h.Hash, h.Repairs, h.Old, h.New, h.At)
}

// keyring is which key seals which numbers.
type keyring struct {
	first     string // the key of the first reports, "" not known
	handovers []Handover
	problems  []reports.Problem
}

// loadRing reads which keys the station in dir has had. What is wrong with them
// is in the ring's problems: a ring is always usable.
func loadRing(dir string) keyring {
	var r keyring
	problem := func(code, file, hint, format string, args ...any) {
		r.problems = append(r.problems, reports.Problem{Code: code, File: file, Text: fmt.Sprintf(format, args...),
			Hint: hint})
	}
	const restore = "put it back from a copy"
	pub, err := loadPublic(dir)
	current := hex.EncodeToString(pub)
	missing := errors.Is(err, fs.ErrNotExist)
	switch {
	case missing:
		problem(KeyMissing, pubFile, restore, "the station's public key is missing")
	case err != nil:
		problem(KeyMissing, pubFile, restore, "the station's public key cannot be read: %v", err)
	}
	if err != nil {
		// The private key holds the public one, where this reader may see it.
		if key, err := readKey(filepath.Join(dir, keyFile)); err == nil {
			current = hex.EncodeToString(key.Public().(ed25519.PublicKey))
		}
	}
	r.first = current
	data, err := readBounded(filepath.Join(dir, ringFile), maxNote)
	if errors.Is(err, fs.ErrNotExist) {
		return r
	}
	var list []Handover
	for line := range bytes.Lines(data) {
		var h Handover
		if json.Unmarshal(line, &h) != nil {
			err = errors.New("a line of it is none")
			break
		}
		list = append(list, h)
	}
	if err != nil {
		problem(KeyForged, ringFile, restore, "the record of renewed keys cannot be read: %v", err)
		return r
	}
	for i, h := range list {
		why := ""
		switch {
		case !signed(h.New, h.Proof, h.text()):
			why = "is not signed by the new key"
		case !h.Lost() && !signed(h.Old, h.Signature, h.text()):
			why = "is not signed by the old key"
		case i > 0 && (h.Old != list[i-1].New || h.Number < list[i-1].Number || h.Repairs < list[i-1].Repairs):
			why = "does not follow the one before"
		}
		if why != "" {
			problem(KeyForged, ringFile, restore, "renewal %d of the station's key %s", i+1, why)
			return r
		}
		if h.Lost() {
			problem(KeyLost, ringFile, "ask who renewed it; what was sealed before stays as it is, but nobody handed "+
				"the station over to the new key", "the key in use until report number %d was lost, says who made the "+
				"key after it on %s", h.Number, h.At)
		}
	}
	if n := len(list); n > 0 {
		// A renewal that was cut short is finished when the archive is opened.
		if last := list[n-1]; current != "" && current != last.New && current != last.Old {
			problem(KeyForged, pubFile, restore, "it is not the key that the station was last given")
			return r
		}
		r.first, r.handovers = list[0].Old, list
	}
	return r
}

// current is the key that seals now, "" if none is known.
func (r keyring) current() string {
	if n := len(r.handovers); n > 0 {
		return r.handovers[n-1].New
	}
	return r.first
}

// of is the key of a report of that number; "" where none is known.
func (r keyring) of(kind string, number int64) string {
	key := r.first
	for _, h := range r.handovers {
		last := h.Number
		if kind == kindRepair {
			last = h.Repairs
		}
		if number > last {
			key = h.New
		}
	}
	return key
}

// fits says whether a seal is by the key of its number. Where no key is known
// every one fits: that it is not known is a problem of its own.
func (r keyring) fits(kind string, s Seal) bool {
	key := r.of(kind, s.Number)
	return key == "" || s.Key == key
}

// signsHead says whether a note is signed by the key of its record or by the one
// that follows it.
func (r keyring) signsHead(c chain, h head) bool {
	kind := kindReport
	if c == repairChain {
		kind = kindRepair
	}
	now, next := r.of(kind, h.Number), r.of(kind, h.Number+1)
	return now == "" || h.Key == now || h.Key == next
}

// Keys are the public keys that the station in dir has had, lower-case hex, the
// one in use last; none where its public key is not there.
func Keys(dir string) []string {
	r := loadRing(dir)
	if r.first == "" {
		return nil
	}
	keys := []string{r.first}
	for _, h := range r.handovers {
		keys = append(keys, h.New)
	}
	return keys
}

// KeyFits says whether report number of the archive in dir may be sealed by key.
type KeyFits func(number int64, key string) bool

// KeysOf reads which keys seal which reports of the archive in dir.
func KeysOf(dir string) KeyFits {
	r := loadRing(dir)
	return func(number int64, key string) bool { return r.fits(kindReport, Seal{Number: number, Key: key}) }
}

// RenewKey gives the station whose archive is in dir a new key, which the old
// one signs; nobody may have the archive open. lost says that there is no old
// one any more: that stays to be seen for ever.
func RenewKey(dir, station string, lost bool) (h Handover, err error) {
	a := &Archive{dir: dir, station: station}
	if err := a.takeLock(); err != nil {
		return h, err
	}
	defer a.lock.Close()
	ring := loadRing(dir)
	old, kerr := readKey(filepath.Join(dir, keyFile))
	switch {
	case lost && kerr == nil:
		return h, &reports.HintedError{Err: fmt.Errorf("key: %s is not lost: it is in %s", keyFile, dir),
			Hint: "renew it without --lost, so that the old key signs the new one"}
	case !lost && kerr != nil:
		return h, &reports.HintedError{Err: fmt.Errorf("key: %w", kerr),
			Hint: "put it back from a copy; if there is none, --lost makes a new one, and every check will say so"}
	}
	for _, p := range ring.problems {
		if p.Code == KeyLost || lost && p.Code == KeyMissing {
			continue
		}
		return h, &reports.HintedError{Err: fmt.Errorf("key: %w", p), Hint: p.Hint}
	}
	reportsAt, err := newestOf(dir, reportChain, ring)
	if err != nil {
		return h, err
	}
	repairsAt, err := newestOf(dir, repairChain, ring)
	if err != nil {
		return h, err
	}
	if !lost && hex.EncodeToString(old.Public().(ed25519.PublicKey)) != ring.current() {
		return h, fmt.Errorf("key: %s and %s do not belong together", keyFile, pubFile)
	}
	if ring.current() == "" {
		return h, errors.New("key: the station's old public key is not known: put station.pub back from a copy")
	}
	if _, err := newKey(filepath.Join(dir, nextKeyFile)); err != nil {
		return h, fmt.Errorf("key: %w", err)
	}
	next, err := readKey(filepath.Join(dir, nextKeyFile))
	if err != nil {
		return h, fmt.Errorf("key: %w", err)
	}
	h = Handover{Number: reportsAt.Number, Hash: reportsAt.Hash, Repairs: repairsAt.Number, Old: ring.current(),
		New: hex.EncodeToString(next.Public().(ed25519.PublicKey)), At: time.Now().UTC().Format(time.RFC3339)}
	h.Proof = hex.EncodeToString(ed25519.Sign(next, h.text()))
	if !lost {
		h.Signature = hex.EncodeToString(ed25519.Sign(old, h.text()))
	}
	var file []byte
	for _, h := range append(ring.handovers, h) {
		line, err := json.Marshal(h)
		if err != nil {
			return h, fmt.Errorf("key: %w", err)
		}
		file = append(append(file, line...), '\n')
	}
	// From here on the new key counts, whatever is cut short: see stationKey.
	if err := (disk{}).writeFile(filepath.Join(dir, ringFile), file, 0o644); err != nil {
		return h, fmt.Errorf("key: %w", err)
	}
	_, err = stationKey(dir, true)
	return h, err
}

// newestOf is the newest record that the archive in dir knows of, by its note
// and by what lies there.
func newestOf(dir string, c chain, ring keyring) (head, error) {
	h, err := c.read(dir)
	if worth := h.prove(c, ring, err); worth != headSigned && worth != headOld {
		h = head{}
	}
	if c == repairChain {
		r, err := readRepairs(dir)
		if r.head.Number > h.Number {
			h = r.head
		}
		return h, err
	}
	files, err := reportFiles(dir, false)
	if err != nil {
		return h, fmt.Errorf("key: %w", err)
	}
	for _, name := range files {
		if p, err := ReadPlace(dir, name); err == nil && p.Number > h.Number {
			h = head{Number: p.Number, Hash: p.SHA256, File: name}
		}
	}
	return h, nil
}

// knows says whether the station has, or had, the key.
func (r keyring) knows(key string) bool {
	if key == r.first {
		return true
	}
	for _, h := range r.handovers {
		if h.New == key {
			return true
		}
	}
	return false
}

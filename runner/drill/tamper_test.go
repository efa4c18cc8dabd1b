//go:build drill

package drill

import (
	"bytes"
	"crypto/ed25519"
	"crypto/sha256"
	"crypto/x509"
	"encoding/hex"
	"encoding/json"
	"encoding/pem"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"fullthrow/reports"
	"fullthrow/reports/archive"
	"fullthrow/reports/recordtest"
)

// TestDrillTamper makes small archives, with a crash at any write of any of their
// programs, and what index, plant and a witness have seen of them; nothing may be
// found. Then each is tampered with once, and that must be found by its name.
func TestDrillTamper(t *testing.T) {
	campaign(t, "Records that somebody touches", func(c *trial) {
		for _, k := range tamperings {
			c.Add(k.name, 0)
		}
		dir := c.Dir
		if fast, err := os.MkdirTemp("/dev/shm", "drill"); err == nil { // waits for no disk
			defer os.RemoveAll(fast)
			dir = fast
		}
		for range 25 { // each case is some: one is too short to count
			b := &book{trial: c, dir: filepath.Join(dir, "a")}
			if err := b.one(); err != nil {
				c.Wrong("%v", err)
			}
			if err := removeAll(dir); err != nil {
				c.Wrong("%v", err)
			}
		}
	})
}

func removeAll(dir string) error {
	names, err := os.ReadDir(dir)
	for _, n := range names {
		err = errors.Join(err, os.RemoveAll(filepath.Join(dir, n.Name())))
	}
	return err
}

// book is the records of one station, and what others have seen of them.
type book struct {
	*trial
	dir      string
	runs     int
	moves    int             // to folders, after a crash
	index    []archive.Known // as the index knows it; behind by some reports
	plant    []archive.Known // likewise; none where nothing was forwarded
	witness  *archive.Witness
	repairs  []string // as the index knows them
	reported []string // runs that failed
}

var errKilled = errors.New("killed")

// session opens the records, works, and ends in order or at a write.
func (b *book) session(kill int) (err error) {
	steps := 0
	defer func() {
		if p := recover(); p != nil {
			if p != errKilled { //nolint:errorlint // the very one
				panic(p)
			}
			b.Count("ended at a write")
			// The lock is this process's still: the next one finds a copy.
			b.moves++
			next := fmt.Sprint(b.dir[:len(filepath.Dir(b.dir))], "/", b.moves)
			err = os.CopyFS(next, os.DirFS(b.dir))
			b.dir = next
		}
	}()
	a, err := archive.OpenOn(func(string, string) error {
		if steps++; steps == kill {
			panic(errKilled)
		}
		return nil
	}, b.dir, "LQ-1", archive.OfThis(b.dir, slices.Concat(b.index, b.plant))...)
	if err != nil {
		return err
	}
	defer a.Close()
	if p := a.Problems(); len(p) > 0 {
		b.Wrong("false alarm at the start: %v", p)
	}
	for range 1 + b.Rand.IntN(3) {
		b.runs++
		run := fmt.Sprintf("r%03d", b.runs)
		outcome := []reports.Outcome{reports.Passed, reports.Failed}[b.Rand.IntN(2)]
		j, err := a.Begin(recordtest.Start(run), recordtest.T0.Add(time.Duration(b.Rand.IntN(50))*time.Hour))
		if err != nil {
			return err
		}
		for _, e := range recordtest.Events(outcome) {
			if err := j.Append(e); err != nil {
				return err
			}
		}
		s, err := j.Seal()
		if err != nil {
			return err
		}
		if outcome == reports.Failed {
			b.reported = append(b.reported, run)
		}
		seen := []archive.Known{{From: "index", Number: s.Seal.Number, Hash: s.Seal.SHA256, Key: s.Seal.Key}}
		if b.Rand.IntN(3) > 0 { // else the index is behind
			b.index = seen
		}
		if b.Rand.IntN(2) == 0 {
			b.plant = []archive.Known{{From: "plant", Number: s.Seal.Number, Hash: s.Seal.SHA256, Key: s.Seal.Key}}
		}
		if len(b.reported) > 0 && b.Rand.IntN(3) == 0 {
			id := fmt.Sprintf("fix-%d", b.runs)
			if _, err := a.Repair(reports.Repair{ID: id, Run: b.reported[0], At: recordtest.T0, By: "Ana",
				Found: "soldering", Done: "resoldered"}); err != nil {
				return err
			}
			if b.Rand.IntN(2) == 0 {
				b.repairs = append(b.repairs, id)
			}
		}
	}
	return nil
}

func (b *book) verify() (*archive.Verification, []string) {
	v, err := archive.VerifyWith(b.Context(), b.dir, archive.VerifyOptions{Known: slices.Concat(b.index, b.plant),
		Repairs: b.repairs})
	if err != nil {
		b.Wrong("verify: %v", err)
		return &archive.Verification{}, nil
	}
	if b.witness != nil {
		v.Sees(b.witness.Known())
	}
	var codes []string
	for _, p := range v.Problems {
		codes = append(codes, p.Code)
	}
	return v, codes
}

func (b *book) one() error {
	for i := range 1 + b.Rand.IntN(3) {
		kill := 0
		if b.Rand.IntN(2) == 0 {
			kill = 1 + b.Rand.IntN(40)
		}
		if err := b.session(kill); err != nil {
			return err
		}
		if v, codes := b.verify(); len(codes) > 0 {
			b.Wrong("false alarm: %v", v.Problems)
		} else if w, ok := v.Witness(recordtest.T0); ok && b.Rand.IntN(2) == 0 {
			b.witness = &w
		}
		if i == 0 && b.Rand.IntN(4) == 0 && b.runs > 0 {
			if _, err := archive.RenewKey(b.dir, "LQ-1", false); err != nil {
				var h *reports.HintedError
				if !errors.As(err, &h) { // killed before it had a key
					return err
				}
			}
		}
	}
	if err := b.session(0); err != nil { // at least one report, and all at rest
		return err
	}
	if v, codes := b.verify(); len(codes) > 0 {
		b.Wrong("false alarm: %v", v.Problems)
		return nil
	}
	b.Count("left alone")
	return b.tamper()
}

// tampering is one way to touch records. do says whether it could be done here.
type tampering struct {
	name  string
	codes []string // one of which must be found
	do    func(b *book, f *files) (bool, error)
}

// files is what lies in an archive, for who wants to change it.
type files struct {
	dir    string
	list   []archive.Sealed // by number
	key    ed25519.PrivateKey
	before string // a copy of the folder, a session earlier
}

func (f *files) path(name string) string { return filepath.Join(f.dir, filepath.FromSlash(name)) }

func (f *files) newest() archive.Sealed { return f.list[len(f.list)-1] }

func readFiles(dir string) (*files, error) {
	f := &files{dir: dir}
	list, err := archive.Files(dir)
	if err != nil {
		return nil, err
	}
	for _, x := range list {
		s, err := archive.Load(f.path(x.Name))
		if err != nil {
			return nil, err
		}
		s.File = x.Name
		f.list = append(f.list, s)
	}
	slices.SortFunc(f.list, func(a, b archive.Sealed) int { return int(a.Seal.Number - b.Seal.Number) })
	data, err := os.ReadFile(f.path("station.key"))
	if err != nil {
		return nil, err
	}
	block, _ := pem.Decode(data)
	key, err := x509.ParsePKCS8PrivateKey(block.Bytes)
	if err != nil {
		return nil, err
	}
	f.key = key.(ed25519.PrivateKey)
	return f, nil
}

// sealBy seals raw by key, as a station does.
func sealBy(key ed25519.PrivateKey, number int64, previous string, raw []byte) archive.Sealed {
	sum := sha256.Sum256(fmt.Appendf(nil, "fullthrow-seal/2\nreport\n%d\n%s\n%s", number, previous, raw))
	return archive.Sealed{Raw: raw, Seal: archive.Seal{Number: number, Previous: previous,
		SHA256: hex.EncodeToString(sum[:]), Key: hex.EncodeToString(key.Public().(ed25519.PublicKey)),
		Signature: hex.EncodeToString(ed25519.Sign(key, sum[:]))}}
}

// write puts a report into its file.
func (f *files) write(name string, s archive.Sealed) error {
	data, err := s.Bytes()
	if err != nil {
		return err
	}
	return os.WriteFile(f.path(name), data, 0o644)
}

// signHead writes the head by key, as a station does.
func (f *files) signHead(key ed25519.PrivateKey, number int64, hash, file string) error {
	at := "2026-11-30T20:00:00Z"
	sig := ed25519.Sign(key, fmt.Appendf(nil, "fullthrow-head/1\nchain\n%d\n%s\n%s\n%s\n", number, hash, file, at))
	data, err := json.Marshal(map[string]any{"number": number, "hash": hash, "file": file, "at": at,
		"key": hex.EncodeToString(key.Public().(ed25519.PublicKey)), "signature": hex.EncodeToString(sig)})
	if err != nil {
		return err
	}
	return os.WriteFile(f.path("chain"), data, 0o644)
}

// reseal seals the reports from index i on again by key, and the head.
func (f *files) reseal(key ed25519.PrivateKey, i int, change func(raw []byte) []byte) error {
	previous := ""
	for n, s := range f.list {
		if n == i {
			s.Raw = change(s.Raw)
		}
		if n >= i {
			file := s.File
			s = sealBy(key, s.Seal.Number, previous, s.Raw)
			if err := f.write(file, s); err != nil {
				return err
			}
		}
		previous = s.Seal.SHA256
	}
	last := f.newest()
	return f.signHead(key, last.Seal.Number, previous, last.File)
}

var tamperings = []tampering{
	{"newest removed with the head", []string{archive.HeadMissing}, func(b *book, f *files) (bool, error) {
		for _, s := range f.list[len(f.list)-1-b.Rand.IntN(len(f.list)):] {
			if s.Seal.Number == 1 {
				continue
			}
			if err := os.Remove(f.path(s.File)); err != nil {
				return false, err
			}
		}
		return true, os.Remove(f.path("chain"))
	}},
	{"newest removed", []string{archive.ReportMissing}, func(_ *book, f *files) (bool, error) {
		return true, os.Remove(f.path(f.newest().File))
	}},
	{"one in the middle removed", []string{archive.ReportMissing}, func(b *book, f *files) (bool, error) {
		if len(f.list) < 2 {
			return false, nil
		}
		return true, os.Remove(f.path(f.list[b.Rand.IntN(len(f.list)-1)].File))
	}},
	{"head written by hand", []string{archive.HeadForged}, func(b *book, f *files) (bool, error) {
		s := f.list[b.Rand.IntN(len(f.list))]
		text := fmt.Sprintf(`{"number":%d,"hash":%q,"file":%q}`, s.Seal.Number, s.Seal.SHA256, s.File)
		if b.Rand.IntN(2) == 0 {
			text = text[:len(text)-1] + fmt.Sprintf(`,"key":%q,"signature":%q}`, s.Seal.Key, s.Seal.Signature)
		}
		return true, os.WriteFile(f.path("chain"), []byte(text), 0o644)
	}},
	{"all sealed again by another key", []string{archive.ReportForeign, archive.HeadForged, archive.KeyReplaced},
		func(_ *book, f *files) (bool, error) {
			_, key, err := ed25519.GenerateKey(nil)
			if err != nil {
				return false, err
			}
			return true, f.reseal(key, 0, func(raw []byte) []byte { return raw })
		}},
	{"all sealed again by another key, put in the place of the station's", []string{archive.KeyReplaced,
		archive.ReportForeign, archive.KeyForged, archive.RolledBack}, func(b *book, f *files) (bool, error) {
		if len(b.index) == 0 && len(b.plant) == 0 && b.witness == nil {
			return false, nil
		}
		public, key, err := ed25519.GenerateKey(nil)
		if err != nil {
			return false, err
		}
		private, err := x509.MarshalPKCS8PrivateKey(key)
		if err != nil {
			return false, err
		}
		der, err := x509.MarshalPKIXPublicKey(public)
		if err != nil {
			return false, err
		}
		os.Remove(f.path("station.keys"))
		return true, errors.Join(
			os.WriteFile(f.path("station.key"), pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: private}), 0o600),
			os.WriteFile(f.path("station.pub"), pem.EncodeToMemory(&pem.Block{Type: "PUBLIC KEY", Bytes: der}), 0o644),
			f.reseal(key, 0, func(raw []byte) []byte { return raw }))
	}},
	{"yesterday's folder, index or plant kept", []string{archive.RolledBack}, func(b *book, f *files) (bool, error) {
		last := f.newest().Seal
		knows := func(list []archive.Known) bool { return len(list) > 0 && list[0].Number == last.Number }
		if f.before == "" || !knows(b.index) && !knows(b.plant) {
			return false, nil
		}
		b.witness = nil
		b.dir = f.before
		return true, nil
	}},
	{"yesterday's folder, witness kept", []string{archive.RolledBack}, func(b *book, f *files) (bool, error) {
		if f.before == "" {
			return false, nil
		}
		v, err := archive.Verify(f.dir)
		if err != nil {
			return false, err
		}
		w, ok := v.Witness(recordtest.T0)
		typed, err := archive.ParseWitness(w.String())
		b.witness, b.index, b.plant, b.repairs = &typed, nil, nil, nil
		b.dir = f.before
		return ok, err
	}},
	{"outcome turned, sealed by the station's own key", []string{archive.ReportContradicts},
		func(b *book, f *files) (bool, error) {
			i := b.Rand.IntN(len(f.list))
			if hex.EncodeToString(f.key.Public().(ed25519.PublicKey)) != f.list[i].Seal.Key {
				return false, nil // sealed by an earlier key, which is gone
			}
			was := f.list[i].Report.Outcome
			others := slices.DeleteFunc([]reports.Outcome{reports.Passed, reports.Failed, reports.Errored, reports.Aborted},
				func(o reports.Outcome) bool { return o == was })
			to := others[b.Rand.IntN(len(others))]
			return true, f.reseal(f.key, i, func(raw []byte) []byte {
				return bytes.Replace(raw, fmt.Appendf(nil, `"outcome":%q`, was), fmt.Appendf(nil, `"outcome":%q`, to), 1)
			})
		}},
	{"two reports swapped", []string{archive.ReportMoved, archive.ReportChanged}, func(b *book, f *files) (bool, error) {
		if len(f.list) < 2 {
			return false, nil
		}
		i := b.Rand.IntN(len(f.list) - 1)
		return true, errors.Join(f.write(f.list[i].File, f.list[i+1]), f.write(f.list[i+1].File, f.list[i]))
	}},
	{"a number used again", []string{archive.ReportTwice}, func(b *book, f *files) (bool, error) {
		s := f.list[b.Rand.IntN(len(f.list))]
		if s.Seal.Key != hex.EncodeToString(f.key.Public().(ed25519.PublicKey)) {
			return false, nil
		}
		raw := bytes.Replace(s.Raw, fmt.Appendf(nil, `"run":%q`, s.Report.Run), []byte(`"run":"again"`), 1)
		return true, f.write(filepath.ToSlash(filepath.Join(filepath.Dir(s.File), "again.json")),
			sealBy(f.key, s.Seal.Number, s.Seal.Previous, raw))
	}},
	{"public key removed", []string{archive.KeyMissing}, func(_ *book, f *files) (bool, error) {
		return true, os.Remove(f.path("station.pub"))
	}},
	{"newest repair removed with its head", []string{archive.HeadMissing}, func(_ *book, f *files) (bool, error) {
		data, err := os.ReadFile(f.path("repairs.jsonl"))
		if err != nil {
			return false, nil
		}
		lines := bytes.SplitAfter(data, []byte("\n"))
		data = bytes.Join(lines[:max(0, len(lines)-2)], nil)
		return true, errors.Join(os.WriteFile(f.path("repairs.jsonl"), data, 0o644), os.Remove(f.path("repairs.chain")))
	}},
	{"a repair changed", []string{archive.RepairChanged}, func(_ *book, f *files) (bool, error) {
		data, err := os.ReadFile(f.path("repairs.jsonl"))
		if err != nil || len(data) == 0 {
			return false, nil
		}
		return true, os.WriteFile(f.path("repairs.jsonl"), bytes.Replace(data, []byte("resoldered"), []byte("replaced"), 1),
			0o644)
	}},
	{"head of repairs written by hand", []string{archive.HeadForged}, func(_ *book, f *files) (bool, error) {
		return true, os.WriteFile(f.path("repairs.chain"), []byte(`{"number":0,"hash":"","file":""}`), 0o644)
	}},
}

// tamper touches the records once; what must be found is.
func (b *book) tamper() error {
	// A session later there is a yesterday.
	before := filepath.Join(filepath.Dir(b.dir), "before")
	if err := os.CopyFS(before, os.DirFS(b.dir)); err != nil {
		return err
	}
	if err := b.session(0); err != nil {
		return err
	}
	f, err := readFiles(b.dir)
	if err != nil {
		return err
	}
	f.before = before
	for {
		k := tamperings[b.Rand.IntN(len(tamperings))]
		done, err := k.do(b, f)
		if err != nil {
			return fmt.Errorf("%s: %w", k.name, err)
		}
		if !done {
			continue
		}
		b.Count(k.name)
		v, codes := b.verify()
		if !slices.ContainsFunc(codes, func(c string) bool { return slices.Contains(k.codes, c) }) {
			b.Wrong("%s is not found as %v: %v", k.name, k.codes, v.Problems)
		}
		return nil
	}
}

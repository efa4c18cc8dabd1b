package archive

import (
	"bytes"
	"crypto/ed25519"
	"crypto/x509"
	"encoding/hex"
	"encoding/pem"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"fullthrow/reports"
	"fullthrow/reports/recordtest"
)

func TestNewRunID(t *testing.T) {
	a := reports.NewRunID(recordtest.T0, "LQ-1", "A")
	if want := regexp.MustCompile(`^20261125T094257123Z-LQ1-A-[0-9a-z]{7}$`); !want.MatchString(a) || !reports.ValidRun(a) {
		t.Errorf("got %s, want %s", a, want)
	}
	if b := reports.NewRunID(recordtest.T0, "LQ-1", "A"); a == b {
		t.Errorf("twice the same: %s", a)
	}
	if later := reports.NewRunID(recordtest.T0.Add(time.Millisecond), "LQ-1", "A"); later <= a {
		t.Errorf("%s does not sort after %s", later, a)
	}
	if hostile := reports.NewRunID(recordtest.T0.In(time.FixedZone("", 3600)), "../../etc", strings.Repeat("<é>\x00", 50)); !reports.ValidRun(hostile) || strings.ContainsAny(hostile, "./<") {
		t.Errorf("got %q", hostile)
	}
	for _, bad := range []string{"", "..", "a/b", `a\b`, "a.b", "-rf", "a\x00", "é", strings.Repeat("a", 81)} {
		if reports.ValidRun(bad) {
			t.Errorf("%q is accepted as the name of a run", bad)
		}
	}
}

func TestSealedFile(t *testing.T) {
	dir := t.TempDir()
	a := openTest(t, dir)
	first := sealTest(t, a, "r1", recordtest.Events(reports.Passed))
	second := sealTest(t, a, "r2", recordtest.Events(reports.Failed))
	if first.Report.Outcome != reports.Passed || second.Report.Outcome != reports.Failed {
		t.Errorf("outcomes %s, %s; want passed, failed", first.Report.Outcome, second.Report.Outcome)
	}
	if first.File != "2026/11/25/r1.json" || second.Seal.Previous != first.Seal.SHA256 || first.Seal.Previous != "" || second.Seal.Number != 2 {
		t.Errorf("chain: %+v then %+v", first.Seal, second.Seal)
	}
	if r := second.Report.Reason; r == nil || r.Code != reports.Missed || r.Evidence.Reading != "standby.current" {
		t.Errorf("reason %+v, want that standby.current missed its limit", r)
	}
	loaded, err := Load(filepath.Join(dir, second.File))
	if err != nil || !bytes.Equal(loaded.Raw, second.Raw) || loaded.Seal != second.Seal {
		t.Errorf("loaded %+v (%v), sealed %+v", loaded, err, second)
	}
	// Key files as other programs read them.
	for name, kind := range map[string]string{"station.key": "PRIVATE KEY", "station.pub": "PUBLIC KEY"} {
		data, err := os.ReadFile(filepath.Join(dir, name))
		if err != nil {
			t.Fatal(err)
		}
		if b, _ := pem.Decode(data); b == nil || b.Type != kind {
			t.Errorf("%s: not a %s", name, kind)
		}
	}
	if info, err := os.Stat(filepath.Join(dir, "station.key")); err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("station.key: mode %v, error %v; want 0600", info.Mode(), err)
	}
	if names, _ := os.ReadDir(filepath.Join(dir, "journal")); len(names) != 0 {
		t.Errorf("journals left: %v", names)
	}
}

func TestAttempts(t *testing.T) {
	dir := t.TempDir()
	a := openTest(t, dir)
	for i, o := range []reports.Outcome{reports.Failed, reports.Errored, reports.Aborted, reports.Passed} {
		sealTest(t, a, fmt.Sprint("r", i), recordtest.Events(o))
	}
	for range 2 {
		if got := a.Attempts("kittiwake-k8", "K824A00017X"); got != 2 {
			t.Errorf("got %d attempts, want 2: error and aborted do not count", got)
		}
		if got := a.Attempts("kittiwake-k8", "K824A00018V"); got != 0 {
			t.Errorf("another unit: got %d attempts, want 0", got)
		}
		entries := a.Entries()
		if len(entries) != 4 || entries[3].Outcome != reports.Passed || entries[0].Unit.SerialNumber != "K824A00017X" {
			t.Errorf("entries %+v", entries)
		}
		a.Close()
		a = openTest(t, dir) // the index as it is rebuilt
	}
}

func TestArchiveHeldByOneProcess(t *testing.T) {
	dir := t.TempDir()
	a := openTest(t, dir)
	_, err := Open(dir, "LQ-1")
	var hint *reports.HintedError
	if err == nil || !strings.Contains(err.Error(), strconv.Itoa(os.Getpid())) || !errors.As(err, &hint) || hint.Hint == "" {
		t.Errorf("got %v, want an error naming process %d, with a hint", err, os.Getpid())
	}
	a.Close()
	openTest(t, dir)
}

func TestSeveralNestsAtOnce(t *testing.T) {
	dir := t.TempDir()
	a := openTest(t, dir)
	var wg sync.WaitGroup
	for nest := range 4 {
		wg.Go(func() {
			for i := range 5 {
				start := recordtest.Start(fmt.Sprintf("n%d-%d", nest, i))
				j, err := a.Begin(start, recordtest.T0)
				if err != nil {
					t.Error(err)
					return
				}
				sum, size, err := j.Attach("csv", []byte(fmt.Sprint("data ", i%2)))
				if err != nil {
					t.Error(err)
				}
				j.Append(reports.Event{Time: recordtest.T0, Kind: reports.CaptureKept, Capture: &reports.Capture{Check: "standby", Name: "c", Media: "text/csv", SHA256: sum, Size: size}})
				for _, e := range recordtest.Events(reports.Passed) {
					j.Append(e)
				}
				if _, err := j.Seal(); err != nil {
					t.Error(err)
				}
			}
		})
	}
	wg.Wait()
	v, err := Verify(dir)
	if err != nil || len(v.Problems) > 0 || v.Number != 20 || v.Reports != 20 || v.Attachments != 2 {
		t.Errorf("verify: %+v, %v", v, err)
	}
}

// Whatever point a crash strikes, the next open makes the archive whole.
func TestRecovery(t *testing.T) {
	same := func(got *reports.Reason, want reports.Reason) bool {
		return got != nil && got.Code == want.Code && got.Check == want.Check && strings.HasPrefix(got.Text, want.Text)
	}
	journal := func(dir, run string) string { return filepath.Join(dir, "journal", run+".jsonl") }
	for _, tt := range []struct {
		name    string
		spoil   func(t *testing.T, dir string) // after r1 was sealed and r2 left as it was cut
		outcome reports.Outcome                // of r2, "" none
		reason  reports.Reason
		number  int64
	}{
		{"cut in the run", func(t *testing.T, dir string) {}, reports.Aborted, reports.Reason{Code: reports.CutDuring, Check: "standby"}, 2},
		{"last line torn", func(t *testing.T, dir string) {
			b, _ := os.ReadFile(journal(dir, "r2"))
			os.WriteFile(journal(dir, "r2"), b[:len(b)-9], 0o644)
		}, reports.Aborted, reports.Reason{Code: reports.CutDuring, Check: "standby"}, 2},
		{"first line torn", func(t *testing.T, dir string) { os.WriteFile(journal(dir, "r2"), []byte(`{"crc":"`), 0o644) }, "", reports.Reason{}, 1},
		{"journal empty", func(t *testing.T, dir string) { os.WriteFile(journal(dir, "r2"), nil, 0o644) }, "", reports.Reason{}, 1},
		{"sealed, journal not yet removed", func(t *testing.T, dir string) {
			os.Remove(journal(dir, "r2"))
			os.WriteFile(journal(dir, "r1"), journalBytes(t, 1, 2), 0o644)
		}, "", reports.Reason{}, 1},
		{"sealed, chain not yet written", func(t *testing.T, dir string) {
			os.Remove(journal(dir, "r2"))
			os.WriteFile(journal(dir, "r1"), journalBytes(t, 1, 2), 0o644)
			key, err := readKey(filepath.Join(dir, keyFile))
			if err == nil {
				_, err = reportChain.write(dir, disk{}, head{}, key)
			}
			if err != nil {
				t.Fatal(err)
			}
		}, "", reports.Reason{}, 1},
		{"report not yet renamed", func(t *testing.T, dir string) {
			os.WriteFile(filepath.Join(dir, "2026/11/25/.tmp-123"), []byte(`{"report":{"sch`), 0o644)
		}, reports.Aborted, reports.Reason{Code: reports.CutDuring, Check: "standby"}, 2},
		{"journal damaged", func(t *testing.T, dir string) {
			b, _ := os.ReadFile(journal(dir, "r2"))
			b[bytes.IndexByte(b, '\n')+50] ^= 4
			os.WriteFile(journal(dir, "r2"), b, 0o644)
		}, reports.Aborted, reports.Reason{Code: reports.CutDamaged, Text: "journal/r2.jsonl:2: damaged: "}, 2},
	} {
		t.Run(tt.name, func(t *testing.T) {
			dir := t.TempDir()
			a := openTest(t, dir)
			sealTest(t, a, "r1", recordtest.Events(reports.Passed))
			j := beginTest(t, a, "r2")
			for _, e := range recordtest.Events(reports.Passed)[:3] {
				appendAll(t, j, []reports.Event{e})
				j.Sync()
			}
			a.Close()
			tt.spoil(t, dir)
			for round := range 2 { // a second time nothing more happens
				a = openTest(t, dir)
				rec := a.Recovered()
				switch {
				case (tt.outcome == "" || round == 1) && len(rec) != 0:
					t.Errorf("round %d: recovered %+v, want nothing", round, rec)
				case tt.outcome != "" && round == 0 && (len(rec) != 1 || rec[0].Report.Outcome != tt.outcome || !same(rec[0].Report.Reason, tt.reason)):
					t.Errorf("recovered %+v, want one %s: %+v", rec, tt.outcome, tt.reason)
				}
				v, err := Verify(dir)
				if err != nil || len(v.Problems) > 0 || v.Number != tt.number || len(v.Pending) > 0 {
					t.Errorf("round %d: verify %+v, %v", round, v, err)
				}
				a.Close()
			}
		})
	}
}

// A run that had ended before the cut: a failure stays, a pass does not appear.
func TestRecoveryOfEndedRun(t *testing.T) {
	for given, want := range map[reports.Outcome]reports.Outcome{reports.Passed: reports.Aborted, reports.Failed: reports.Failed, reports.Errored: reports.Errored, reports.Aborted: reports.Aborted} {
		dir := t.TempDir()
		a := openTest(t, dir)
		j := beginTest(t, a, "r1")
		appendAll(t, j, recordtest.Events(given))
		if err := j.Sync(); err != nil {
			t.Fatal(err)
		}
		a.Close()
		rec := openTest(t, dir).Recovered()
		if len(rec) != 1 || rec[0].Report.Outcome != want {
			t.Errorf("ended %s: recovered %+v, want %s", given, rec, want)
		}
	}
}

func TestSealFails(t *testing.T) {
	dir := t.TempDir()
	a := openTest(t, dir)
	block := filepath.Join(dir, "2026")
	if err := os.WriteFile(block, nil, 0o644); err != nil { // where the directory should be
		t.Fatal(err)
	}
	j := beginTest(t, a, "r1")
	appendAll(t, j, recordtest.Events(reports.Passed))
	if _, err := j.Seal(); err == nil {
		t.Fatal("sealed without a directory")
	}
	os.Remove(block)
	s, err := j.Seal()
	if err != nil || s.Report.Outcome != reports.Passed || s.Seal.Number != 1 {
		t.Errorf("second try: %+v, %v", s.Seal, err)
	}
	again, err := j.Seal()
	if err != nil || again.Seal != s.Seal {
		t.Errorf("sealed twice: %+v, %v", again.Seal, err)
	}
	if _, err := a.Begin(recordtest.Start("r1"), recordtest.T0); err == nil {
		t.Error("a run of the same name could begin")
	}
}

func TestStationKey(t *testing.T) {
	dir := t.TempDir()
	a := openTest(t, dir)
	sealTest(t, a, "r1", recordtest.Events(reports.Passed))
	a.Close()
	key := filepath.Join(dir, "station.key")
	good, _ := os.ReadFile(key)
	os.Remove(key)
	if _, err := Open(dir, "LQ-1"); err == nil || !strings.Contains(err.Error(), "missing") {
		t.Errorf("key removed: got %v", err)
	}
	_, other, _ := ed25519.GenerateKey(nil)
	der, _ := x509.MarshalPKCS8PrivateKey(other)
	os.WriteFile(key, pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: der}), 0o600)
	if _, err := Open(dir, "LQ-1"); err == nil || !strings.Contains(err.Error(), "do not belong together") {
		t.Errorf("key replaced: got %v", err)
	}
	os.WriteFile(key, good, 0o600)
	a = openTest(t, dir)
	if s := sealTest(t, a, "r2", recordtest.Events(reports.Passed)); s.Seal.Number != 2 {
		t.Errorf("after the key was put back: number %d", s.Seal.Number)
	}
}

// After the newest reports went missing their numbers are never given again.
func TestNumbersAreNotReused(t *testing.T) {
	dir := t.TempDir()
	a := openTest(t, dir)
	for i := range 3 {
		sealTest(t, a, fmt.Sprint("r", i), recordtest.Events(reports.Passed))
	}
	a.Close()
	os.Remove(filepath.Join(dir, "2026/11/25/r2.json"))
	a = openTest(t, dir)
	if len(a.Problems()) != 1 {
		t.Errorf("problems at open: %v, want the missing report", a.Problems())
	}
	if s := sealTest(t, a, "r3", recordtest.Events(reports.Passed)); s.Seal.Number != 4 {
		t.Errorf("next number %d, want 4", s.Seal.Number)
	}
	v, err := Verify(dir)
	if err != nil || len(v.Problems) != 1 || !strings.Contains(v.Problems[0].Text, "number 3") {
		t.Errorf("verify: %+v, %v; want number 3 missing", v, err)
	}
}

func TestLoadMissing(t *testing.T) {
	a := openTest(t, t.TempDir())
	if _, err := a.Load("none"); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("got %v, want fs.ErrNotExist", err)
	}
}

func FuzzLoad(f *testing.F) {
	a := openTest(f, f.TempDir())
	s := sealTest(f, a, "r1", recordtest.Events(reports.Passed))
	data, err := os.ReadFile(filepath.Join(a.Dir(), s.File))
	if err != nil {
		f.Fatal(err)
	}
	f.Add(data)
	f.Add([]byte(`{"report":{"schema":"fullthrow-report/1"},"seal":{}}`))
	f.Fuzz(func(t *testing.T, data []byte) {
		s, err := parseSealed(data)
		if err != nil {
			return
		}
		sum := sealHash(kindReport, s.Seal.Number, s.Seal.Previous, s.Raw)
		if hex.EncodeToString(sum[:]) != s.Seal.SHA256 {
			sum = linkHash(s.Seal.Previous, s.Raw)
		}
		key, _ := hex.DecodeString(s.Seal.Key)
		sig, _ := hex.DecodeString(s.Seal.Signature)
		if len(key) != ed25519.PublicKeySize || !ed25519.Verify(key, sum[:], sig) {
			t.Fatal("accepted without a signature")
		}
	})
}

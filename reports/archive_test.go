package reports

import (
	"bufio"
	"bytes"
	"crypto/ed25519"
	"crypto/x509"
	"encoding/hex"
	"encoding/json"
	"encoding/pem"
	"errors"
	"fmt"
	"io/fs"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"
)

func TestNewRunID(t *testing.T) {
	a := NewRunID(t0, "LQ-1", "A")
	if want := regexp.MustCompile(`^20261125T094257123Z-LQ1-A-[0-9a-z]{7}$`); !want.MatchString(a) || !validRun(a) {
		t.Errorf("got %s, want %s", a, want)
	}
	if b := NewRunID(t0, "LQ-1", "A"); a == b {
		t.Errorf("twice the same: %s", a)
	}
	if later := NewRunID(t0.Add(time.Millisecond), "LQ-1", "A"); later <= a {
		t.Errorf("%s does not sort after %s", later, a)
	}
	if hostile := NewRunID(t0.In(time.FixedZone("", 3600)), "../../etc", strings.Repeat("<é>\x00", 50)); !validRun(hostile) || strings.ContainsAny(hostile, "./<") {
		t.Errorf("got %q", hostile)
	}
	for _, bad := range []string{"", "..", "a/b", `a\b`, "a.b", "-rf", "a\x00", "é", strings.Repeat("a", 81)} {
		if validRun(bad) {
			t.Errorf("%q is accepted as the name of a run", bad)
		}
	}
}

func TestSealedFile(t *testing.T) {
	dir := t.TempDir()
	a := openTest(t, dir)
	first := sealTest(t, a, "r1", testEvents(Passed))
	second := sealTest(t, a, "r2", testEvents(Failed))
	if first.Report.Outcome != Passed || second.Report.Outcome != Failed {
		t.Errorf("outcomes %s, %s; want passed, failed", first.Report.Outcome, second.Report.Outcome)
	}
	if first.File != "2026/11/25/r1.json" || second.Seal.Previous != first.Seal.SHA256 || first.Seal.Previous != "" || second.Seal.Number != 2 {
		t.Errorf("chain: %+v then %+v", first.Seal, second.Seal)
	}
	if want := "standby.current 15.3 µA, above 12 µA"; second.Report.Reason != want {
		t.Errorf("reason %q, want %q", second.Report.Reason, want)
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
	for i, o := range []Outcome{Failed, Errored, Aborted, Passed} {
		sealTest(t, a, fmt.Sprint("r", i), testEvents(o))
	}
	for range 2 {
		if got := a.Attempts("kittiwake-k8", "K824A00017X"); got != 2 {
			t.Errorf("got %d attempts, want 2: error and aborted do not count", got)
		}
		if got := a.Attempts("kittiwake-k8", "K824A00018V"); got != 0 {
			t.Errorf("another unit: got %d attempts, want 0", got)
		}
		entries := a.Entries()
		if len(entries) != 4 || entries[3].Outcome != Passed || entries[0].Unit.SerialNumber != "K824A00017X" {
			t.Errorf("entries %+v", entries)
		}
		a.Close()
		a = openTest(t, dir) // the index as it is rebuilt
	}
}

func TestArchiveHeldByOneProcess(t *testing.T) {
	dir := t.TempDir()
	a := openTest(t, dir)
	_, err := OpenArchive(dir, "LQ-1")
	var hint *HintedError
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
				start := testStart(fmt.Sprintf("n%d-%d", nest, i))
				j, err := a.Begin(start, t0)
				if err != nil {
					t.Error(err)
					return
				}
				sum, size, err := j.Attach("csv", []byte(fmt.Sprint("data ", i%2)))
				if err != nil {
					t.Error(err)
				}
				j.Append(Event{Time: t0, Kind: CaptureKept, Capture: &Capture{Check: "standby", Name: "c", Media: "text/csv", SHA256: sum, Size: size}})
				for _, e := range testEvents(Passed) {
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
	journal := func(dir, run string) string { return filepath.Join(dir, "journal", run+".jsonl") }
	for _, tt := range []struct {
		name    string
		spoil   func(t *testing.T, dir string) // after r1 was sealed and r2 left as it was cut
		outcome Outcome                        // of r2, "" none
		reason  string
		number  int64
	}{
		{"cut in the run", func(t *testing.T, dir string) {}, Aborted, "cut short: the record stops during standby", 2},
		{"last line torn", func(t *testing.T, dir string) {
			b, _ := os.ReadFile(journal(dir, "r2"))
			os.WriteFile(journal(dir, "r2"), b[:len(b)-9], 0o644)
		}, Aborted, "cut short: the record stops during standby", 2},
		{"first line torn", func(t *testing.T, dir string) { os.WriteFile(journal(dir, "r2"), []byte(`{"crc":"`), 0o644) }, "", "", 1},
		{"journal empty", func(t *testing.T, dir string) { os.WriteFile(journal(dir, "r2"), nil, 0o644) }, "", "", 1},
		{"sealed, journal not yet removed", func(t *testing.T, dir string) {
			os.Remove(journal(dir, "r2"))
			os.WriteFile(journal(dir, "r1"), journalBytes(t, 1, 2), 0o644)
		}, "", "", 1},
		{"sealed, chain not yet written", func(t *testing.T, dir string) {
			os.Remove(journal(dir, "r2"))
			os.WriteFile(journal(dir, "r1"), journalBytes(t, 1, 2), 0o644)
			os.Remove(filepath.Join(dir, "chain"))
		}, "", "", 1},
		{"report not yet renamed", func(t *testing.T, dir string) {
			os.WriteFile(filepath.Join(dir, "2026/11/25/.tmp-123"), []byte(`{"report":{"sch`), 0o644)
		}, Aborted, "cut short: the record stops during standby", 2},
		{"journal damaged", func(t *testing.T, dir string) {
			b, _ := os.ReadFile(journal(dir, "r2"))
			b[bytes.IndexByte(b, '\n')+50] ^= 4
			os.WriteFile(journal(dir, "r2"), b, 0o644)
		}, Aborted, "cut short: journal/r2.jsonl:2: damaged: ", 2},
	} {
		t.Run(tt.name, func(t *testing.T) {
			dir := t.TempDir()
			a := openTest(t, dir)
			sealTest(t, a, "r1", testEvents(Passed))
			j := beginTest(t, a, "r2")
			for _, e := range testEvents(Passed)[:3] {
				appendAll(t, j, []Event{e})
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
				case tt.outcome != "" && round == 0 && (len(rec) != 1 || rec[0].Report.Outcome != tt.outcome || !strings.HasPrefix(rec[0].Report.Reason, tt.reason)):
					t.Errorf("recovered %+v, want one %s: %s", rec, tt.outcome, tt.reason)
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
	for given, want := range map[Outcome]Outcome{Passed: Aborted, Failed: Failed, Errored: Errored, Aborted: Aborted} {
		dir := t.TempDir()
		a := openTest(t, dir)
		j := beginTest(t, a, "r1")
		appendAll(t, j, testEvents(given))
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
	appendAll(t, j, testEvents(Passed))
	if _, err := j.Seal(); err == nil {
		t.Fatal("sealed without a directory")
	}
	os.Remove(block)
	s, err := j.Seal()
	if err != nil || s.Report.Outcome != Passed || s.Seal.Number != 1 {
		t.Errorf("second try: %+v, %v", s.Seal, err)
	}
	again, err := j.Seal()
	if err != nil || again.Seal != s.Seal {
		t.Errorf("sealed twice: %+v, %v", again.Seal, err)
	}
	if _, err := a.Begin(testStart("r1"), t0); err == nil {
		t.Error("a run of the same name could begin")
	}
}

func TestStationKey(t *testing.T) {
	dir := t.TempDir()
	a := openTest(t, dir)
	sealTest(t, a, "r1", testEvents(Passed))
	a.Close()
	key := filepath.Join(dir, "station.key")
	good, _ := os.ReadFile(key)
	os.Remove(key)
	if _, err := OpenArchive(dir, "LQ-1"); err == nil || !strings.Contains(err.Error(), "missing") {
		t.Errorf("key removed: got %v", err)
	}
	_, other, _ := ed25519.GenerateKey(nil)
	der, _ := x509.MarshalPKCS8PrivateKey(other)
	os.WriteFile(key, pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: der}), 0o600)
	if _, err := OpenArchive(dir, "LQ-1"); err == nil || !strings.Contains(err.Error(), "do not belong together") {
		t.Errorf("key replaced: got %v", err)
	}
	os.WriteFile(key, good, 0o600)
	a = openTest(t, dir)
	if s := sealTest(t, a, "r2", testEvents(Passed)); s.Seal.Number != 2 {
		t.Errorf("after the key was put back: number %d", s.Seal.Number)
	}
}

func TestVerifyFinds(t *testing.T) {
	day := "2026/11/25/"
	file := func(dir string, i int) string { return filepath.Join(dir, day, fmt.Sprintf("r%d.json", i)) }
	edit := func(t *testing.T, name string, old, new string) {
		t.Helper()
		b, err := os.ReadFile(name)
		if err != nil || !bytes.Contains(b, []byte(old)) {
			t.Fatalf("%s: no %q in it (%v)", name, old, err)
		}
		os.WriteFile(name, bytes.Replace(b, []byte(old), []byte(new), 1), 0o644)
	}
	// forge seals the report of a run anew with the given key and place.
	forge := func(t *testing.T, dir string, run int, key ed25519.PrivateKey, number int64, previous string) {
		t.Helper()
		s, err := Load(file(dir, run))
		if err != nil {
			t.Fatal(err)
		}
		raw := bytes.Replace(s.Raw, []byte(`"operator":"M. Oduya"`), []byte(`"operator":"N. N."`), 1)
		_, data, err := seal(raw, number, previous, key)
		if err != nil {
			t.Fatal(err)
		}
		os.WriteFile(file(dir, run), data, 0o644)
	}
	stationKeyOf := func(dir string) ed25519.PrivateKey {
		data, _ := os.ReadFile(filepath.Join(dir, "station.key"))
		b, _ := pem.Decode(data)
		k, _ := x509.ParsePKCS8PrivateKey(b.Bytes)
		return k.(ed25519.PrivateKey)
	}
	for _, tt := range []struct {
		name  string
		spoil func(t *testing.T, dir string)
		file  string // named by a problem; "" none
		text  string
	}{
		{"nothing", func(*testing.T, string) {}, "", ""},
		{"an outcome changed", func(t *testing.T, dir string) { edit(t, file(dir, 2), `"outcome":"failed"`, `"outcome":"passed"`) }, day + "r2.json", "changed"},
		{"a space added", func(t *testing.T, dir string) { edit(t, file(dir, 2), `"report":{`, `"report": {`) }, day + "r2.json", "not in the form"},
		{"a member added", func(t *testing.T, dir string) { edit(t, file(dir, 2), `,"seal":`, `,"x":1,"seal":`) }, day + "r2.json", "not in the form"},
		{"text after the end", func(t *testing.T, dir string) { edit(t, file(dir, 2), "}\n", "}\n{}") }, day + "r2.json", "not a sealed report"},
		{"the layout's name changed", func(t *testing.T, dir string) { edit(t, file(dir, 2), Schema, "fullthrow-report/9") }, day + "r2.json", "layout"},
		{"a signature changed", func(t *testing.T, dir string) {
			s, _ := Load(file(dir, 2))
			edit(t, file(dir, 2), s.Seal.Signature[:4], "0000")
		}, day + "r2.json", "signature"},
		{"a number changed", func(t *testing.T, dir string) { edit(t, file(dir, 4), `"number":4`, `"number":7`) }, day + "r4.json", "missing"},
		{"a report emptied", func(t *testing.T, dir string) { os.WriteFile(file(dir, 3), nil, 0o644) }, day + "r3.json", "not a sealed report"},
		{"a report removed", func(t *testing.T, dir string) { os.Remove(file(dir, 3)) }, day + "r4.json", "number 3"},
		{"the first removed", func(t *testing.T, dir string) { os.Remove(file(dir, 1)) }, day + "r2.json", "number 1"},
		{"the newest removed", func(t *testing.T, dir string) { os.Remove(file(dir, 5)) }, day + "r5.json", "number 5"},
		{"the head removed", func(t *testing.T, dir string) { os.Remove(filepath.Join(dir, "chain")) }, "chain", "missing"},
		{"an older head put back", func(t *testing.T, dir string) {
			s, _ := Load(file(dir, 2))
			b, _ := json.Marshal(head{2, s.Seal.SHA256, day + "r2.json"})
			os.WriteFile(filepath.Join(dir, "chain"), b, 0o644)
		}, "chain", "names number 2"},
		{"a report copied", func(t *testing.T, dir string) {
			b, _ := os.ReadFile(file(dir, 3))
			os.WriteFile(filepath.Join(dir, day, "r9.json"), b, 0o644)
		}, day + "r9.json", "number 3 stands twice"},
		{"a report moved", func(t *testing.T, dir string) { os.Rename(file(dir, 3), file(dir, 8)) }, day + "r8.json", "belongs at " + day + "r3.json"},
		{"two reports change places", func(t *testing.T, dir string) {
			b2, _ := os.ReadFile(file(dir, 2))
			b3, _ := os.ReadFile(file(dir, 3))
			os.WriteFile(file(dir, 2), b3, 0o644)
			os.WriteFile(file(dir, 3), b2, 0o644)
		}, day + "r2.json", "belongs at"},
		{"a report sealed elsewhere", func(t *testing.T, dir string) {
			_, key, _ := ed25519.GenerateKey(nil)
			s, _ := Load(file(dir, 3))
			forge(t, dir, 3, key, 3, s.Seal.Previous)
		}, day + "r3.json", "another key"},
		{"a report sealed again with the station's key", func(t *testing.T, dir string) {
			s, _ := Load(file(dir, 3))
			forge(t, dir, 3, stationKeyOf(dir), 3, s.Seal.Previous)
		}, day + "r4.json", "does not follow report number 3"},
		{"the newest sealed again with the station's key", func(t *testing.T, dir string) {
			s, _ := Load(file(dir, 5))
			forge(t, dir, 5, stationKeyOf(dir), 5, s.Seal.Previous)
		}, "chain", "not in the archive as it was sealed"},
		{"reordered: numbers 3 and 4 exchanged", func(t *testing.T, dir string) {
			edit(t, file(dir, 3), `"number":3`, `"number":4`)
			edit(t, file(dir, 4), `"number":4`, `"number":3`)
		}, day + "r4.json", "does not follow"},
		{"another file among the reports", func(t *testing.T, dir string) {
			os.WriteFile(filepath.Join(dir, day, "notes.txt"), []byte("hello"), 0o644)
		}, day + "notes.txt", "not a sealed report"},
		{"an attachment changed", func(t *testing.T, dir string) {
			names, _ := filepath.Glob(filepath.Join(dir, "attachments", "*.csv"))
			os.WriteFile(names[0], []byte("no data"), 0o644)
		}, "attachments/", "was changed"},
		{"an attachment removed", func(t *testing.T, dir string) {
			names, _ := filepath.Glob(filepath.Join(dir, "attachments", "*.csv"))
			os.Remove(names[0])
		}, day + "r1.json", "attachment"},
		{"the public key removed", func(t *testing.T, dir string) { os.Remove(filepath.Join(dir, "station.pub")) }, "station.pub", "cannot be read"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			dir := t.TempDir()
			a := openTest(t, dir)
			for i := 1; i <= 5; i++ {
				j := beginTest(t, a, fmt.Sprint("r", i))
				if i == 1 {
					sum, size, err := j.Attach("csv", []byte("some data\n"))
					if err != nil {
						t.Fatal(err)
					}
					appendAll(t, j, []Event{{Time: t0, Kind: CaptureKept, Capture: &Capture{Check: "standby", Name: "c", Media: "text/csv", SHA256: sum, Size: size}}})
				}
				appendAll(t, j, testEvents([]Outcome{Passed, Failed}[(i+1)%2]))
				if _, err := j.Seal(); err != nil {
					t.Fatal(err)
				}
			}
			a.Close()
			tt.spoil(t, dir)
			v, err := Verify(dir)
			if err != nil {
				t.Fatal(err)
			}
			if tt.file == "" {
				if len(v.Problems) > 0 || v.Reports != 5 || v.Number != 5 || v.Attachments != 1 {
					t.Errorf("got %+v, want a sound archive of 5", v)
				}
				return
			}
			if !slices.ContainsFunc(v.Problems, func(p Problem) bool {
				return strings.HasPrefix(p.File, tt.file) && strings.Contains(p.Text, tt.text) && p.Hint != ""
			}) {
				t.Errorf("got %+v, want a problem of %s: ...%s..., with a hint", v.Problems, tt.file, tt.text)
			}
		})
	}
}

// After the newest reports went missing their numbers are never given again.
func TestNumbersAreNotReused(t *testing.T) {
	dir := t.TempDir()
	a := openTest(t, dir)
	for i := range 3 {
		sealTest(t, a, fmt.Sprint("r", i), testEvents(Passed))
	}
	a.Close()
	os.Remove(filepath.Join(dir, "2026/11/25/r2.json"))
	a = openTest(t, dir)
	if len(a.Problems()) != 1 {
		t.Errorf("problems at open: %v, want the missing report", a.Problems())
	}
	if s := sealTest(t, a, "r3", testEvents(Passed)); s.Seal.Number != 4 {
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

// TestMain lets the test binary be the station that is killed.
func TestMain(m *testing.M) {
	if dir := os.Getenv("REPORTS_TEST_STATION"); dir != "" {
		runUntilKilled(dir)
		os.Exit(1)
	}
	os.Exit(m.Run())
}

// runUntilKilled runs units on two nests for ever and says on standard output
// what it was told: "e <run> <seq>" an event on the disk, "s <run> <outcome>
// <number>" a sealed report.
func runUntilKilled(dir string) {
	a, err := OpenArchive(dir, "LQ-1")
	if err != nil {
		fmt.Println("x", err)
		return
	}
	var out sync.Mutex
	say := func(format string, args ...any) {
		out.Lock()
		defer out.Unlock()
		fmt.Printf(format+"\n", args...)
	}
	var wg sync.WaitGroup
	for _, nest := range []string{"A", "B"} {
		wg.Go(func() {
			for i := 0; ; i++ {
				start := testStart(NewRunID(time.Now(), "LQ-1", nest))
				j, err := a.Begin(start, t0, func(e Event) { say("e %s %d", start.Run, e.Seq) })
				if err != nil {
					say("x %v", err)
					return
				}
				if sum, size, err := j.Attach("csv", []byte(start.Run)); err == nil {
					j.Append(Event{Time: t0, Kind: CaptureKept, Capture: &Capture{Check: "standby", Name: "c", Media: "text/csv", SHA256: sum, Size: size}})
				}
				for _, e := range testEvents([]Outcome{Passed, Failed}[i%2]) {
					if err := j.Append(e); err != nil {
						say("x %v", err)
					}
					if i%3 == 0 {
						j.Sync() // small groups in some runs
					}
				}
				s, err := j.Seal()
				if err != nil {
					say("x %v", err)
					return
				}
				say("s %s %s %d", start.Run, s.Report.Outcome, s.Seal.Number)
			}
		})
	}
	wg.Wait()
}

// Killed at any moment, a station loses nothing it had told, and shows no pass
// it had not sealed. 50 kills of the same archive, each after a number of
// lines drawn from a seed; where exactly between two steps the kill strikes is
// the machine's to choose.
func TestKill(t *testing.T) {
	dir := t.TempDir()
	rng := rand.New(rand.NewPCG(50, 1))
	sealed := map[string]Outcome{}
	aborted := 0
	for kill := range 50 {
		told := map[string]int{}
		cmd := exec.Command(os.Args[0])
		cmd.Env = append(os.Environ(), "REPORTS_TEST_STATION="+dir)
		pipe, err := cmd.StdoutPipe()
		if err != nil {
			t.Fatal(err)
		}
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		after := 1 + rng.IntN(60)
		lines := bufio.NewScanner(pipe)
		for n := 1; lines.Scan(); n++ {
			f := strings.Fields(lines.Text())
			switch {
			case f[0] == "x":
				t.Errorf("kill %d: the station says %q", kill, lines.Text())
			case f[0] == "e" && len(f) == 3:
				told[f[1]]++
			case f[0] == "s" && len(f) == 4:
				sealed[f[1]] = Outcome(f[2])
				delete(told, f[1])
			}
			if n == after {
				cmd.Process.Kill() // SIGKILL; the rest of the pipe is still read
			}
		}
		cmd.Wait()

		// Reports that were sealed, but of which the word did not get out.
		before := map[string]Outcome{}
		files, err := reportFiles(dir, false)
		if err != nil {
			t.Fatal(err)
		}
		for _, f := range files {
			s, err := Load(filepath.Join(dir, f))
			if err != nil {
				t.Fatalf("kill %d: %v", kill, err)
			}
			before[s.Report.Run] = s.Report.Outcome
		}
		a, err := OpenArchive(dir, "LQ-1")
		if err != nil {
			t.Fatalf("kill %d: %v", kill, err)
		}
		now := map[string]Outcome{}
		for _, e := range a.Entries() {
			now[e.Run] = e.Outcome
		}
		for run, o := range sealed {
			if now[run] != o {
				t.Errorf("kill %d: run %s was sealed as %s and is now %q", kill, run, o, now[run])
			}
		}
		for run, o := range now {
			if o == Passed && before[run] != Passed {
				t.Errorf("kill %d: run %s appears as passed and had not been sealed", kill, run)
			}
		}
		for run, n := range told {
			s, err := a.Load(run)
			if err != nil || s.Report.Events < int64(n) {
				t.Errorf("kill %d: run %s: told of %d events, report has %d (%v)", kill, run, n, s.Report.Events, err)
			}
		}
		for _, s := range a.Recovered() {
			if s.Report.Outcome == Aborted {
				aborted++
			}
		}
		if p := a.Problems(); len(p) > 0 {
			t.Errorf("kill %d: %v", kill, p)
		}
		a.Close()
		if kill%10 == 9 {
			v, err := Verify(dir)
			if err != nil || len(v.Problems) > 0 || len(v.Pending) > 0 || v.Reports != len(now) {
				t.Fatalf("kill %d: verify %+v, %v", kill, v, err)
			}
		}
	}
	t.Logf("%d sealed, %d of them cut short", len(sealed), aborted)
	if aborted < 25 {
		t.Errorf("only %d runs were cut short by 50 kills: the test says little", aborted)
	}
}

func FuzzLoad(f *testing.F) {
	a := openTest(f, f.TempDir())
	s := sealTest(f, a, "r1", testEvents(Passed))
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
		sum := chainHash(s.Seal.Previous, s.Raw)
		key, _ := hex.DecodeString(s.Seal.Key)
		sig, _ := hex.DecodeString(s.Seal.Signature)
		if len(key) != ed25519.PublicKeySize || !ed25519.Verify(key, sum[:], sig) {
			t.Fatal("accepted without a signature")
		}
	})
}

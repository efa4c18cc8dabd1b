package archive

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"testing"

	"fullthrow/reports"
	"fullthrow/reports/recordtest"
)

// tampered is an archive of five reports and two repairs that somebody has
// touched: dir, and what others have seen of it before.
type tampered struct {
	t     *testing.T
	dir   string
	seen  []Known
	ids   []string
	files []string // of reports, in order of their numbers
}

func newTampered(t *testing.T) *tampered {
	t.Helper()
	c := &tampered{t: t, dir: t.TempDir()}
	c.work(1, 5)
	a := c.open()
	for _, id := range []string{"fix-1", "fix-2"} {
		_, err := a.Repair(testRepair(id, "r2"))
		c.must(err)
		c.ids = append(c.ids, id)
	}
	c.must(a.Close())
	return c
}

func (c *tampered) must(err error) {
	c.t.Helper()
	if err != nil {
		c.t.Fatal(err)
	}
}

func (c *tampered) open(known ...Known) *Archive {
	c.t.Helper()
	a, err := Open(c.dir, "LQ-1", known...)
	c.must(err)
	return a
}

// work seals runs first to last; even ones failed.
func (c *tampered) work(first, last int, known ...Known) {
	c.t.Helper()
	a := c.open(known...)
	for i := first; i <= last; i++ {
		s := sealTest(c.t, a, fmt.Sprint("r", i), recordtest.Events([]reports.Outcome{reports.Failed, reports.Passed}[i%2]))
		c.files = append(c.files, s.File)
		c.seen = []Known{{From: "index", Number: s.Seal.Number, Hash: s.Seal.SHA256, Key: s.Seal.Key}}
	}
	c.must(a.Close())
}

func (c *tampered) path(name string) string { return filepath.Join(c.dir, filepath.FromSlash(name)) }

func (c *tampered) remove(names ...string) {
	c.t.Helper()
	for _, n := range names {
		c.must(os.Remove(c.path(n)))
	}
}

// copyTo copies the archive as it is now.
func (c *tampered) copyTo(dir string) string {
	c.t.Helper()
	c.must(os.CopyFS(dir, os.DirFS(c.dir)))
	return dir
}

// reseal signs a report again with the station's key, and all that follow it,
// and the head.
func (c *tampered) reseal(number int, change func(raw []byte) []byte) {
	c.t.Helper()
	key, err := readKey(c.path(keyFile))
	c.must(err)
	previous := ""
	for i, name := range c.files {
		s, err := Load(c.path(name))
		c.must(err)
		raw := s.Raw
		if i+1 == number {
			raw = change(raw)
		}
		if i+1 >= number {
			sl, data, err := seal(raw, int64(i+1), previous, key)
			c.must(err)
			c.must(os.WriteFile(c.path(name), data, 0o644))
			s.Seal = sl
		}
		previous = s.Seal.SHA256
	}
	_, err = reportChain.write(c.dir, disk{}, head{Number: int64(len(c.files)), Hash: previous,
		File: c.files[len(c.files)-1]}, key)
	c.must(err)
}

func (c *tampered) verify(o VerifyOptions) []string {
	c.t.Helper()
	v, err := VerifyWith(c.t.Context(), c.dir, o)
	c.must(err)
	var codes []string
	for _, p := range v.Problems {
		if p.Code == "" || p.Hint == "" {
			c.t.Errorf("%v: no code, or no hint", p)
		}
		codes = append(codes, p.Code)
	}
	return codes
}

// Each kind of tampering has its name, before the station works on and after.
func TestTampering(t *testing.T) {
	for _, tt := range []struct {
		name   string
		do     func(c *tampered)
		known  bool   // what the index has seen is asked
		code   string // "" nothing is found
		after  string // when the station has worked on, asked the same; "" as before
		refuse bool   // the station does not open it
	}{
		{name: "nothing", do: func(*tampered) {}},
		{name: "the newest two and the head removed", do: func(c *tampered) { c.remove(c.files[3], c.files[4], "chain") },
			code: HeadMissing, after: NumbersGivenUp},
		{name: "the head removed", do: func(c *tampered) { c.remove("chain") }, code: HeadMissing, after: NumbersGivenUp},
		{name: "all reports and the head removed", do: func(c *tampered) { c.remove(append(slices.Clone(c.files), "chain")...) },
			known: true, code: RolledBack, after: ReportMissing},
		{name: "the newest two removed, the head an old one, index kept", do: func(c *tampered) {
			c.remove(c.files[3], c.files[4])
			key, err := readKey(c.path(keyFile))
			c.must(err)
			s, err := Load(c.path(c.files[2]))
			c.must(err)
			_, err = reportChain.write(c.dir, disk{}, head{Number: 3, Hash: s.Seal.SHA256, File: c.files[2]}, key)
			c.must(err)
		}, known: true, code: RolledBack, after: ReportMissing},
		{name: "the head written by hand", do: func(c *tampered) {
			c.remove(c.files[3], c.files[4])
			s, err := Load(c.path(c.files[2]))
			c.must(err)
			text := fmt.Sprintf(`{"number":3,"hash":%q,"file":%q}`, s.Seal.SHA256, c.files[2])
			c.must(os.WriteFile(c.path("chain"), []byte(text), 0o644))
		}, code: HeadForged, after: NumbersGivenUp},
		{name: "the head with another number", do: func(c *tampered) {
			data, err := os.ReadFile(c.path("chain"))
			c.must(err)
			c.must(os.WriteFile(c.path("chain"), bytes.Replace(data, []byte(`"number":5`), []byte(`"number":4`), 1), 0o644))
		}, code: HeadForged, after: NumbersGivenUp},
		{name: "the middle removed", do: func(c *tampered) { c.remove(c.files[2]) }, code: ReportMissing},
		{name: "two reports swapped", do: func(c *tampered) {
			c.must(os.Rename(c.path(c.files[1]), c.path("x")))
			c.must(os.Rename(c.path(c.files[2]), c.path(c.files[1])))
			c.must(os.Rename(c.path("x"), c.path(c.files[2])))
		}, code: ReportMoved},
		{name: "a number used again", do: func(c *tampered) {
			b := newTampered(t)
			key, err := readKey(c.path(keyFile))
			c.must(err)
			s, err := Load(b.path(b.files[4]))
			c.must(err)
			raw := bytes.Replace(s.Raw, []byte(`"run":"r5"`), []byte(`"run":"r9"`), 1)
			before, err := Load(c.path(c.files[3]))
			c.must(err)
			_, data, err := seal(raw, 5, before.Seal.SHA256, key)
			c.must(err)
			c.must(os.WriteFile(c.path("2026/11/25/r9.json"), data, 0o644))
		}, code: ReportTwice},
		{name: "an outcome turned and signed again by the station's own key", do: func(c *tampered) {
			c.reseal(4, func(raw []byte) []byte {
				return bytes.Replace(raw, []byte(`"outcome":"failed"`), []byte(`"outcome":"passed"`), 1)
			})
		}, code: ReportContradicts},
		{name: "outcome and verdicts turned", do: func(c *tampered) {
			c.reseal(4, func(raw []byte) []byte {
				raw = bytes.Replace(raw, []byte(`"outcome":"failed"`), []byte(`"outcome":"passed"`), 1)
				return bytes.ReplaceAll(raw, []byte(`"verdict":"fail"`), []byte(`"verdict":"pass"`))
			})
		}, code: ReportContradicts},
		{name: "another history by the station's own key, index kept", do: func(c *tampered) {
			c.reseal(4, func(raw []byte) []byte {
				return bytes.Replace(raw, []byte(`"M. Oduya"`), []byte(`"N. N."`), 1)
			})
		}, known: true, code: RolledBack},
		{name: "all signed anew with another key, index kept", do: func(c *tampered) {
			b := newTampered(t)
			c.must(os.RemoveAll(c.dir))
			b.copyTo(c.dir)
		}, known: true, code: KeyReplaced},
		{name: "another key that nobody handed over", do: func(c *tampered) {
			b := newTampered(t)
			for _, name := range []string{keyFile, pubFile} {
				data, err := os.ReadFile(b.path(name))
				c.must(err)
				c.must(os.WriteFile(c.path(name), data, 0o600))
			}
		}, code: ReportForeign, refuse: true},
		{name: "the public key removed", do: func(c *tampered) { c.remove(pubFile) }, code: KeyMissing, after: "-"},
		{name: "the key lost, and another one made", do: func(c *tampered) {
			c.remove(keyFile)
			_, err := RenewKey(c.dir, "LQ-1", true)
			c.must(err)
		}, code: KeyLost},
		{name: "a renewal that the old key did not sign", do: func(c *tampered) {
			_, err := RenewKey(c.dir, "LQ-1", false)
			c.must(err)
			data, err := os.ReadFile(c.path(ringFile))
			c.must(err)
			var h Handover
			c.must(json.Unmarshal(data, &h))
			h.Signature = h.Proof
			data, err = json.Marshal(h)
			c.must(err)
			c.must(os.WriteFile(c.path(ringFile), append(data, '\n'), 0o644))
		}, code: KeyForged, refuse: true},
		{name: "the record of renewals removed", do: func(c *tampered) {
			_, err := RenewKey(c.dir, "LQ-1", false)
			c.must(err)
			c.remove(ringFile)
		}, code: ReportForeign, refuse: true},
		{name: "repairs and their head removed", do: func(c *tampered) { c.remove(repairsFile, "repairs.chain") },
			code: HeadMissing, after: NumbersGivenUp},
		{name: "the newest repair and the head removed", do: func(c *tampered) {
			data, err := os.ReadFile(c.path(repairsFile))
			c.must(err)
			c.must(os.WriteFile(c.path(repairsFile), data[:bytes.IndexByte(data, '\n')+1], 0o644))
			c.remove("repairs.chain")
		}, code: HeadMissing, after: NumbersGivenUp},
		{name: "the head of repairs written by hand", do: func(c *tampered) {
			c.must(os.WriteFile(c.path("repairs.chain"), []byte(`{"number":0,"hash":"","file":""}`), 0o644))
		}, code: HeadForged, after: NumbersGivenUp},
		{name: "a repair changed", do: func(c *tampered) {
			data, err := os.ReadFile(c.path(repairsFile))
			c.must(err)
			c.must(os.WriteFile(c.path(repairsFile), bytes.Replace(data, []byte("bridge"), []byte("no fault"), 1), 0o644))
		}, code: RepairChanged},
		{name: "yesterday's repairs put back, index kept", do: func(c *tampered) {
			data, err := os.ReadFile(c.path(repairsFile))
			c.must(err)
			note, err := os.ReadFile(c.path("repairs.chain"))
			c.must(err)
			a := c.open()
			_, err = a.Repair(testRepair("fix-3", "r4"))
			c.must(errors.Join(err, a.Close()))
			c.ids = append(c.ids, "fix-3")
			c.must(os.WriteFile(c.path(repairsFile), data, 0o644))
			c.must(os.WriteFile(c.path("repairs.chain"), note, 0o644))
		}, known: true, code: RepairMissing},
	} {
		t.Run(tt.name, func(t *testing.T) {
			c := newTampered(t)
			tt.do(c)
			var o VerifyOptions
			if tt.known {
				o.Known, o.Repairs = c.seen, c.ids
			}
			want := func(code string) {
				t.Helper()
				codes := c.verify(o)
				if code == "" && len(codes) > 0 || code != "" && !slices.Contains(codes, code) {
					t.Errorf("found %v, want %q", codes, code)
				}
			}
			want(tt.code)
			a, err := Open(c.dir, "LQ-1", OfThis(c.dir, o.Known)...)
			if tt.refuse {
				if err == nil {
					a.Close()
					t.Error("the station opens it, and goes on with a key that nobody handed over")
				}
				return
			}
			c.must(err)
			s := sealTest(t, a, "after", recordtest.Events(reports.Passed))
			c.must(a.Close())
			if tt.known && s.Seal.Number <= c.seen[0].Number && tt.code != KeyReplaced {
				t.Errorf("number %d was given again, %d is known", s.Seal.Number, c.seen[0].Number)
			}
			switch {
			case tt.after == "-":
				want("")
			case tt.after != "":
				want(tt.after)
			default:
				want(tt.code)
			}
		})
	}
}

// A witness that somebody keeps finds out what the folder cannot: that of
// yesterday was put back whole.
func TestWitnessFindsTheFolderOfYesterday(t *testing.T) {
	c := newTampered(t)
	yesterday := c.copyTo(filepath.Join(t.TempDir(), "copy"))
	c.work(6, 8)
	v, err := Verify(c.dir)
	c.must(err)
	w, ok := v.Witness(recordtest.T0)
	if !ok || w.Number != 8 {
		t.Fatalf("witness %+v", w)
	}
	a, err := Open(c.dir, "LQ-1")
	c.must(err)
	if own, ok := a.Witness(recordtest.T0); !ok || own != w {
		t.Errorf("the open archive says %v, want %v", own, w)
	}
	c.must(a.Close())
	c.work(9, 9)
	if v, err = Verify(c.dir); err != nil || !v.Sees(w.Known()) || len(v.Problems) > 0 {
		t.Errorf("a report later: %v, %v", v.Problems, err)
	}
	if v, err = Verify(yesterday); err != nil || len(v.Problems) > 0 {
		t.Fatalf("yesterday's folder by itself: %v, %v; want nothing found", v.Problems, err)
	}
	if v.Sees(w.Known()) || len(v.Problems) != 1 || v.Problems[0].Code != RolledBack {
		t.Errorf("against the witness: %v, want %s", v.Problems, RolledBack)
	}
}

// Renewed, the key goes on: what either sealed is proved, and what the old one
// seals after that is not.
func TestRenewKey(t *testing.T) {
	c := newTampered(t)
	old, err := readKey(c.path(keyFile))
	c.must(err)
	for round := range 2 {
		h, err := RenewKey(c.dir, "LQ-1", false)
		c.must(err)
		if want := int64(5 + 2*round); h.Number != want || h.Lost() {
			t.Errorf("handed over at %d, want %d", h.Number, want)
		}
		if codes := c.verify(VerifyOptions{}); len(codes) > 0 {
			t.Errorf("just renewed: %v", codes)
		}
		c.work(6+2*round, 7+2*round)
		if codes := c.verify(VerifyOptions{}); len(codes) > 0 {
			t.Errorf("worked on: %v", codes)
		}
	}
	if keys := Keys(c.dir); len(keys) != 3 {
		t.Errorf("%d keys, want 3", len(keys))
	}
	a := c.open()
	last, err := a.Load("r9")
	c.must(errors.Join(err, a.Close()))
	_, data, err := seal(bytes.Replace(last.Raw, []byte(`"run":"r9"`), []byte(`"run":"r10"`), 1), 10, last.Seal.SHA256, old)
	c.must(err)
	c.must(os.WriteFile(c.path("2026/11/25/r10.json"), data, 0o644))
	if codes := c.verify(VerifyOptions{}); !slices.Contains(codes, ReportForeign) {
		t.Errorf("sealed by the old key: %v", codes)
	}
}

// A renewal cut short at any step is none, or is finished at the next start.
func TestRenewalCutShort(t *testing.T) {
	c := newTampered(t)
	before := c.copyTo(filepath.Join(t.TempDir(), "before"))
	_, err := RenewKey(c.dir, "LQ-1", false)
	c.must(err)
	read := func(dir, name string) []byte {
		data, err := os.ReadFile(filepath.Join(dir, name))
		c.must(err)
		return data
	}
	after := map[string][]byte{nextKeyFile: read(c.dir, keyFile), ringFile: read(c.dir, ringFile)}
	for steps, names := range [][]string{{nextKeyFile}, {nextKeyFile, ringFile}, {ringFile}} {
		d := &tampered{t: t, dir: filepath.Join(t.TempDir(), "cut")}
		c.must(os.CopyFS(d.dir, os.DirFS(before)))
		for _, n := range names {
			c.must(os.WriteFile(d.path(n), after[n], 0o600))
		}
		if steps == 2 { // the key has its name, the public half is the old one
			c.must(os.WriteFile(d.path(keyFile), after[nextKeyFile], 0o600))
		}
		if codes := d.verify(VerifyOptions{}); len(codes) > 0 {
			t.Errorf("cut after %v: %v", names, codes)
		}
		d.work(6, 6)
		if codes := d.verify(VerifyOptions{}); len(codes) > 0 {
			t.Errorf("cut after %v, opened again: %v", names, codes)
		}
		if keys := len(Keys(d.dir)); keys != min(steps, 1)+1 {
			t.Errorf("cut after %v: %d keys", names, keys)
		}
	}
}

// What an earlier version wrote is no tampering, and is signed from then on.
func TestArchiveOfAnEarlierVersion(t *testing.T) {
	c := &tampered{t: t, dir: filepath.Join(t.TempDir(), "first")}
	c.must(os.CopyFS(c.dir, os.DirFS("../testdata/first")))
	v, err := Verify(c.dir)
	c.must(err)
	if !v.OldHead || len(v.Problems) > 0 {
		t.Errorf("old %v, %v", v.OldHead, v.Problems)
	}
	// Its key is not kept: the station has another one from now on, and says so.
	if _, err = RenewKey(c.dir, "LQ-1", true); err != nil {
		t.Fatal(err)
	}
	c.work(1, 1)
	if v, err = Verify(c.dir); err != nil || v.OldHead || v.Reports != 7 || len(v.Problems) != 1 ||
		v.Problems[0].Code != KeyLost {
		t.Errorf("old %v, %d reports, %v, %v; want the lost key named alone", v.OldHead, v.Reports, v.Problems, err)
	}
	c.must(os.WriteFile(c.path("chain"), []byte(`{"number":7,"hash":"`+v.Head+`","file":"x"}`), 0o644))
	if codes := c.verify(VerifyOptions{}); !slices.Contains(codes, HeadForged) {
		t.Errorf("an unsigned head put back: %v", codes)
	}
}

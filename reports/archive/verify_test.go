package archive

import (
	"bytes"
	"crypto/ed25519"
	"crypto/x509"
	"encoding/json"
	"encoding/pem"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"fullthrow/reports"
	"fullthrow/reports/recordtest"
)

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
		{"the layout's name changed", func(t *testing.T, dir string) { edit(t, file(dir, 2), reports.Schema, "fullthrow-report/9") }, day + "r2.json", "layout"},
		{"a signature changed", func(t *testing.T, dir string) {
			s, _ := Load(file(dir, 2))
			edit(t, file(dir, 2), s.Seal.Signature[:4], "0000")
		}, day + "r2.json", "signature"},
		{"a number changed", func(t *testing.T, dir string) { edit(t, file(dir, 4), `"number":4`, `"number":7`) }, day + "r4.json", "was changed after it was sealed"},
		{"a report emptied", func(t *testing.T, dir string) { os.WriteFile(file(dir, 3), nil, 0o644) }, day + "r3.json", "not a sealed report"},
		{"a report removed", func(t *testing.T, dir string) { os.Remove(file(dir, 3)) }, day + "r4.json", "number 3"},
		{"the first removed", func(t *testing.T, dir string) { os.Remove(file(dir, 1)) }, day + "r2.json", "number 1"},
		{"the newest removed", func(t *testing.T, dir string) { os.Remove(file(dir, 5)) }, day + "r5.json", "number 5"},
		{"the head removed", func(t *testing.T, dir string) { os.Remove(filepath.Join(dir, "chain")) }, "chain", "missing"},
		{"an older head put back", func(t *testing.T, dir string) {
			s, _ := Load(file(dir, 2))
			reportChain.write(dir, disk{}, head{Number: 2, Hash: s.Seal.SHA256, File: day + "r2.json"}, stationKeyOf(dir))
		}, "chain", "names number 2"},
		{"a head written by hand", func(t *testing.T, dir string) {
			s, _ := Load(file(dir, 5))
			b, _ := json.Marshal(head{Number: 5, Hash: s.Seal.SHA256, File: day + "r5.json"})
			os.WriteFile(filepath.Join(dir, "chain"), b, 0o644)
		}, "chain", "not signed by the station"},
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
		}, day + "r4.json", "was changed after it was sealed"},
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
		{"the public key removed", func(t *testing.T, dir string) { os.Remove(filepath.Join(dir, "station.pub")) }, "station.pub", "is missing"},
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
					appendAll(t, j, []reports.Event{{Time: recordtest.T0, Kind: reports.CaptureKept, Capture: &reports.Capture{Check: "standby", Name: "c", Media: "text/csv", SHA256: sum, Size: size}}})
				}
				appendAll(t, j, recordtest.Events([]reports.Outcome{reports.Passed, reports.Failed}[(i+1)%2]))
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
			if !slices.ContainsFunc(v.Problems, func(p reports.Problem) bool {
				return strings.HasPrefix(p.File, tt.file) && strings.Contains(p.Text, tt.text) && p.Hint != ""
			}) {
				t.Errorf("got %+v, want a problem of %s: ...%s..., with a hint", v.Problems, tt.file, tt.text)
			}
		})
	}
}

package archive

import (
	"bytes"
	"crypto/ed25519"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"fullthrow/reports"
	"fullthrow/reports/recordtest"
)

// testRepair is a repair of the unit of a run, invented.
func testRepair(id, run string) reports.Repair {
	return reports.Repair{ID: id, Run: run, At: recordtest.T0.Add(time.Hour), By: "R. Lindqvist", Found: "soldering", Part: "power", Done: "resoldered", Text: "bridge at the power switch"}
}

// repairedArchive holds a failed run and n repairs of it, and is closed.
func repairedArchive(t testing.TB, n int) string {
	t.Helper()
	dir := t.TempDir()
	a := openTest(t, dir)
	sealTest(t, a, "r1", recordtest.Events(reports.Failed))
	for i := range n {
		if _, err := a.Repair(testRepair(fmt.Sprint("fix-", i+1), "r1")); err != nil {
			t.Fatal(err)
		}
	}
	a.Close()
	return dir
}

func TestRepair(t *testing.T) {
	dir := t.TempDir()
	a := openTest(t, dir)
	run := recordtest.Events(reports.Failed)
	run = slices.Insert(run, len(run)-1, reports.Event{Time: recordtest.T0, Kind: reports.CausesRanked, Causes: []reports.Cause{{Cause: "leakage", Confidence: 0.7, Rule: "leakage"}}})
	sealTest(t, a, "r1", run)
	r := testRepair("fix-1", "r1")
	r.Text, r.By, r.Found = " bridge\x00 at the\r\npower \u202eswitch\x1b[2J ", "R.\tLindqvist\n", "leakage"
	first, err := a.Repair(r)
	if err != nil {
		t.Fatal(err)
	}
	got := first.Repair
	if got.Text != "bridge  at the\npower switch [2J" || got.By != "R. Lindqvist" {
		t.Errorf("texts %q, %q: not cleaned", got.Text, got.By)
	}
	if got.Unit != recordtest.Start("r1").Unit || got.Suggested != "leakage" || got.At.Location() != time.UTC {
		t.Errorf("got %+v, want unit and suggested cause of the run, time in UTC", got)
	}
	second, err := a.Repair(testRepair("fix-2", "r1"))
	if err != nil || second.Seal.Number != 2 || second.Seal.Previous != first.Seal.SHA256 || first.Seal.Previous != "" {
		t.Errorf("chain: %+v then %+v (%v)", first.Seal, second.Seal, err)
	}
	if again, err := a.Repair(r); err != nil || again != first {
		t.Errorf("the same again: %+v, %v; want the first", again, err)
	}
	for range 2 { // as it was kept, and as it is read anew
		list, problems, err := ReadRepairs(dir)
		if err != nil || len(problems) > 0 || !slices.Equal(list, []SealedRepair{first, second}) || !slices.Equal(a.Repairs(), list) {
			t.Errorf("read %+v, %v, %v", list, problems, err)
		}
		a.Close()
		a = openTest(t, dir)
	}
	third, err := a.Repair(testRepair("fix-3", "r1"))
	if err != nil || third.Seal.Number != 3 || third.Seal.Previous != second.Seal.SHA256 {
		t.Errorf("after opening again: %+v, %v", third.Seal, err)
	}
	var line struct {
		Repair reports.Repair
		Seal   Seal
	}
	data, _ := os.ReadFile(filepath.Join(dir, "repairs.jsonl"))
	if err := json.Unmarshal(bytes.Split(data, []byte("\n"))[0], &line); err != nil || line.Repair != first.Repair || line.Seal != first.Seal {
		t.Errorf("the line reads %+v (%v)", line, err)
	}
	v, err := Verify(dir)
	if err != nil || len(v.Problems) > 0 || v.Repairs != 3 {
		t.Errorf("verify: %+v, %v", v, err)
	}
}

func TestRepairRefuses(t *testing.T) {
	dir := t.TempDir()
	a := openTest(t, dir)
	sealTest(t, a, "r1", recordtest.Events(reports.Failed))
	sealTest(t, a, "r2", recordtest.Events(reports.Passed))
	if _, err := a.Repair(testRepair("taken", "r1")); err != nil {
		t.Fatal(err)
	}
	for _, tt := range []struct {
		name  string
		spoil func(*reports.Repair)
		want  string
	}{
		{"unknown run", func(r *reports.Repair) { r.Run = "r9" }, "not in this archive"},
		{"path as run", func(r *reports.Repair) { r.Run = "../../x" }, "not in this archive"},
		{"passed run", func(r *reports.Repair) { r.Run = "r2" }, "did not fail"},
		{"another unit", func(r *reports.Repair) { r.Unit.SerialNumber = "K824A00018V" }, "K824A00018V"},
		{"no finding", func(r *reports.Repair) { r.Found = "" }, "no finding"},
		{"a finding in words", func(r *reports.Repair) { r.Found = "it was <b>bad</b>" }, "no finding"},
		{"no remedy", func(r *reports.Repair) { r.Done = "prayed" }, "no remedy"},
		{"no time", func(r *reports.Repair) { r.At = time.Time{} }, "not when"},
		{"no ID", func(r *reports.Repair) { r.ID = "" }, "ID"},
		{"hostile ID", func(r *reports.Repair) { r.ID = "a\nb" }, "ID"},
		{"ID of another", func(r *reports.Repair) { r.ID = "taken"; r.Text = "other" }, "another content"},
		{"endless text", func(r *reports.Repair) { r.Text = strings.Repeat("é", 2001) }, "2001 characters"},
		{"endless name", func(r *reports.Repair) { r.By = strings.Repeat("W", 81) }, "by has 81"},
	} {
		r := testRepair("fix", "r1")
		tt.spoil(&r)
		_, err := a.Repair(r)
		var hint *reports.HintedError
		if err == nil || !strings.Contains(err.Error(), tt.want) || !errors.As(err, &hint) {
			t.Errorf("%s: got %v, want %q", tt.name, err, tt.want)
		}
	}
	if got := a.Repairs(); len(got) != 1 {
		t.Errorf("%d repairs on record, want the one that was taken in", len(got))
	}
	r := testRepair("fix", "r1")
	r.Text = strings.Repeat("é", 2000)
	if _, err := a.Repair(r); err != nil {
		t.Errorf("the longest text: %v", err)
	}
}

// A run of another station is repaired by what the plant's store holds of it.
func TestRepairOf(t *testing.T) {
	other := openTest(t, t.TempDir())
	of := sealTest(t, other, "elsewhere", recordtest.Events(reports.Failed))
	a := openTest(t, t.TempDir())
	if _, err := a.RepairOf(testRepair("fix-1", "elsewhere"), of); err != nil {
		t.Error(err)
	}
	if _, err := a.RepairOf(testRepair("fix-2", "here"), of); err == nil {
		t.Error("a run was repaired with the report of another")
	}
}

func TestVerifyFindsRepairs(t *testing.T) {
	foreign := func(t *testing.T, number int64, previous string) []byte {
		_, key, _ := ed25519.GenerateKey(nil)
		r := testRepair("foreign", "r1")
		r.Unit = recordtest.Start("r1").Unit
		raw, _ := json.Marshal(r)
		_, line, err := sealLine(raw, number, previous, key)
		if err != nil {
			t.Fatal(err)
		}
		return bytes.TrimSuffix(line, []byte("\n"))
	}
	type lines = [][]byte
	for _, tt := range []struct {
		name  string
		spoil func(t *testing.T, l lines) lines
		file  string // named by a problem
		text  string
		kept  int // repairs whose seal fits
		count int // problems, 0 any number
	}{
		{"nothing", func(_ *testing.T, l lines) lines { return l }, "", "", 5, 0},
		{"a finding changed", func(_ *testing.T, l lines) lines {
			l[2] = bytes.Replace(l[2], []byte("soldering"), []byte("component"), 1)
			return l
		}, "repairs.jsonl:3", "the repair was changed", 4, 1},
		{"the newest changed", func(_ *testing.T, l lines) lines {
			l[4] = bytes.Replace(l[4], []byte("soldering"), []byte("component"), 1)
			return l
		}, "repairs.jsonl:5", "the repair was changed", 4, 1},
		{"a space added", func(_ *testing.T, l lines) lines { l[1] = append(l[1], ' '); return l }, "repairs.jsonl:2", "not in the form", 4, 1},
		{"a member added", func(_ *testing.T, l lines) lines {
			l[1] = bytes.Replace(l[1], []byte(`"by":`), []byte(`"x":1,"by":`), 1)
			return l
		}, "repairs.jsonl:2", "unknown field", 4, 1},
		{"a number changed", func(_ *testing.T, l lines) lines {
			l[3] = bytes.Replace(l[3], []byte(`"number":4`), []byte(`"number":8`), 1)
			return l
		}, "repairs.jsonl:4", "was changed after it was sealed", 4, 1},
		{"a number beyond all bounds", func(_ *testing.T, l lines) lines {
			l[3] = bytes.Replace(l[3], []byte(`"number":4`), []byte(`"number":9223372036854775807`), 1)
			return l
		}, "repairs.jsonl:4", "was changed after it was sealed", 4, 1},
		{"a line removed", func(_ *testing.T, l lines) lines { return slices.Delete(l, 1, 2) }, "repairs.jsonl:2", "repair number 2, before this one, is missing", 4, 1},
		{"two lines removed", func(_ *testing.T, l lines) lines { return slices.Delete(l, 1, 3) }, "repairs.jsonl:2", "repairs number 2 to 3", 3, 1},
		{"the first removed", func(_ *testing.T, l lines) lines { return slices.Delete(l, 0, 1) }, "repairs.jsonl:1", "repair number 1", 4, 1},
		{"the newest removed", func(_ *testing.T, l lines) lines { return l[:4] }, "repairs.jsonl", "repair number 5, the newest, is missing", 4, 1},
		{"all removed", func(_ *testing.T, l lines) lines { return nil }, "repairs.jsonl", "repairs number 1 to 5", 0, 1},
		{"two lines change places", func(_ *testing.T, l lines) lines { l[1], l[2] = l[2], l[1]; return l }, "repairs.jsonl:3", "number 2 stands after number 3", 5, 1},
		{"a line twice", func(_ *testing.T, l lines) lines { return slices.Insert(l, 4, l[1]) }, "repairs.jsonl:5", "number 2 stands twice, also in line 2", 5, 1},
		{"a line put in", func(_ *testing.T, l lines) lines { return slices.Insert(l, 2, []byte("by hand")) }, "repairs.jsonl:3", "not a sealed repair", 5, 1},
		{"a line put in at the end", func(_ *testing.T, l lines) lines { return append(l, []byte("by hand")) }, "repairs.jsonl:6", "not a sealed repair", 5, 1},
		{"sealed with another key", func(t *testing.T, l lines) lines {
			s, _, _ := parseRepair(l[4])
			return append(l, foreign(t, 6, s.Seal.SHA256))
		}, "repairs.jsonl:6", "another key", 5, 1},
	} {
		t.Run(tt.name, func(t *testing.T) {
			dir := repairedArchive(t, 5)
			name := filepath.Join(dir, "repairs.jsonl")
			data, err := os.ReadFile(name)
			if err != nil {
				t.Fatal(err)
			}
			spoiled := tt.spoil(t, bytes.Split(bytes.TrimSuffix(data, []byte("\n")), []byte("\n")))
			text := bytes.Join(spoiled, []byte("\n"))
			if len(text) > 0 {
				text = append(text, '\n')
			}
			os.WriteFile(name, text, 0o644)
			v, err := Verify(dir)
			if err != nil {
				t.Fatal(err)
			}
			if v.Repairs != tt.kept || tt.count > 0 && len(v.Problems) != tt.count {
				t.Errorf("%d repairs, problems %v; want %d repairs, %d problems", v.Repairs, v.Problems, tt.kept, tt.count)
			}
			if tt.file == "" {
				if len(v.Problems) > 0 {
					t.Errorf("got %v, want a sound record", v.Problems)
				}
				return
			}
			if !slices.ContainsFunc(v.Problems, func(p reports.Problem) bool {
				return p.File == tt.file && strings.Contains(p.Text, tt.text) && p.Hint != ""
			}) {
				t.Errorf("got %+v, want a problem of %s: ...%s..., with a hint", v.Problems, tt.file, tt.text)
			}
			// The station goes on, and what it adds does not hide what was found.
			a := openTest(t, dir)
			if len(a.Problems()) == 0 {
				t.Error("nothing was said when the archive was opened")
			}
			s, err := a.Repair(testRepair("later", "r1"))
			if err != nil || s.Seal.Number < 6 {
				t.Errorf("next repair: number %d, %v", s.Seal.Number, err)
			}
			if _, problems, _ := ReadRepairs(dir); len(problems) == 0 {
				t.Error("the next repair hid what was found")
			}
		})
	}
}

// A line that was being written when the power went is dropped, wherever it
// broke, and nothing else is.
func TestRepairTorn(t *testing.T) {
	dir := repairedArchive(t, 2)
	name, note := filepath.Join(dir, "repairs.jsonl"), filepath.Join(dir, "repairs.chain")
	whole, _ := os.ReadFile(name)
	a := openTest(t, dir)
	before, _ := os.ReadFile(note)
	if _, err := a.Repair(testRepair("fix-3", "r1")); err != nil {
		t.Fatal(err)
	}
	a.Close()
	long, _ := os.ReadFile(name)
	os.WriteFile(note, before, 0o644) // the power went before it was noted
	for cut := len(whole); cut <= len(long); cut += 7 {
		os.WriteFile(name, long[:cut], 0o644)
		list, problems, err := ReadRepairs(dir)
		if err != nil || len(problems) > 0 || len(list) != 2 {
			t.Fatalf("cut at %d of %d: %d repairs, %v, %v; want 2", cut, len(long), len(list), problems, err)
		}
	}
	zeros := append(bytes.Clone(whole), make([]byte, 300)...)
	for _, data := range [][]byte{long[:len(long)-1], zeros, append(bytes.Clone(zeros), "}}\n"...)} {
		os.WriteFile(name, data, 0o644)
		a := openTest(t, dir)
		if p := a.Problems(); len(p) > 0 || len(a.Repairs()) != 2 {
			t.Errorf("opened with %v and %d repairs, want 2", p, len(a.Repairs()))
		}
		if after, _ := os.ReadFile(name); !bytes.Equal(after, whole) {
			t.Error("the torn line still stands in the file")
		}
		a.Close()
	}
	// Once noted, a line is no longer torn but damaged.
	os.WriteFile(name, long[:len(long)-40], 0o644)
	key, err := readKey(filepath.Join(dir, keyFile))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := repairChain.write(dir, disk{}, head{Number: 3, Hash: strings.Repeat("ab", 32), File: repairsFile},
		key); err != nil {
		t.Fatal(err)
	}
	if _, problems, _ := ReadRepairs(dir); len(problems) != 1 || problems[0].File != "repairs.jsonl:3" {
		t.Errorf("a sealed line cut off: got %v, want it named", problems)
	}
}

// A full disk refuses the repair, takes nothing away, and lets it in later.
func TestRepairDiskFull(t *testing.T) {
	for _, step := range []string{"write", "sync"} {
		dir := repairedArchive(t, 1)
		name := filepath.Join(dir, "repairs.jsonl")
		before, _ := os.ReadFile(name)
		a := openTest(t, dir)
		a.disk.refuse = func(s, path string) error {
			if s == step && path == name {
				return syscall.ENOSPC
			}
			return nil
		}
		_, err := a.Repair(testRepair("fix-2", "r1"))
		var hint *reports.HintedError
		if !errors.Is(err, syscall.ENOSPC) || !errors.As(err, &hint) || !strings.Contains(hint.Hint, "1 MB of room for "+dir) || !strings.Contains(hint.Hint, "nothing was written down") {
			t.Errorf("%s: got %v (%+v)", step, err, hint)
		}
		if after, _ := os.ReadFile(name); !bytes.Equal(after, before) || len(a.Repairs()) != 1 {
			t.Errorf("%s: half a repair was left", step)
		}
		a.disk.refuse = nil
		if s, err := a.Repair(testRepair("fix-2", "r1")); err != nil || s.Seal.Number != 2 {
			t.Errorf("%s: with room again: %+v, %v", step, s.Seal, err)
		}
		if _, problems, _ := ReadRepairs(dir); len(problems) > 0 {
			t.Errorf("%s: %v", step, problems)
		}
	}
}

// A full disk at the note of the newest repair leaves the repair sealed; the
// note follows with the next.
func TestRepairNoteDiskFull(t *testing.T) {
	dir := repairedArchive(t, 1)
	a := openTest(t, dir)
	a.disk.refuse = fullAt("write", func(p string) bool { return !strings.HasSuffix(p, repairsFile) })
	if s, err := a.Repair(testRepair("fix-2", "r1")); err != nil || s.Seal.Number != 2 {
		t.Fatalf("%+v, %v", s.Seal, err)
	}
	if p := a.Problems(); len(p) != 1 || p[0].File != string(repairChain) || !strings.Contains(p[0].Hint, "MB of room for "+dir) {
		t.Errorf("problems %v, want one of %s", p, repairChain)
	}
	a.disk.refuse = nil
	if _, err := a.Repair(testRepair("fix-3", "r1")); err != nil {
		t.Fatal(err)
	}
	if v, err := Verify(dir); err != nil || len(v.Problems) > 0 || v.Repairs != 3 {
		t.Errorf("verify %+v, %v", v, err)
	}
}

func FuzzReadRepairs(f *testing.F) {
	data, err := os.ReadFile(filepath.Join(repairedArchive(f, 3), "repairs.jsonl"))
	if err != nil {
		f.Fatal(err)
	}
	f.Add(data)
	f.Add(data[:len(data)-10])
	f.Add([]byte("{\"repair\":{},\"seal\":{\"number\":-1}}\n"))
	f.Fuzz(func(t *testing.T, data []byte) {
		var r repairRecord
		r.parse(data, keyring{}, 0)
		if len(data) > 0 && r.torn == 0 && len(r.list)+len(r.problems) == 0 {
			t.Fatal("a line was neither taken in nor named")
		}
	})
}

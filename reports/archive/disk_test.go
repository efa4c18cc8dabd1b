package archive

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"fullthrow/reports"
	"fullthrow/reports/recordtest"
)

// fullAt makes a step at the paths that match fail as on a full disk.
func fullAt(step string, match func(path string) bool) func(string, string) error {
	return func(s, path string) error {
		if s == step && match(filepath.ToSlash(path)) {
			return syscall.ENOSPC
		}
		return nil
	}
}

// wantsRoom checks that an error is of a full disk and says how much room is
// wanted in which folder.
func wantsRoom(t *testing.T, what string, err error, dir string) {
	t.Helper()
	var hint *reports.HintedError
	if !errors.Is(err, syscall.ENOSPC) || !errors.As(err, &hint) || !strings.Contains(hint.Hint, "MB of room for "+dir) {
		t.Errorf("%s: got %v (hint %+v), want a full disk, and how much room is wanted in %s", what, err, hint, dir)
	}
}

// Whichever step of sealing the disk refuses, nothing earlier is harmed and no
// pass appears. With room again the same run is sealed as it was; where the
// program ended instead, it is recovered as aborted.
func TestSealDiskFull(t *testing.T) {
	report := func(p string) bool { return strings.Contains(p, "/2026/11/26") }
	for _, step := range []string{"make", "write", "sync", "rename"} {
		for _, restart := range []bool{false, true} {
			t.Run(fmt.Sprintf("%s restart=%v", step, restart), func(t *testing.T) {
				dir := t.TempDir()
				a := openTest(t, dir)
				sealTest(t, a, "r1", recordtest.Events(reports.Passed))
				start := recordtest.Start("r2")
				j, err := a.Begin(start, recordtest.T0.AddDate(0, 0, 1)) // a day whose folder is not there yet
				if err != nil {
					t.Fatal(err)
				}
				appendAll(t, j, recordtest.Events(reports.Passed))
				a.disk.refuse = fullAt(step, report)
				for range 2 {
					_, err := j.Seal()
					wantsRoom(t, "seal", err, dir)
				}
				if len(a.Entries()) != 1 || a.Attempts(start.Unit.Product, start.Unit.SerialNumber) != 1 {
					t.Error("a run counts though it was not sealed")
				}
				v, err := Verify(dir)
				if err != nil || len(v.Problems) > 0 || v.Reports != 1 || len(v.Pending) != 1 {
					t.Errorf("full: verify %+v, %v; want the earlier report sound and one run pending", v, err)
				}
				a.disk.refuse = nil
				want := reports.Passed
				if restart {
					want = reports.Aborted
					a.Close()
					a = openTest(t, dir)
					if rec := a.Recovered(); len(rec) != 1 || rec[0].Report.Run != "r2" {
						t.Errorf("recovered %+v, want run r2", rec)
					}
				} else if _, err := j.Seal(); err != nil {
					t.Fatal(err)
				}
				s, err := a.Load("r2")
				if err != nil || s.Report.Outcome != want || s.Seal.Number != 2 || s.Report.Events != 8 {
					t.Errorf("sealed as %s, number %d, %d events (%v); want %s, 2, 8", s.Report.Outcome, s.Seal.Number, s.Report.Events, err, want)
				}
				if v, err := Verify(dir); err != nil || len(v.Problems) > 0 || v.Reports != 2 || len(v.Pending) > 0 {
					t.Errorf("verify %+v, %v", v, err)
				}
			})
		}
	}
}

// A full disk at the note of the newest report leaves the report sealed; the
// note follows with the next.
func TestChainDiskFull(t *testing.T) {
	for _, step := range []string{"make", "write", "sync", "rename"} {
		dir := t.TempDir()
		a := openTest(t, dir)
		sealTest(t, a, "r1", recordtest.Events(reports.Passed))
		a.disk.refuse = fullAt(step, func(p string) bool { return strings.HasSuffix(p, "/chain") || strings.Contains(p, dir+"/.tmp") })
		s := sealTest(t, a, "r2", recordtest.Events(reports.Failed))
		p := a.Problems()
		if s.Seal.Number != 2 || len(p) != 1 || p[0].File != "chain" || !strings.Contains(p[0].Hint, "the report itself is sealed") {
			t.Errorf("%s: number %d, problems %v", step, s.Seal.Number, p)
		}
		if v, err := Verify(dir); err != nil || len(v.Problems) > 0 {
			t.Errorf("%s: verify %+v, %v", step, v, err)
		}
		a.disk.refuse = nil
		sealTest(t, a, "r3", recordtest.Events(reports.Passed))
		if v, err := Verify(dir); err != nil || len(v.Problems) > 0 || v.Number != 3 {
			t.Errorf("%s: afterwards %+v, %v", step, v, err)
		}
	}
}

func TestAttachDiskFull(t *testing.T) {
	for _, step := range []string{"make", "write", "sync", "rename"} {
		dir := t.TempDir()
		a := openTest(t, dir)
		j := beginTest(t, a, "r1")
		a.disk.refuse = fullAt(step, func(p string) bool { return strings.Contains(p, "/attachments/") })
		_, _, err := j.Attach("csv", []byte("some data"))
		wantsRoom(t, step, err, dir)
		if names, _ := os.ReadDir(filepath.Join(dir, attachmentsDir)); len(names) > 0 {
			t.Errorf("%s: left %v", step, names)
		}
		a.disk.refuse = nil
		sum, size, err := j.Attach("csv", []byte("some data"))
		if err != nil || size != 9 {
			t.Errorf("%s: with room again: %v", step, err)
		}
		appendAll(t, j, []reports.Event{{Time: recordtest.T0, Kind: reports.CaptureKept, Capture: &reports.Capture{Check: "standby", Name: "c", Media: "text/csv", SHA256: sum, Size: size}}})
		appendAll(t, j, recordtest.Events(reports.Passed))
		if _, err := j.Seal(); err != nil {
			t.Fatal(err)
		}
		if v, err := Verify(dir); err != nil || len(v.Problems) > 0 || v.Attachments != 1 {
			t.Errorf("%s: verify %+v, %v", step, v, err)
		}
	}
}

// A run begins only where its report has room, keeps that room, and leaves
// nothing of it behind.
func TestRoomForReport(t *testing.T) {
	dir := t.TempDir()
	a := openTest(t, dir)
	room := filepath.Join(dir, journalDir, "r1.room")
	a.disk.refuse = fullAt("make", func(p string) bool { return strings.HasSuffix(p, ".room") })
	_, err := a.Begin(recordtest.Start("r1"), recordtest.T0)
	wantsRoom(t, "begin", err, dir)
	a.disk.refuse = nil
	j := beginTest(t, a, "r1")
	if info, err := os.Stat(room); err != nil || info.Size() < roomForReport {
		t.Errorf("no room was kept: %v", err)
	}
	appendAll(t, j, recordtest.Events(reports.Passed))
	if _, err := j.Seal(); err != nil {
		t.Fatal(err)
	}
	beginTest(t, a, "r2")
	a.Close()
	openTest(t, dir)
	if names, _ := filepath.Glob(filepath.Join(dir, journalDir, "*")); len(names) != 0 {
		t.Errorf("left behind: %v", names)
	}
}

func TestRoomHint(t *testing.T) {
	if got := roomHint("/data", 2_500_000, fmt.Errorf("x: %w", syscall.ENOSPC)); got != "the disk is full: make at least 3 MB of room for /data" {
		t.Errorf("got %q", got)
	}
	if got := roomHint("/data", 10, syscall.EIO); !strings.Contains(got, "look at the disk that holds /data") {
		t.Errorf("got %q", got)
	}
}

// The fallback where a system cannot allocate writes the room instead.
func TestFill(t *testing.T) {
	f, err := os.Create(filepath.Join(t.TempDir(), "f"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	if err := fill(f, 100_000); err != nil {
		t.Fatal(err)
	}
	data, _ := os.ReadFile(f.Name())
	if len(data) != 100_000 || bytes.ContainsFunc(data, func(r rune) bool { return r != 0 }) {
		t.Errorf("%d bytes", len(data))
	}
}

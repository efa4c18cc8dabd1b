package archive

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"fullthrow/reports"
	"fullthrow/reports/recordtest"
)

// A file system of 3 MB really fills up while a run is under way: the run ends
// as an error, sealed in the room it kept; no other begins; once there is room
// again everything goes on.
func TestReallyFullDisk(t *testing.T) {
	dir := t.TempDir()
	if err := syscall.Mount("tmpfs", dir, "tmpfs", 0, "size=3m"); err != nil {
		t.Skip("a small file system cannot be mounted here:", err)
	}
	t.Cleanup(func() { syscall.Unmount(dir, syscall.MNT_DETACH) })
	records := filepath.Join(dir, "records")
	a := openTest(t, records)
	defer a.Close()
	sealTest(t, a, "r1", recordtest.Events(reports.Passed))
	j := beginTest(t, a, "r2")
	appendAll(t, j, recordtest.Events(reports.Passed)[:4])
	if err := j.Sync(); err != nil {
		t.Fatal(err)
	}
	filler := filepath.Join(dir, "films")
	if err := os.WriteFile(filler, make([]byte, 8<<20), 0o644); err == nil {
		t.Fatal("3 MB held 8 MB")
	}
	_, _, err := j.Attach("wav", bytes.Repeat([]byte("sound"), 10_000))
	wantsRoom(t, "attach", err, records)
	var jerr error
	for i := 0; jerr == nil && i < 100; i++ {
		if jerr = j.Append(reports.Event{Time: recordtest.T0, Kind: reports.NoteMade, Text: strings.Repeat("n", 1000)}); jerr == nil {
			jerr = j.Sync()
		}
	}
	wantsRoom(t, "append", jerr, records)
	s, err := j.Seal()
	if err != nil || s.Report.Outcome != reports.Errored || s.Report.Reason.Code != reports.Unrecorded || !strings.Contains(s.Report.Reason.Text, "no space left") || !strings.Contains(s.Report.Reason.Hint, "MB of room") {
		t.Errorf("sealed as %s: %s (%s), %v; want error, no space left, how much is wanted", s.Report.Outcome, s.Report.Reason.Text, s.Report.Reason.Hint, err)
	}
	_, err = a.Begin(recordtest.Start("r3"), recordtest.T0)
	wantsRoom(t, "begin", err, records)
	if v, err := Verify(records); err != nil || len(v.Problems) > 0 || v.Outcomes[reports.Passed] != 1 || v.Outcomes[reports.Errored] != 1 || len(v.Pending) > 0 {
		t.Errorf("full: verify %+v, %v", v, err)
	}
	os.Remove(filler)
	if s := sealTest(t, a, "r4", recordtest.Events(reports.Passed)); s.Seal.Number != 3 || s.Report.Outcome != reports.Passed {
		t.Errorf("with room again: %+v", s.Seal)
	}
	if v, err := Verify(records); err != nil || len(v.Problems) > 0 || v.Number != 3 {
		t.Errorf("with room again: verify %+v, %v", v, err)
	}
}

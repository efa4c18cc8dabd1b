package archive

import (
	"bytes"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"fullthrow/reports"
	"fullthrow/reports/recordtest"
)

// aged waits until the system's clock has gone on far enough for the identity of
// the files in dir to count: no file that was just written is taken on trust.
func aged(t *testing.T, dir string) {
	t.Helper()
	files, err := Files(dir)
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range files {
		for {
			if _, ok := identify(filepath.Join(dir, filepath.FromSlash(f.Name)), time.Now()); ok {
				break
			}
			time.Sleep(50 * time.Millisecond)
		}
	}
}

// What was proved is not read again, what was written to is, with its time set
// back too; --all reads everything, and a checkpoint that was touched is none.
func TestVerifyFromACheckpoint(t *testing.T) {
	info, err := os.Lstat(".")
	if err != nil {
		t.Fatal(err)
	}
	if _, ok := identityOf(info); !ok {
		t.Skip("this system does not tell when a file was last changed: every file is read each time")
	}
	c := newTampered(t)
	o := VerifyOptions{Checkpoint: filepath.Join(t.TempDir(), "below", "checkpoint")}
	aged(t, c.dir)
	unread := func(o VerifyOptions, want int) *Verification {
		t.Helper()
		v, err := VerifyWith(t.Context(), c.dir, o)
		if err != nil || v.Unread != want {
			t.Errorf("%d not read again, %v; want %d", v.Unread, err, want)
		}
		return v
	}
	unread(o, 0)
	unread(o, 5)
	unread(VerifyOptions{Checkpoint: o.Checkpoint, All: true}, 0)
	c.work(6, 6)
	if v := unread(o, 5); v.Number != 6 || len(v.Problems) > 0 {
		t.Errorf("a report more: %d, %v", v.Number, v.Problems)
	}

	name := c.path(c.files[2])
	data, err := os.ReadFile(name)
	c.must(err)
	before, err := os.Stat(name)
	c.must(err)
	c.must(os.WriteFile(name, bytes.Replace(data, []byte(`"outcome":"passed"`), []byte(`"outcome":"failed"`), 1), 0o644))
	c.must(os.Chtimes(name, time.Time{}, before.ModTime()))
	for range 2 {
		if codes := c.verify(o); !slices.Contains(codes, ReportChanged) {
			t.Errorf("changed, its time set back: %v", codes)
		}
	}
	c.must(os.WriteFile(name, data, 0o644))
	c.must(os.Remove(c.path(c.files[5])))
	c.must(os.Remove(c.path("chain")))
	if codes := c.verify(o); !slices.Contains(codes, RolledBack) {
		t.Errorf("the newest removed: %v, want what the checkpoint has seen", codes)
	}
	mark, err := os.ReadFile(o.Checkpoint)
	c.must(err)
	c.must(os.WriteFile(o.Checkpoint, bytes.Replace(mark, []byte("passed"), []byte("failed"), 1), 0o644))
	unread(o, 0)
}

// BenchmarkVerify verifies small reports on all processors, and goes on from a
// checkpoint. FULLTHROW_VERIFY is how many there are (2000).
func BenchmarkVerify(b *testing.B) {
	n := 2000
	if s := os.Getenv("FULLTHROW_VERIFY"); s != "" {
		if _, err := fmt.Sscan(s, &n); err != nil {
			b.Fatal(err)
		}
	}
	dir := benchArchive(b, n)
	mark := filepath.Join(b.TempDir(), "checkpoint")
	run := func(b *testing.B, o VerifyOptions, unread int) {
		for b.Loop() {
			v, err := VerifyWith(b.Context(), dir, o)
			if err != nil || len(v.Problems) > 0 || v.Reports != n || v.Unread < unread {
				b.Fatalf("%d reports, %d unread, %v, %v", v.Reports, v.Unread, v.Problems, err)
			}
		}
		b.ReportMetric(b.Elapsed().Seconds()/float64(b.N)/float64(n)*1e6, "µs/report")
	}
	time.Sleep(racy)
	b.Run("all", func(b *testing.B) { run(b, VerifyOptions{Checkpoint: mark}, 0) })
	b.Run("checkpoint", func(b *testing.B) { run(b, VerifyOptions{Checkpoint: mark}, n) })
}

// benchArchive writes n sealed reports without waiting for the disk at each.
func benchArchive(b *testing.B, n int) string {
	b.Helper()
	dir := b.TempDir()
	if at := os.Getenv("FULLTHROW_VERIFY_DIR"); at != "" {
		dir = at
	}
	a, err := Open(dir, "LQ-1")
	if err != nil {
		b.Fatal(err)
	}
	defer a.Close()
	events := recordtest.Numbered(recordtest.Start("r"), recordtest.Full(reports.Passed)...)
	events = slices.DeleteFunc(events, func(e reports.Event) bool { return e.Kind == reports.CaptureKept })
	for i := range events {
		events[i].Seq = int64(i + 1)
	}
	r, err := reports.Fold(events)
	if err != nil {
		b.Fatal(err)
	}
	h := a.head
	for i := range n {
		r.Run, r.Started = fmt.Sprintf("r%07d", i), recordtest.T0.Add(time.Duration(i)*time.Minute)
		raw, err := json.Marshal(r)
		if err != nil {
			b.Fatal(err)
		}
		s, data, err := seal(raw, h.Number+1, h.Hash, a.key)
		if err != nil {
			b.Fatal(err)
		}
		h = head{Number: s.Number, Hash: s.SHA256, File: r.Started.UTC().Format("2006/01/02/") + r.Run + ".json"}
		name := filepath.Join(dir, filepath.FromSlash(h.File))
		if err := os.MkdirAll(filepath.Dir(name), 0o755); err != nil {
			b.Fatal(err)
		}
		if err := os.WriteFile(name, data, 0o644); err != nil {
			b.Fatal(err)
		}
	}
	if err := a.writeHead(h); err != nil {
		b.Fatal(err)
	}
	return dir
}

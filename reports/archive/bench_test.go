package archive

import (
	"encoding/json"
	"fmt"
	"os"
	"path"
	"path/filepath"
	"strconv"
	"testing"
	"time"

	"fullthrow/reports"
	"fullthrow/reports/recordtest"
)

// BenchmarkFsync is what the disk itself takes to make one line last: the
// yardstick for BenchmarkAppend.
func BenchmarkFsync(b *testing.B) {
	f, err := os.OpenFile(filepath.Join(b.TempDir(), "f"), os.O_WRONLY|os.O_APPEND|os.O_CREATE, 0o644)
	if err != nil {
		b.Fatal(err)
	}
	defer f.Close()
	line := make([]byte, 300)
	for b.Loop() {
		f.Write(line)
		if err := f.Sync(); err != nil {
			b.Fatal(err)
		}
	}
}

// BenchmarkAppend takes down events: one at a time, each waited for, and in
// bursts as a plan makes them. ns/op is per event until it lasts; syncs/event
// is the ratio to the disk's own rate.
func BenchmarkAppend(b *testing.B) {
	for _, burst := range []int{1, 10, 100, 1000} {
		b.Run(fmt.Sprint("burst=", burst), func(b *testing.B) {
			a := openTest(b, b.TempDir())
			count := &countFile{}
			create := a.create
			a.create = func(path string) (f journalFile, err error) {
				count.journalFile, err = create(path)
				return count, err
			}
			j := beginTest(b, a, "r1")
			e := recordtest.Events(reports.Passed)[2]
			n := 0
			count.syncs = 0
			for b.Loop() {
				if err := j.Append(e); err != nil {
					b.Fatal(err)
				}
				if n++; n%burst == 0 {
					if err := j.Sync(); err != nil {
						b.Fatal(err)
					}
				}
			}
			if err := j.Sync(); err != nil {
				b.Fatal(err)
			}
			b.ReportMetric(float64(count.syncs)/float64(n), "syncs/event")
		})
	}
}

type countFile struct {
	journalFile
	syncs int
}

func (f *countFile) Sync() error { f.syncs++; return f.journalFile.Sync() }

// BenchmarkRun is a whole run of ten checks, from Begin to Seal.
func BenchmarkRun(b *testing.B) {
	a := openTest(b, b.TempDir())
	events := recordtest.Full(reports.Passed)
	n := 0
	for b.Loop() {
		n++
		s := sealTest(b, a, fmt.Sprint("r", n), events)
		b.ReportMetric(float64(len(s.Raw)), "bytes/report")
	}
}

// BenchmarkSeal is the seal alone: fold, hash, sign, report and chain on disk.
func BenchmarkSeal(b *testing.B) {
	a := openTest(b, b.TempDir())
	r, err := reports.Fold(recordtest.Numbered(recordtest.Start("r"), recordtest.Full(reports.Passed)...))
	if err != nil {
		b.Fatal(err)
	}
	n := 0
	for b.Loop() {
		n++
		r.Run = fmt.Sprint("r", n)
		if _, err := a.seal(r); err != nil {
			b.Fatal(err)
		}
	}
}

// BenchmarkOpen opens an archive of 1000 reports, and verifies it.
func BenchmarkOpen(b *testing.B) {
	dir := b.TempDir()
	a := openTest(b, dir)
	r, err := reports.Fold(recordtest.Numbered(recordtest.Start("r"), recordtest.Full(reports.Passed)...))
	if err != nil {
		b.Fatal(err)
	}
	r.Captures = nil // their files are not there
	for i := range 1000 {
		r.Run = fmt.Sprint("r", i)
		if _, err := a.seal(r); err != nil {
			b.Fatal(err)
		}
	}
	a.Close()
	b.Run("open", func(b *testing.B) {
		for b.Loop() {
			a, err := Open(dir, "LQ-1")
			if err != nil {
				b.Fatal(err)
			}
			a.Close()
		}
	})
	b.Run("verify", func(b *testing.B) {
		for b.Loop() {
			if v, err := Verify(dir); err != nil || len(v.Problems) > 0 {
				b.Fatal(len(v.Problems), err)
			}
		}
	})
}

// BenchmarkStart opens archives of 1,000 reports and of many (FULLTHROW_MANY,
// 20,000): a station's start takes as long in both. With FULLTHROW_MANY_DIR the
// large one is made, or found, there and kept.
func BenchmarkStart(b *testing.B) {
	many, _ := strconv.Atoi(os.Getenv("FULLTHROW_MANY"))
	if many == 0 {
		many = 20000
	}
	for _, n := range []int{1000, many} {
		dir := os.Getenv("FULLTHROW_MANY_DIR")
		if dir == "" || n == 1000 {
			dir = b.TempDir()
		}
		if _, ok := Find(dir); !ok {
			fillArchive(b, dir, n)
		}
		b.Run(fmt.Sprint(n), func(b *testing.B) {
			for b.Loop() {
				a, err := Open(dir, "LQ-1")
				if err != nil || a.whole {
					b.Fatal(err, "it read all reports")
				}
				a.Close()
			}
		})
	}
}

// fillArchive makes an archive of n small reports, 2,000 a day, without waiting for the disk.
func fillArchive(b *testing.B, dir string, n int) {
	a := openTest(b, dir)
	defer a.Close()
	r, err := reports.Fold(recordtest.Numbered(recordtest.Start("r"), recordtest.Events(reports.Passed)...))
	if err != nil {
		b.Fatal(err)
	}
	r.Captures = nil // their files are not there
	const perDay = 2000
	took := r.Ended.Sub(r.Started)
	first := recordtest.T0.AddDate(0, 0, -n/perDay).Truncate(24 * time.Hour)
	for i := range n {
		r.Started = first.AddDate(0, 0, i/perDay).Add(time.Duration(i%perDay) * 40 * time.Second)
		r.Ended = r.Started.Add(took)
		r.Run = reports.NewRunID(r.Started, "LQ-1", "A")
		r.Unit.SerialNumber = fmt.Sprintf("K8-%07d", i)
		raw, err := json.Marshal(r)
		if err != nil {
			b.Fatal(err)
		}
		s, data, err := seal(raw, a.head.Number+1, a.head.Hash, a.key)
		if err != nil {
			b.Fatal(err)
		}
		name := path.Join(r.Started.Format("2006/01/02"), r.Run+".json")
		full := filepath.Join(dir, filepath.FromSlash(name))
		if i%perDay == 0 {
			if err := os.MkdirAll(filepath.Dir(full), 0o755); err != nil {
				b.Fatal(err)
			}
		}
		if err := os.WriteFile(full, data, 0o644); err != nil {
			b.Fatal(err)
		}
		a.head = head{Number: s.Number, Hash: s.SHA256, File: name}
	}
	if _, err := reportChain.write(dir, a.disk, a.head, a.key); err != nil {
		b.Fatal(err)
	}
}

package store

import (
	"context"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"fullthrow/reports"
	"fullthrow/reports/archive"
)

// fsyncs is how many appends of one block a second the disk makes last.
func fsyncs(b *testing.B, dir string) float64 {
	b.Helper()
	f, err := os.Create(filepath.Join(dir, "fsync"))
	require.NoError(b, err)
	defer os.Remove(f.Name())
	defer f.Close()
	block := make([]byte, 4096)
	const n = 200
	began := time.Now()
	for range n {
		_, err := f.Write(block)
		require.NoError(b, err)
		require.NoError(b, f.Sync())
	}
	return n / time.Since(began).Seconds()
}

// benchReport is a run as the stock plan makes them: 10 checks, 83 readings.
// Its hash is made up: what is measured is the index.
func benchReport(r *rand.Rand, n int, at time.Time) archive.Sealed {
	p := simple("LQ-1", fmt.Sprintf("%s-LQ1-A-%07d", at.Format("20060102T150405.000"), n), fmt.Sprintf("K8-%07d", n), at, 1, 5)
	p.Events = 200
	p.Operator, p.Unit.Lot = []string{"Ines", "Tom", "Ana"}[at.Hour()/8], fmt.Sprint("L", n/16000)
	p.Checks = nil
	for c := range 10 {
		check := reports.Check{Name: fmt.Sprint("check", c), Part: "part", Verdict: reports.Pass}
		for k := range 8 + c/7 {
			check.Readings = append(check.Readings, reports.Reading{
				Check: check.Name, Name: fmt.Sprint("reading", k), Value: reports.Number(r.NormFloat64()), Unit: "V",
				Limit: &reports.Limit{Lower: ptr(-9), Upper: ptr(9)}, Verdict: reports.Pass,
			})
		}
		p.Checks = append(p.Checks, check)
	}
	return archive.Sealed{Report: p, Seal: archive.Seal{Number: int64(n + 1), SHA256: fmt.Sprintf("%064d", n), Key: "bench"}}
}

func openBench(b *testing.B, dir string) *Index {
	b.Helper()
	ix, err := OpenIndex(context.Background(), dir, IndexOptions{Defer: true})
	require.NoError(b, err)
	b.Cleanup(func() { ix.Close() })
	return ix
}

// BenchmarkAdd is how many reports a second last, one at a time and many,
// beside the disk's own rate in the same run.
func BenchmarkAdd(b *testing.B) {
	for _, batch := range []int{1, 16, 256} {
		b.Run(fmt.Sprint("batch=", batch), func(b *testing.B) {
			dir := b.TempDir()
			ix := openBench(b, dir)
			r := rand.New(rand.NewPCG(1, 1))
			rate := fsyncs(b, dir)
			n := 0
			for b.Loop() {
				items := make([]Item, batch)
				for i := range items {
					items[i] = Item{Sealed: benchReport(r, n, start.Add(time.Duration(n)*30*time.Second))}
					n++
				}
				_, err := ix.Add(context.Background(), items...)
				require.NoError(b, err)
			}
			adds := float64(b.N) / b.Elapsed().Seconds()
			b.ReportMetric(adds*float64(batch), "reports/s")
			b.ReportMetric(rate, "fsyncs/s")
			b.ReportMetric(adds/rate, "adds/fsync")
		})
	}
}

// bigStore opens the store of a million units, if there is one.
func bigStore(b *testing.B) *Index {
	b.Helper()
	dir := os.Getenv("FULLTHROW_BIG")
	if dir == "" {
		b.Skip("FULLTHROW_BIG names no directory with an index of a million units: fill one by Add with invented runs " +
			"(1 M units over 12 months, 4 stations, 60 lots, some 80 readings each) and name its directory")
	}
	_, err := os.Stat(filepath.Join(dir, IndexFile))
	require.NoError(b, err, "FULLTHROW_BIG")
	return openBench(b, dir)
}

// BenchmarkAddFlat is what one more report costs a store of 10,000 units and
// one of a million (a copy of FULLTHROW_BIG), taken in turns.
func BenchmarkAddFlat(b *testing.B) {
	ctx := context.Background()
	big := bigStore(b)
	require.NoError(b, big.Close())
	dir := b.TempDir()
	data, err := os.Open(filepath.Join(big.Dir(), IndexFile))
	require.NoError(b, err)
	defer data.Close()
	file, err := os.Create(filepath.Join(dir, IndexFile))
	require.NoError(b, err)
	_, err = io.Copy(file, data)
	require.NoError(b, err)
	require.NoError(b, file.Sync())
	require.NoError(b, file.Close())
	stores := []*Index{openBench(b, b.TempDir()), openBench(b, dir)}
	r := rand.New(rand.NewPCG(1, 1))
	n := 0
	for n < 10_000 {
		var items []Item
		for range 250 {
			items = append(items, Item{Sealed: benchReport(r, n, start.Add(time.Duration(n)*30*time.Second))})
			n++
		}
		_, err := stores[0].Add(ctx, items...)
		require.NoError(b, err)
	}
	var took [2][]time.Duration
	for b.Loop() {
		item := Item{Sealed: benchReport(r, n, start.AddDate(1, 0, 0).Add(time.Duration(n)*30*time.Second))}
		n++
		for i, ix := range stores {
			began := time.Now()
			_, err := ix.Add(ctx, item)
			took[i] = append(took[i], time.Since(began))
			require.NoError(b, err)
		}
	}
	for i := range took {
		slices.Sort(took[i])
	}
	small, large := took[0][len(took[0])/2], took[1][len(took[1])/2]
	b.ReportMetric(float64(small.Microseconds()), "p50-us-at-10k")
	b.ReportMetric(float64(large.Microseconds()), "p50-us-at-1M")
	b.ReportMetric(float64(large)/float64(small), "1M/10k")
}

// BenchmarkMillion asks a store of a million units what the pages ask.
func BenchmarkMillion(b *testing.B) {
	ctx := context.Background()
	ix := bigStore(b)
	lots, err := ix.Values(ctx, ByLot)
	require.NoError(b, err)
	newest, err := ix.Runs(ctx, Selection{}, RunFilter{}, "", 1)
	require.NoError(b, err)
	readings, err := ix.Readings(ctx, "")
	require.NoError(b, err)
	zone, err := time.LoadLocation("Europe/Berlin")
	require.NoError(b, err)
	end := newest[0].Started
	selections := []struct {
		name string
		make func(n int) Selection
	}{
		{"all", func(n int) Selection { return Selection{Zone: zone} }},
		{"30 days", func(n int) Selection {
			until := end.AddDate(0, 0, -5*(n%60))
			return Selection{Zone: zone, Since: time.Date(until.Year(), until.Month(), until.Day()-30, 0, 0, 0, 0, zone), Until: until}
		}},
		{"lot", func(n int) Selection { return Selection{Zone: zone, Lot: lots[n%len(lots)]} }},
	}
	run := ""
	for _, q := range []struct {
		name string
		ask  func(s Selection, n int) error
	}{
		{"counts", func(s Selection, n int) error { _, err := ix.Counts(ctx, s); return err }},
		{"trend by day", func(s Selection, n int) error { _, err := ix.Trend(ctx, s, ByDay); return err }},
		{"trend by hour", func(s Selection, n int) error { _, err := ix.Trend(ctx, s, ByHour); return err }},
		{"trend by station", func(s Selection, n int) error { _, err := ix.Trend(ctx, s, ByStation); return err }},
		{"failures", func(s Selection, n int) error {
			_, err := ix.Failures(ctx, s, []FailureKind{ByCheck, ByReading, ByCause}[n%3])
			return err
		}},
		{"checks", func(s Selection, n int) error { _, err := ix.Checks(ctx, s); return err }},
		{"cycle", func(s Selection, n int) error { _, err := ix.Cycle(ctx, s); return err }},
		{"moments", func(s Selection, n int) error { _, err := ix.Moments(ctx, s); return err }},
		{"series of 10000", func(s Selection, n int) error {
			_, err := ix.Series(ctx, s, readings[n%len(readings)], true, 10000)
			return err
		}},
		{"runs page 1", func(s Selection, n int) error { _, err := ix.Runs(ctx, s, RunFilter{}, "", 50); return err }},
		{"runs failed", func(s Selection, n int) error {
			_, err := ix.Runs(ctx, s, RunFilter{Outcome: reports.Failed, First: true}, "", 50)
			return err
		}},
		{"runs by reading", func(s Selection, n int) error {
			_, err := ix.Runs(ctx, s, RunFilter{Reading: readings[n%len(readings)]}, "", 50)
			return err
		}},
		{"golden series", func(s Selection, n int) error {
			_, err := ix.GoldenSeries(ctx, s, readings[n%len(readings)], 1000)
			return err
		}},
		{"repairs", func(s Selection, n int) error { _, err := ix.Repairs(ctx, s, 50); return err }},
		{"values", func(s Selection, n int) error { _, err := ix.Values(ctx, ByOperator); return err }},
		{"history", func(s Selection, n int) error {
			_, _, err := ix.History(ctx, "", fmt.Sprintf("K8-%07d", n*7919%1000000))
			return err
		}},
		{"runs next page", func(s Selection, n int) error {
			list, err := ix.Runs(ctx, s, RunFilter{}, run, 50)
			if run = ""; len(list) == 50 {
				run = list[49].Run
			}
			return err
		}},
	} {
		for _, s := range selections {
			b.Run(q.name+"/"+s.name, func(b *testing.B) {
				run = ""
				require.NoError(b, q.ask(s.make(0), 0)) // warm
				var took []time.Duration
				for n := 0; b.Loop(); n++ {
					began := time.Now()
					require.NoError(b, q.ask(s.make(n), n))
					took = append(took, time.Since(began))
				}
				slices.Sort(took)
				var mem runtime.MemStats
				runtime.ReadMemStats(&mem)
				b.ReportMetric(float64(took[len(took)/2].Microseconds())/1000, "p50-ms")
				b.ReportMetric(float64(took[len(took)*95/100].Microseconds())/1000, "p95-ms")
				b.ReportMetric(float64(mem.HeapSys)/(1<<20), "heap-MiB")
			})
		}
	}
}

// BenchmarkReconcile is what a report costs when the index is made from the
// files, and when nothing has changed.
func BenchmarkReconcile(b *testing.B) {
	const files = 2000
	dir := b.TempDir()
	lq := newStation("LQ-1")
	r := rand.New(rand.NewPCG(1, 1))
	for n := range files {
		put(b, dir, lq.seal(b, benchReport(r, n, start.Add(time.Duration(n)*time.Minute)).Report))
	}
	ix := openBench(b, dir)
	b.Run("rebuild", func(b *testing.B) {
		for b.Loop() {
			done, err := ix.Rebuild(context.Background(), nil)
			require.NoError(b, err)
			require.Equal(b, files, done.Added)
		}
		b.ReportMetric(float64(b.Elapsed().Microseconds())/float64(b.N)/files, "us/report")
	})
	b.Run("unchanged", func(b *testing.B) {
		for b.Loop() {
			done, err := ix.Reconcile(context.Background())
			require.NoError(b, err)
			require.Zero(b, done.Read)
		}
		b.ReportMetric(float64(b.Elapsed().Microseconds())/float64(b.N)/files, "us/report")
	})
}

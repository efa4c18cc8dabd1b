//go:build drill

package drill

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"fullthrow/reports"
	"fullthrow/reports/archive"
	"fullthrow/reports/recordtest"
	"fullthrow/reports/review"
	"fullthrow/reports/store"
)

// rotRuns are the runs of the archive that rots.
const rotRuns = 60

// rotting is an archive with its index, what every question about it is answered
// with, and an older copy of the index.
type rotting struct {
	dir    string
	older  []byte // of the index, from before a report was found changed
	right  map[string][]string
	files  []string // of the reports, but the one that was changed
	bad    string   // the file of that
	serial string
}

// rotQuestions are asked, by a name; each is opened for anew, as a command does it.
func rotQuestions(serial string) map[string]func(ctx context.Context, r *review.Review) (any, error) {
	ask := func(name string, options map[string]string, f func(r *review.Review, ctx context.Context,
		q review.Question) (any, error)) func(ctx context.Context, r *review.Review) (any, error) {
		return func(ctx context.Context, r *review.Review) (any, error) {
			q, err := r.Parse(name, options)
			if err != nil {
				return nil, err
			}
			return f(r, ctx, q)
		}
	}
	all := map[string]string{"period": "all"}
	return map[string]func(ctx context.Context, r *review.Review) (any, error){
		"today": ask(review.AskToday, all, func(r *review.Review, ctx context.Context, q review.Question) (any, error) {
			return r.Today(ctx, q)
		}),
		"fails": ask(review.AskFails, all, func(r *review.Review, ctx context.Context, q review.Question) (any, error) {
			return r.Fails(ctx, q)
		}),
		"drift": ask(review.AskDrift, map[string]string{"period": "all", "reading": "standby.current"},
			func(r *review.Review, ctx context.Context, q review.Question) (any, error) { return r.Drift(ctx, q) }),
		"hold": ask(review.AskHold, all, func(r *review.Review, ctx context.Context, q review.Question) (any, error) {
			return r.Hold(ctx, q)
		}),
		"differs": ask(review.AskDiffers, map[string]string{"period": "all", "by": "nest"},
			func(r *review.Review, ctx context.Context, q review.Question) (any, error) { return r.Differs(ctx, q) }),
		"unit": ask(review.AskUnit, map[string]string{"serial": serial},
			func(r *review.Review, ctx context.Context, q review.Question) (any, error) { return r.Unit(ctx, q) }),
		"runs": func(ctx context.Context, r *review.Review) (any, error) {
			return r.Records.Runs(ctx, store.Selection{}, store.RunFilter{}, "", 1000)
		},
	}
}

// askRotting asks as a command does: what is damaged is made anew, and asked again.
func askRotting(dir string, ask func(ctx context.Context, r *review.Review) (any, error)) (answer string, told bool,
	err error) {
	ctx := context.Background()
	once := func() (string, bool, error) {
		ix, err := store.OpenIndex(ctx, dir, store.IndexOptions{})
		if err != nil {
			return "", false, err
		}
		defer ix.Close()
		a, err := ask(ctx, &review.Review{Records: ix, Where: "records", Now: func() time.Time {
			return recordtest.T0.AddDate(0, 0, 30)
		}})
		if err != nil {
			return "", len(ix.Notes()) > 0, err
		}
		text, err := json.Marshal(a)
		return string(text), len(ix.Notes()) > 0, err
	}
	answer, told, err = once()
	if errors.Is(err, store.ErrDamaged) {
		answer, _, err = once()
		told = true
	}
	return answer, told, err
}

var rotArchive = sync.OnceValues(func() (*rotting, error) {
	dir, err := os.MkdirTemp("", "drill")
	if err != nil {
		return nil, err
	}
	w := &rotting{dir: dir, right: map[string][]string{}, serial: "K8-0003"}
	a, err := archive.Open(dir, "LQ-1")
	if err != nil {
		return nil, err
	}
	for i := range rotRuns {
		at := recordtest.T0.Add(time.Duration(i) * 7 * time.Hour)
		start := recordtest.Start(reports.NewRunID(at, "LQ-1", "A"))
		start.Unit.SerialNumber, start.Nest = fmt.Sprintf("K8-%04d", i*2/3), []string{"A", "B"}[i%2]
		j, err := a.Begin(start, at)
		if err != nil {
			return nil, err
		}
		for _, e := range recordtest.Events([]reports.Outcome{reports.Passed, reports.Failed}[min(i%5, 1)^1]) {
			e.Time = e.Time.Add(at.Sub(recordtest.T0))
			if err := j.Append(e); err != nil {
				return nil, err
			}
		}
		s, err := j.Seal()
		if err != nil {
			return nil, err
		}
		w.files = append(w.files, s.File)
	}
	if err := a.Close(); err != nil {
		return nil, err
	}
	prove := func() error {
		ix, err := store.OpenIndex(context.Background(), dir, store.IndexOptions{})
		if err != nil {
			return err
		}
		_, err = ix.Prove(context.Background(), nil)
		return errors.Join(err, ix.Close())
	}
	if err := prove(); err != nil {
		return nil, err
	}
	if w.older, err = os.ReadFile(filepath.Join(dir, store.IndexFile)); err != nil {
		return nil, err
	}
	// One report is changed without a trace in size and time: only verify finds it.
	w.bad, w.files = w.files[20], slices.Delete(w.files, 20, 21)
	if err := flipInFile(filepath.Join(dir, w.bad), 300, 1); err != nil {
		return nil, err
	}
	if err := prove(); err != nil {
		return nil, err
	}
	anew, err := os.MkdirTemp("", "drill")
	if err != nil {
		return nil, err
	}
	defer os.RemoveAll(anew)
	if err := copyKeeping(dir, anew); err != nil {
		return nil, err
	}
	if err := os.Remove(filepath.Join(anew, store.IndexFile)); err != nil {
		return nil, err
	}
	// An index made anew cannot tell whose the changed report was.
	for _, at := range []string{dir, anew} {
		for name, ask := range rotQuestions(w.serial) {
			answer, _, err := askRotting(at, ask)
			if err != nil {
				return nil, fmt.Errorf("%s: %w", name, err)
			}
			w.right[name] = append(w.right[name], answer)
		}
	}
	if !strings.Contains(w.right["today"][0], w.bad) {
		return nil, errors.New("the changed report was not found")
	}
	return w, nil
})

// flipInFile turns bits of one byte over and keeps size and time.
func flipInFile(file string, at int, bits byte) error {
	info, err := os.Stat(file)
	if err != nil {
		return err
	}
	data, err := os.ReadFile(file)
	if err != nil {
		return err
	}
	data[at] ^= bits
	return errors.Join(os.WriteFile(file, data, 0o644), os.Chtimes(file, info.ModTime(), info.ModTime()))
}

// copyKeeping copies a folder with the times of its files and folders.
func copyKeeping(from, to string) error {
	if out, err := exec.Command("cp", "-a", from+"/.", to).CombinedOutput(); err != nil {
		return fmt.Errorf("%w: %s", err, out)
	}
	return nil
}

const rotPage = 8192

// rotKinds damage the file of an index.
func (w *rotting) rotKinds() map[string]func(c *trial, file string) error {
	edit := func(f func(c *trial, data []byte) []byte) func(c *trial, file string) error {
		return func(c *trial, file string) error {
			data, err := os.ReadFile(file)
			if err != nil {
				return err
			}
			return os.WriteFile(file, f(c, data), 0o644)
		}
	}
	noise := func(c *trial, data []byte) {
		for i := range data {
			data[i] = byte(c.Rand.Uint32())
		}
	}
	page := func(c *trial, data []byte) []byte {
		n := c.Rand.IntN(len(data) / rotPage)
		return data[n*rotPage : (n+1)*rotPage]
	}
	return map[string]func(c *trial, file string) error{
		"bits turned over": edit(func(c *trial, data []byte) []byte {
			for range 1 << c.Rand.IntN(7) {
				data[c.Rand.IntN(len(data))] ^= 1 << c.Rand.IntN(8)
			}
			return data
		}),
		"one bit turned over": edit(func(c *trial, data []byte) []byte {
			data[c.Rand.IntN(len(data))] ^= 1 << c.Rand.IntN(8)
			return data
		}),
		"a page zeroed":   edit(func(c *trial, data []byte) []byte { clear(page(c, data)); return data }),
		"a page of noise": edit(func(c *trial, data []byte) []byte { noise(c, page(c, data)); return data }),
		"cut short":       edit(func(c *trial, data []byte) []byte { return data[:c.Rand.IntN(len(data))] }),
		"pages swapped": edit(func(c *trial, data []byte) []byte {
			a, b := page(c, data), page(c, data)
			kept := slices.Clone(a)
			copy(a, b)
			copy(b, kept)
			return data
		}),
		"an older copy put back": func(_ *trial, file string) error { return os.WriteFile(file, w.older, 0o644) },
		"garbage in files beside it": func(c *trial, file string) error {
			data := make([]byte, 1+c.Rand.IntN(100000))
			noise(c, data)
			if c.Rand.IntN(2) == 0 {
				copy(data, "\xd9\xd5\x05\xf9\x20\xa1\x63\xd7")
			}
			return os.WriteFile(file+[]string{"-journal", "-wal", "-shm"}[c.Rand.IntN(3)], data, 0o644)
		},
	}
}

// An index rots on its disk, in every way that disks and people have; every
// question is answered as before, or the damage is told and the answer is made from
// the reports.
func TestDrillRot(t *testing.T) {
	campaign(t, "the index's file rots: bits, pages, length, an older copy, garbage beside it; then every question is "+
		"asked", func(c *trial) {
		for _, n := range []string{"right, damage not met", "right, damage told and mended", "an error that names it"} {
			c.Add(n, 0)
		}
		w, err := rotArchive()
		if err != nil {
			c.Fatal(err)
		}
		if err := copyKeeping(w.dir, c.Dir); err != nil {
			c.Fatal(err)
		}
		kinds := w.rotKinds()
		names := slices.Sorted(maps.Keys(kinds))
		kind := names[c.Rand.IntN(len(names))]
		if err := kinds[kind](c, filepath.Join(c.Dir, store.IndexFile)); err != nil {
			c.Fatal(err)
		}
		c.Count(kind)
		met := false
		questions := rotQuestions(w.serial)
		order := slices.Sorted(maps.Keys(questions))
		c.Rand.Shuffle(len(order), func(i, j int) { order[i], order[j] = order[j], order[i] })
		for _, name := range order {
			answer, told, err := askRotting(c.Dir, questions[name])
			met = met || told
			switch {
			case err != nil && strings.Contains(err.Error(), "index"):
				c.Count("an error that names it")
				c.Logf("seed %d, %s, %s: %v", c.Seed, kind, name, err)
			case err != nil:
				c.Wrong("%s, %s: an error that names nothing: %v", kind, name, err)
			case !slices.Contains(w.right[name], answer):
				c.Wrong("%s, %s: silently wrong:\n%s\nrather than\n%s", kind, name, answer,
					strings.Join(w.right[name], "\nor\n"))
			}
		}
		if met {
			c.Count("right, damage told and mended")
		} else {
			c.Count("right, damage not met")
		}
	})
}

// Sealed reports rot on their disk; verify names each, it is not counted, and every
// other stays as good as it was.
func TestDrillRotReports(t *testing.T) {
	campaign(t, "sealed reports rot: bits, noise, zeros, length; then they are verified and counted", func(c *trial) {
		c.Add("rotten reports named", 0)
		w, err := rotArchive()
		if err != nil {
			c.Fatal(err)
		}
		if err := copyKeeping(w.dir, c.Dir); err != nil {
			c.Fatal(err)
		}
		rotten := map[string]bool{w.bad: true}
		for range 1 + c.Rand.IntN(3) {
			name := w.files[c.Rand.IntN(len(w.files))]
			if rotten[name] {
				continue
			}
			rotten[name] = true
			file := filepath.Join(c.Dir, name)
			info, err := os.Stat(file)
			if err != nil {
				c.Fatal(err)
			}
			data, err := os.ReadFile(file)
			if err != nil {
				c.Fatal(err)
			}
			at := c.Rand.IntN(len(data))
			part := data[at:min(len(data), at+1+c.Rand.IntN(200))]
			switch c.Rand.IntN(4) {
			case 0:
				data[at] ^= 1 << c.Rand.IntN(8)
			case 1:
				part[0] ^= 0x55
				for i := range part[1:] {
					part[i+1] = byte(c.Rand.Uint32())
				}
			case 2:
				clear(part)
			case 3:
				data = data[:at]
			}
			if err := os.WriteFile(file, data, 0o644); err != nil {
				c.Fatal(err)
			}
			if c.Rand.IntN(2) == 0 { // without a trace
				os.Chtimes(file, info.ModTime(), info.ModTime())
			}
		}
		v, err := archive.Verify(c.Dir)
		if err != nil {
			c.Wrong("verify: %v", err)
			return
		}
		named := map[string]bool{}
		for _, p := range v.Problems {
			named[p.File] = true
		}
		for f := range rotten {
			if !named[f] {
				c.Wrong("verify does not name %s", f)
			}
		}
		ix, err := store.OpenIndex(c.Context(), c.Dir, store.IndexOptions{})
		if err != nil {
			c.Wrong("index: %v", err)
			return
		}
		defer ix.Close()
		if _, err := ix.Prove(c.Context(), nil); err != nil {
			c.Wrong("index: %v", err)
			return
		}
		runs, err := ix.Runs(c.Context(), store.Selection{}, store.RunFilter{}, "", 1000)
		if err != nil {
			c.Wrong("runs: %v", err)
			return
		}
		for _, r := range runs {
			switch {
			case rotten[r.File] && r.Flag == "":
				c.Wrong("%s is rotten and counts", r.File)
			case !rotten[r.File] && r.Flag != "":
				c.Wrong("%s is good and accused: %s", r.File, r.Flag)
			case !rotten[r.File]:
				if s, err := ix.Report(c.Context(), r.Run); err != nil || s.Seal.SHA256 != r.SHA256 {
					c.Wrong("%s cannot be read: %v", r.File, err)
				}
			}
		}
		if got, err := ix.Counts(c.Context(), store.Selection{}); err != nil || got.Runs != int64(rotRuns-len(rotten)) {
			c.Wrong("%d runs are counted of %d with %d rotten: %v", got.Runs, rotRuns, len(rotten), err)
		}
		c.Add("rotten reports named", len(rotten)-1)
	})
}

package store

import (
	"encoding/json"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"fullthrow/reports/archive"
)

// ended shuts a shop's index and gives what its file holds.
func (s *shop) ended(t *testing.T) (file string, data []byte) {
	t.Helper()
	ix, err := OpenIndex(t.Context(), s.dir, IndexOptions{})
	require.NoError(t, err)
	_, err = ix.Prove(t.Context(), nil)
	require.NoError(t, err)
	require.NoError(t, ix.Close())
	file = filepath.Join(s.dir, IndexFile)
	data, err = os.ReadFile(file)
	require.NoError(t, err)
	return file, data
}

// asked is what a few questions are answered with, that read most of the file.
func asked(t *testing.T, ix *Index) (string, error) {
	t.Helper()
	c, err1 := ix.Counts(t.Context(), Selection{})
	m, err2 := ix.Moments(t.Context(), Selection{})
	r, err3 := ix.Runs(t.Context(), Selection{}, RunFilter{}, "", 100)
	f, err4 := ix.Flags(t.Context(), Selection{})
	text, err := json.Marshal([]any{c, m, r, f})
	return string(text), errors.Join(err1, err2, err3, err4, err)
}

// Whatever bit of the index turns over, the answer is the right one or an error that
// says that the index is damaged; opened again, it is right.
func TestNoRotIsSilent(t *testing.T) {
	s := newShop(t, 6)
	file, sound := s.ended(t)
	ix, err := OpenIndex(t.Context(), s.dir, IndexOptions{})
	require.NoError(t, err)
	right, err := asked(t, ix)
	require.NoError(t, err)
	require.NoError(t, ix.Close())
	rnd := rand.New(rand.NewPCG(7, 7))
	met := 0
	for try := range 60 {
		bad := append([]byte(nil), sound...)
		a, b := rnd.IntN(len(bad)/pageSize)*pageSize, rnd.IntN(len(bad)/pageSize)*pageSize
		switch try % 4 {
		case 0:
			bad[rnd.IntN(len(bad))] ^= 1 << rnd.IntN(8)
		case 1:
			clear(bad[a : a+pageSize])
		case 2:
			copy(bad[a:a+pageSize], sound[b:b+pageSize])
			copy(bad[b:b+pageSize], sound[a:a+pageSize])
		case 3:
			bad = bad[:rnd.IntN(len(bad))]
		}
		require.NoError(t, os.WriteFile(file, bad, 0o644))
		os.Remove(file + ".damaged")
		ix, err := OpenIndex(t.Context(), s.dir, IndexOptions{})
		require.NoError(t, err, "try %d", try)
		answer, err := asked(t, ix)
		told := len(ix.Notes()) > 0
		require.NoError(t, ix.Close())
		if err != nil {
			require.ErrorIs(t, err, ErrDamaged, "try %d", try)
			ix, err = OpenIndex(t.Context(), s.dir, IndexOptions{})
			require.NoError(t, err)
			told = len(ix.Notes()) == 1
			require.True(t, told)
			answer, err = asked(t, ix)
			require.NoError(t, err)
			require.NoError(t, ix.Close())
		}
		require.Equal(t, right, answer, "try %d", try)
		if told {
			met++
		}
	}
	require.Greater(t, met, 30, "most of the damage is met")
}

// Packed sums know by themselves that they are not what they were, where the
// database keeps no sums of its pages.
func TestPackedSumsKnowTheirRot(t *testing.T) {
	c := newCell()
	c.slot(3, &counts{nUnits: 7, nPassed: 6})
	m := newMoments(1)
	m.list[0].count(4.5, true, false)
	for _, packed := range [][]byte{c.packCounts(), packPairs(map[int64]pair{5: {1, 2}}), c.cycle.pack(), m.pack()} {
		require.NoError(t, unpackAll(packed))
		for i := range len(packed) * 8 {
			packed[i/8] ^= 1 << (i % 8)
			require.ErrorIs(t, unpackAll(packed), errPacked, "bit %d", i)
			packed[i/8] ^= 1 << (i % 8)
		}
	}
}

func unpackAll(b []byte) error {
	if u := unpack(b); u.bad {
		return errPacked
	}
	return nil
}

// An older copy of the index, put back, would count what was found changed since.
func TestAnOlderCopyIsFound(t *testing.T) {
	s := newShop(t, 6)
	file, older := s.ended(t)
	bad := s.path(2)
	info, err := os.Stat(bad)
	require.NoError(t, err)
	text, err := os.ReadFile(bad)
	require.NoError(t, err)
	text[300] ^= 1
	require.NoError(t, os.WriteFile(bad, text, 0o644))
	require.NoError(t, os.Chtimes(bad, info.ModTime(), info.ModTime())) // without a trace in size and time
	s.ended(t)
	for range 3 { // what verify found stays found
		ix, err := OpenIndex(t.Context(), s.dir, IndexOptions{})
		require.NoError(t, err)
		c, err := ix.Counts(t.Context(), Selection{})
		require.NoError(t, err)
		require.Equal(t, int64(5), c.Runs)
		require.NoError(t, ix.Close())
	}
	require.NoError(t, os.WriteFile(file, older, 0o644))
	ix := s.open(t)
	require.Len(t, ix.Notes(), 1)
	require.Contains(t, ix.Notes()[0], "older copy")
	c, err := ix.Counts(t.Context(), Selection{})
	require.NoError(t, err)
	require.Equal(t, int64(5), c.Runs)
}

// Following passes over folders that are as they were, takes in what came, and
// notices what went.
func TestFollow(t *testing.T) {
	s := newShop(t, 6)
	s.ended(t)
	age := func() { // folders as they are long after
		folders, err := archive.Folders(s.dir)
		require.NoError(t, err)
		for _, f := range folders {
			at := time.Now().Add(-time.Hour).Truncate(time.Second)
			require.NoError(t, os.Chtimes(filepath.Join(s.dir, filepath.FromSlash(f.Name)), at, at))
		}
	}
	age()
	ix := s.open(t)
	_, err := ix.Reconcile(t.Context())
	require.NoError(t, err)

	// Within a file: only a look at all files sees it.
	text, err := os.ReadFile(s.path(1))
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(s.path(1), append(text, ' '), 0o644))
	r, err := ix.Follow(t.Context())
	require.NoError(t, err)
	require.Zero(t, r.Flags, "it looked at every file")
	r, err = ix.Reconcile(t.Context())
	require.NoError(t, err)
	require.Equal(t, 1, r.Flags)
	require.NoError(t, os.WriteFile(s.path(1), text, 0o644))
	_, err = ix.Reconcile(t.Context())
	require.NoError(t, err)

	s.run(t)
	r, err = ix.Follow(t.Context())
	require.NoError(t, err)
	require.Equal(t, Reconciled{Files: 7, Added: 1, Read: 1}, r)

	require.NoError(t, os.Rename(s.path(3), filepath.Join(t.TempDir(), "gone")))
	r, err = ix.Follow(t.Context())
	require.NoError(t, err)
	require.Equal(t, 1, r.Flags)
	r, err = ix.Follow(t.Context())
	require.NoError(t, err)
	require.Equal(t, 1, r.Flags)
}

// Readers that may write nothing ask beside a station that writes: each is answered,
// with what was sealed at some moment, never less than before.
func TestReadersBesideAWriter(t *testing.T) {
	s := newShop(t, 4)
	s.ended(t)
	writer := s.open(t)
	done := make(chan struct{})
	var wg sync.WaitGroup
	errs := make(chan error, 3)
	cache := t.TempDir()
	for range 3 {
		wg.Go(func() {
			last := int64(0)
			for end := false; !end; {
				select {
				case <-done:
					end = true
				default:
				}
				errs <- func() error {
					ix, err := openForReading(t.Context(), s.dir, IndexOptions{Cache: cache})
					if err != nil {
						return err
					}
					defer ix.Close()
					c, err := ix.Counts(t.Context(), Selection{})
					if err != nil {
						return err
					}
					trend, err := ix.Trend(t.Context(), Selection{}, ByStation)
					if err != nil {
						return err
					}
					if c.Runs < last || c.Runs != c.Passed+c.Failed+c.Errors+c.Aborted || trend[0].Counts.Runs < c.Runs {
						return fmt.Errorf("%d runs after %d: %+v", c.Runs, last, c)
					}
					last = c.Runs
					return nil
				}()
			}
		})
	}
	go func() {
		defer close(done)
		for range 12 {
			x := s.run(t)
			if err := writer.AddSealed(t.Context(), x); err != nil {
				errs <- err
			}
		}
	}()
	go func() { wg.Wait(); close(errs) }()
	for err := range errs {
		require.NoError(t, err)
	}
	ix, err := openForReading(t.Context(), s.dir, IndexOptions{Cache: cache})
	require.NoError(t, err)
	defer ix.Close()
	c, err := ix.Counts(t.Context(), Selection{})
	require.NoError(t, err)
	require.Equal(t, int64(16), c.Runs)
}

// BenchmarkPageSum is what the sum of a page costs beside reading it.
func BenchmarkPageSum(b *testing.B) {
	page := make([]byte, pageSize)
	b.SetBytes(pageSize)
	for b.Loop() {
		signPage(page, 7)
	}
}

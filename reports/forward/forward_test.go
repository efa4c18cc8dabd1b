package forward

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"os"
	"path"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"fullthrow/reports"
	"fullthrow/reports/archive"
	"fullthrow/reports/store"

	"github.com/stretchr/testify/require"
)

func TestOnceSendsWhatThePlantLacks(t *testing.T) {
	a, p := newArchive(t, "LQ-1"), newFakePlant()
	f := New(Config{Dir: a.dir, Plant: p.open, Batch: 4})
	r, err := f.Once(t.Context())
	require.NoError(t, err)
	require.Equal(t, Result{}, r)
	require.Equal(t, "the plant has all reports", f.State().String())

	a.make(10)
	r, err = f.Once(t.Context())
	require.NoError(t, err)
	require.Equal(t, 10, r.Sent)
	require.Equal(t, []int{4, 4, 2}, p.adds)
	p.same(t, a)
	require.Equal(t, "the plant has all reports", f.State().String())

	// Whoever comes later goes on from there, and finds nothing to do.
	a.make(3)
	f = New(Config{Dir: a.dir, Plant: p.open})
	r, err = f.Once(t.Context())
	require.NoError(t, err)
	require.Equal(t, 3, r.Sent)
	require.Equal(t, []int{4, 4, 2, 3}, p.adds, "what the plant had was not sent again")
	p.same(t, a)
	r, err = f.Once(t.Context())
	require.NoError(t, err)
	require.Equal(t, Result{}, r)
	require.Len(t, p.adds, 4)
}

// Either side may be put back from an older copy.
func TestGoesOnAfterEitherSideIsPutBack(t *testing.T) {
	for _, knowing := range []bool{false, true} {
		p := newFakePlant()
		open := p.open
		if knowing {
			open = knowingPlant{p}.open
		}
		a := newArchive(t, "LQ-1")
		made := a.make(6)
		f := New(Config{Dir: a.dir, Plant: open, Batch: 2})
		_, err := f.Once(t.Context())
		require.NoError(t, err)

		// The plant, to where it had two reports, and a hole after them.
		for i, s := range made {
			if i != 0 && i != 1 && i != 4 {
				delete(p.reports, s.Report.Run)
			}
		}
		r, err := f.Once(t.Context())
		require.NoError(t, err)
		require.Equal(t, 3, r.Sent)
		require.Equal(t, 1, r.Known)
		p.same(t, a)
		require.Empty(t, f.State().Problems)

		// The station, to before its last three reports; it goes on under
		// numbers that the plant has already.
		old := newArchive(t, "LQ-1")
		old.Close()
		require.NoError(t, os.RemoveAll(old.dir))
		require.NoError(t, os.CopyFS(old.dir, os.DirFS(a.dir)))
		for _, s := range made[3:] {
			require.NoError(t, os.Remove(old.path(s.File)))
		}
		require.NoError(t, os.Remove(old.path("chain")))
		old.reopen("LQ-1")
		old.at = a.at
		f = New(Config{Dir: old.dir, Plant: open, Batch: 2})
		_, err = f.Once(t.Context())
		require.NoError(t, err)
		old.make(1)
		r, err = f.Once(t.Context())
		require.NoError(t, err)
		require.Equal(t, 1, r.Sent)
		require.Equal(t, "older copy", f.State().Problems[0].Kind)
		old.make(2)
		r, err = f.Once(t.Context())
		require.NoError(t, err)
		require.Equal(t, 2, r.Sent)
		require.Len(t, p.reports, 9)
		old.make(2)
		_, err = f.Once(t.Context())
		require.NoError(t, err)
		p.same(t, a, old)
	}
}

// Two archives of stations of one name: each has its own numbers.
func TestStationsOfOneNameStayApart(t *testing.T) {
	p := newFakePlant()
	a, b := newArchive(t, "LQ-1"), newArchive(t, "LQ-1")
	a.make(5)
	b.make(3)
	for _, x := range []*recordsFake{a, b, a} {
		x.make(1)
		_, err := New(Config{Dir: x.dir, Plant: p.open}).Once(t.Context())
		require.NoError(t, err)
	}
	p.same(t, a, b)
}

// What is wrong with single reports is told and flagged; the rest goes on past
// it, and it is sent once it is right again.
func TestDamageDoesNotStopTheRest(t *testing.T) {
	a, p, other := newArchive(t, "LQ-1"), newFakePlant(), newArchive(t, "LQ-2")
	made := a.make(9)
	foreign := other.make(1)[0]

	changed := a.edit(made[1].File, `"outcome":"passed"`, `"outcome":"failed"`)
	torn, err := os.ReadFile(a.path(made[2].File))
	require.NoError(t, err)
	require.NoError(t, os.Truncate(a.path(made[2].File), 700))
	require.NoError(t, os.Remove(a.path(made[4].File)))
	data, err := os.ReadFile(other.path(foreign.File))
	require.NoError(t, err)
	put := path.Join(path.Dir(made[0].File), path.Base(foreign.File))
	require.NoError(t, os.WriteFile(a.path(put), data, 0o644))
	copied := path.Join(path.Dir(made[0].File), "copy.json")
	data, err = os.ReadFile(a.path(made[6].File))
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(a.path(copied), data, 0o644))
	p.refuse[made[7].Report.Run] = refused{}
	theirs := made[8]
	theirs.Seal.SHA256 = strings.Repeat("0", 64)
	p.reports[made[8].Report.Run] = theirs
	theirs.Seal.Key = "another"

	f := New(Config{Dir: a.dir, Plant: p.open})
	r, err := f.Once(t.Context())
	require.NoError(t, err)
	require.Equal(t, 4, r.Sent) // 1, 4, 6 and 7 are good
	kinds := map[string]string{}
	for _, problem := range f.State().Problems {
		kinds[problem.File] = problem.Kind
		require.NotEmpty(t, problem.Text)
		require.NotContains(t, problem.Text, a.dir, "a text for people, not a path")
	}
	require.Equal(t, map[string]string{
		made[1].File: "changed", made[2].File: "changed", "": "removed", put: "inserted", copied: "inserted",
		made[7].File: "refused", made[8].File: "conflict",
	}, kinds)
	key := hex.EncodeToString(a.PublicKey())
	flagged := map[string]string{}
	for _, g := range p.flags[key] {
		require.Equal(t, "LQ-1", g.Station)
		flagged[g.Run] = g.Kind
	}
	require.Equal(t, map[string]string{
		made[1].Report.Run: "changed", made[2].Report.Run: "changed", "": "removed", foreign.Report.Run: "inserted", "copy": "inserted",
	}, flagged)

	// Everything put right.
	require.NoError(t, os.WriteFile(a.path(made[1].File), changed, 0o644))
	require.NoError(t, os.WriteFile(a.path(made[2].File), torn, 0o644))
	gone, err := made[4].Bytes()
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(a.path(made[4].File), gone, 0o644))
	require.NoError(t, os.Remove(a.path(put)))
	require.NoError(t, os.Remove(a.path(copied)))
	delete(p.refuse, made[7].Report.Run)
	delete(p.reports, made[8].Report.Run)
	_, err = f.Once(t.Context())
	require.NoError(t, err)
	p.same(t, a)
	_, err = f.Once(t.Context())
	require.NoError(t, err)
	require.Empty(t, f.State().Problems)
	require.Empty(t, p.flags[key])
}

func TestAttachmentsGoOnceAndProved(t *testing.T) {
	for _, knowing := range []bool{false, true} {
		a, p := newArchive(t, "LQ-1"), newFakePlant()
		open := p.open
		if knowing {
			open = knowingPlant{p}.open
		}
		raw := bytes.Repeat([]byte("time,current\n"), 1000)
		a.one(raw)
		a.one(raw)
		a.one([]byte("changed later"))
		spoiled := a.one([]byte("spoiled"))
		sum := sha256.Sum256([]byte("changed later"))
		require.NoError(t, os.WriteFile(filepath.Join(a.dir, "attachments", hex.EncodeToString(sum[:])+".csv"), []byte("changed"), 0o644))
		require.NoError(t, os.Remove(filepath.Join(a.dir, "attachments", spoiled.Report.Captures[0].SHA256+".csv")))

		f := New(Config{Dir: a.dir, Plant: open, Attachments: true, Batch: 3})
		r, err := f.Once(t.Context())
		require.NoError(t, err)
		require.Equal(t, 4, r.Sent, "the reports themselves are good")
		require.Equal(t, 1, r.Attachments)
		sum = sha256.Sum256(raw)
		require.Equal(t, map[string][]byte{hex.EncodeToString(sum[:]): raw}, p.attachments)
		require.Len(t, f.State().Problems, 2)
		for _, problem := range f.State().Problems {
			require.Equal(t, "attachment", problem.Kind)
		}

		a.one(raw)
		r, err = f.Once(t.Context())
		require.NoError(t, err)
		if knowing {
			require.Equal(t, 0, r.Attachments, "the plant has it")
		}
	}
}

func TestRepairsAndOwnFlagsGoAlong(t *testing.T) {
	a, p := newArchive(t, "LQ-1"), newFakePlant()
	made := a.make(3)
	own := []store.Flag{{Run: "x", Station: "LQ-1", File: "2020/01/01/x.json", Kind: "changed", Text: "seen by verify"}}
	f := New(Config{Dir: a.dir, Plant: p.open, Flags: func(context.Context) ([]store.Flag, error) { return own, nil }})
	for i := range 2 {
		_, err := a.Repair(reports.Repair{ID: reports.NewRunID(a.at, "LQ-1", "R"), Run: made[2].Report.Run, At: a.at, By: "kim", Found: "component", Done: "replaced"})
		require.NoError(t, err)
		r, err := f.Once(t.Context())
		require.NoError(t, err)
		require.Equal(t, 1+i, r.Repairs, "a new contact sends all of them: the plant keeps each once")
		require.Len(t, p.repairs, 1+i)
	}
	require.Equal(t, own, p.flags[hex.EncodeToString(a.PublicKey())])
}

// states collects what a forwarder tells.
type states struct {
	mu   sync.Mutex
	list []State
}

func (s *states) tell(st State) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.list = append(s.list, st)
}

// A plant that is away for long: waits double up to five minutes, from the
// upper half by lot; the backlog stays true; nothing is lost.
func TestBackOff(t *testing.T) {
	a, p := newArchive(t, "LQ-1"), newFakePlant()
	a.make(2)
	memory := filepath.Join(t.TempDir(), "forward.json")
	synctest.Test(t, func(t *testing.T) {
		var told states
		f := New(Config{Dir: a.dir, Plant: p.open, Memory: memory, Tell: told.tell})
		lot := 0.0
		f.random = func() float64 { return lot }
		ctx, cancel := context.WithCancelCause(t.Context())
		end := make(chan error)
		go func() { end <- f.Run(ctx) }()
		synctest.Wait()
		require.Equal(t, "the plant has all reports", f.State().String())
		require.True(t, f.State().Connected)

		p.set(func() { p.down = errDown })
		a.make(1)
		f.Nudge()
		synctest.Wait()
		var waits []time.Duration
		for range 12 {
			s := f.State()
			require.False(t, s.Connected)
			require.Contains(t, s.Trouble, "connection refused")
			require.EqualValues(t, 1, s.Behind.Reports)
			waits = append(waits, time.Until(s.Next))
			time.Sleep(time.Until(s.Next))
			synctest.Wait()
		}
		sec := time.Second
		require.Equal(t, []time.Duration{sec / 2, sec, 2 * sec, 4 * sec, 8 * sec, 16 * sec, 32 * sec, 64 * sec, 128 * sec, 150 * sec, 150 * sec, 150 * sec}, waits)
		lot = 0.999999
		time.Sleep(time.Until(f.State().Next))
		synctest.Wait()
		require.InDelta(t, 300, time.Until(f.State().Next).Seconds(), 0.01)

		// What is sealed meanwhile shows within seconds, without a new try.
		opened := p.opened
		s := a.make(2)
		time.Sleep(6 * time.Second)
		synctest.Wait()
		require.EqualValues(t, 3, f.State().Behind.Reports)
		require.Positive(t, f.State().Behind.Bytes)
		require.Equal(t, s[0].Report.Started.Add(-time.Minute), f.State().Behind.Oldest)
		require.Equal(t, opened, p.opened)
		require.Contains(t, f.State().String(), "3 reports (")

		p.set(func() { p.down = nil })
		time.Sleep(time.Until(f.State().Next))
		synctest.Wait()
		require.Equal(t, "the plant has all reports", f.State().String())
		require.Zero(t, f.State().Tries)

		// The next trouble begins with a short wait again.
		p.set(func() { p.down = errDown })
		a.make(1)
		f.Nudge()
		synctest.Wait()
		require.LessOrEqual(t, time.Until(f.State().Next), time.Second)
		cancel(context.Canceled)
		require.ErrorIs(t, <-end, context.Canceled)

		// Begun offline, it remembers what the plant had.
		f = New(Config{Dir: a.dir, Plant: p.open, Memory: memory})
		_, err := f.Once(t.Context())
		require.ErrorIs(t, err, errDown)
		require.True(t, f.State().Behind.Known)
		require.EqualValues(t, 1, f.State().Behind.Reports)
		f = New(Config{Dir: a.dir, Plant: p.open})
		_, err = f.Once(t.Context())
		require.ErrorIs(t, err, errDown)
		require.Contains(t, f.State().String(), "how many of 6 reports it lacks is not known")
	})
	p.down = nil
	_, err := New(Config{Dir: a.dir, Plant: p.open}).Once(t.Context())
	require.NoError(t, err)
	p.same(t, a)
}

// A batch that takes too long becomes smaller; a report that never goes
// through is set aside after three tries, and tried again later.
func TestBatchesShrinkAndPoisonIsSetAside(t *testing.T) {
	a, p := newArchive(t, "LQ-1"), newFakePlant()
	made := a.make(20)
	synctest.Test(t, func(t *testing.T) {
		p.slow = func(n int) time.Duration { return time.Duration(n) * 10 * time.Second } // 6 a minute
		f := New(Config{Dir: a.dir, Plant: p.open, Batch: 16})
		ctx, cancel := context.WithCancel(t.Context())
		end := make(chan error)
		go func() { end <- f.Run(ctx) }()
		time.Sleep(20 * time.Minute)
		synctest.Wait()
		require.Equal(t, "the plant has all reports", f.State().String())
		require.Equal(t, []int{16, 8, 4, 8, 4, 8}, p.adds[:6])

		p.set(func() {
			p.slow, p.reports = nil, map[string]archive.Sealed{}
			p.refuse[made[9].Report.Run] = errDown // though it answers otherwise
		})
		cancel()
		<-end
		ctx, cancel = context.WithCancel(t.Context())
		go func() { end <- f.Run(ctx) }()
		time.Sleep(5 * time.Minute)
		synctest.Wait()
		p.set(func() { require.Len(t, p.reports, 19) })
		require.Len(t, f.State().Problems, 1)
		require.Equal(t, made[9].File, f.State().Problems[0].File)
		p.set(func() { p.refuse = map[string]error{} })
		time.Sleep(11 * time.Minute)
		synctest.Wait()
		p.set(func() { require.Len(t, p.reports, 20) })
		require.Empty(t, f.State().Problems)
		cancel()
		<-end
	})
	p.same(t, a)
}

func TestSkewIsSaidInPlainWords(t *testing.T) {
	a, p := newArchive(t, "LQ-1"), newFakePlant()
	a.make(1)
	synctest.Test(t, func(t *testing.T) {
		f := New(Config{Dir: a.dir, Plant: p.open})
		for _, c := range []struct {
			ahead time.Duration
			text  string
		}{
			{0, ""}, {5 * time.Second, ""}, {-5 * time.Second, ""},
			{6 * time.Second, "this station's clock is 6 s behind the plant's"},
			{-200 * time.Second, "this station's clock is 3 min 20 s ahead of the plant's"},
			{25 * time.Hour, "this station's clock is 1 d 1 h behind the plant's"},
			{-365 * 24 * time.Hour, "365 d ahead"},
		} {
			p.ahead = c.ahead
			_, err := f.Once(t.Context())
			require.NoError(t, err)
			text, hint := f.State().Skew.Text()
			require.Equal(t, -c.ahead, f.State().Skew.Ahead)
			if c.text == "" {
				require.Empty(t, text)
			} else {
				require.Contains(t, text, c.text)
				require.NotEmpty(t, hint)
			}
		}
		// A slow way proves nothing.
		require.False(t, Skew{Ahead: 20 * time.Second, Within: 16 * time.Second}.Large())
	})
}

// The archive of years costs no more than its newest days when the plant is up
// to date, and a restored old day is noticed.
func TestOldDaysAreNotRead(t *testing.T) {
	a, p := newArchive(t, "LQ-1"), newFakePlant()
	var first archive.Sealed
	for d := range 5 {
		s := a.make(2)
		if d == 0 {
			first = s[0]
		}
		a.at = a.at.Add(24 * time.Hour)
	}
	_, err := New(Config{Dir: a.dir, Plant: p.open}).Once(t.Context())
	require.NoError(t, err)

	p.reports[first.Report.Run] = archive.Sealed{Report: first.Report, Seal: first.Seal}
	f := New(Config{Dir: a.dir, Plant: p.open})
	_, err = f.connect(t.Context())
	require.NoError(t, err)
	require.NoError(t, f.list.refresh(time.Now().Add(time.Hour)))
	read := 0
	for _, d := range f.list.days {
		if d.read {
			read++
		}
	}
	require.Len(t, f.list.days, 5)
	require.Equal(t, newestDays, read)
	require.True(t, f.list.complete())
	f.hangUp()

	// A report is missing: everything is read, once.
	delete(p.reports, first.Report.Run)
	data, err := os.ReadFile(a.path(first.File))
	require.NoError(t, err)
	require.NoError(t, os.Remove(a.path(first.File)))
	_, err = f.Once(t.Context())
	require.NoError(t, err)
	require.Equal(t, "report number 1 is missing", f.State().Problems[0].Text)
	require.NoError(t, os.WriteFile(a.path(first.File), data, 0o644))
	_, err = f.Once(t.Context())
	require.NoError(t, err)
	require.Empty(t, f.State().Problems)
	p.same(t, a)
}

// A key the plant does not know, no key at all, no chain: said, and nothing is
// sent under a wrong name.
func TestArchiveInTrouble(t *testing.T) {
	a, p := newArchive(t, "LQ-1"), newFakePlant()
	a.make(3)
	a.Close()
	require.NoError(t, os.Rename(a.path("station.pub"), a.path("kept")))
	f := New(Config{Dir: a.dir, Plant: p.open})
	_, err := f.Once(t.Context())
	require.ErrorIs(t, err, os.ErrNotExist)
	require.NotEmpty(t, f.State().Hint)
	require.Empty(t, p.reports)
	require.NoError(t, os.Rename(a.path("kept"), a.path("station.pub")))

	require.NoError(t, os.WriteFile(a.path("chain"), []byte("garbled"), 0o644))
	r, err := f.Once(t.Context())
	require.NoError(t, err)
	require.Equal(t, 3, r.Sent)

	f = New(Config{Dir: filepath.Join(a.dir, "nowhere"), Plant: p.open})
	_, err = f.Once(t.Context())
	require.NoError(t, err)
	require.Equal(t, "there are no reports to send yet", f.State().String())
}

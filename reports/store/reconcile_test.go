package store

import (
	"bytes"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"fullthrow/reports"
	"fullthrow/reports/archive"
)

// shop is a real archive with sealed runs, as a station leaves it.
type shop struct {
	dir     string
	archive *archive.Archive
	world   *world
	next    time.Time
}

func newShop(t *testing.T, runs int) *shop {
	t.Helper()
	s := &shop{dir: t.TempDir(), world: &world{flagged: map[string]string{}}, next: time.Date(2026, 3, 2, 6, 0, 0, 0, time.UTC)}
	var err error
	s.archive, err = archive.Open(s.dir, "LQ-1")
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, s.archive.Close()) })
	for range runs {
		s.run(t)
	}
	return s
}

// run seals one more run through the archive.
func (s *shop) run(t *testing.T) archive.Sealed {
	t.Helper()
	n := len(s.world.reports)
	x := float64(n % 7)
	p := simple("LQ-1", reports.NewRunID(s.next, "LQ-1", "A"), fmt.Sprintf("K8-%04d", n/2), s.next, x, 5)
	j, err := s.archive.Begin(p.Start, s.next)
	require.NoError(t, err)
	c := p.Checks[0]
	for _, e := range []reports.Event{
		{Kind: reports.CheckStarted, Check: &c, Time: s.next},
		{Kind: reports.ReadingTaken, Reading: &c.Readings[0], Time: s.next},
		{Kind: reports.CheckEnded, Check: &c, Time: s.next},
		{Kind: reports.RunEnded, End: &reports.End{Outcome: p.Outcome}, Time: s.next.Add(30 * time.Second)},
	} {
		require.NoError(t, j.Append(e))
	}
	sealed, err := j.Seal()
	require.NoError(t, err)
	s.world.reports = append(s.world.reports, sealed)
	s.next = s.next.Add(time.Hour)
	return sealed
}

func (s *shop) path(i int) string {
	return filepath.Join(s.dir, filepath.FromSlash(s.world.reports[i].File))
}

func (s *shop) open(t *testing.T) *Index {
	t.Helper()
	return openTest(t, s.dir)
}

// without is the world less some of its runs.
func (s *shop) without(gone ...int) *world {
	w := &world{flagged: map[string]string{}, repairs: s.world.repairs}
	for i, x := range s.world.reports {
		if !slices.Contains(gone, i) {
			w.reports = append(w.reports, x)
		}
	}
	return w
}

func sameCountsOf(t *testing.T, w *world, st stored) {
	t.Helper()
	got, err := st.Counts(t.Context(), Selection{})
	require.NoError(t, err)
	sameCounts(t, w.counts(Selection{}), got)
}

func TestIndexFollowsItsFiles(t *testing.T) {
	s := newShop(t, 8)
	ix := s.open(t)
	require.Equal(t, []string{"There was no index: it is made from the 8 reports."}, ix.Notes())
	s.world.agree(t, ix, Selection{})
	done, err := ix.Reconcile(t.Context())
	require.NoError(t, err)
	require.Equal(t, Reconciled{Files: 8}, done, "nothing is read again")

	// One that the program itself adds, one that another finds.
	require.NoError(t, ix.AddSealed(t.Context(), s.run(t)))
	s.run(t)
	other := s.open(t)
	require.Empty(t, other.Notes())
	s.world.agree(t, ix, Selection{})
	s.world.agree(t, other, Selection{})
	done, err = ix.Reconcile(t.Context())
	require.NoError(t, err)
	require.Equal(t, Reconciled{Files: 10}, done)
	r, err := ix.Report(t.Context(), s.world.reports[9].Report.Run)
	require.NoError(t, err)
	require.Equal(t, s.world.reports[9].Raw, r.Raw)

	// Repairs come from the sealed record.
	of := slices.IndexFunc(s.world.reports, func(x archive.Sealed) bool { return x.Report.Outcome == reports.Failed })
	rep, err := s.archive.Repair(reports.Repair{ID: "rep-1", Run: s.world.reports[of].Report.Run, At: s.next, By: "Ana", Found: "soldering", Done: "resoldered"})
	require.NoError(t, err)
	s.world.repairs = append(s.world.repairs, rep.Repair)
	done, err = ix.Reconcile(t.Context())
	require.NoError(t, err)
	require.Equal(t, Reconciled{Files: 10, Repairs: 1}, done)
	s.world.agree(t, ix, Selection{})
	require.NoError(t, ix.AddRepairs(t.Context(), reports.Repair{ID: "not on record", Unit: s.world.reports[0].Report.Unit, Found: "other"}))
	done, err = ix.Reconcile(t.Context())
	require.NoError(t, err)
	require.Equal(t, Reconciled{Files: 10, Flags: 1}, done, "a repair that the record has not is named")
	s.world.agree(t, ix, Selection{})

	// A touched file is read once, and is the same.
	now := time.Now().Add(time.Hour)
	require.NoError(t, os.Chtimes(s.path(3), now, now))
	for _, read := range []int{1, 0} {
		done, err = ix.Reconcile(t.Context())
		require.NoError(t, err)
		require.Equal(t, Reconciled{Files: 10, Read: read, Flags: 1}, done)
	}
	var steps [][2]int
	done, err = ix.Rebuild(t.Context(), func(n, total int) { steps = append(steps, [2]int{n, total}) })
	require.NoError(t, err)
	require.Equal(t, Reconciled{Files: 10, Added: 10, Read: 10, Repairs: 1}, done)
	require.Equal(t, [][2]int{{10, 10}}, steps)
	s.world.agree(t, ix, Selection{})
	s.world.agree(t, other, Selection{}) // which knew other numbers for the words
	done, err = ix.Prove(t.Context(), nil)
	require.NoError(t, err)
	require.Equal(t, Reconciled{Files: 10, Read: 10}, done)
}

// A report edited by hand, removed, moved or put in leaves the yield, says so
// under the name that verify gives it, and counts again when it is put back.
func TestReportsThatWereTamperedWith(t *testing.T) {
	edit := func(t *testing.T, s *shop) {
		data, err := os.ReadFile(s.path(2))
		require.NoError(t, err)
		require.NoError(t, os.WriteFile(s.path(2), bytes.Replace(data, []byte(`"outcome":"`), []byte(`"outcome": "`), 1), 0o644))
	}
	for _, c := range []struct {
		name  string
		do    func(t *testing.T, s *shop)
		gone  []int // leave the yield
		flags []string
		// lost: an index made afterwards cannot know which run it was.
		lost []string
	}{
		{"edited", edit, []int{2}, []string{"changed 2 the seal does not fit"}, []string{"changed - the seal does not fit"}},
		{"outcome turned", func(t *testing.T, s *shop) {
			data, err := os.ReadFile(s.path(5))
			require.NoError(t, err)
			i := slices.IndexFunc(s.world.reports, func(x archive.Sealed) bool { return x.Report.Outcome == reports.Failed })
			require.Equal(t, 6, i)
			require.NoError(t, os.WriteFile(s.path(5), bytes.Replace(data, []byte(`"outcome":"passed"`), []byte(`"outcome":"failed"`), 1), 0o644))
		}, []int{5}, []string{"changed 5 the report was changed"}, []string{"changed - the report was changed"}},
		{"cut short", func(t *testing.T, s *shop) { require.NoError(t, os.Truncate(s.path(2), 100)) }, []int{2}, []string{"changed 2 not a sealed report"}, []string{"removed - report number 3 is missing", "changed - not a sealed report"}},
		{"removed", func(t *testing.T, s *shop) { require.NoError(t, os.Remove(s.path(2))) }, []int{2},
			[]string{"removed 2 report number 3 is missing"}, []string{"removed - report number 3 is missing"}},
		{"newest removed", func(t *testing.T, s *shop) {
			require.NoError(t, os.Remove(s.path(8)))
			require.NoError(t, os.Remove(s.path(7)))
		}, []int{7, 8}, []string{"removed 7 report number 8 is missing", "removed 8 report number 9 is missing"}, []string{"removed - reports number 8 to 9 are missing"}},
		{"renumbered", func(t *testing.T, s *shop) {
			data, err := os.ReadFile(s.path(2))
			require.NoError(t, err)
			require.NoError(t, os.WriteFile(s.path(2), bytes.Replace(data, []byte(`"seal":{"number":3`), []byte(`"seal":{"number":5`), 1), 0o644))
		}, []int{2}, []string{"changed 2 the seal does not fit"}, []string{"removed - report number 3 is missing", "changed - the seal does not fit"}},
		{"put in", func(t *testing.T, s *shop) {
			x := newStation("forger").seal(t, simple("LQ-1", "20260302T063000000Z-LQ1-A-0000000", "K8-9999", s.next, 1, 5))
			put(t, s.dir, x)
		}, nil, []string{"inserted + signed with another key"}, []string{"inserted + signed with another key"}},
		{"replaced by another key's", func(t *testing.T, s *shop) {
			p := s.world.reports[6].Report
			p.Outcome = reports.Passed
			put(t, s.dir, newStation("forger").seal(t, p))
		}, []int{6}, []string{"changed 6 another report was put in its place"}, nil},
		{"moved", func(t *testing.T, s *shop) {
			to := filepath.Join(s.dir, "2026", "03", "09")
			require.NoError(t, os.MkdirAll(to, 0o755))
			require.NoError(t, os.Rename(s.path(2), filepath.Join(to, filepath.Base(s.path(2)))))
		}, []int{2}, []string{"inserted 2 belongs at"}, []string{"inserted 2 belongs at"}},
		{"copied", func(t *testing.T, s *shop) {
			to := filepath.Join(s.dir, "2026", "03", "01")
			require.NoError(t, os.MkdirAll(to, 0o755))
			data, err := os.ReadFile(s.path(2))
			require.NoError(t, err)
			require.NoError(t, os.WriteFile(filepath.Join(to, filepath.Base(s.path(2))), data, 0o644))
		}, nil, []string{"inserted - stands twice"}, []string{"inserted - stands twice"}},
		{"a stranger", func(t *testing.T, s *shop) {
			require.NoError(t, os.WriteFile(filepath.Join(s.dir, "2026", "notes.txt"), []byte("hello"), 0o644))
		}, nil, []string{"changed - not a sealed report"}, []string{"changed - not a sealed report"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := newShop(t, 9)
			saved := map[string][]byte{}
			files, err := archive.Files(s.dir)
			require.NoError(t, err)
			for _, f := range files {
				saved[f.Name], err = os.ReadFile(filepath.Join(s.dir, filepath.FromSlash(f.Name)))
				require.NoError(t, err)
			}
			ix := s.open(t)
			c.do(t, s)
			check := func(ix *Index, want []string) {
				t.Helper()
				flags, err := ix.Flags(t.Context(), Selection{})
				require.NoError(t, err)
				require.Len(t, flags, len(want), "%v", flags)
				verified, err := archive.Verify(s.dir)
				require.NoError(t, err)
				for i, f := range flags {
					words := strings.SplitN(want[i], " ", 3)
					require.Equal(t, words[0], f.Kind)
					require.Contains(t, f.Text, words[2])
					at := slices.IndexFunc(s.world.reports, func(x archive.Sealed) bool { return x.Report.Run == f.Run })
					switch words[1] {
					case "-":
						require.Empty(t, f.Run)
					case "+":
						require.Equal(t, -1, at)
					default:
						require.Equal(t, words[1], fmt.Sprint(at))
					}
					// verify finds the same: it names the file, or the number
					// that is not there any more.
					require.True(t, slices.ContainsFunc(verified.Problems, func(p reports.Problem) bool {
						number := ""
						if _, after, ok := strings.Cut(f.Text, "number "); ok {
							number = "number " + strings.Fields(after)[0]
						}
						return f.File != "" && p.File == f.File || f.Kind == FlagRemoved && (strings.Contains(p.Text, number) || strings.Contains(p.Text, "missing"))
					}), "%+v: %+v", f, verified.Problems)
				}
				require.NotEmpty(t, verified.Problems)
			}
			_, err = ix.Reconcile(t.Context())
			require.NoError(t, err)
			check(ix, c.flags)
			sameCountsOf(t, s.without(c.gone...), ix)
			again, err := ix.Reconcile(t.Context())
			require.NoError(t, err)
			require.Equal(t, len(c.flags), again.Flags, "and it stays so")
			check(ix, c.flags)
			_, err = ix.Prove(t.Context(), nil)
			require.NoError(t, err)
			check(ix, c.flags)

			if c.lost != nil {
				_, err = ix.Rebuild(t.Context(), nil)
				require.NoError(t, err)
				check(ix, c.lost)
				sameCountsOf(t, s.without(c.gone...), ix)
			}
			// Put back as it was.
			files, err = archive.Files(s.dir)
			require.NoError(t, err)
			for _, f := range files {
				if saved[f.Name] == nil {
					require.NoError(t, os.Remove(filepath.Join(s.dir, filepath.FromSlash(f.Name))))
				}
			}
			for name, data := range saved {
				require.NoError(t, os.WriteFile(filepath.Join(s.dir, filepath.FromSlash(name)), data, 0o644))
			}
			_, err = ix.Reconcile(t.Context())
			require.NoError(t, err)
			flags, err := ix.Flags(t.Context(), Selection{})
			require.NoError(t, err)
			require.Empty(t, flags)
			runs, err := ix.Runs(t.Context(), Selection{}, RunFilter{}, "", 100)
			require.NoError(t, err)
			require.Len(t, runs, 9)
			stations, err := ix.Stations(t.Context())
			require.NoError(t, err)
			require.Len(t, stations, 1)
			sameCountsOf(t, s.world, ix)
		})
	}
}

// Whatever becomes of the file, the index says so in one sentence, moves it
// aside, and has everything again.
func TestIndexThatCannotBeUsed(t *testing.T) {
	for _, c := range []struct {
		name  string
		spoil func(t *testing.T, file string)
		note  string
		kept  bool
	}{
		{"deleted", func(t *testing.T, file string) { require.NoError(t, os.Remove(file)) }, "There was no index", false},
		{"empty", func(t *testing.T, file string) { require.NoError(t, os.Truncate(file, 0)) }, "There was no index", false},
		{"cut short", func(t *testing.T, file string) { require.NoError(t, os.Truncate(file, 40000)) }, "it was cut short", true},
		{"cut within the head", func(t *testing.T, file string) { require.NoError(t, os.Truncate(file, 50)) }, "it is no database", true},
		{"text", func(t *testing.T, file string) {
			require.NoError(t, os.WriteFile(file, []byte(strings.Repeat("hello ", 1000)), 0o644))
		}, "it is no database", true},
		{"another program's", func(t *testing.T, file string) {
			require.NoError(t, os.Remove(file))
			db, err := sql.Open("sqlite", file)
			require.NoError(t, err)
			_, err = db.Exec("CREATE TABLE cake (name TEXT)")
			require.NoError(t, err)
			require.NoError(t, db.Close())
		}, "a database of another program", true},
		{"without a table", func(t *testing.T, file string) { meddle(t, filepath.Dir(file), "DROP TABLE failure") }, "some of its tables are missing", true},
		{"overwritten in the middle", func(t *testing.T, file string) {
			data, err := os.ReadFile(file)
			require.NoError(t, err)
			r := rand.New(rand.NewPCG(1, 2))
			for i := 4096; i < len(data); i++ {
				data[i] = byte(r.Uint32())
			}
			require.NoError(t, os.WriteFile(file, data, 0o644))
		}, "it is damaged", true},
		{"one page overwritten", func(t *testing.T, file string) {
			data, err := os.ReadFile(file)
			require.NoError(t, err)
			for page := 1; page < len(data)/4096; page++ { // one that holds rows
				if bytes.Contains(data[page*4096:(page+1)*4096], []byte("K8-0001")) {
					clear(data[page*4096+8 : (page+1)*4096])
				}
			}
			require.NoError(t, os.WriteFile(file, data, 0o644))
		}, "damaged", true},
		{"a directory", func(t *testing.T, file string) {
			require.NoError(t, os.Remove(file))
			require.NoError(t, os.Mkdir(file, 0o755))
		}, "it is no file", true},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := newShop(t, 5)
			ix, err := OpenIndex(t.Context(), s.dir, IndexOptions{})
			require.NoError(t, err)
			require.NoError(t, ix.Close())
			c.spoil(t, filepath.Join(s.dir, IndexFile))
			ix = s.open(t)
			if len(ix.Notes()) == 0 { // not read yet: the question that reads it says so
				_, _, err := ix.History(t.Context(), "", "K8-0001")
				require.ErrorIs(t, err, ErrDamaged)
				require.NoError(t, ix.Close())
				ix = s.open(t)
			}
			require.Len(t, ix.Notes(), 1)
			require.Contains(t, ix.Notes()[0], c.note)
			require.Equal(t, 1, strings.Count(ix.Notes()[0], ". ")+1)
			s.world.agree(t, ix, Selection{})
			kept, err := filepath.Glob(filepath.Join(s.dir, IndexFile+".bad-*"))
			require.NoError(t, err)
			require.Equal(t, c.kept, len(kept) > 0, "%v", kept)
			again := s.open(t)
			require.Empty(t, again.Notes())
		})
	}
}

func TestIndexOfANewerProgram(t *testing.T) {
	s := newShop(t, 1)
	ix, err := OpenIndex(t.Context(), s.dir, IndexOptions{})
	require.NoError(t, err)
	require.NoError(t, ix.Close())
	meddle(t, s.dir, "PRAGMA user_version = 99")
	_, err = OpenIndex(t.Context(), s.dir, IndexOptions{})
	var h *reports.HintedError
	require.ErrorAs(t, err, &h)
	require.ErrorContains(t, err, "newer program (layout 99")
	require.Contains(t, h.Hint, "run the newer program")

	_, err = OpenIndex(t.Context(), filepath.Join(s.dir, "nowhere"), IndexOptions{})
	require.ErrorIs(t, err, os.ErrNotExist)
}

// An index of an older layout is made anew from the reports.
func TestIndexOfAnOlderProgram(t *testing.T) {
	s := newShop(t, 3)
	ix, err := OpenIndex(t.Context(), s.dir, IndexOptions{})
	require.NoError(t, err)
	want, err := ix.Counts(t.Context(), Selection{})
	require.NoError(t, err)
	require.NotZero(t, want.Units)
	require.NoError(t, ix.Close())
	meddle(t, s.dir, "DROP VIEW v_runs")
	meddle(t, s.dir, "DROP TABLE run")
	meddle(t, s.dir, "CREATE TABLE run (id INTEGER PRIMARY KEY, of_old INTEGER)")
	meddle(t, s.dir, "PRAGMA user_version = 1")
	ix, err = OpenIndex(t.Context(), s.dir, IndexOptions{})
	require.NoError(t, err)
	got, err := ix.Counts(t.Context(), Selection{})
	require.NoError(t, err)
	require.Equal(t, want, got)
	require.Len(t, ix.Notes(), 1)
	require.NoError(t, ix.Close())
}

// meddle changes an index behind the store's back.
func meddle(t *testing.T, dir, query string) {
	t.Helper()
	db, err := connect(filepath.Join(dir, IndexFile), "", 1)
	require.NoError(t, err)
	_, err = db.Exec(query)
	require.NoError(t, err)
	require.NoError(t, db.Close())
}

// Damage that is met while asking is noted, so that the next start mends it.
func TestDamageMetWhileAsking(t *testing.T) {
	s := newShop(t, 3)
	ix, err := OpenIndex(t.Context(), s.dir, IndexOptions{})
	require.NoError(t, err)
	meddle(t, s.dir, "UPDATE cell SET counts = x'ffff'")
	_, err = ix.Counts(t.Context(), Selection{})
	var h *reports.HintedError
	require.ErrorAs(t, err, &h)
	require.Contains(t, h.Hint, "ask again")
	require.NoError(t, ix.Close())
	ix = s.open(t)
	require.Len(t, ix.Notes(), 1)
	s.world.agree(t, ix, Selection{})
}

// Damage that is met while asking is mended without closing the index, beside who
// goes on asking.
func TestDamageIsMendedWhileOpen(t *testing.T) {
	s := newShop(t, 12)
	met := make(chan struct{}, 100)
	ix, err := OpenIndex(t.Context(), s.dir, IndexOptions{Write: true, Damaged: func() { met <- struct{}{} }})
	require.NoError(t, err)
	defer ix.Close()
	note, err := ix.Mend(t.Context())
	require.NoError(t, err)
	require.Empty(t, note, "nothing is wrong")
	meddle(t, s.dir, "UPDATE cell SET counts = x'ffff'")
	_, err = ix.Counts(t.Context(), Selection{})
	require.ErrorIs(t, err, ErrDamaged)
	<-met
	ended := make(chan error, 3)
	stop := make(chan struct{})
	for range cap(ended) {
		go func() {
			for {
				select {
				case <-stop:
					ended <- nil
					return
				default:
				}
				if _, err := ix.Counts(context.Background(), Selection{}); err != nil && !errors.Is(err, ErrDamaged) {
					ended <- err
					return
				}
			}
		}()
	}
	note, err = ix.Mend(t.Context())
	require.NoError(t, err)
	require.Contains(t, note, "a new one is made from the reports")
	r, err := ix.Follow(t.Context())
	require.NoError(t, err)
	require.Equal(t, 12, r.Added)
	close(stop)
	for range cap(ended) {
		require.NoError(t, <-ended)
	}
	note, err = ix.Mend(t.Context())
	require.NoError(t, err)
	require.Empty(t, note, "who asked the damaged one said nothing of the new one")
	s.world.agree(t, ix, Selection{})
	require.NoError(t, ix.AddSealed(t.Context(), s.run(t)))
	s.world.agree(t, ix, Selection{})
}

// What follows from the rows is what stands in the sums, after everything.
func TestSumsFollowFromRows(t *testing.T) {
	s := newShop(t, 6)
	ix := s.open(t)
	before := sumsOf(t, ix)
	require.NotEmpty(t, before)
	require.NoError(t, ix.change(t.Context(), "test", func(tr *transaction) error {
		ch := newChanges()
		err := tr.each("SELECT day, grp FROM cell", nil, func(rows *sql.Rows) error {
			var k cellKey
			err := rows.Scan(&k.day, &k.grp)
			ch.again[k] = true
			return err
		})
		return errors.Join(err, tr.save(ch))
	}))
	require.Equal(t, before, sumsOf(t, ix))
}

func sumsOf(t *testing.T, ix *Index) (list []string) {
	require.NoError(t, ix.look(t.Context(), "test", func(tr *transaction) error {
		return tr.each("SELECT day, grp, passed, failed, errors, aborted, firsts, hex(counts), hex(checks), "+
			"hex(failures), hex(cycle) FROM cell ORDER BY day, grp", nil, func(rows *sql.Rows) error {
			var x [11]any
			err := rows.Scan(&x[0], &x[1], &x[2], &x[3], &x[4], &x[5], &x[6], &x[7], &x[8], &x[9], &x[10])
			list = append(list, fmt.Sprint(x))
			return err
		})
	}))
	return list
}

// A reader is not held up by a program that writes, and a writer waits its turn.
func TestTwoProgramsAtOnce(t *testing.T) {
	s := newShop(t, 2)
	a, b := s.open(t), s.open(t)
	x := s.run(t)
	inside, proceed := make(chan struct{}), make(chan struct{})
	done := make(chan error, 1)
	go func() {
		done <- a.change(context.Background(), "test", func(tr *transaction) error {
			close(inside)
			<-proceed
			return nil
		})
	}()
	<-inside
	c, err := b.Counts(t.Context(), Selection{})
	require.NoError(t, err)
	require.Equal(t, int64(2), c.Runs)
	short, cancel := context.WithCancel(t.Context())
	added := make(chan error, 1)
	go func() { added <- b.AddSealed(short, x) }()
	cancel()
	require.ErrorIs(t, <-added, context.Canceled)
	go func() { added <- b.AddSealed(t.Context(), x) }()
	close(proceed)
	require.NoError(t, <-done)
	require.NoError(t, <-added)
	s.world.agree(t, a, Selection{})
}

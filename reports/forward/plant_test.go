package forward

import (
	"context"
	"encoding/hex"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"strconv"
	"sync"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"

	"fullthrow/reports"
	"fullthrow/reports/archive"
	"fullthrow/reports/store"
	"fullthrow/reports/store/pgtest"
)

// plant is a plant's database in a test.
type plant struct {
	t      *testing.T
	server *pgtest.Server
	dsn    string
}

func newPlant(t *testing.T, server *pgtest.Server) *plant {
	p := &plant{t, server, server.NewDatabase(t)}
	s, err := p.open(t.Context())
	require.NoError(t, err)
	require.NoError(t, s.Close())
	// A brake: a batch in the middle of which the server waits, half of its
	// tables written, until the brake is let go.
	p.do(`CREATE TABLE brake (on_ bool)`)
	p.do(`CREATE FUNCTION brake() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN
		WHILE EXISTS (SELECT FROM brake) LOOP PERFORM pg_sleep(0.05); END LOOP; RETURN NULL; END $$`)
	p.do(`CREATE TRIGGER brake AFTER INSERT ON seal FOR EACH STATEMENT EXECUTE FUNCTION brake()`)
	return p
}

func (p *plant) open(ctx context.Context) (Store, error) {
	s, err := store.OpenPlant(ctx, p.dsn, store.PlantOptions{})
	if err != nil {
		return nil, err
	}
	return s, nil
}

func (p *plant) connect() *pgx.Conn {
	p.t.Helper()
	conn, err := pgx.Connect(p.t.Context(), p.dsn)
	require.NoError(p.t, err)
	return conn
}

func (p *plant) do(sql string, args ...any) {
	p.t.Helper()
	conn := p.connect()
	defer conn.Close(p.t.Context())
	_, err := conn.Exec(p.t.Context(), sql, args...)
	require.NoError(p.t, err)
}

func (p *plant) brake(on bool) {
	p.t.Helper()
	p.do("DELETE FROM brake")
	if on {
		p.do("INSERT INTO brake VALUES (true)")
	}
}

// inBatch waits until a batch stands at the brake.
func (p *plant) inBatch() {
	p.t.Helper()
	conn := p.connect()
	defer conn.Close(p.t.Context())
	for n := 0; n == 0; time.Sleep(10 * time.Millisecond) {
		require.NoError(p.t, conn.QueryRow(p.t.Context(), "SELECT count(*) FROM pg_stat_activity WHERE wait_event = 'PgSleep'").Scan(&n))
	}
}

// holds requires that the plant has exactly the reports of these archives:
// each once in every table, byte for byte, numbers without a gap, sums right.
func (p *plant) holds(archives ...*recordsFake) {
	p.t.Helper()
	ctx := p.t.Context()
	s, err := store.OpenPlant(ctx, p.dsn, store.PlantOptions{})
	require.NoError(p.t, err)
	defer s.Close()
	total := 0
	var numbers []string
	for _, a := range archives {
		entries := a.Entries()
		total += len(entries)
		numbers = append(numbers, fmt.Sprintf("%s %d %d", hex.EncodeToString(a.PublicKey()), len(entries), len(entries)))
		for _, e := range entries {
			file, err := os.ReadFile(a.path(e.File))
			require.NoError(p.t, err)
			there, err := s.Report(ctx, e.Run)
			require.NoError(p.t, err)
			got, err := there.Bytes()
			require.NoError(p.t, err)
			require.Equal(p.t, string(file), string(got))
		}
	}
	conn := p.connect()
	defer conn.Close(ctx)
	for _, table := range []string{"run", "sample", "seal", "raw"} {
		var rows, ids int
		require.NoError(p.t, conn.QueryRow(ctx, "SELECT count(*), count(DISTINCT id) FROM "+table).Scan(&rows, &ids))
		require.Equal(p.t, []int{total, total}, []int{rows, ids}, table)
	}
	var runs int
	require.NoError(p.t, conn.QueryRow(ctx, "SELECT count(DISTINCT run) FROM run").Scan(&runs))
	require.Equal(p.t, total, runs)
	states, err := s.Stations(ctx)
	require.NoError(p.t, err)
	var got []string
	for _, st := range states {
		got = append(got, fmt.Sprintf("%s %d %d", st.Key, st.Number, st.Reports))
	}
	require.ElementsMatch(p.t, numbers, got)
	counts, err := s.Counts(ctx, store.Selection{})
	require.NoError(p.t, err)
	require.EqualValues(p.t, total, counts.Runs)
	require.EqualValues(p.t, total, counts.Units)
}

// forwarders run one for each archive until stop.
func (p *plant) forwarders(batch int, archives ...*recordsFake) (list []*Forwarder, stop func()) {
	ctx, cancel := context.WithCancel(context.WithoutCancel(p.t.Context()))
	var wg sync.WaitGroup
	for _, a := range archives {
		f := New(Config{Dir: a.dir, Plant: p.open, Batch: batch, Every: 20 * time.Millisecond})
		f.first = 20 * time.Millisecond
		wg.Go(func() { f.Run(ctx) })
		list = append(list, f)
	}
	stop = func() { cancel(); wg.Wait() }
	p.t.Cleanup(stop)
	return list, stop
}

// all waits until it is so of every forwarder.
func all(list []*Forwarder, is func(State) bool) {
	for _, f := range list {
		for !is(f.State()) {
			time.Sleep(10 * time.Millisecond)
		}
	}
}

func upToDate(s State) bool { return s.Connected && s.Behind.Known && s.Behind.Reports == 0 }

func TestPlant(t *testing.T) {
	if dir := os.Getenv("FULLTHROW_FORWARD"); dir != "" {
		forwardAsChild(t, dir)
	}
	server := pgtest.Start(t)
	t.Run("the station dies in a batch", func(t *testing.T) { stationDiesInABatch(t, newPlant(t, server)) })
	t.Run("the plant comes and goes", func(t *testing.T) { plantComesAndGoes(t, newPlant(t, server)) })
}

// Three stations forward at once; the plant's server is killed in the middle
// of a batch, started again, stopped in the middle of a batch, started again.
func plantComesAndGoes(t *testing.T, p *plant) {
	var stations []*recordsFake
	for i := range 3 {
		a := newArchive(t, fmt.Sprintf("LQ-%d", i+1))
		a.serial = i * 1000
		a.make(25)
		stations = append(stations, a)
	}
	p.brake(true)
	list, stop := p.forwarders(10, stations...)
	p.inBatch()
	p.server.Kill()
	all(list, func(s State) bool { return s.Trouble != "" && s.Behind.Reports == 25 })
	p.server.Restart()
	p.inBatch()
	for _, a := range stations { // runs go on meanwhile
		a.make(2)
	}
	p.server.Stop()
	all(list, func(s State) bool { return s.Trouble != "" && s.Behind.Reports == 27 })
	p.server.Restart()
	p.brake(false)
	all(list, upToDate)
	for _, f := range list {
		require.Empty(t, f.State().Problems)
	}
	stop()
	p.holds(stations...)
}

// The station's own process is killed in the middle of a batch.
func forwardAsChild(t *testing.T, dir string) {
	f := New(Config{Dir: dir, Batch: 10, Plant: func(ctx context.Context) (Store, error) {
		return store.OpenPlant(ctx, os.Getenv("FULLTHROW_PLANT"), store.PlantOptions{})
	}})
	f.Once(t.Context())
	t.Fatal("it should have been killed")
}

func stationDiesInABatch(t *testing.T, p *plant) {
	a := newArchive(t, "LQ-1")
	a.make(25)
	p.brake(true)
	self, err := os.Executable()
	require.NoError(t, err)
	child := exec.Command(self, "-test.run=^TestPlant$")
	child.Env = append(os.Environ(), "FULLTHROW_FORWARD="+a.dir, "FULLTHROW_PLANT="+p.dsn)
	require.NoError(t, child.Start())
	p.inBatch()
	require.NoError(t, child.Process.Kill())
	require.Error(t, child.Wait())
	p.brake(false)
	r, err := New(Config{Dir: a.dir, Plant: p.open}).Once(t.Context())
	require.NoError(t, err)
	require.Equal(t, 25, r.Sent, "nothing of the batch was in")
	p.holds(a)
}

// Kills at any moment, many times over: nothing is lost, and nothing stands twice.
func TestPlantIsKilledAtAnyMoment(t *testing.T) {
	kills, each := 12, 150
	if testing.Short() {
		kills, each = 3, 30
	}
	p := newPlant(t, pgtest.Start(t))
	var stations []*recordsFake
	for i := range 3 {
		a := newArchive(t, fmt.Sprintf("LQ-%d", i+1))
		a.serial = i * 10000
		a.make(each)
		stations = append(stations, a)
	}
	list, stop := p.forwarders(7, stations...)
	for range kills {
		time.Sleep(time.Duration(rand.IntN(400)) * time.Millisecond)
		if rand.IntN(3) == 0 {
			p.server.Stop()
		} else {
			p.server.Kill()
		}
		stations[rand.IntN(3)].make(3)
		p.server.Restart()
	}
	all(list, upToDate)
	stop()
	p.holds(stations...)
}

// BenchmarkForward sends an archive of 1000 reports with 60 readings each to
// PostgreSQL, by batches of several sizes.
func BenchmarkForward(b *testing.B) {
	server := pgtest.Start(b)
	dir := b.TempDir()
	a, err := archive.Open(dir, "LQ-1")
	require.NoError(b, err)
	defer a.Close()
	at := time.Date(2026, 3, 2, 6, 0, 0, 0, time.UTC)
	const n = 1000
	for i := range n {
		at = at.Add(45 * time.Second)
		long(b, a, at, i)
	}
	for _, batch := range []int{1, 10, 50, 200, 1000} {
		b.Run(strconv.Itoa(batch), func(b *testing.B) {
			var bytes int64
			for b.Loop() {
				b.StopTimer()
				dsn := server.NewDatabase(b)
				f := New(Config{Dir: dir, Batch: batch, Plant: func(ctx context.Context) (Store, error) {
					return store.OpenPlant(ctx, dsn, store.PlantOptions{})
				}})
				b.StartTimer()
				r, err := f.Once(b.Context())
				require.NoError(b, err)
				require.Equal(b, n, r.Sent)
				bytes += r.Bytes
			}
			b.ReportMetric(float64(n*b.N)/b.Elapsed().Seconds(), "reports/s")
			b.ReportMetric(float64(bytes)/1e6/b.Elapsed().Seconds(), "MB/s")
		})
	}
}

// long seals a report of 10 checks with 6 readings each.
func long(b *testing.B, a *archive.Archive, at time.Time, n int) {
	j, err := a.Begin(reports.Start{
		Run: reports.NewRunID(at, "LQ-1", "A"), Station: "LQ-1", Nest: "A",
		Unit: reports.Unit{SerialNumber: fmt.Sprintf("K8-%06d", n), Product: "kittiwake-k8", Revision: "C", Lot: "24A"},
	}, at)
	require.NoError(b, err)
	lower, upper := 0.0, 1.0
	for c := range 10 {
		check := fmt.Sprintf("check%d", c)
		require.NoError(b, j.Append(reports.Event{Time: at, Kind: reports.CheckStarted, Check: &reports.Check{Name: check}}))
		for r := range 6 {
			require.NoError(b, j.Append(reports.Event{Time: at, Kind: reports.ReadingTaken, Reading: &reports.Reading{
				Check: check, Name: fmt.Sprintf("reading%d", r), Value: reports.Number(rand.Float64()), Unit: "V",
				Limit: &reports.Limit{Lower: &lower, Upper: &upper, Why: "so that the figures are of usual length"}, Verdict: reports.Pass}}))
		}
		require.NoError(b, j.Append(reports.Event{Time: at, Kind: reports.CheckEnded, Check: &reports.Check{Name: check, Verdict: reports.Pass}}))
	}
	require.NoError(b, j.Append(reports.Event{Time: at.Add(40 * time.Second), Kind: reports.RunEnded, End: &reports.End{Outcome: reports.Passed}}))
	_, err = j.Seal()
	require.NoError(b, err)
}

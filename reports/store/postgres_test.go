package store

import (
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/hex"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"fullthrow/reports"
	"fullthrow/reports/archive"
	"fullthrow/reports/store/pgtest"
)

// plantRun is one small run for tests of the plant's own.
type plantRun struct {
	serial  string
	began   time.Time
	outcome reports.Outcome
	text    string
}

func plantItems(t testing.TB, a *archive.Archive, runs ...plantRun) []Item {
	t.Helper()
	var items []Item
	for _, r := range runs {
		start := reports.Start{
			Run: reports.NewRunID(r.began, "LQ-1", "A"), Station: "LQ-1", Nest: "A",
			Unit: reports.Unit{SerialNumber: r.serial, Product: "kittiwake-k8", Lot: "24A"},
		}
		j, err := a.Begin(start, r.began)
		require.NoError(t, err)
		verdict, x := reports.Pass, 1.5
		if r.outcome == reports.Failed {
			verdict, x = reports.Fail, 2.5
		}
		end := &reports.End{Outcome: r.outcome}
		switch r.outcome {
		case reports.Errored:
			end.Reason = &reports.Reason{Code: reports.DeviceFailed}
		case reports.Aborted:
			end.Reason = &reports.Reason{Code: reports.StoppedByHand}
		}
		upper := 2.0
		for i, e := range []reports.Event{
			{Kind: reports.CheckStarted, Check: &reports.Check{Name: "standby"}},
			{Kind: reports.ReadingTaken, Reading: &reports.Reading{Check: "standby", Name: "current", Value: reports.Number(x), Unit: "A", Limit: &reports.Limit{Upper: &upper}, Verdict: verdict}},
			{Kind: reports.ReadingTaken, Reading: &reports.Reading{Check: "standby", Name: "text", Value: reports.Text(r.text), Verdict: reports.Unlimited}},
			{Kind: reports.CheckEnded, Check: &reports.Check{Name: "standby", Verdict: verdict}},
			{Kind: reports.RunEnded, End: end},
		} {
			e.Time = r.began.Add(time.Duration(i+1) * time.Second)
			require.NoError(t, j.Append(e))
		}
		s, err := j.Seal()
		require.NoError(t, err)
		items = append(items, Item{Sealed: s, File: s.File})
	}
	return items
}

func plantArchive(t testing.TB) *archive.Archive {
	t.Helper()
	a, err := archive.Open(t.TempDir(), "LQ-1")
	require.NoError(t, err)
	t.Cleanup(func() { a.Close() })
	return a
}

func openPlant(t testing.TB, dsn string, o PlantOptions) *Plant {
	t.Helper()
	p, err := OpenPlant(t.Context(), dsn, o)
	require.NoError(t, err)
	t.Cleanup(func() { p.Close() })
	return p
}

func TestPlant(t *testing.T) {
	server := pgtest.Start(t, pgtest.NoSync)
	for _, c := range []struct {
		name string
		test func(t *testing.T, server *pgtest.Server)
	}{
		{"keeps reports whole", plantKeepsReportsWhole},
		{"conforms", plantConforms},
		{"months", plantMonths},
		{"views", plantViews},
		{"proves what comes in", plantProves},
		{"writers take turns", plantTurns},
		{"cancelled by the administrator", plantCancelled},
		{"opening", plantOpening},
		{"keys", plantKeys},
	} {
		t.Run(c.name, func(t *testing.T) { c.test(t, server) })
	}
}

func plantConforms(t *testing.T, server *pgtest.Server) {
	conform(t, func(t *testing.T, _ string) stored { return openPlant(t, server.NewDatabase(t), PlantOptions{}) })
}

func plantKeepsReportsWhole(t *testing.T, server *pgtest.Server) {
	p, a := openPlant(t, server.NewDatabase(t), PlantOptions{}), plantArchive(t)
	began := time.Date(2026, 3, 2, 6, 0, 0, 0, time.UTC)
	hostile := "NUL \x00, quote ' \" \\, \xff, ; DROP TABLE run; --, ✓\U0001F600"
	items := plantItems(t, a,
		plantRun{"K8-1", began, reports.Passed, "plain"},
		plantRun{hostile, began.Add(time.Minute), reports.Failed, hostile},
		plantRun{strings.Repeat("long", 10000), began.Add(2 * time.Minute), reports.Passed, strings.Repeat("x", 1<<20)},
	)
	data := []byte("time,current\n0,1\n")
	sum := sha256.Sum256(data)
	name := hex.EncodeToString(sum[:])
	items[0].Attachments = map[string][]byte{name: data}
	added, err := p.Add(t.Context(), items...)
	require.NoError(t, err)
	require.Equal(t, Added{New: 3}, added)
	added, err = p.Add(t.Context(), items[1], items[0], items[0])
	require.NoError(t, err)
	require.Equal(t, Added{Known: 3}, added)

	for _, i := range items {
		got, err := p.Report(t.Context(), i.Sealed.Report.Run)
		require.NoError(t, err)
		require.Equal(t, i.Sealed, got, "byte for byte, its seal and its place too")
	}
	_, err = p.Report(t.Context(), "none")
	require.ErrorIs(t, err, ErrUnknown)
	got, err := p.Attachment(t.Context(), name)
	require.NoError(t, err)
	require.Equal(t, data, got)
	_, err = p.Attachment(t.Context(), "\x00")
	require.ErrorIs(t, err, ErrUnknown)

	runs := []string{items[2].Sealed.Report.Run, "none", items[0].Sealed.Report.Run, "\x00\xff"}
	known, err := p.Known(t.Context(), runs)
	require.NoError(t, err)
	require.Equal(t, map[string]string{runs[0]: items[2].Sealed.Seal.SHA256, runs[2]: items[0].Sealed.Seal.SHA256}, known)
	attachments, err := p.KnownAttachments(t.Context(), []string{name, strings.Repeat("0", 64)})
	require.NoError(t, err)
	require.Equal(t, map[string]bool{name: true}, attachments)

	require.NoError(t, p.AddRepairs(t.Context(), reports.Repair{ID: "r1", Run: runs[0], At: began}))
	repairs, err := p.KnownRepairs(t.Context(), []string{"r1", "r2"})
	require.NoError(t, err)
	require.Equal(t, map[string]bool{"r1": true}, repairs)

	before := time.Now().Truncate(time.Microsecond)
	now, err := p.Now(t.Context())
	require.NoError(t, err)
	require.WithinRange(t, now, before, time.Now(), "the same machine's clock")
}

// Runs of any date find their month, and a month is made when it is needed.
func plantMonths(t *testing.T, server *pgtest.Server) {
	p, a := openPlant(t, server.NewDatabase(t), PlantOptions{}), plantArchive(t)
	dates := []time.Time{
		time.Date(2026, 3, 31, 23, 59, 59, 999e6, time.UTC), time.Date(2026, 4, 1, 0, 0, 0, 0, time.UTC),
		time.Date(2025, 12, 31, 23, 0, 0, 0, time.UTC), time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC),
		time.Date(1970, 1, 1, 0, 0, 0, 0, time.UTC), time.Date(1, 1, 1, 0, 0, 1, 0, time.UTC), time.Date(9999, 12, 31, 0, 0, 0, 0, time.UTC),
		time.Date(2019, 12, 31, 23, 59, 59, 0, time.UTC), time.Date(2020, 1, 1, 0, 0, 0, 0, time.UTC),
		time.Date(2049, 12, 31, 23, 59, 59, 0, time.UTC), time.Date(2050, 1, 1, 0, 0, 0, 0, time.UTC),
	}
	var runs []plantRun
	for i, d := range dates {
		runs = append(runs, plantRun{fmt.Sprint("K8-", i), d, reports.Passed, ""})
	}
	items := plantItems(t, a, runs...)
	for _, part := range [][]Item{items[:3], items[3:], items} {
		_, err := p.Add(t.Context(), part...)
		require.NoError(t, err)
	}
	counts, err := p.Counts(t.Context(), Selection{})
	require.NoError(t, err)
	require.EqualValues(t, len(dates), counts.Units)
	counts, err = p.Counts(t.Context(), Selection{Since: dates[3], Until: dates[1]})
	require.NoError(t, err)
	require.EqualValues(t, 2, counts.Units, "March 2026")

	// Each in the part of its month.
	rows, err := p.read.QueryContext(t.Context(), "SELECT tableoid::regclass::text, count(*) FROM run GROUP BY 1")
	require.NoError(t, err)
	defer rows.Close()
	got := map[string]int{}
	for rows.Next() {
		var name string
		var n int
		require.NoError(t, rows.Scan(&name, &n))
		got[name] = n
	}
	require.NoError(t, rows.Err())
	require.Equal(t, map[string]int{
		"run_y2026m03": 2, "run_y2026m04": 1, "run_y2025m12": 1, "run_early": 3, "run_y2020m01": 1, "run_y2049m12": 1, "run_late": 2,
	}, got)
}

// People's tools read the database directly.
func plantViews(t *testing.T, server *pgtest.Server) {
	p, a := openPlant(t, server.NewDatabase(t), PlantOptions{}), plantArchive(t)
	began := time.Date(2026, 3, 2, 23, 59, 0, 0, time.UTC)
	hostile := "NUL \x00 ' \" \\u0000 ✓"
	_, err := p.Add(t.Context(), plantItems(t, a,
		plantRun{"K8-1", began, reports.Passed, "plain"}, plantRun{hostile, began.Add(time.Minute), reports.Failed, hostile})...)
	require.NoError(t, err)
	require.NoError(t, p.AddRepairs(t.Context(), reports.Repair{ID: "r1", Run: "x", At: began, Text: hostile}))
	rows := map[string]int{}
	for _, v := range Views() {
		var columns []string
		for _, c := range v.Columns {
			columns = append(columns, c.Name)
		}
		var n int
		require.NoError(t, p.read.QueryRowContext(t.Context(), "SELECT count(*) FROM (SELECT "+strings.Join(columns, ", ")+" FROM "+v.Name+" OFFSET 0) AS x").Scan(&n), v.Name)
		rows[v.Name] = n
	}
	require.Equal(t, map[string]int{"v_runs": 2, "v_readings": 4, "v_failures": 2, "v_repairs": 1, "v_daily_yield": 2}, rows)

	var started time.Time
	var value, text sql.Null[string]
	query := "SELECT started, value::text, text FROM v_readings WHERE outcome = 'failed' AND reading = $1"
	require.NoError(t, p.read.QueryRowContext(t.Context(), query, "current").Scan(&started, &value, &text))
	require.True(t, started.Equal(began.Add(time.Minute)))
	require.Equal(t, sql.Null[string]{V: "2.5", Valid: true}, value)
	require.False(t, text.Valid)
	require.NoError(t, p.read.QueryRowContext(t.Context(), query, "text").Scan(&started, &value, &text))
	require.False(t, value.Valid)
	require.Equal(t, strings.ReplaceAll(hostile, "\x00", "\uFFFD"), text.V)
	var day time.Time
	require.NoError(t, p.read.QueryRowContext(t.Context(), "SELECT day FROM v_daily_yield WHERE failed = 1").Scan(&day))
	require.Equal(t, "2026-03-03", day.Format("2006-01-02"))
}

func plantProves(t *testing.T, server *pgtest.Server) {
	p, a := openPlant(t, server.NewDatabase(t), PlantOptions{}), plantArchive(t)
	began := time.Date(2026, 3, 2, 6, 0, 0, 0, time.UTC)
	items := plantItems(t, a, plantRun{"K8-1", began, reports.Passed, ""}, plantRun{"K8-2", began.Add(time.Minute), reports.Passed, ""})
	refused := func(change func(i *Item)) {
		t.Helper()
		bad := items[1]
		change(&bad)
		_, err := p.Add(t.Context(), items[0], bad)
		var r *RefusedError
		require.ErrorAs(t, err, &r)
		require.ErrorIs(t, err, archive.ErrSeal)
		known, err := p.Known(t.Context(), []string{items[0].Sealed.Report.Run})
		require.NoError(t, err)
		require.Empty(t, known, "all are in, or none")
	}
	refused(func(i *Item) {
		i.Sealed.Raw = []byte(strings.Replace(string(i.Sealed.Raw), `"passed"`, `"failed"`, 1))
	})
	refused(func(i *Item) { i.Sealed.Seal.Number++; i.Sealed.Seal.Signature = strings.Repeat("0", 128) })
	refused(func(i *Item) { i.Sealed.Report.Run = "another" })
	refused(func(i *Item) { i.Attachments = map[string][]byte{strings.Repeat("0", 64): []byte("x")} })

	// The database itself does not take an attachment under a wrong hash.
	_, err := p.write.ExecContext(t.Context(), "INSERT INTO attachment (sha256, size, data) VALUES ($1, 1, 'x')", strings.Repeat("0", 64))
	require.ErrorContains(t, err, "check constraint")

	// Another report of the same run: the station's key seals two stories.
	_, err = p.Add(t.Context(), items...)
	require.NoError(t, err)
	b := plantArchive(t)
	j, err := b.Begin(reports.Start{Run: items[0].Sealed.Report.Run, Station: "LQ-1", Nest: "A"}, began)
	require.NoError(t, err)
	other, err := j.Seal()
	require.NoError(t, err)
	third := plantItems(t, a, plantRun{"K8-3", began.Add(2 * time.Minute), reports.Passed, ""})[0]
	_, err = p.Add(t.Context(), third, Item{Sealed: other})
	require.ErrorIs(t, err, ErrConflict)
	known, err := p.Known(t.Context(), []string{third.Sealed.Report.Run})
	require.NoError(t, err)
	require.Empty(t, known, "all are in, or none")
}

// A writer that falls silent gives its turn back.
func plantTurns(t *testing.T, server *pgtest.Server) {
	dsn := server.NewDatabase(t)
	silent := openPlant(t, dsn, PlantOptions{Stalled: time.Hour})
	p, a := openPlant(t, dsn, PlantOptions{}), plantArchive(t)
	item := plantItems(t, a, plantRun{"K8-1", time.Date(2026, 3, 2, 6, 0, 0, 0, time.UTC), reports.Passed, ""})[0]
	began, other := make(chan bool), make(chan error)
	go func() {
		<-began
		_, err := p.Add(context.WithoutCancel(t.Context()), item)
		other <- err
	}()
	var stalled string
	setting := silent.read.QueryRowContext(t.Context(), "SELECT current_setting('idle_in_transaction_session_timeout')")
	require.NoError(t, setting.Scan(&stalled))
	require.Equal(t, "1h", stalled)
	err := silent.change(t.Context(), "fall silent", func(x *transaction) error {
		// Only from here on: a busy machine is silent for as long without meaning to.
		if _, err := x.exec("SET LOCAL idle_in_transaction_session_timeout = '200ms'"); err != nil {
			return err
		}
		close(began)
		if err := <-other; err != nil { // while this transaction stands open
			return err
		}
		_, err := x.exec("UPDATE state SET runs = 0 WHERE one = 1")
		return err
	})
	require.Error(t, err, "what it had begun is undone")
	counts, err := p.Counts(t.Context(), Selection{})
	require.NoError(t, err)
	require.EqualValues(t, 1, counts.Units)
}

// An administrator ends what is waiting; the next try is not the worse for it.
func plantCancelled(t *testing.T, server *pgtest.Server) {
	dsn := server.NewDatabase(t)
	// A busy machine may be long between two words of a transaction.
	p, a := openPlant(t, dsn, PlantOptions{Stalled: time.Hour}), plantArchive(t)
	item := plantItems(t, a, plantRun{"K8-1", time.Date(2026, 3, 2, 6, 0, 0, 0, time.UTC), reports.Passed, ""})[0]
	tx, err := p.read.BeginTx(t.Context(), nil)
	require.NoError(t, err)
	defer tx.Rollback()
	_, err = tx.ExecContext(t.Context(), "SELECT pg_advisory_xact_lock($1)", writeLock)
	require.NoError(t, err)
	done := make(chan error)
	go func() {
		_, err := p.Add(context.WithoutCancel(t.Context()), item)
		done <- err
	}()
	for cancelled := false; !cancelled; time.Sleep(10 * time.Millisecond) {
		// Outside the transaction, which sees the processes of its beginning.
		require.NoError(t, p.read.QueryRowContext(t.Context(), `SELECT coalesce(bool_or(pg_cancel_backend(pid)), false) FROM pg_stat_activity
			WHERE wait_event = 'advisory' AND datname = current_database()`).Scan(&cancelled))
	}
	require.ErrorContains(t, <-done, "canceling statement")
	require.NoError(t, tx.Commit())
	for range 2 {
		_, err = p.Add(t.Context(), item)
		require.NoError(t, err)
	}
}

func plantOpening(t *testing.T, server *pgtest.Server) {
	newer := server.NewDatabase(t)
	p := openPlant(t, newer, PlantOptions{})
	for name, want := range map[string]string{"synchronous_commit": "on", "TimeZone": "UTC", "idle_in_transaction_session_timeout": "30s", "application_name": "fullthrow"} {
		var got string
		require.NoError(t, p.read.QueryRowContext(t.Context(), "SELECT current_setting($1)", name).Scan(&got))
		require.Equal(t, want, got, name)
	}
	// Many at once, in an empty database too.
	dsn := server.NewDatabase(t)
	errs := make(chan error)
	for range 4 {
		go func() {
			p, err := OpenPlant(context.WithoutCancel(t.Context()), dsn, PlantOptions{})
			if err == nil {
				err = p.Close()
			}
			errs <- err
		}()
	}
	for range 4 {
		require.NoError(t, <-errs)
	}

	hint := func(dsn string) string {
		t.Helper()
		_, err := OpenPlant(t.Context(), dsn, PlantOptions{})
		var h *reports.HintedError
		require.ErrorAs(t, err, &h)
		return h.Hint
	}
	require.Contains(t, hint(strings.Replace(dsn, "dbname=test", "dbname=none", 1)), "createdb")
	require.Contains(t, hint("host="+t.TempDir()+" user=x dbname=x"), "network")
	require.Contains(t, hint("postgres://%%%"), "postgres://")
	_, err := p.write.ExecContext(t.Context(), "UPDATE fullthrow_layout SET version = 99")
	require.NoError(t, err)
	require.Contains(t, hint(newer), "up to date")
	_, err = p.write.ExecContext(t.Context(), "UPDATE fullthrow_layout SET version = 1")
	require.NoError(t, err)
	require.Contains(t, hint(newer), "the stations send all reports again")
	dsn = server.NewDatabase(t)
	taken := openPlant(t, dsn, PlantOptions{})
	_, err = taken.write.ExecContext(t.Context(), "DROP TABLE fullthrow_layout")
	require.NoError(t, err)
	require.Contains(t, hint(dsn), "of its own")
}

// The layout keeps what spreading it over several machines by station needs:
// every key of a table with stations holds the station, and no table of those
// refers to another.
func plantKeys(t *testing.T, server *pgtest.Server) {
	p := openPlant(t, server.NewDatabase(t), PlantOptions{})
	rows, err := p.read.QueryContext(t.Context(), `SELECT c.relname, array_to_string(array_agg(a.attname), ' ')
		FROM pg_index i JOIN pg_class c ON c.oid = i.indrelid
		JOIN pg_attribute a ON a.attrelid = c.oid AND a.attnum = ANY (i.indkey)
		WHERE i.indisunique AND c.relnamespace = 'public'::regnamespace AND c.relispartition = false GROUP BY i.indexrelid, c.relname`)
	require.NoError(t, err)
	defer rows.Close()
	keys := map[string][]string{}
	for rows.Next() {
		var name, columns string
		require.NoError(t, rows.Scan(&name, &columns))
		keys[name] = append(keys[name], columns)
	}
	require.NoError(t, rows.Err())
	spread := 0
	for _, x := range tables() {
		if x.own {
			continue
		}
		require.NotEmpty(t, keys[x.name], "%s has no primary key", x.name)
		if !x.station {
			continue
		}
		spread++
		for _, key := range keys[x.name] {
			require.Contains(t, strings.Fields(key), "station", x.name)
			require.Contains(t, strings.Fields(key), x.time, x.name)
		}
	}
	require.Equal(t, 7, spread)
	var foreign int
	require.NoError(t, p.read.QueryRowContext(t.Context(), "SELECT count(*) FROM pg_constraint WHERE contype = 'f'").Scan(&foreign))
	require.Zero(t, foreign)
}

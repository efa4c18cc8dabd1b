package store

import (
	"context"
	"fmt"
	"math/rand/v2"
	"slices"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"fullthrow/reports"
	"fullthrow/reports/archive"
)

// conform holds a store to what [stored] promises. open makes an empty one; dir
// is where a station's store finds the report files, and may be ignored.
func conform(t *testing.T, open func(t *testing.T, dir string) stored) {
	t.Run("empty", func(t *testing.T) { conformEmpty(t, open(t, t.TempDir())) })
	t.Run("once", func(t *testing.T) { dir := t.TempDir(); conformOnce(t, open(t, dir), dir) })
	t.Run("any order", func(t *testing.T) { conformOrder(t, open) })
	t.Run("lists", func(t *testing.T) { dir := t.TempDir(); conformLists(t, open(t, dir), dir) })
	t.Run("units", func(t *testing.T) { conformUnits(t, open(t, t.TempDir())) })
	t.Run("clock", func(t *testing.T) { conformClock(t, open) })
	t.Run("shuffled clocks", func(t *testing.T) { conformShuffled(t, open) })
	t.Run("cut short", func(t *testing.T) { conformCutShort(t, open(t, t.TempDir())) })
	t.Run("calendar", func(t *testing.T) { conformCalendar(t, open(t, t.TempDir())) })
	t.Run("hostile", func(t *testing.T) { dir := t.TempDir(); conformHostile(t, open(t, dir), dir) })
	t.Run("limits", func(t *testing.T) { conformLimits(t, open(t, t.TempDir())) })
	t.Run("at once", func(t *testing.T) { conformAtOnce(t, open(t, t.TempDir())) })
	t.Run("views", func(t *testing.T) { conformViews(t, open(t, t.TempDir())) })
}

func conformEmpty(t *testing.T, st stored) {
	ctx := t.Context()
	w := &world{}
	got, err := st.Counts(ctx, Selection{})
	require.NoError(t, err)
	require.Equal(t, w.counts(Selection{}), got)
	groups, err := st.Trend(ctx, Selection{}, ByDay)
	require.NoError(t, err)
	require.Empty(t, groups)
	h, err := st.Cycle(ctx, Selection{})
	require.NoError(t, err)
	require.Zero(t, h.N)
	_, err = st.Series(ctx, Selection{}, "a.b", true, 10)
	require.ErrorIs(t, err, ErrUnknown)
	_, err = st.Run(ctx, "none")
	require.ErrorIs(t, err, ErrUnknown)
	require.ErrorContains(t, err, "store: run")
	_, err = st.Report(ctx, "none")
	require.ErrorIs(t, err, ErrUnknown)
	_, err = st.Runs(ctx, Selection{}, RunFilter{}, "none", 10)
	require.ErrorIs(t, err, ErrUnknown)
	runs, repairs, err := st.History(ctx, "", "K8-0001")
	require.NoError(t, err)
	require.Empty(t, runs)
	require.Empty(t, repairs)
	stations, err := st.Stations(ctx)
	require.NoError(t, err)
	require.Empty(t, stations)
	_, err = st.Trend(ctx, Selection{}, "moon")
	require.ErrorContains(t, err, "moon")
	_, err = st.Values(ctx, ByDay)
	require.ErrorContains(t, err, "no field")
	_, err = st.Failures(ctx, Selection{}, "moon")
	require.ErrorContains(t, err, "moon")

	gone, cancel := context.WithCancel(ctx)
	cancel()
	_, err = st.Counts(gone, Selection{})
	require.ErrorIs(t, err, context.Canceled)
	_, err = st.Add(gone, itemsOf(newStation("LQ-1").seal(t, reports.Report{Start: reports.Start{Run: "r"}, Started: start, Ended: start}))...)
	require.ErrorIs(t, err, context.Canceled)
	got, err = st.Counts(ctx, Selection{})
	require.NoError(t, err)
	require.Zero(t, got.Runs)
}

// A report is taken in once, by its run; another report of the same run never,
// and nothing of its batch.
func conformOnce(t *testing.T, st stored, dir string) {
	ctx := t.Context()
	lq1 := newStation("LQ-1")
	r := rand.New(rand.NewPCG(1, 1))
	a, b := lq1.seal(t, randomReport(r, "LQ-1", 1)), lq1.seal(t, randomReport(r, "LQ-1", 2))
	put(t, dir, a)
	added, err := st.Add(ctx, itemsOf(a, a)...)
	require.NoError(t, err)
	require.Equal(t, Added{New: 1, Known: 1}, added)
	added, err = st.Add(ctx, itemsOf(a)...)
	require.NoError(t, err)
	require.Equal(t, Added{Known: 1}, added)

	forged := a.Report
	forged.Outcome, forged.Reason = reports.Passed, &reports.Reason{Code: reports.Stopped, Text: "forged"}
	f := newStation("forger").seal(t, forged)
	_, err = st.Add(ctx, itemsOf(b, f)...)
	require.ErrorIs(t, err, ErrConflict)
	require.ErrorContains(t, err, a.Report.Run)
	w := &world{reports: []archive.Sealed{a}}
	w.agree(t, st, Selection{})
	back, err := st.Report(ctx, a.Report.Run)
	require.NoError(t, err)
	require.Equal(t, a.Raw, back.Raw)
	require.Equal(t, a.Seal, back.Seal)

	added, err = st.Add(ctx, itemsOf(b, a)...)
	require.NoError(t, err)
	require.Equal(t, Added{New: 1, Known: 1}, added)
	w.reports = append(w.reports, b)
	w.agree(t, st, Selection{})
	added, err = st.Add(ctx)
	require.NoError(t, err)
	require.Equal(t, Added{}, added)
}

// Whatever the order in which reports, flags and repairs come, every answer is
// that of the definitions.
func conformOrder(t *testing.T, open func(t *testing.T, dir string) stored) {
	for seed := range uint64(2) {
		r := rand.New(rand.NewPCG(seed, 7))
		st := open(t, t.TempDir())
		stations := []*station{newStation("LQ-1"), newStation("LQ-2"), newStation("LQ-3")}
		var all []archive.Sealed
		for n := range 70 {
			s := stations[r.IntN(3)]
			all = append(all, s.seal(t, randomReport(r, s.name, n)))
		}
		r.Shuffle(len(all), func(i, j int) { all[i], all[j] = all[j], all[i] })
		w := &world{flagged: map[string]string{}}
		flags := map[string][]Flag{} // by key, also of reports that have not come yet
		since := start.Add(time.Duration(r.IntN(5*24*60)) * time.Minute)
		selections := []Selection{
			{},
			{Since: since, Until: since.Add(time.Duration(r.IntN(4*24*60)) * time.Minute)},
			{Since: since, Until: since.Add(95 * time.Minute)},
			{Since: since.Truncate(24 * time.Hour)},
			{Until: since.Truncate(24 * time.Hour), Lot: "24A"},
			{Product: product, Station: "LQ-2"},
			{Nest: "B", Operator: "Ines", Revision: "C"},
			{Lot: "none"},
		}
		repairs := 0
		for step := 0; len(all) > 0; step++ {
			n := min(1+r.IntN(6), len(all))
			added, err := st.Add(t.Context(), itemsOf(all[:n]...)...)
			require.NoError(t, err)
			require.Equal(t, n, added.New)
			w.reports = append(w.reports, all[:n]...)
			all = all[n:]
			for range r.IntN(3) {
				s := stations[r.IntN(3)]
				key := s.keyText()
				if r.IntN(3) == 0 {
					flags[key] = nil
				}
				for _, x := range append(slices.Clone(w.reports), all...) {
					if x.Seal.Key == key && r.IntN(25) == 0 {
						flags[key] = append(flags[key], Flag{Run: x.Report.Run, Station: s.name, File: x.File, Kind: FlagChanged, Text: "was changed: " + x.Report.Run})
					}
				}
				require.NoError(t, st.SetFlags(t.Context(), key, flags[key]))
			}
			clear(w.flagged)
			for key, list := range flags {
				for _, f := range list {
					if slices.ContainsFunc(w.reports, func(x archive.Sealed) bool { return x.Report.Run == f.Run && x.Seal.Key == key }) {
						w.flagged[f.Run] = f.Text
					}
				}
			}
			if r.IntN(2) == 0 {
				of := w.reports[r.IntN(len(w.reports))].Report
				repairs++
				rep := reports.Repair{
					ID: fmt.Sprintf("rep-%d", repairs), Run: of.Run, Unit: of.Unit, At: of.Started.Add(time.Hour), By: "Ana",
					Found: []string{reports.NoFaultFound, "soldering"}[r.IntN(2)], Done: "nothing",
				}
				w.repairs = append(w.repairs, rep)
				require.NoError(t, st.AddRepairs(t.Context(), rep, rep))
			}
			if step%9 == 8 || len(all) == 0 {
				w.agree(t, st, selections[step%len(selections)])
			}
		}
		for _, s := range selections {
			w.agree(t, st, s)
		}
		// Without flags and as if nothing had been wrong.
		for _, s := range stations {
			require.NoError(t, st.SetFlags(t.Context(), s.keyText(), nil))
		}
		clear(w.flagged)
		w.agree(t, st, Selection{})
	}
}

func conformLists(t *testing.T, st stored, dir string) {
	ctx := t.Context()
	r := rand.New(rand.NewPCG(5, 5))
	lq1, lq2 := newStation("LQ-1"), newStation("LQ-2")
	w := &world{flagged: map[string]string{}}
	for n := range 40 {
		s := []*station{lq1, lq2}[n%2]
		x := s.seal(t, randomReport(r, s.name, n))
		put(t, dir, x)
		w.reports = append(w.reports, x)
	}
	// The second of LQ-1 comes last: until then its chain has a gap.
	late := w.reports[2]
	require.Equal(t, int64(2), late.Seal.Number)
	for i, x := range w.reports {
		if i != 2 {
			_, err := st.Add(ctx, itemsOf(x)...)
			require.NoError(t, err)
		}
	}
	states, err := st.Stations(ctx)
	require.NoError(t, err)
	require.Len(t, states, 2)
	require.Equal(t, []any{"LQ-1", lq1.keyText(), int64(1), w.reports[0].Seal.SHA256, int64(19)},
		[]any{states[0].Station, states[0].Key, states[0].Number, states[0].SHA256, states[0].Reports})
	_, err = st.Add(ctx, itemsOf(late)...)
	require.NoError(t, err)
	states, err = st.Stations(ctx)
	require.NoError(t, err)
	for i, s := range []*station{lq1, lq2} {
		require.Equal(t, []any{s.name, int64(20), s.last.SHA256, int64(20)}, []any{states[i].Station, states[i].Number, states[i].SHA256, states[i].Reports})
	}

	for _, x := range w.reports {
		got, err := st.Run(ctx, x.Report.Run)
		require.NoError(t, err)
		require.Equal(t, w.runOf(x), got)
		back, err := st.Report(ctx, x.Report.Run)
		require.NoError(t, err)
		require.Equal(t, x.Report, back.Report)
		require.Equal(t, x.Seal, back.Seal)
	}
	var want []Run
	of8 := slices.DeleteFunc(w.sorted(), func(p *reports.Report) bool { return p.Unit.SerialNumber != "K8-0003" })
	for _, p := range w.ordered(of8, false) {
		if p.Unit.SerialNumber == "K8-0003" {
			i := slices.IndexFunc(w.reports, func(x archive.Sealed) bool { return x.Report.Run == p.Run })
			want = append(want, w.runOf(w.reports[i]))
		}
	}
	require.NotEmpty(t, want)
	runs, _, err := st.History(ctx, "", "K8-0003")
	require.NoError(t, err)
	require.Equal(t, want, runs)
	want = slices.DeleteFunc(want, func(r Run) bool { return r.Unit.Product != product })
	runs, _, err = st.History(ctx, product, "K8-0003")
	require.NoError(t, err)
	require.Equal(t, len(want), len(runs))

	newest := w.sorted()[39]
	for by, first := range map[By]string{
		ByProduct: newest.Unit.Product, ByStation: newest.Station, ByNest: newest.Station + " " + newest.Nest, ByLot: newest.Unit.Lot,
	} {
		values, err := st.Values(ctx, by)
		require.NoError(t, err)
		require.Equal(t, first, values[0], by)
	}
	values, err := st.Values(ctx, ByOperator)
	require.NoError(t, err)
	require.ElementsMatch(t, []string{"Ines", "Tom"}, values)
	readings, err := st.Readings(ctx, product)
	require.NoError(t, err)
	require.Equal(t, allReadings, readings)
	readings, err = st.Readings(ctx, "none")
	require.NoError(t, err)
	require.Empty(t, readings)
	checks, err := st.Checks(ctx, Selection{})
	require.NoError(t, err)
	require.Equal(t, "standby", checks[0].Check)
	require.Equal(t, "link", checks[2].Check)

	// Repairs: those of golden units count nowhere, but are listed.
	of := w.reports[0].Report
	var repairs []reports.Repair
	for i := range 5 {
		x := w.reports[i].Report
		repairs = append(repairs, reports.Repair{
			ID: fmt.Sprint("r", i), Run: x.Run, Unit: x.Unit, At: start.Add(time.Duration(i) * time.Hour), By: "Ana", Found: "other", Done: "cleaned", Text: "line\nline", Suggested: "leak",
		})
	}
	require.NoError(t, st.AddRepairs(ctx, repairs...))
	got, err := st.Repairs(ctx, Selection{}, 3)
	require.NoError(t, err)
	require.Equal(t, []reports.Repair{repairs[4], repairs[3], repairs[2]}, got)
	got, err = st.Repairs(ctx, Selection{Station: "LQ-2", Since: start.Add(2 * time.Hour)}, 10)
	require.NoError(t, err)
	require.Equal(t, []reports.Repair{repairs[3]}, got)
	_, got, err = st.History(ctx, of.Unit.Product, of.Unit.SerialNumber)
	require.NoError(t, err)
	require.Contains(t, got, repairs[0])

	// Flags: a station's own are replaced, those of a report nobody knows are
	// everybody's.
	flags := []Flag{
		{Run: of.Run, Station: "LQ-1", File: "a.json", Kind: FlagChanged, Text: "was changed"},
		{Station: "LQ-1", File: "b.json", Kind: FlagRemoved, Text: "is missing"},
	}
	require.NoError(t, st.SetFlags(ctx, lq1.keyText(), flags))
	listed, err := st.Flags(ctx, Selection{})
	require.NoError(t, err)
	require.Equal(t, flags, listed)
	listed, err = st.Flags(ctx, Selection{Station: "LQ-2"})
	require.NoError(t, err)
	require.Equal(t, flags[1:], listed)
	run, err := st.Run(ctx, of.Run)
	require.NoError(t, err)
	require.Equal(t, "was changed", run.Flag)
	require.False(t, run.First)
	require.NoError(t, st.SetFlags(ctx, lq1.keyText(), nil))
	listed, err = st.Flags(ctx, Selection{})
	require.NoError(t, err)
	require.Empty(t, listed)
	// Golden and flagged ones are in lists, in any page.
	some, err := st.Runs(ctx, Selection{}, RunFilter{}, "", 1000)
	require.NoError(t, err)
	require.Len(t, some, 40)
}

// simple is a judged run of one check and one reading.
func simple(station, run, serial string, at time.Time, x float64, upper float64) reports.Report {
	v, o := reports.Pass, reports.Passed
	if x > upper {
		v, o = reports.Fail, reports.Failed
	}
	return reports.Report{
		Start:   reports.Start{Run: run, Station: station, Nest: "A", Attempt: 1, Unit: reports.Unit{SerialNumber: serial, Product: product}},
		Started: at, Ended: at.Add(30 * time.Second), Outcome: o,
		Checks: []reports.Check{{Name: "c", Part: "p", Verdict: v, Readings: []reports.Reading{
			{Check: "c", Name: "x", Value: reports.Number(x), Unit: "A", Limit: &reports.Limit{Upper: ptr(upper)}, Verdict: v},
		}}},
	}
}

// A unit at three stations, whose first run is heard of last.
func conformUnits(t *testing.T, st stored) {
	ctx := t.Context()
	a, b, c := newStation("LQ-1"), newStation("LQ-2"), newStation("LQ-3")
	first := a.seal(t, simple("LQ-1", "r1", "S", start, 9, 5)) // failed
	second := b.seal(t, simple("LQ-2", "r2", "S", start.Add(24*time.Hour), 1, 5))
	third := c.seal(t, simple("LQ-3", "r3", "S", start.Add(48*time.Hour), 2, 5))
	expect := func(runs, units, firstPassed, finalPassed, nff, repaired int64) {
		t.Helper()
		got, err := st.Counts(ctx, Selection{})
		require.NoError(t, err)
		require.Equal(t, []int64{runs, units, firstPassed, finalPassed, nff, repaired},
			[]int64{got.Runs, got.Units, got.FirstPassed, got.FinalPassed, got.NoFaultFound, got.Repaired})
	}
	for i, x := range []archive.Sealed{third, second, first} {
		_, err := st.Add(ctx, itemsOf(x)...)
		require.NoError(t, err)
		expect(int64(i+1), 1, min(1, int64(2-i)), 1, max(0, int64(i-1)), 0)
	}
	m, err := st.Moments(ctx, Selection{})
	require.NoError(t, err)
	require.Equal(t, []any{int64(1), 9.0, 0.0, int64(1)}, []any{m[0].N, m[0].Mean, m[0].M2, m[0].Failed})
	require.NoError(t, st.SetFlags(ctx, a.keyText(), []Flag{{Run: "r1", Kind: FlagRemoved}}))
	expect(2, 1, 1, 1, 0, 0)
	run, err := st.Run(ctx, "r1")
	require.NoError(t, err)
	require.Equal(t, FlagRemoved, run.Flag)
	require.NoError(t, st.SetFlags(ctx, a.keyText(), nil))
	expect(3, 1, 0, 1, 1, 0)
	nothing := reports.Repair{ID: "1", Run: "r1", Unit: first.Report.Unit, At: start, Found: reports.NoFaultFound, Done: "nothing"}
	require.NoError(t, st.AddRepairs(ctx, nothing))
	expect(3, 1, 0, 1, 1, 0)
	something := nothing
	something.ID, something.Found = "2", "soldering"
	require.NoError(t, st.AddRepairs(ctx, something))
	expect(3, 1, 0, 1, 0, 1)
	// Another product's unit of the same number is another unit.
	other := simple("LQ-1", "r4", "S", start, 1, 5)
	other.Unit.Product = "tern-t2"
	_, err = st.Add(ctx, itemsOf(a.seal(t, other))...)
	require.NoError(t, err)
	expect(4, 2, 1, 2, 0, 1)
}

// Days and shifts begin where the selection's clock says, also when it is set.
func conformCalendar(t *testing.T, st stored) {
	ctx := t.Context()
	zone, err := time.LoadLocation("Europe/Berlin")
	require.NoError(t, err)
	lq := newStation("LQ-1")
	// 25 October 2026: at 03:00 the clock goes back to 02:00.
	for i, at := range []string{"2026-10-24T21:59:00Z", "2026-10-24T22:30:00Z", "2026-10-25T00:30:00Z", "2026-10-25T01:30:00Z", "2026-10-25T12:59:00Z", "2026-10-25T22:59:00Z", "2026-10-25T23:00:00Z"} {
		tm, err := time.Parse(time.RFC3339, at)
		require.NoError(t, err)
		_, err = st.Add(ctx, itemsOf(lq.seal(t, simple("LQ-1", fmt.Sprint("r", i), fmt.Sprint(i), tm, 1, 5)))...)
		require.NoError(t, err)
	}
	trend := func(by By, s Selection) (keys []string) {
		groups, err := st.Trend(ctx, s, by)
		require.NoError(t, err)
		for _, g := range groups {
			keys = append(keys, fmt.Sprintf("%s:%d", g.Key, g.Counts.Units))
			require.Equal(t, s.Zone, g.Start.Location())
		}
		return keys
	}
	berlin := Selection{Zone: zone}
	require.Equal(t, []string{"2026-10-24:1", "2026-10-25:5", "2026-10-26:1"}, trend(ByDay, berlin))
	require.Equal(t, []string{"2026-10-24 23:00:1", "2026-10-25 00:00:1", "2026-10-25 02:00:1", "2026-10-25 02:00:1", "2026-10-25 13:00:1", "2026-10-25 23:00:1", "2026-10-26 00:00:1"}, trend(ByHour, berlin))
	require.Equal(t, []string{"2026-10-24 22:00:4", "2026-10-25 06:00:1", "2026-10-25 22:00:2"}, trend(ByShift, berlin))
	require.Equal(t, []string{"2026-W43:6", "2026-W44:1"}, trend(ByWeek, berlin))
	require.Equal(t, []string{"2026-10:7"}, trend(ByMonth, berlin))
	berlin.Shifts = []time.Duration{7 * time.Hour}
	require.Equal(t, []string{"2026-10-24 07:00:4", "2026-10-25 07:00:3"}, trend(ByShift, berlin))
	require.Equal(t, []string{"2026-10-24:2", "2026-10-25:5"}, trend(ByDay, Selection{Zone: time.UTC}))
	nepal := Selection{Zone: time.FixedZone("NPT", 20700)} // +05:45 is rounded to +06:00
	require.Equal(t, []string{"2026-10-25:5", "2026-10-26:2"}, trend(ByDay, nepal))
}

// Limits and units that change, and readings that come and go.
func conformLimits(t *testing.T, st stored) {
	ctx := t.Context()
	lq := newStation("LQ-1")
	var items []Item
	for i := range 6 {
		p := simple("LQ-1", fmt.Sprint("r", i), fmt.Sprint(i), start.Add(time.Duration(i)*time.Hour), float64(i), 50)
		switch i {
		case 0:
			p.Checks[0].Readings[0].Unit = "V" // another quantity under the same name
		case 3:
			p.Checks[0].Readings[0].Limit = &reports.Limit{Lower: ptr(-1), Upper: ptr(60)}
		case 4:
			p.Checks[0].Readings[0].Limit = &reports.Limit{Lower: ptr(-1), Upper: ptr(60)}
			p.Checks[0].Readings = append([]reports.Reading{{Check: "c", Name: "new", Value: reports.Number(7), Verdict: reports.Unlimited}}, p.Checks[0].Readings...)
		case 5:
			p.Checks[0].Readings[0].Value, p.Checks[0].Readings[0].Verdict = reports.Text("1e5"), reports.Fail
		}
		items = append(items, itemsOf(lq.seal(t, p))...)
	}
	_, err := st.Add(ctx, items...)
	require.NoError(t, err)
	s, err := st.Series(ctx, Selection{}, "c.x", true, 10)
	require.NoError(t, err)
	require.Equal(t, []float64{1, 2, 3, 4}, s.Values())
	require.Equal(t, []any{"A", -1.0, 60.0, true, int64(4)}, []any{s.Unit, *s.Lower, *s.Upper, s.LimitChanged, s.Total})
	s, err = st.Series(ctx, Selection{}, "c.x", true, 2)
	require.NoError(t, err)
	require.Equal(t, []any{false, int64(4)}, []any{s.LimitChanged, s.Total})
	s, err = st.Series(ctx, Selection{Until: start.Add(2 * time.Hour)}, "c.x", true, 10)
	require.NoError(t, err)
	require.Equal(t, []any{"A", []float64{1}, 50.0}, []any{s.Unit, s.Values(), *s.Upper})
	m, err := st.Moments(ctx, Selection{})
	require.NoError(t, err)
	require.Equal(t, []string{"c.new", "c.x"}, []string{m[0].Name, m[1].Name})
	require.Equal(t, []any{int64(4), 2.5, 5.0, 1.0, 4.0, "A", -1.0, 60.0}, []any{m[1].N, m[1].Mean, m[1].M2, m[1].Min, m[1].Max, m[1].Unit, *m[1].Lower, *m[1].Upper})
	readings, err := st.Readings(ctx, product)
	require.NoError(t, err)
	require.Equal(t, []string{"c.new", "c.x"}, readings)
	_, err = st.Series(ctx, Selection{}, "c.y", true, 10)
	require.ErrorIs(t, err, ErrUnknown)
}

// Several write and ask at the same time; nothing is lost or counted twice.
func conformAtOnce(t *testing.T, st stored) {
	ctx := t.Context()
	w := &world{flagged: map[string]string{}}
	parts := make([][]archive.Sealed, 3)
	for i := range parts {
		s := newStation(fmt.Sprint("LQ-", i))
		r := rand.New(rand.NewPCG(9, uint64(i)))
		for n := range 20 {
			parts[i] = append(parts[i], s.seal(t, randomReport(r, s.name, n)))
		}
		w.reports = append(w.reports, parts[i]...)
	}
	var wg sync.WaitGroup
	errs := make(chan error, 100)
	for i := range parts {
		for part := range slices.Chunk(parts[i], 4) {
			wg.Go(func() {
				_, err := st.Add(ctx, itemsOf(part...)...)
				errs <- err
			})
			wg.Go(func() {
				_, err := st.Counts(ctx, Selection{})
				errs <- err
				_, err = st.Runs(ctx, Selection{}, RunFilter{}, "", 10)
				errs <- err
			})
		}
		wg.Go(func() { // the same again
			_, err := st.Add(ctx, itemsOf(parts[i]...)...)
			errs <- err
		})
	}
	wg.Wait()
	close(errs)
	for err := range errs {
		require.NoError(t, err)
	}
	w.agree(t, st, Selection{})
}

// baseOf reaches the database behind a store.
func baseOf(st stored) *base {
	switch x := st.(type) {
	case *Index:
		return x.base
	case *Plant:
		return x.base
	}
	return nil
}

// What is read directly says the same as what is asked.
func conformViews(t *testing.T, st stored) {
	ctx := t.Context()
	r := rand.New(rand.NewPCG(3, 3))
	lq := newStation("LQ-1")
	w := &world{flagged: map[string]string{}}
	for n := range 30 {
		w.reports = append(w.reports, lq.seal(t, randomReport(r, "LQ-1", n)))
	}
	_, err := st.Add(ctx, itemsOf(w.reports...)...)
	require.NoError(t, err)
	require.NoError(t, st.AddRepairs(ctx, reports.Repair{ID: "1", Run: w.reports[0].Report.Run, Unit: w.reports[0].Report.Unit, At: start, Found: "other", Done: "cleaned"}))
	w.repairs = []reports.Repair{{Unit: w.reports[0].Report.Unit, Found: "other"}}
	flagged := w.reports[3].Report.Run
	w.flagged[flagged] = FlagChanged
	require.NoError(t, st.SetFlags(ctx, lq.keyText(), []Flag{{Run: flagged, Kind: FlagChanged}}))

	db := baseOf(st).read
	ask := func(query string, to ...any) {
		t.Helper()
		require.NoError(t, db.QueryRowContext(ctx, query).Scan(to...), query)
	}
	for _, v := range Views() {
		rows, err := db.QueryContext(ctx, "SELECT * FROM "+v.Name)
		require.NoError(t, err)
		names, err := rows.Columns()
		require.NoError(t, err)
		var documented []string
		for _, c := range v.Columns {
			documented = append(documented, c.Name)
			require.NotEmpty(t, c.About)
		}
		require.Equal(t, documented, names, v.Name)
		n := 0
		for rows.Next() {
			n++
		}
		require.NoError(t, rows.Err())
		require.NotZero(t, n, v.Name)
	}
	var runs, counted, readings, failures, units, firstPassed, finalPassed, retests, nff, repaired int64
	ask("SELECT COUNT(*), SUM(counts) FROM v_runs", &runs, &counted)
	want := w.counts(Selection{})
	require.Equal(t, []int64{30, want.Runs}, []int64{runs, counted})
	ask("SELECT SUM(runs), SUM(units), SUM(first_passed), SUM(final_passed), SUM(retests), SUM(no_fault_found), SUM(repaired) FROM v_daily_yield",
		&runs, &units, &firstPassed, &finalPassed, &retests, &nff, &repaired)
	require.Equal(t, []int64{want.Runs, want.Units, want.FirstPassed, want.FinalPassed, want.Retests, want.NoFaultFound, want.Repaired},
		[]int64{runs, units, firstPassed, finalPassed, retests, nff, repaired})
	var all, wrong int64
	var sum float64
	for i := range w.reports {
		p := &w.reports[i].Report
		for _, c := range p.Checks {
			all += int64(len(c.Readings))
			for _, rd := range c.Readings {
				if x, ok := rd.Value.Number(); ok && c.Name == "sticks" {
					sum += x
				}
			}
		}
		checks, names := failedOf(p)
		wrong += int64(len(checks) + len(names))
		if p.Outcome == reports.Failed && len(p.Causes) > 0 {
			wrong++
		}
	}
	ask("SELECT COUNT(*) FROM v_readings", &readings)
	ask("SELECT COUNT(*) FROM v_failures", &failures)
	require.Equal(t, []int64{all, wrong}, []int64{readings, failures})
	var got float64
	ask("SELECT SUM(value) FROM v_readings WHERE check_name = 'sticks' AND reading = 'spread'", &got)
	require.InEpsilon(t, sum, got, 1e-9)
	ask("SELECT COUNT(*) FROM v_readings WHERE text = 'a,\"b]' AND verdict = 'pass' AND reading = 'mode'", &readings)
	require.NotZero(t, readings)
	ask("SELECT COUNT(*) FROM v_readings WHERE text IN ('true', 'false') AND value IS NULL", &readings)
	require.NotZero(t, readings)
	ask("SELECT COUNT(*) FROM v_readings WHERE lower_limit = 0.000001 AND unit = 'A'", &readings)
	require.NotZero(t, readings)
}

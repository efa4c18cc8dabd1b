package store

import (
	"cmp"
	"crypto/ed25519"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"maps"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"fullthrow/reports"
	"fullthrow/reports/archive"
	"fullthrow/reports/yield"
)

// station seals reports as an archive does, without waiting for a disk.
type station struct {
	name string
	key  ed25519.PrivateKey
	last archive.Seal
}

func newStation(name string) *station {
	seed := sha256.Sum256([]byte(name))
	return &station{name: name, key: ed25519.NewKeyFromSeed(seed[:])}
}

func (s *station) keyText() string { return hex.EncodeToString(s.key.Public().(ed25519.PublicKey)) }

// seal seals a report as the station's next: a real seal, proved by the record
// itself.
func (s *station) seal(t testing.TB, r reports.Report) archive.Sealed {
	t.Helper()
	r.Schema = reports.Schema
	if r.Station == "" {
		r.Station = s.name
	}
	if r.Checks == nil {
		r.Checks = []reports.Check{}
	}
	if r.Events == 0 {
		r.Events = 100 // as many as there may be
	}
	raw, err := json.Marshal(r)
	require.NoError(t, err)
	sum := sha256.Sum256(append([]byte(s.last.SHA256+"\n"), raw...))
	s.last = archive.Seal{
		Number: s.last.Number + 1, Previous: s.last.SHA256, SHA256: hex.EncodeToString(sum[:]), Key: s.keyText(),
		Signature: hex.EncodeToString(ed25519.Sign(s.key, sum[:])),
	}
	data, err := archive.Sealed{Raw: raw, Seal: s.last}.Bytes()
	require.NoError(t, err)
	sealed, err := archive.Parse(data)
	require.NoError(t, err)
	sealed.File = belongs(sealed.Report)
	return sealed
}

// put writes the report's file where an archive keeps it.
func put(t testing.TB, dir string, s archive.Sealed) {
	t.Helper()
	data, err := s.Bytes()
	require.NoError(t, err)
	name := filepath.Join(dir, filepath.FromSlash(s.File))
	require.NoError(t, os.MkdirAll(filepath.Dir(name), 0o755))
	require.NoError(t, os.WriteFile(name, data, 0o644))
}

func itemsOf(list ...archive.Sealed) []Item {
	var items []Item
	for _, s := range list {
		items = append(items, Item{Sealed: s, File: s.File})
	}
	return items
}

func ptr(x float64) *float64 { return &x }

// world is everything that stores are told in a test, and answers by the
// definitions alone: slowly, from the reports themselves.
type world struct {
	reports []archive.Sealed
	flagged map[string]string // run: text
	repairs []reports.Repair
}

const product = "kittiwake-k8"

var start = time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)

// randomReport invents a run: three checks, five readings of every kind. Some
// stop before the last check.
func randomReport(r *rand.Rand, station string, n int) reports.Report {
	at := start.Add(time.Duration(r.IntN(10*24*60)) * time.Minute).Add(time.Duration(r.IntN(60e6)) * time.Microsecond)
	p := reports.Report{
		Start: reports.Start{
			Run: fmt.Sprintf("%s-%s-%06d", at.Format("20060102T150405"), station, n), Station: station, Nest: string('A' + rune(r.IntN(2))),
			Operator: []string{"", "Ines", "Tom"}[r.IntN(3)], Attempt: 1, CycleTime: []float64{0, 45, 50}[r.IntN(3)], Takt: []float64{0, 30}[r.IntN(2)], Software: "test",
			Unit: reports.Unit{
				SerialNumber: fmt.Sprintf("K8-%04d", r.IntN(24)), Product: []string{product, product, product, "tern-t2"}[r.IntN(4)],
				Revision: []string{"", "B", "C"}[r.IntN(3)], Lot: []string{"24A", "24B"}[r.IntN(2)], Golden: r.IntN(12) == 0,
			},
		},
		Started: at, Ended: at.Add(time.Duration(1000+r.IntN(80000)) * time.Millisecond),
	}
	worst := reports.Pass
	note := func(v reports.Verdict) reports.Verdict {
		if rankOf(letterOf(v)) > rankOf(letterOf(worst)) {
			worst = v
		}
		return v
	}
	limit := &reports.Limit{Lower: ptr(1e-6), Upper: ptr(12e-6 + float64(r.IntN(2))*1e-6)}
	read := func(check, name string, v reports.Value, unit string, l *reports.Limit) reports.Reading {
		verdict := reports.Unlimited
		if l != nil {
			verdict = []reports.Verdict{reports.Pass, reports.Pass, reports.Pass, reports.Pass, reports.Pass, reports.Pass, reports.Fail, reports.Inconclusive}[r.IntN(8)]
		}
		if v.IsNone() {
			verdict = reports.Error
		}
		rd := reports.Reading{Check: check, Name: name, Value: v, Unit: unit, Limit: l, Verdict: note(verdict)}
		switch x, _ := v.Number(); verdict { // a value that its verdict is of
		case reports.Error:
			rd.Problem = &reports.Reason{Code: reports.NoValue}
		case reports.Fail:
			rd.Value = reports.Number(1.5**l.Upper + math.Abs(x))
		case reports.Inconclusive:
			rd.Value, rd.Limit = reports.Number(*l.Upper), &reports.Limit{Lower: l.Lower, Upper: l.Upper, Guard: *l.Upper / 10}
		case reports.Pass:
			if l.Lower != nil {
				x = max(x, *l.Lower)
			}
			rd.Value = reports.Number(min(x, *l.Upper))
		}
		return rd
	}
	number := func() reports.Value {
		if r.IntN(30) == 0 {
			return reports.Value{}
		}
		return reports.Number(5e-6 + 4e-6*r.NormFloat64())
	}
	checks := []reports.Check{
		{Name: "standby", Part: "power", Verdict: reports.Pass, Readings: []reports.Reading{
			read("standby", "current", number(), "A", limit), read("standby", "volts", number(), "V", nil),
		}},
		{Name: "sticks", Part: "left-stick", Verdict: reports.Pass, Readings: []reports.Reading{
			read("sticks", "spread", reports.Number(3+r.NormFloat64()), "%", &reports.Limit{Upper: ptr(5)}),
			read("sticks", "moves", reports.Bool(r.IntN(2) == 0), "", nil),
		}},
		{Name: "link", Part: "antenna", Verdict: reports.Pass, Readings: []reports.Reading{
			{Check: "link", Name: "mode", Value: reports.Text(`a,"b]`), Verdict: note(reports.Pass),
				Limit: &reports.Limit{Equal: new(reports.Text(`a,"b]`))}},
		}},
	}
	p.Checks = checks[:3-r.IntN(5)/4]
	for i := range p.Checks {
		for _, rd := range p.Checks[i].Readings {
			if rd.Verdict != reports.Unlimited && rankOf(letterOf(rd.Verdict)) > rankOf(letterOf(p.Checks[i].Verdict)) {
				p.Checks[i].Verdict = rd.Verdict
			}
		}
	}
	if r.IntN(15) == 0 && p.Checks[0].Verdict != reports.Error { // a check that fails without a reading
		p.Checks[0].Verdict = note(reports.Fail)
	}
	switch worst {
	case reports.Pass, reports.Unlimited:
		p.Outcome = reports.Passed
	case reports.Error:
		p.Outcome, p.Reason = reports.Errored, &reports.Reason{Code: reports.DeviceFailed, Device: "meter", Kind: "no reply"}
	default:
		p.Outcome, p.Reason = reports.Failed, &reports.Reason{Code: reports.Missed, Evidence: &reports.Evidence{Reading: "centre.play", Relation: reports.Outside}}
		if r.IntN(4) > 0 {
			p.Causes = []reports.Cause{
				{Cause: "leaking capacitor", Part: "power", Confidence: .6, Rule: []string{"leak", "stick-play"}[r.IntN(2)], Where: []string{"", "left stick"}[r.IntN(2)]},
				{Cause: "another", Confidence: .2, Rule: "other"},
			}
		}
	}
	if r.IntN(20) == 0 {
		p.Outcome, p.Causes = reports.Aborted, nil
		p.Reason = &reports.Reason{Code: reports.StoppedByHand, Text: "Ines"}
	}
	return p
}

func (w *world) admits(s Selection, p *reports.Report, exact bool) bool {
	same := func(want, have string) bool { return want == "" || want == have }
	since, until := s.Since, s.Until
	if !exact {
		since = since.Truncate(30 * time.Minute)
		if u := until.Truncate(30 * time.Minute); !until.IsZero() && u != until {
			until = u.Add(30 * time.Minute)
		}
	}
	return (s.Since.IsZero() || !p.Started.Before(since)) && (s.Until.IsZero() || p.Started.Before(until)) &&
		same(s.Product, p.Unit.Product) && same(s.Revision, p.Unit.Revision) && same(s.Lot, p.Unit.Lot) &&
		same(s.Station, p.Station) && same(s.Nest, p.Nest) && same(s.Operator, p.Operator)
}

func (w *world) sorted() []*reports.Report {
	var list []*reports.Report
	for i := range w.reports {
		list = append(list, &w.reports[i].Report)
	}
	slices.SortFunc(list, func(a, b *reports.Report) int {
		return cmp.Or(cmp.Compare(a.Started.UnixMilli(), b.Started.UnixMilli()), cmp.Compare(a.Run, b.Run))
	})
	return list
}

// ordered puts runs in their order by its definition, slowly: those of a chain
// by number, chains by the times of the longest sequence in each that does not
// fall.
func (w *world) ordered(list []*reports.Report, byNest bool) []*reports.Report {
	seals := map[string]archive.Seal{}
	for _, s := range w.reports {
		seals[s.Report.Run] = s.Seal
	}
	chains := map[string][]*reports.Report{}
	for _, p := range list {
		key := seals[p.Run].Key
		if byNest && p.Simulated { // each has a clock of its own
			key += p.Nest
		}
		chains[key] = append(chains[key], p)
	}
	at := map[string]int64{}
	for _, chain := range chains {
		slices.SortFunc(chain, func(a, b *reports.Report) int {
			return cmp.Compare(seals[a.Run].Number, seals[b.Run].Number)
		})
		length := make([]int, len(chain)) // of the longest sequence that ends here
		longest := 0
		for i, p := range chain {
			length[i] = 1
			for k, q := range chain[:i] {
				if q.Started.UnixMilli() <= p.Started.UnixMilli() {
					length[i] = max(length[i], length[k]+1)
				}
			}
			longest = max(longest, length[i])
		}
		good := map[int]bool{}
		for i := len(chain) - 1; i >= 0; i-- {
			if longest > 0 && length[i] == longest {
				good[i] = true
				longest--
			}
		}
		for i := range chain {
			k := i
			for k > 0 && !good[k] {
				k--
			}
			for !good[k] {
				k++
			}
			at[chain[i].Run] = chain[k].Started.UnixMilli()
		}
	}
	list = slices.Clone(list)
	slices.SortFunc(list, func(a, b *reports.Report) int {
		return cmp.Or(cmp.Compare(at[a.Run], at[b.Run]), cmp.Compare(seals[a.Run].Number, seals[b.Run].Number),
			cmp.Compare(a.Run, b.Run))
	})
	return list
}

// speaks says that a run says something of its unit.
func speaks(p *reports.Report) bool {
	return p.Outcome == reports.Passed || p.Outcome == reports.Failed || cutShort(p)
}

// cutShort says that a run broke a limit and ended early.
func cutShort(p *reports.Report) bool {
	_, missed := failedOf(p)
	return p.Outcome != reports.Passed && p.Outcome != reports.Failed && len(missed) > 0
}

// units lists the judged runs that count of every unit, in their order.
func (w *world) units() map[unitKey][]*reports.Report {
	m := map[unitKey][]*reports.Report{}
	defer func() {
		for k, list := range m {
			m[k] = w.ordered(list, false)
		}
	}()
	for _, p := range w.sorted() {
		if speaks(p) && w.counting(p) {
			k := unitKey{p.Unit.Product, p.Unit.SerialNumber}
			m[k] = append(m[k], p)
		}
	}
	return m
}

func (w *world) counting(p *reports.Report) bool { return !p.Unit.Golden && w.flagged[p.Run] == "" }

func (w *world) firsts() map[string]bool {
	m := map[string]bool{}
	for _, runs := range w.units() {
		m[runs[0].Run] = true
	}
	return m
}

func seconds(p *reports.Report) float64 {
	return float64(p.Ended.UnixMilli()-p.Started.UnixMilli()) / 1000
}

func missedVerdict(v reports.Verdict) bool { return v == reports.Fail || v == reports.Inconclusive }

func (w *world) counts(s Selection) yield.Counts {
	return w.countsWhere(s, func(*reports.Report) bool { return true })
}

func (w *world) countsWhere(s Selection, in func(p *reports.Report) bool) yield.Counts {
	var c yield.Counts
	for _, p := range w.sorted() {
		if !w.counting(p) || !w.admits(s, p, false) || !in(p) {
			continue
		}
		c.Runs++
		switch p.Outcome {
		case reports.Passed:
			c.Passed++
			c.JudgedTime += seconds(p)
		case reports.Failed:
			c.Failed++
			c.JudgedTime += seconds(p)
		case reports.Errored:
			c.Errors++
			c.ErrorTime += seconds(p)
		case reports.Aborted:
			c.Aborted++
			c.AbortedTime += seconds(p)
			c.AbortedCutShort += number(cutShort(p))
		}
		c.CutShort += number(cutShort(p))
	}
	for k, runs := range w.units() {
		first, newest := runs[0], runs[len(runs)-1]
		if !w.admits(s, first, false) || !in(first) {
			continue
		}
		found := slices.ContainsFunc(w.repairs, func(r reports.Repair) bool {
			return r.Unit.Product == k.product && r.Unit.SerialNumber == k.serial && !r.Unit.Golden && r.Found != reports.NoFaultFound
		})
		c.Units++
		c.FirstPassed += number(first.Outcome == reports.Passed)
		c.FirstCutShort += number(cutShort(first))
		c.FinalPassed += number(newest.Outcome == reports.Passed)
		c.Retested += number(len(runs) > 1)
		c.Retests += int64(len(runs) - 1)
		c.NoFaultFound += number(first.Outcome != reports.Passed && newest.Outcome == reports.Passed && !found)
		c.Repaired += number(found)
		for _, ch := range first.Checks {
			if missedVerdict(ch.Verdict) {
				c.Defects++
			}
			if missedVerdict(ch.Verdict) || ch.Verdict == reports.Pass {
				c.Opportunities++
			}
		}
	}
	return c
}

func (w *world) checks(s Selection) map[string]yield.CheckCount {
	m := map[string]yield.CheckCount{}
	firsts := w.firsts()
	for _, p := range w.sorted() {
		if !firsts[p.Run] || !w.admits(s, p, false) {
			continue
		}
		for _, ch := range p.Checks {
			c := m[ch.Name]
			c.Check = ch.Name
			c.Judged += number(missedVerdict(ch.Verdict) || ch.Verdict == reports.Pass)
			c.Passed += number(ch.Verdict == reports.Pass)
			if c.Judged > 0 {
				m[ch.Name] = c
			}
		}
	}
	return m
}

func failedOf(p *reports.Report) (checks, readings []string) {
	for _, ch := range p.Checks {
		n := len(readings)
		for _, rd := range ch.Readings {
			if missedVerdict(rd.Verdict) {
				readings = append(readings, ch.Name+"."+rd.Name)
			}
		}
		if missedVerdict(ch.Verdict) {
			checks = append(checks, ch.Name)
			if n == len(readings) {
				readings = append(readings, ch.Name)
			}
		}
	}
	return checks, readings
}

func (w *world) failures(s Selection, kind FailureKind) map[string][2]int64 {
	m := map[string][2]int64{}
	firsts := w.firsts()
	for _, p := range w.sorted() {
		if !speaks(p) || p.Outcome == reports.Passed || !w.counting(p) || !w.admits(s, p, false) {
			continue
		}
		checks, readings := failedOf(p)
		names := map[FailureKind][]string{ByCheck: checks, ByReading: readings}[kind]
		if kind == ByCause && p.Outcome == reports.Failed && len(p.Causes) > 0 {
			names = []string{p.Causes[0].String()}
		}
		for _, n := range names {
			m[n] = [2]int64{m[n][0] + number(firsts[p.Run]), m[n][1] + 1}
		}
	}
	return m
}

// points of a reading that is a number: the newest by the clock, in their order;
// a limit below 0 is none.
func (w *world) points(s Selection, reading string, first, golden bool, limit int) []yield.Point {
	var all []*reports.Report
	for _, p := range w.sorted() {
		if len(w.pointsOf([]*reports.Report{p}, s, reading, first, golden)) > 0 {
			all = append(all, p)
		}
	}
	if limit >= 0 {
		all = all[max(0, len(all)-limit):]
	}
	return w.pointsOf(w.ordered(all, true), s, reading, first, golden)
}

func (w *world) pointsOf(of []*reports.Report, s Selection, reading string, first, golden bool) []yield.Point {
	var list []yield.Point
	firsts := w.firsts()
	for _, p := range of {
		if !speaks(p) || p.Unit.Golden != golden || w.flagged[p.Run] != "" || !w.admits(s, p, false) || first && !firsts[p.Run] {
			continue
		}
		for _, ch := range p.Checks {
			for _, rd := range ch.Readings {
				if x, ok := rd.Value.Number(); ok && ch.Name+"."+rd.Name == reading {
					list = append(list, yield.Point{
						Run: p.Run, SerialNumber: p.Unit.SerialNumber, Revision: p.Unit.Revision, Lot: p.Unit.Lot, Station: p.Station, Nest: p.Nest,
						Operator: p.Operator, Time: p.Started.Truncate(time.Millisecond), First: firsts[p.Run], Value: x, Verdict: string(rd.Verdict),
					})
				}
			}
		}
	}
	return list
}

var allReadings = []string{"standby.current", "standby.volts", "sticks.spread"}

// readings that are numbers in some run.
func (w *world) readings() []string {
	m := map[string]bool{}
	for i := range w.reports {
		for _, c := range w.reports[i].Report.Checks {
			for _, rd := range c.Readings {
				if _, ok := rd.Value.Number(); ok {
					m[c.Name+"."+rd.Name] = true
				}
			}
		}
	}
	return slices.Sorted(maps.Keys(m))
}

// agree compares every answer of a store about a selection with the world's.
func (w *world) agree(t testing.TB, st stored, s Selection) {
	t.Helper()
	ctx := t.Context()
	got, err := st.Counts(ctx, s)
	require.NoError(t, err)
	want := w.counts(s)
	sameCounts(t, want, got)

	for _, by := range []By{ByProduct, ByRevision, ByLot, ByStation, ByNest, ByOperator, ByHour, ByShift, ByDay, ByWeek, ByMonth} {
		groups, err := st.Trend(ctx, s, by)
		require.NoError(t, err)
		var runs, units int64
		for i, g := range groups {
			runs, units = runs+g.Counts.Runs, units+g.Counts.Units
			if i > 0 {
				require.True(t, groups[i-1].Start.Before(g.Start) || by.period() == false && groups[i-1].Key < g.Key, "order of %s", by)
			}
			require.NotZero(t, g.Counts.Runs)
			in := func(p *reports.Report) bool {
				return !p.Started.Before(g.Start) && (i+1 == len(groups) || p.Started.Before(groups[i+1].Start))
			}
			if field, ok := by.field(); ok {
				in = func(p *reports.Report) bool {
					return field(group{p.Unit.Product, p.Unit.Revision, p.Unit.Lot, p.Station, p.Nest, p.Operator}) == g.Key
				}
			}
			sameCounts(t, w.countsWhere(s, in), g.Counts)
		}
		require.Equal(t, want.Runs, runs, "runs by %s", by)
		require.Equal(t, want.Units, units, "units by %s", by)
	}

	checks, err := st.Checks(ctx, s)
	require.NoError(t, err)
	byName := map[string]yield.CheckCount{}
	for _, c := range checks {
		byName[c.Check] = c
	}
	require.Equal(t, w.checks(s), byName)

	for _, kind := range []FailureKind{ByCheck, ByReading, ByCause} {
		list, err := st.Failures(ctx, s, kind)
		require.NoError(t, err)
		m := map[string][2]int64{}
		for i, f := range list {
			m[reports.Cause{Where: f.Where, Cause: f.Name}.String()] = [2]int64{f.Units, f.Runs}
			if i > 0 {
				require.GreaterOrEqual(t, list[i-1].Units, f.Units)
			}
		}
		require.Equal(t, w.failures(s, kind), m, "failures by %s", kind)
	}

	aborts := map[unitKey][2]int64{}
	for _, p := range w.sorted() {
		if p.Outcome == reports.Aborted && w.counting(p) && w.admits(s, p, false) {
			k := unitKey{p.Unit.Product, p.Unit.SerialNumber}
			aborts[k] = [2]int64{aborts[k][0] + 1, aborts[k][1] + number(cutShort(p))}
		}
	}
	listed, err := st.Aborts(ctx, s, 1000)
	require.NoError(t, err)
	require.Len(t, listed, len(aborts))
	for i, a := range listed {
		require.Equal(t, aborts[unitKey{a.Product, a.SerialNumber}], [2]int64{a.Aborted, a.CutShort})
		require.True(t, i == 0 || listed[i-1].CutShort >= a.CutShort)
	}

	h, err := st.Cycle(ctx, s)
	require.NoError(t, err)
	var binned, n int64
	for _, b := range h.Counts {
		binned += b
	}
	lo, hi, sum := math.Inf(1), 0.0, 0.0
	for _, p := range w.sorted() {
		if ended(p.Outcome) && w.counting(p) && w.admits(s, p, false) {
			n++
			lo, hi, sum = min(lo, seconds(p)), max(hi, seconds(p)), sum+seconds(p)
		}
	}
	require.Equal(t, n, h.N)
	require.Equal(t, n, binned)
	require.InDelta(t, sum, h.Sum, 1e-6)
	if n > 0 {
		require.Equal(t, [2]float64{lo, hi}, [2]float64{h.Min, h.Max})
	}

	moments, err := st.Moments(ctx, s)
	require.NoError(t, err)
	byReading := map[string]yield.Moments{}
	for _, m := range moments {
		byReading[m.Name] = m
	}
	for _, reading := range w.readings() {
		points := w.points(s, reading, true, false, -1)
		m := byReading[reading]
		require.Equal(t, int64(len(points)), m.N, reading)
		values := yield.Series{Points: points}.Values()
		if len(values) > 0 {
			mean, m2, failed := 0.0, 0.0, int64(0)
			for _, x := range values {
				mean += x / float64(len(values))
			}
			for i, x := range values {
				m2 += (x - mean) * (x - mean)
				failed += number(missedVerdict(reports.Verdict(points[i].Verdict)))
			}
			require.InEpsilon(t, mean, m.Mean, 1e-9)
			require.InDelta(t, m2, m.M2, 1e-9*(m2+1e-300)+1e-24)
			require.Equal(t, [2]float64{slices.Min(values), slices.Max(values)}, [2]float64{m.Min, m.Max})
			require.Equal(t, failed, m.Failed)
		}
		for _, first := range []bool{true, false} {
			all := w.points(s, reading, first, false, -1)
			for _, limit := range []int{0, 3, 1000} {
				got, err := st.Series(ctx, s, reading, first, limit)
				require.NoError(t, err)
				require.Equal(t, int64(len(all)), got.Total)
				samePoints(t, w.points(s, reading, first, false, limit), got.Points)
			}
		}
		golden := w.points(s, reading, false, true, -1)
		g, err := st.GoldenSeries(ctx, s, reading, 5)
		require.NoError(t, err)
		require.Equal(t, int64(len(golden)), g.Total)
		samePoints(t, w.points(s, reading, false, true, 5), g.Points)
	}
	w.lists(t, st, s)
}

func samePoints(t testing.TB, want, got []yield.Point) {
	t.Helper()
	require.Len(t, got, len(want))
	for i := range want {
		got[i].At = time.Time{} // see TestBelievedTimes
		require.Equal(t, want[i], got[i])
	}
}

func sameCounts(t testing.TB, want, got yield.Counts) {
	t.Helper()
	for _, x := range [][2]*float64{{&want.JudgedTime, &got.JudgedTime}, {&want.ErrorTime, &got.ErrorTime}, {&want.AbortedTime, &got.AbortedTime}} {
		require.InDelta(t, *x[0], *x[1], 1e-6)
		*x[0] = *x[1]
	}
	require.Equal(t, want, got)
}

// lists compares the lists of runs, page by page.
func (w *world) lists(t testing.TB, st stored, s Selection) {
	t.Helper()
	ctx := t.Context()
	firsts := w.firsts()
	for _, f := range []RunFilter{
		{},
		{Outcome: reports.Failed},
		{Outcome: reports.Errored},
		{SerialNumber: "K8-0003"},
		{First: true},
		{Flagged: true},
		{Check: "standby"},
		{Reading: "sticks.spread", First: true},
		{Cause: "leak"},
		{Cause: "left stick: leaking capacitor", Check: "sticks"},
		{Check: "nothing"},
		{CutShort: true},
		{CutShort: true, First: true, SerialNumber: "K8-0004"},
	} {
		var want []string
		of := w.sorted()
		if f.SerialNumber != "" {
			of = w.ordered(slices.DeleteFunc(of, func(p *reports.Report) bool {
				return p.Unit.SerialNumber != f.SerialNumber
			}), false)
		}
		for _, p := range slices.Backward(of) {
			checks, readings := failedOf(p)
			cause := p.Outcome == reports.Failed && len(p.Causes) > 0 && (p.Causes[0].Rule == f.Cause || p.Causes[0].String() == f.Cause)
			if w.admits(s, p, true) && (f.Outcome == "" || f.Outcome == p.Outcome) && (f.SerialNumber == "" || f.SerialNumber == p.Unit.SerialNumber) &&
				(!f.First || firsts[p.Run]) && (!f.Flagged || w.flagged[p.Run] != "") && (f.Check == "" || slices.Contains(checks, f.Check)) &&
				(f.Reading == "" || slices.Contains(readings, f.Reading)) && (f.Cause == "" || cause) && (!f.CutShort || cutShort(p)) {
				want = append(want, p.Run)
			}
		}
		var got []string
		after := ""
		for page := 0; ; page++ {
			runs, err := st.Runs(ctx, s, f, after, 7)
			require.NoError(t, err)
			for _, r := range runs {
				got = append(got, r.Run)
				require.Equal(t, firsts[r.Run], r.First)
				require.Equal(t, w.flagged[r.Run], r.Flag)
			}
			if len(runs) < 7 {
				break
			}
			after = runs[len(runs)-1].Run
			require.Less(t, page, 1000)
		}
		require.Equal(t, want, got, "%+v", f)
	}
}

// runOf is a report as a list has it.
func (w *world) runOf(s archive.Sealed) Run {
	p := &s.Report
	r := Run{
		Run: p.Run, Unit: p.Unit, Station: p.Station, Nest: p.Nest, Operator: p.Operator, Attempt: p.Attempt, First: w.firsts()[p.Run],
		Started: p.Started.Truncate(time.Millisecond), Ended: p.Ended.Truncate(time.Millisecond), Outcome: p.Outcome, Reason: p.Reason,
		Simulated: p.Simulated, Number: s.Seal.Number, SHA256: s.Seal.SHA256, File: s.File, Flag: w.flagged[p.Run],
	}
	_, r.Failed = failedOf(p)
	r.CutShort, r.Clock = cutShort(p), p.Clock
	if p.Outcome == reports.Failed && len(p.Causes) > 0 {
		c := p.Causes[0]
		r.Where, r.Cause, r.Rule, r.Part = c.Where, c.Cause, c.Rule, c.Part
	}
	return r
}

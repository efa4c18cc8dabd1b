package store

import (
	"cmp"
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"fullthrow/reports"
	"fullthrow/reports/archive"
)

func TestBelievedTimes(t *testing.T) {
	for _, c := range []struct {
		name  string
		given []int64
		want  []int64
	}{
		{"none", nil, nil},
		{"in order", []int64{1, 2, 2, 3}, []int64{1, 2, 2, 3}},
		{"one back", []int64{10, 20, 3, 30}, []int64{10, 20, 20, 30}},
		{"one far ahead", []int64{10, 99, 20, 30}, []int64{10, 10, 20, 30}},
		{"the first far ahead", []int64{99, 20, 30}, []int64{20, 20, 30}},
		{"a shift back", []int64{10, 20, 30, 5, 6, 40}, []int64{10, 20, 30, 30, 30, 40}},
		{"two that contradict", []int64{20, 10}, []int64{10, 10}},
	} {
		assert.Equal(t, c.want, believed(c.given), c.name)
	}
	r := rand.New(rand.NewPCG(3, 4))
	for range 300 {
		given := make([]int64, r.IntN(12))
		for i := range given {
			given[i] = r.Int64N(15)
		}
		got := believed(slices.Clone(given))
		require.True(t, slices.IsSorted(got), "%v of %v", got, given)
		kept := 0
		for i := range got {
			require.Contains(t, given, got[i])
			if got[i] == given[i] {
				kept++
			}
		}
		longest := make([]int, len(given))
		best := 0
		for i := range given {
			longest[i] = 1
			for k := range i {
				if given[k] <= given[i] {
					longest[i] = max(longest[i], longest[k]+1)
				}
			}
			best = max(best, longest[i])
		}
		require.GreaterOrEqual(t, kept, best, "%v of %v", got, given)
	}
}

// No station's own order is ever violated, and clocks that are right decide
// between stations.
func TestOrderOfStations(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 6))
	for round := range 200 {
		var list []stand
		for chain := range int64(1 + r.IntN(3)) {
			for n := range int64(r.IntN(8)) {
				list = append(list, stand{chain: chain, number: n + 1, started: r.Int64N(20),
					run: fmt.Sprint(chain, "-", n)})
			}
		}
		right := round%2 == 0
		if right {
			at := map[int64]int64{}
			for i := range list {
				at[list[i].chain] += r.Int64N(5)
				list[i].started = at[list[i].chain]
			}
		}
		want := slices.Clone(list)
		r.Shuffle(len(list), func(i, k int) { list[i], list[k] = list[k], list[i] })
		arrange(list, func(s *stand) stand { return *s })
		number := map[int64]int64{}
		for _, s := range list {
			require.Greater(t, s.number, number[s.chain], "%v", list)
			number[s.chain] = s.number
		}
		again := slices.Clone(list)
		r.Shuffle(len(again), func(i, k int) { again[i], again[k] = again[k], again[i] })
		arrange(again, func(s *stand) stand { return *s })
		require.Equal(t, list, again, "of any order before")
		if right {
			slices.SortFunc(want, func(a, b stand) int {
				return cmp.Or(cmp.Compare(a.started, b.started), cmp.Compare(a.number, b.number),
					cmp.Compare(a.run, b.run))
			})
			require.Equal(t, want, list)
		}
	}
}

// A clock that was set back turns no failure into a pass, and no pass into a
// failure.
func conformClock(t *testing.T, open func(t *testing.T, dir string) stored) {
	ctx := t.Context()
	const good, bad = 1.0, 9.0
	for _, c := range []struct {
		name         string
		first, then  float64
		firstPassed  int64
		finalPassed  int64
		noFaultFound int64
	}{
		{"passed, then failed by a clock set back", good, bad, 1, 0, 0},
		{"failed, then passed by a clock set back", bad, good, 0, 1, 1},
	} {
		for _, back := range []time.Duration{time.Millisecond, time.Hour, 40 * 24 * time.Hour,
			20 * 365 * 24 * time.Hour} {
			t.Run(fmt.Sprint(c.name, " by ", back), func(t *testing.T) {
				st := open(t, t.TempDir())
				lq1 := newStation("LQ-1")
				one := lq1.seal(t, simple("LQ-1", "r1", "S", start, c.first, 5))
				two := lq1.seal(t, simple("LQ-1", "r2", "S", start.Add(-back), c.then, 5))
				for _, x := range [][]archive.Sealed{{two}, {one}} {
					_, err := st.Add(ctx, itemsOf(x...)...)
					require.NoError(t, err)
				}
				got, err := st.Counts(ctx, Selection{})
				require.NoError(t, err)
				require.Equal(t, []int64{1, c.firstPassed, c.finalPassed, 1, c.noFaultFound},
					[]int64{got.Units, got.FirstPassed, got.FinalPassed, got.Retests, got.NoFaultFound})
				runs, _, err := st.History(ctx, "", "S")
				require.NoError(t, err)
				require.Equal(t, []any{"r1", true, "r2", false},
					[]any{runs[0].Run, runs[0].First, runs[1].Run, runs[1].First})
				listed, err := st.Runs(ctx, Selection{}, RunFilter{SerialNumber: "S"}, "", 10)
				require.NoError(t, err)
				require.Equal(t, []string{"r2", "r1"}, []string{listed[0].Run, listed[1].Run}, "newest first")
				listed, err = st.Runs(ctx, Selection{}, RunFilter{SerialNumber: "S"}, "r2", 10)
				require.NoError(t, err)
				require.Len(t, listed, 1)
				require.Equal(t, "r1", listed[0].Run)
				series, err := st.Series(ctx, Selection{}, "c.x", false, 10)
				require.NoError(t, err)
				require.Equal(t, []float64{c.first, c.then}, series.Values())
			})
		}
	}
}

// told is what a store says of units, whatever the clocks were: their runs in
// order, which of them is the first, and the sums.
func told(t *testing.T, st stored, serials []string) string {
	t.Helper()
	ctx := t.Context()
	var all []any
	counts, err := st.Counts(ctx, Selection{})
	require.NoError(t, err)
	all = append(all, counts)
	for _, s := range serials {
		runs, _, err := st.History(ctx, "", s)
		require.NoError(t, err)
		for _, r := range runs {
			all = append(all, r.Run, r.First, r.Outcome, r.CutShort)
		}
	}
	series, err := st.Series(ctx, Selection{}, "c.x", true, 1000)
	require.NoError(t, err)
	all = append(all, series.Total)
	failures, err := st.Failures(ctx, Selection{}, ByReading)
	require.NoError(t, err)
	text, err := json.Marshal(append(all, failures))
	require.NoError(t, err)
	return string(text)
}

// The clocks of one station shuffled at random, and its reports taken in in any
// order, change nothing that is said of its units.
func conformShuffled(t *testing.T, open func(t *testing.T, dir string) stored) {
	r := rand.New(rand.NewPCG(7, 8))
	serials := []string{"S0", "S1", "S2", "S3", "S4", "S5"}
	var right []reports.Report
	for n := range 30 {
		p := simple("LQ-1", fmt.Sprintf("r%02d", n), serials[r.IntN(len(serials))],
			start.Add(time.Duration(n)*time.Hour), 10*r.Float64(), 5)
		if r.IntN(3) == 0 { // stopped, some of them after the limit was broken
			p.Outcome = []reports.Outcome{reports.Aborted, reports.Errored}[r.IntN(2)]
		}
		right = append(right, p)
	}
	want := ""
	for round := range 4 {
		lq1 := newStation("LQ-1")
		var sealed []archive.Sealed
		for _, p := range right {
			if round > 0 { // by seconds, hours or years
				took := p.Ended.Sub(p.Started)
				most := []time.Duration{time.Minute, 30 * time.Hour, 20000 * time.Hour}[round%3]
				p.Started = p.Started.Add(time.Duration(r.Int64N(int64(2*most))) - most)
				p.Ended = p.Started.Add(took)
			}
			sealed = append(sealed, lq1.seal(t, p))
		}
		st := open(t, t.TempDir())
		if round > 0 {
			r.Shuffle(len(sealed), func(i, k int) { sealed[i], sealed[k] = sealed[k], sealed[i] })
		}
		for len(sealed) > 0 {
			n := min(1+r.IntN(7), len(sealed))
			_, err := st.Add(t.Context(), itemsOf(sealed[:n]...)...)
			require.NoError(t, err)
			sealed = sealed[n:]
		}
		got := told(t, st, serials)
		if want == "" {
			want = got
		}
		require.Equal(t, want, got, "round %d", round)
	}
}

// Stopping a run hides no failure; one stopped before anything was broken says
// nothing.
func conformCutShort(t *testing.T, st stored) {
	ctx := t.Context()
	lq1 := newStation("LQ-1")
	stopped := func(run, serial string, at int, x float64, o reports.Outcome) archive.Sealed {
		p := simple("LQ-1", run, serial, start.Add(time.Duration(at)*time.Minute), x, 5)
		p.Outcome, p.Operator = o, "Ines"
		p.Reason = &reports.Reason{Code: reports.StoppedBySignal, Text: "Ctrl-C"}
		if o == reports.Errored {
			p.Reason = &reports.Reason{Code: reports.PlanError, Text: "plan.lua:3: ended"}
		}
		return lq1.seal(t, p)
	}
	passed := func(run, serial string, at int) archive.Sealed {
		p := simple("LQ-1", run, serial, start.Add(time.Duration(at)*time.Minute), 1, 5)
		p.Operator = "Tom"
		return lq1.seal(t, p)
	}
	all := []archive.Sealed{
		stopped("a1", "A", 0, 9, reports.Aborted), stopped("a2", "A", 1, 9, reports.Aborted), passed("a3", "A", 2),
		stopped("b1", "B", 3, 1, reports.Aborted), passed("b2", "B", 4),
		passed("c1", "C", 5), stopped("c2", "C", 6, 9, reports.Errored),
		stopped("d1", "D", 7, 1, reports.Errored),
	}
	for _, x := range slices.Backward(all) {
		_, err := st.Add(ctx, itemsOf(x)...)
		require.NoError(t, err)
	}
	got, err := st.Counts(ctx, Selection{})
	require.NoError(t, err)
	require.Equal(t, int64(3), got.Units, "D was never judged")
	require.Equal(t, int64(2), got.FirstPassed, "B and C, not A")
	require.Equal(t, int64(2), got.FinalPassed, "A and B, not C")
	require.Equal(t, []int64{1, 3, 2}, []int64{got.FirstCutShort, got.CutShort, got.AbortedCutShort})
	require.Equal(t, []int64{2, 3}, []int64{got.Retested, got.Retests})
	require.Equal(t, []int64{3, 2}, []int64{got.Aborted, got.Errors})
	require.Equal(t, []int64{1, 3}, []int64{got.Defects, got.Opportunities})
	failures, err := st.Failures(ctx, Selection{}, ByReading)
	require.NoError(t, err)
	require.Len(t, failures, 1)
	require.Equal(t, []any{"c.x", int64(1), int64(3)}, []any{failures[0].Name, failures[0].Units, failures[0].Runs})
	h, err := st.Cycle(ctx, Selection{})
	require.NoError(t, err)
	require.Equal(t, int64(3), h.N, "how long the others would have taken nobody knows")
	aborts, err := st.Aborts(ctx, Selection{}, 1)
	require.NoError(t, err)
	require.Len(t, aborts, 1)
	require.Equal(t, []any{"A", int64(2), int64(2)},
		[]any{aborts[0].SerialNumber, aborts[0].Aborted, aborts[0].CutShort})
	people, err := st.Trend(ctx, Selection{}, ByOperator)
	require.NoError(t, err)
	require.Equal(t, []any{"Ines", int64(3), int64(2)},
		[]any{people[0].Key, people[0].Counts.Aborted, people[0].Counts.AbortedCutShort})
	runs, err := st.Runs(ctx, Selection{}, RunFilter{CutShort: true}, "", 10)
	require.NoError(t, err)
	require.Len(t, runs, 3)
	// A flag takes the first away: the second is it now.
	require.NoError(t, st.SetFlags(ctx, lq1.keyText(), []Flag{{Run: "a1", Station: "LQ-1", Kind: FlagChanged,
		Text: "x"}}))
	got, err = st.Counts(ctx, Selection{})
	require.NoError(t, err)
	require.Equal(t, []int64{3, 1, 2}, []int64{got.Units, got.FirstCutShort, got.CutShort})
}

package store

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"fullthrow/reports"
	"fullthrow/reports/archive"
)

// Texts, times and numbers of any kind go in, and come out as documented.
func conformHostile(t *testing.T, st stored, dir string) {
	ctx := t.Context()
	lq := newStation("LQ-1")
	huge := strings.Repeat("Ünïcode ✓ ", 7_000) // about 100 kB
	texts := []string{
		"'; DROP TABLE run; --", `"`, `\`, "%", "_", "?", "$1", "NUL\x00in", "bad\xffutf", "\u202eright", "new\nline\ttab", "🙂", "", huge, huge + "x", "LQ-1",
	}
	var list []archive.Sealed
	for i, s := range texts {
		p := simple("LQ-1", fmt.Sprintf("h%02d", i), s, start.Add(time.Duration(i)*time.Minute), 9, 5)
		p.Unit.Product, p.Unit.Lot, p.Unit.Revision, p.Operator, p.Nest = s, s, s, s, s
		p.Reason = &reports.Reason{Code: reports.DeviceFailed, Device: s, Text: s, Because: []reports.Reason{{Code: reports.Code(s), Hint: s}}}
		p.Checks[0].Name, p.Checks[0].Part = s, s
		p.Checks[0].Readings[0].Check = s
		p.Checks[0].Readings = append(p.Checks[0].Readings, reports.Reading{Check: s, Name: s + "t", Value: reports.Text(s), Unit: s, Verdict: reports.Unlimited},
			reports.Reading{Check: s, Name: "last", Value: reports.Number(float64(i)), Verdict: reports.Unlimited})
		p.Causes = []reports.Cause{{Cause: s, Part: s, Rule: s, Confidence: .5}}
		list = append(list, lq.seal(t, p))
		put(t, dir, list[i])
	}
	_, err := st.Add(ctx, itemsOf(list...)...)
	require.NoError(t, err)
	products, err := st.Values(ctx, ByProduct)
	require.NoError(t, err)
	require.Len(t, products, len(texts)-1, "all of them apart, but for the empty one")
	for i, s := range texts {
		run, err := st.Run(ctx, fmt.Sprintf("h%02d", i))
		require.NoError(t, err)
		p := list[i].Report.Unit.Product // as JSON brought it back
		require.Equal(t, cleanKey(p), run.Unit.Product)
		key := cut(valid(p), keyLength)
		require.Equal(t, &reports.Reason{Code: reports.DeviceFailed, Device: key, Text: cut(valid(p), longLength/2),
			Because: []reports.Reason{{Code: reports.Code(cleanKey(p)), Hint: cut(valid(p), longLength/2)}}}, run.Reason)
		require.LessOrEqual(t, len(run.Unit.Product), keyLength)
		if s == "" {
			continue
		}
		runs, _, err := st.History(ctx, p, p)
		require.NoError(t, err)
		require.Len(t, runs, 1, "%.20q", s)
		c, err := st.Counts(ctx, Selection{Product: p, Lot: p, Nest: p, Operator: p, Revision: p})
		require.NoError(t, err)
		require.Equal(t, int64(1), c.Units)
		found, err := st.Runs(ctx, Selection{}, RunFilter{SerialNumber: p, Check: p, Cause: p}, "", 5)
		require.NoError(t, err)
		require.Len(t, found, 1)
		series, err := st.Series(ctx, Selection{Product: p}, cleanKey(p)+".last", true, 5)
		require.NoError(t, err)
		require.Equal(t, float64(i), series.Points[0].Value)
		back, err := st.Report(ctx, run.Run)
		require.NoError(t, err)
		require.Equal(t, list[i].Raw, back.Raw, "the report itself is whole")
	}
	vast := simple("LQ-1", "vast", strings.Repeat(huge, 10), start, 1, 5) // about 1 MB
	vast.Reason = &reports.Reason{Code: reports.Several, Because: slices.Repeat([]reports.Reason{{Code: reports.PlanError, Text: vast.Unit.SerialNumber}}, 100)}
	x := lq.seal(t, vast)
	_, err = st.Add(ctx, itemsOf(x)...)
	require.NoError(t, err)
	runs, _, err := st.History(ctx, product, x.Report.Unit.SerialNumber)
	require.NoError(t, err)
	require.Len(t, runs, 1)
	require.Equal(t, &reports.Reason{Code: reports.Several, Because: slices.Repeat([]reports.Reason{{Code: reports.PlanError, Text: cut(vast.Unit.SerialNumber, longLength/2)}}, 3)}, runs[0].Reason)

	hostile := texts[0]
	require.NoError(t, st.AddRepairs(ctx, reports.Repair{ID: hostile, Run: hostile, By: "NUL\x00", Found: huge, Done: hostile, Text: huge, Unit: reports.Unit{SerialNumber: hostile}}))
	require.NoError(t, st.SetFlags(ctx, hostile, []Flag{{Run: hostile, Station: "\x00", File: "\xff\x00", Kind: hostile, Text: huge}}))
	_, err = st.Runs(ctx, Selection{Product: hostile}, RunFilter{Reading: hostile, Outcome: reports.Outcome(hostile)}, "", 5)
	require.NoError(t, err)

	// Clocks that are wrong, and numbers at the edge of what there is.
	for i, at := range []time.Time{{}, time.Date(1969, 12, 31, 23, 59, 59, 1, time.UTC), time.Date(9999, 12, 31, 23, 59, 59, 0, time.UTC)} {
		p := simple("LQ-9", fmt.Sprintf("t%d", i), fmt.Sprintf("t%d", i), at, []float64{1.7e308, -1.7e308, 5e-324}[i], 5)
		p.Ended = []time.Time{at.Add(-time.Hour), time.Date(9999, 1, 1, 0, 0, 0, 0, time.UTC), at}[i]
		_, err := st.Add(ctx, itemsOf(newStation("LQ-9").seal(t, p))...)
		require.NoError(t, err)
		run, err := st.Run(ctx, p.Run)
		require.NoError(t, err)
		require.Equal(t, at.Truncate(time.Millisecond), run.Started)
	}
	c, err := st.Counts(ctx, Selection{Station: "LQ-9"})
	require.NoError(t, err)
	require.Equal(t, int64(3), c.Units)
	require.Equal(t, longestRun/1000.0, c.JudgedTime, "a run counts as a year at most")
	for _, s := range []Selection{
		{Since: time.Date(1, 1, 1, 0, 0, 0, 1, time.UTC), Until: time.Date(9999, 12, 31, 0, 0, 0, 0, time.UTC), Station: "LQ-9"},
		{Until: time.Date(-5000, 1, 1, 0, 0, 0, 0, time.UTC)}, {Since: time.Date(99999, 1, 1, 0, 0, 0, 0, time.UTC)},
	} {
		for _, by := range []By{ByHour, ByShift, ByDay, ByWeek, ByMonth} {
			_, err := st.Trend(ctx, s, by)
			require.NoError(t, err)
		}
		_, err := st.Moments(ctx, s)
		require.NoError(t, err)
		_, err = st.Series(ctx, s, "c.x", false, 10)
		require.NoError(t, err)
	}
	m, err := st.Moments(ctx, Selection{Station: "LQ-9"})
	require.NoError(t, err)
	require.Equal(t, []float64{-1.7e308, 1.7e308}, []float64{m[0].Min, m[0].Max})
	series, err := st.Series(ctx, Selection{Station: "LQ-9"}, "c.x", true, 10)
	require.NoError(t, err)
	require.Equal(t, []float64{1.7e308, -1.7e308, 5e-324}, series.Values())
}

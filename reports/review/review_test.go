package review

import (
	"context"
	"fmt"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"fullthrow/reports"
	"fullthrow/reports/archive"
	"fullthrow/reports/recordtest"
	"fullthrow/reports/store"
)

// recordsOf seals runs, one a day and unit, in a new archive, and opens its
// index.
func recordsOf(t *testing.T, outcomes ...reports.Outcome) *store.Index {
	t.Helper()
	dir := filepath.Join(t.TempDir(), "records")
	a, err := archive.Open(dir, "LQ-1")
	require.NoError(t, err)
	for i, outcome := range outcomes {
		shift := time.Duration(i) * 25 * time.Hour
		start := recordtest.Start(fmt.Sprintf("run-%02d", i+1))
		start.Unit.SerialNumber = fmt.Sprintf("K824A%05d", i)
		start.Nest = string(rune('A' + i%2))
		start.CycleTime, start.Takt = 45, 30
		j, err := a.Begin(start, recordtest.T0.Add(shift))
		require.NoError(t, err)
		for _, e := range recordtest.Events(outcome) {
			e.Time = e.Time.Add(shift)
			require.NoError(t, j.Append(e))
		}
		_, err = j.Seal()
		require.NoError(t, err)
	}
	require.NoError(t, a.Close())
	index, err := store.OpenIndex(context.Background(), dir, store.IndexOptions{})
	require.NoError(t, err)
	t.Cleanup(func() { index.Close() })
	return index
}

// Hours and days added up are what the store itself would have said.
func TestFoldedPeriodsAreThoseOfTheStore(t *testing.T) {
	var outcomes []reports.Outcome
	for i := range 12 {
		outcomes = append(outcomes, []reports.Outcome{reports.Passed, reports.Passed, reports.Failed}[i%3])
	}
	index := recordsOf(t, outcomes...)
	plant := time.FixedZone("plant", 8*3600)
	sel := store.Selection{Zone: plant}
	for _, fine := range []store.By{store.ByHour, store.ByDay} {
		g, err := index.Trend(context.Background(), sel, fine)
		require.NoError(t, err)
		for _, by := range []store.By{store.ByDay, store.ByWeek, store.ByMonth} {
			want, err := index.Trend(context.Background(), sel, by)
			require.NoError(t, err)
			got := folded(g, by, plant)
			require.Len(t, got, len(want), "%s of %s", by, fine)
			for i := range want {
				assert.True(t, want[i].Start.Equal(got[i].Start), "%s of %s: %s, want %s", by, fine, got[i].Start, want[i].Start)
				assert.Equal(t, want[i].Key, got[i].Key, "%s of %s", by, fine)
				assert.Equal(t, want[i].Counts, got[i].Counts, "%s of %s", by, fine)
			}
		}
	}
}

// What the takt asks for is the same with one nest and with two; what they can
// do is not.
func TestTaktIsOfTheLine(t *testing.T) {
	index := recordsOf(t, reports.Passed, reports.Passed, reports.Failed, reports.Passed)
	r := Review{Records: index, Now: func() time.Time { return recordtest.T0.AddDate(0, 0, 10) }}
	ask := func(options map[string]string) Today {
		t.Helper()
		q, err := r.Parse(AskToday, options)
		require.NoError(t, err)
		a, err := r.Today(context.Background(), q)
		require.NoError(t, err)
		return a
	}
	two := ask(map[string]string{"period": "all"}).Cycle
	assert.Equal(t, []float64{45, 30, 120, 2, 160}, []float64{two.Intended, two.Takt, two.Needed, float64(two.Nests), two.Capacity})
	one := ask(map[string]string{"period": "all", "nest": "LQ-1 A"}).Cycle
	assert.Equal(t, []float64{120, 1, 80}, []float64{one.Needed, float64(one.Nests), one.Capacity})
	given := ask(map[string]string{"period": "all", "takt": "50"}).Cycle
	assert.Equal(t, 72.0, given.Needed)
}

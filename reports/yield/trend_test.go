package yield

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"strconv"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"fullthrow/reports/statistics"
)

// Holm 1979, worked by hand: 0.01, 0.04, 0.03, 0.005 give 0.03, 0.06, 0.06, 0.02.
func TestHolmBonferroni(t *testing.T) {
	require.InDeltaSlice(t, []float64{0.03, 0.06, 0.06, 0.02}, HolmBonferroni([]float64{0.01, 0.04, 0.03, 0.005}), 1e-15)
	require.Equal(t, []float64{1, 1}, HolmBonferroni([]float64{0.9, 0.6}))
	require.Empty(t, HolmBonferroni(nil))
	got := HolmBonferroni([]float64{0.02, math.NaN()})
	require.True(t, got[0] == 0.02 && math.IsNaN(got[1]))
}

func groupOf(key string, units, passed int64) Group {
	return Group{Key: key, Counts: Counts{Runs: units, Passed: passed, Failed: units - passed, Units: units, FirstPassed: passed, FinalPassed: passed}}
}

func TestTrend(t *testing.T) {
	r := Trend([]Group{groupOf("23Z", 400, 380), groupOf("24A", 500, 476), groupOf("24B", 300, 243), groupOf("none", 0, 0)}, TrendOptions{})
	require.Equal(t, NewShare(1099, 1200, 0.95), r.Whole)
	require.Equal(t, []int{3, 3}, []int{r.Compared, r.Differ})
	require.Equal(t, []int{1, 1, -1, 0}, []int{r.Points[0].Differs, r.Points[1].Differs, r.Points[2].Differs, r.Points[3].Differs})
	b := r.Points[2]
	require.Equal(t, NewShare(856, 900, 0.95), b.Other)
	require.InDelta(t, 0.81-856./900, b.Difference.Value, 1e-15)
	require.Less(t, b.Difference.High, 0.0)
	require.Equal(t, statistics.FisherExact(243, 300, 856, 900), float64(b.Chance))
	require.Equal(t, 3*float64(b.Chance), float64(b.Corrected))
	require.True(t, math.IsNaN(float64(r.Points[3].Chance)))
	data, err := json.Marshal(r)
	require.NoError(t, err)
	require.Contains(t, string(data), `"chance":null`)
	var back TrendResult
	require.NoError(t, json.Unmarshal(data, &back))
	require.Equal(t, b, back.Points[2])

	// Two lots: each is the other's rest, so this is one comparison.
	r = Trend([]Group{groupOf("24A", 100, 95), groupOf("24B", 100, 84)}, TrendOptions{})
	require.Equal(t, []int{1, 2}, []int{r.Compared, r.Differ})
	require.Equal(t, r.Points[0].Chance, r.Points[0].Corrected)

	for _, tt := range []struct {
		groups           []Group
		compared, differ int
	}{
		{nil, 0, 0},
		{[]Group{groupOf("24A", 0, 0)}, 0, 0},
		{[]Group{groupOf("24A", 10, 9)}, 0, 0},
		{[]Group{groupOf("24A", 10, 9), groupOf("24B", 10, 8)}, 1, 0},
		{[]Group{groupOf("24A", 50, 50), groupOf("24B", 50, 50)}, 1, 0},
		{[]Group{groupOf("24A", 50, 0), groupOf("24B", 50, 50)}, 1, 2},
	} {
		r := Trend(tt.groups, TrendOptions{})
		require.Equal(t, []int{tt.compared, tt.differ}, []int{r.Compared, r.Differ})
	}
}

// Where all groups are alike, even one is named in at most one of twenty trends
// (simulated; the test is exact and so rarer).
func TestTrendIsRarelyWrong(t *testing.T) {
	rng := rand.New(rand.NewPCG(20, 25))
	wrong := 0
	const trials = 600
	for range trials {
		var groups []Group
		for i := range 12 {
			g := groupOf(strconv.Itoa(i), 40, 0)
			for range g.Counts.Units {
				if rng.Float64() < 0.93 {
					g.Counts.FirstPassed++
				}
			}
			groups = append(groups, g)
		}
		if Trend(groups, TrendOptions{}).Differ > 0 {
			wrong++
		}
	}
	require.Less(t, float64(wrong)/trials, 0.05)
}

func TestFillPeriods(t *testing.T) {
	zone := time.FixedZone("plant", 3600)
	at := func(day, hour int) time.Time { return time.Date(2026, 3, day, hour, 0, 0, 0, zone) }
	key := func(t time.Time) string { return t.In(zone).Format("2006-01-02 15:04") }
	keys := func(groups []Group) []string {
		var k []string
		for _, g := range groups {
			k = append(k, g.Key)
		}
		return k
	}
	start := func(times ...time.Time) []Group {
		var groups []Group
		for _, s := range times {
			groups = append(groups, Group{Key: key(s), Start: s, Counts: Counts{Units: 1}})
		}
		return groups
	}
	for _, tt := range []struct {
		period string
		groups []Group
		want   []string
	}{
		{"hour", start(at(2, 6), at(2, 9)), []string{"2026-03-02 06:00", "2026-03-02 07:00", "2026-03-02 08:00", "2026-03-02 09:00"}},
		{"shift", start(at(2, 14), at(3, 14)), []string{"2026-03-02 14:00", "2026-03-02 22:00", "2026-03-03 06:00", "2026-03-03 14:00"}},
		{"day", start(at(2, 0), at(4, 0)), []string{"2026-03-02 00:00", "2026-03-03 00:00", "2026-03-04 00:00"}},
		{"week", start(at(2, 0), at(16, 0)), []string{"2026-03-02 00:00", "2026-03-09 00:00", "2026-03-16 00:00"}},
		{"month", start(at(1, 0), at(62, 0)), []string{"2026-03-01 00:00", "2026-04-01 00:00", "2026-05-01 00:00"}},
		{"day", start(at(2, 0), at(3, 0)), []string{"2026-03-02 00:00", "2026-03-03 00:00"}},
		{"day", nil, nil},
		{"day", start(at(3, 0), at(2, 0)), []string{"2026-03-03 00:00", "2026-03-02 00:00"}},
		{"hour", start(at(2, 0), at(2000, 0)), []string{"2026-03-02 00:00", key(at(2000, 0))}},
	} {
		filled := FillPeriods(tt.groups, Following(tt.period, zone, nil), key)
		require.Equal(t, tt.want, keys(filled), tt.period)
		require.Equal(t, Sum(tt.groups), Sum(filled))
	}
	require.Equal(t, at(2, 7), Following("shift", zone, []time.Duration{7 * time.Hour})(at(1, 7)))
	require.Equal(t, time.Date(2026, 3, 3, 0, 0, 0, 0, time.UTC), Following("day", nil, nil)(time.Date(2026, 3, 2, 0, 0, 0, 0, time.UTC)))
	require.Nil(t, Following("lot", zone, nil))
	// A period that does not go on ends the filling.
	stuck := FillPeriods(start(at(2, 0), at(4, 0)), func(t time.Time) time.Time { return t }, key)
	require.Len(t, stuck, 2)
	require.Len(t, FillPeriods([]Group{{Key: "24A"}, {Key: "24B"}}, Following("day", zone, nil), key), 2)
}

func BenchmarkTrend(b *testing.B) {
	var groups []Group
	for i := range 500 {
		groups = append(groups, groupOf(strconv.Itoa(i), 2000, 1900+int64(i%7)))
	}
	for b.Loop() {
		Trend(groups, TrendOptions{})
	}
}

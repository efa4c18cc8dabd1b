package reports_test

import (
	. "fullthrow/reports"
	"fullthrow/reports/archive"

	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// The same events fold to the same report, in memory and through the archive.
func TestDraftFoldsLikeAJournal(t *testing.T) {
	at := time.Date(2026, 3, 2, 6, 0, 0, 0, time.UTC)
	upper := 12e-6
	start := Start{Run: "r", Station: "LQ-1", Nest: "A", Unit: Unit{SerialNumber: "K824A00017M", Product: "kite"}, Attempt: 1, CycleTime: 45, Software: "test"}
	for name, value := range map[string]Value{"pass": Number(9e-6), "fail": Number(15e-6), "not finite": Number(math.NaN())} {
		verdict := Pass
		if name != "pass" {
			verdict = Fail
		}
		events := []Event{
			{Kind: BenchReady, Time: at, Text: "all there"},
			{Kind: CheckStarted, Time: at, Check: &Check{Name: "standby"}},
			{Kind: ReadingTaken, Time: at, Reading: &Reading{Check: "standby", Name: "current", Value: value, Unit: "A", Limit: &Limit{Upper: &upper}, Verdict: verdict}},
			{Kind: CheckEnded, Time: at.Add(time.Second), Check: &Check{Name: "standby", Verdict: verdict}},
			{Kind: MadeSafe, Time: at.Add(time.Second)},
			{Kind: RunEnded, Time: at.Add(time.Second), End: &End{Outcome: Passed}},
		}
		draft, err := NewDraft(start, at)
		require.NoError(t, err)
		a, err := archive.Open(t.TempDir(), "LQ-1")
		require.NoError(t, err)
		journal, err := a.Begin(start, at)
		require.NoError(t, err)
		for _, e := range events {
			require.NoError(t, draft.Append(e))
			require.NoError(t, journal.Append(e))
		}
		assert.ErrorIs(t, draft.Append(events[0]), ErrEnded)
		got, err := draft.Fold()
		require.NoError(t, err)
		sealed, err := journal.Seal()
		require.NoError(t, err)
		require.NoError(t, a.Close())
		want := sealed.Report
		if name == "not finite" {
			require.Len(t, got.Checks[0].Readings, 1)
			got.Checks[0].Readings[0].Value = want.Checks[0].Readings[0].Value // NaN is written as none
		}
		assert.Equal(t, want, got, name)
	}
	draft, err := NewDraft(start, at)
	require.NoError(t, err)
	assert.Error(t, draft.Append(Event{Kind: NoteMade}), "no time")
	assert.Error(t, draft.Append(Event{Kind: RunStarted, Time: at, Start: &start}), "a second start")
	assert.Error(t, draft.Append(Event{Kind: RunEnded, Time: at}), "no content")
	r, err := draft.Fold()
	require.NoError(t, err)
	assert.Equal(t, Aborted, r.Outcome, "no end")
}

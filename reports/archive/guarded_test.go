package archive

import (
	"io/fs"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"fullthrow/reports"
)

// What a guardian writes into the journal of a run whose program is gone is in the
// report that the next opening seals, whatever the program was writing when it
// went; it makes nothing pass, and undoes no failure.
func TestGuarded(t *testing.T) {
	at := time.Date(2026, 7, 1, 8, 0, 0, 0, time.UTC)
	why := &reports.Reason{Code: reports.GuardianSafe, Seconds: 0.2}
	one := 1.0
	reading := reports.Reading{Check: "live", Name: "current", Value: reports.Number(0.5), Unit: "A",
		Limit: &reports.Limit{Upper: &one}, Verdict: reports.Pass}
	failing := reading
	failing.Verdict, failing.Value = reports.Fail, reports.Number(2)
	begun := []reports.Event{{Kind: reports.CheckStarted, Check: &reports.Check{Name: "live"}}}
	ended := func(rd reports.Reading, o reports.Outcome) []reports.Event {
		return []reports.Event{{Kind: reports.CheckStarted, Check: &reports.Check{Name: "live"}},
			{Kind: reports.ReadingTaken, Reading: &rd}, {Kind: reports.CheckEnded, Check: &reports.Check{Name: "live"}},
			{Kind: reports.MadeSafe}, {Kind: reports.RunEnded, End: &reports.End{Outcome: o}}}
	}
	unsafe := []reports.Unsafe{{Device: "supply", Drives: []string{"power"}, Kind: "gone"}}
	for _, tt := range []struct {
		name    string
		events  []reports.Event
		torn    string
		unsafe  []reports.Unsafe
		outcome reports.Outcome
		code    reports.Code
	}{
		{"in a check", begun, "", nil, reports.Aborted, reports.CutDuring},
		{"in the middle of a line", begun, `{"crc":"0000`, nil, reports.Aborted, reports.CutDuring},
		{"could not", begun, "", unsafe, reports.Aborted, reports.CutDuring},
		{"passed, not sealed", ended(reading, reports.Passed), "", nil, reports.Aborted, reports.CutUnsealed},
		{"failed, not sealed", ended(failing, reports.Failed), `{"`, nil, reports.Failed, reports.Missed},
		{"passed, not sealed, could not", ended(reading, reports.Passed), "", unsafe, reports.Errored, reports.NotSafe},
	} {
		t.Run(tt.name, func(t *testing.T) {
			dir := t.TempDir()
			a, err := Open(dir, "LQ-1")
			require.NoError(t, err)
			j, err := a.Begin(reports.Start{Run: "run-1", Station: "LQ-1", Nest: "A"}, at)
			require.NoError(t, err)
			for _, e := range tt.events {
				e.Time = at.Add(time.Second)
				require.NoError(t, j.Append(e))
			}
			require.NoError(t, j.Sync())
			event := reports.Event{Kind: reports.MadeSafe, Time: at.Add(time.Minute), Guardian: why, Unsafe: tt.unsafe}
			assert.ErrorContains(t, Guarded(dir, "run-1", event), "in use", "one writer at a time")
			require.NoError(t, a.Close())
			if tt.torn != "" {
				f, err := os.OpenFile(filepath.Join(dir, journalDir, "run-1.jsonl"), os.O_APPEND|os.O_WRONLY, 0)
				require.NoError(t, err)
				_, err = f.WriteString(tt.torn)
				require.NoError(t, err)
				require.NoError(t, f.Close())
			}
			require.NoError(t, Guarded(dir, "run-1", event))
			assert.ErrorIs(t, Guarded(dir, "run-2", event), fs.ErrNotExist)

			a, err = Open(dir, "LQ-1")
			require.NoError(t, err)
			defer a.Close()
			require.Len(t, a.Recovered(), 1)
			r := a.Recovered()[0].Report
			assert.Equal(t, tt.outcome, r.Outcome)
			require.NotNil(t, r.Reason)
			assert.Equal(t, tt.code, r.Reason.Code)
			assert.Equal(t, why, r.Guardian)
			if tt.outcome == reports.Aborted {
				assert.Equal(t, []reports.Reason{*why}, r.Reason.Because)
			}
			assert.Equal(t, tt.unsafe, r.Unsafe)
			assert.Equal(t, event.Time, r.Ended)
			v, err := Verify(dir)
			require.NoError(t, err)
			assert.Empty(t, v.Problems)
			assert.ErrorIs(t, Guarded(dir, "run-1", event), fs.ErrNotExist, "sealed")
		})
	}
}

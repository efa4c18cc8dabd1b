package demo

import (
	"bytes"
	"strings"
	"sync"
	"testing"
	"time"

	"fullthrow/drivers/sim"
	"fullthrow/reports"
	"fullthrow/reports/archive"
	"fullthrow/reports/wording"
	"fullthrow/runner/bench"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// The history is what the policy and the repair bench make of a few days.
func TestDemoHistory(t *testing.T) {
	m, b, people, err := Files(2)
	require.NoError(t, err)
	records, err := archive.Open(t.TempDir(), "LQ-1")
	require.NoError(t, err)
	defer records.Close()
	units := NewUnits(people)
	var mu sync.Mutex
	golden, first, failed := 0, 0, 0
	require.NoError(t, MakeHistory(t.Context(), m, b, units, records, 2, func(s archive.Sealed) {
		mu.Lock()
		defer mu.Unlock()
		r := s.Report
		switch {
		case r.Unit.Golden:
			golden++
		case r.Attempt == 1:
			first++
		}
		if r.Outcome == reports.Failed {
			failed++
		}
		assert.NotEqual(t, reports.Errored, r.Outcome, wording.English().Reason(r.Reason))
		assert.True(t, r.Started.Before(time.Now()), "nothing is made in the future")
		assert.Contains(t, demoOperators, r.Operator)
	}))
	days := 0
	for i := range 3 {
		day := time.Now().AddDate(0, 0, -i)
		if w := day.Weekday(); w != time.Saturday && w != time.Sunday && shiftStart(day).Before(time.Now().Add(-time.Hour)) {
			days++
		}
	}
	assert.GreaterOrEqual(t, golden, 2*max(0, days-1))
	assert.LessOrEqual(t, first, 2*historyUnits*3)
	for _, r := range records.Repairs() {
		h, defects := units.handset(r.Repair.Unit.SerialNumber)
		assert.Empty(t, defects, "a repaired unit is sound: %v", h.Seed)
	}
}

func TestDemoUnits(t *testing.T) {
	_, _, people, err := Files(1)
	require.NoError(t, err)
	d := NewUnits(people)
	tries := d.Try(3, 4)
	require.Len(t, tries, 7)
	for _, u := range tries {
		a, defects := d.handset(u.Serial)
		b, _ := d.handset(u.Serial)
		assert.Equal(t, a, b, "the same unit each time")
		assert.Equal(t, strings.HasPrefix(u.About, "passes"), len(defects) == 0, u.Serial)
	}
	// More of the troubled lot have what it is known for.
	count := func(lot string) (n int) {
		for i := range 2000 {
			serial, err := Serial(lot, i+1)
			require.NoError(t, err)
			_, defects := d.handset(serial)
			for _, name := range defects {
				if name == "slow-restart" || name == "foreign-tone" {
					n++
				}
			}
		}
		return n
	}
	assert.Greater(t, count(troubled), 2*count("24A"))
	assert.Error(t, d.Give("x", "no-such-defect"))
	require.NoError(t, d.Give(tries[0].Serial, "dead"))
	_, defects := d.handset(tries[0].Serial)
	assert.Equal(t, []string{"dead"}, defects)
	require.NoError(t, d.Give(tries[0].Serial, ""))
	_, defects = d.handset(tries[0].Serial)
	assert.Empty(t, defects)
}

// What simulate writes is a bench file that says the same as the one it was
// made from.
func TestWrittenBenchIsRead(t *testing.T) {
	_, b, _, err := Files(3)
	require.NoError(t, err)
	var text bytes.Buffer
	require.NoError(t, b.Write(&text))
	again, err := bench.Parse("bench.toml", text.Bytes())
	require.NoError(t, err, "%v", err)
	for i := range b.Nests {
		for role, d := range b.Nests[i].Devices {
			d.Calibration = nil // it belongs to real hardware
			b.Nests[i].Devices[role] = d
		}
	}
	assert.Equal(t, b.Nests, again.Nests)
	n, err := again.Open(t.Context(), 2, bench.Simulated(sim.NewBench(sim.NewClock(sim.Morning), 1), sim.NewClock(sim.Morning)))
	require.NoError(t, err)
	assert.NoError(t, n.Close())
}

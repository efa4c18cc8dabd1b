package web

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"

	"fullthrow/reports"
	"fullthrow/reports/archive"
)

// A unit that comes from the repair bench is welcome; one that was scrapped is
// not expected.
func TestAUnitComesFromRepair(t *testing.T) {
	at := time.Date(2026, 11, 25, 8, 0, 0, 0, time.UTC)
	unit := reports.Unit{SerialNumber: "K1", Product: "kite"}
	fresh := func() *units {
		u := &units{judged: map[unitKey]judgement{}, repairs: map[unitKey]time.Time{}}
		u.add(archive.Entry{Number: 1, Unit: unit, Outcome: reports.Failed, Ended: at})
		u.add(archive.Entry{Number: 2, Unit: unit, Outcome: reports.Failed, Ended: at.Add(time.Minute)})
		return u
	}
	u := fresh()
	assert.False(t, u.back(unit))
	j, _ := u.last(unit)
	assert.Equal(t, 2, j.failures)
	u.repaired(reports.Repair{Unit: unit, At: at.Add(time.Hour), Done: "cleaned"})
	assert.True(t, u.back(unit))
	j, _ = u.last(unit)
	assert.Zero(t, j.failures)
	u.add(archive.Entry{Number: 3, Unit: unit, Outcome: reports.Passed, Ended: at.Add(2 * time.Hour)})
	assert.False(t, u.back(unit), "it has been tested since")

	u = fresh()
	u.repaired(reports.Repair{Unit: unit, At: at.Add(time.Hour), Done: reports.Scrapped})
	assert.False(t, u.back(unit))
	j, _ = u.last(unit)
	assert.Equal(t, 2, j.failures)
}

// The newest run is the one with the highest number, whatever the clock said and
// in whatever order they come; one that broke a limit before it was stopped
// counts.
func TestTheNewestRunDecides(t *testing.T) {
	at := time.Date(2026, 11, 25, 8, 0, 0, 0, time.UTC)
	unit := reports.Unit{SerialNumber: "K1", Product: "kite"}
	passed := archive.Entry{Number: 1, Unit: unit, Outcome: reports.Passed, Ended: at}
	failed := archive.Entry{Number: 2, Unit: unit, Outcome: reports.Failed, Ended: at.Add(-time.Hour)}
	stopped := archive.Entry{Number: 3, Unit: unit, Outcome: reports.Aborted, Ended: at.Add(-2 * time.Hour)}
	broke := stopped
	broke.CutShort = true
	for _, c := range []struct {
		name string
		runs []archive.Entry
		want reports.Outcome
	}{
		{"the clock set back", []archive.Entry{passed, failed}, reports.Failed},
		{"the other way round", []archive.Entry{failed, passed}, reports.Failed},
		{"stopped, and nothing was broken", []archive.Entry{passed, stopped}, reports.Passed},
		{"stopped after a limit was broken", []archive.Entry{passed, broke}, reports.Aborted},
	} {
		u := &units{judged: map[unitKey]judgement{}, repairs: map[unitKey]time.Time{}}
		for _, e := range c.runs {
			u.add(e)
		}
		j, ok := u.last(unit)
		assert.True(t, ok)
		assert.Equal(t, c.want, j.outcome, c.name)
	}
}

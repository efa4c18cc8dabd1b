package web

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"

	"fullthrow/reports"
)

// A unit that comes from the repair bench is welcome; one that was scrapped is
// not expected.
func TestAUnitComesFromRepair(t *testing.T) {
	at := time.Date(2026, 11, 25, 8, 0, 0, 0, time.UTC)
	unit := reports.Unit{SerialNumber: "K1", Product: "kite"}
	fresh := func() *units {
		u := &units{judged: map[unitKey]judgement{}, repairs: map[unitKey]time.Time{}}
		u.add(unit, reports.Failed, at)
		u.add(unit, reports.Failed, at.Add(time.Minute))
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
	u.add(unit, reports.Passed, at.Add(2*time.Hour))
	assert.False(t, u.back(unit), "it has been tested since")

	u = fresh()
	u.repaired(reports.Repair{Unit: unit, At: at.Add(time.Hour), Done: reports.Scrapped})
	assert.False(t, u.back(unit))
	j, _ = u.last(unit)
	assert.Equal(t, 2, j.failures)
}

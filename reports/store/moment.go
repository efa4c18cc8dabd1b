package store

import "time"

// Time is kept in whole milliseconds, sums in half hours and days of UTC.
const (
	slotMillis  = 30 * 60 * 1000
	dayMillis   = 24 * 60 * 60 * 1000
	slotsPerDay = dayMillis / slotMillis

	// A run that says it took longer than this had a clock that was set: it
	// counts as this long, so that sums stay within 64 bits.
	longestRun = 366 * dayMillis
)

func millis(t time.Time) int64 { return t.UnixMilli() }

func fromMillis(ms int64) time.Time { return time.UnixMilli(ms).UTC() }

func dayOf(ms int64) int64 { return floorDiv(ms, dayMillis) }

// slotOf is the half hour of its day, 0 to 47.
func slotOf(ms int64) int { return int(floorDiv(ms, slotMillis) - dayOf(ms)*slotsPerDay) }

func floorDiv(a, b int64) int64 {
	q := a / b
	if a%b < 0 {
		q--
	}
	return q
}

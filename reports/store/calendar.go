package store

import (
	"fmt"
	"time"
)

// period says whether runs are grouped by when they began.
func (b By) period() bool {
	switch b {
	case ByHour, ByShift, ByDay, ByWeek, ByMonth:
		return true
	}
	return false
}

// field returns what to group by, and false for what is no field of a run.
func (b By) field() (func(g group) string, bool) {
	switch b {
	case ByProduct:
		return func(g group) string { return g.product }, true
	case ByRevision:
		return func(g group) string { return g.revision }, true
	case ByLot:
		return func(g group) string { return g.lot }, true
	case ByStation:
		return func(g group) string { return g.station }, true
	case ByNest:
		return func(g group) string {
			if g.nest == "" {
				return g.station
			}
			return g.station + " " + g.nest
		}, true
	case ByOperator:
		return func(g group) string { return g.operator }, true
	}
	return nil, false
}

// calendar finds the periods that half hours belong to, where the selection's
// days begin.
type calendar struct {
	zone   *time.Location
	shifts []time.Duration
}

func newCalendar(s Selection) calendar {
	c := calendar{s.Zone, s.Shifts}
	if c.zone == nil {
		c.zone = time.UTC
	}
	if len(c.shifts) == 0 {
		c.shifts = []time.Duration{6 * time.Hour, 14 * time.Hour, 22 * time.Hour}
	}
	return c
}

// local is what the clock on the wall shows at a half hour (since 1970), as if
// it were UTC. Offsets that are not whole half hours are rounded.
func (c calendar) local(slot int64) (wall time.Time, offset int64) {
	_, seconds := fromMillis(slot * slotMillis).In(c.zone).Zone()
	offset = floorDiv(int64(seconds)*1000+slotMillis/2, slotMillis) * slotMillis
	return fromMillis(slot*slotMillis + offset), offset
}

// begin is when the period began that a half hour belongs to, in ms. An hour
// that the clock shows twice is two; every other period goes by the clock.
func (c calendar) begin(by By, slot int64) int64 {
	wall, offset := c.local(slot)
	if by == ByHour {
		return millis(wall.Truncate(time.Hour)) - offset
	}
	day := time.Date(wall.Year(), wall.Month(), wall.Day(), 0, 0, 0, 0, time.UTC)
	switch by {
	case ByShift:
		at := wall.Sub(day)
		start := day.AddDate(0, 0, -1).Add(c.shifts[len(c.shifts)-1])
		for _, s := range c.shifts {
			if s <= at {
				start = day.Add(s)
			}
		}
		day = start
	case ByWeek:
		day = day.AddDate(0, 0, -(int(wall.Weekday())+6)%7)
	case ByMonth:
		day = day.AddDate(0, 0, 1-day.Day())
	}
	return millis(time.Date(day.Year(), day.Month(), day.Day(), day.Hour(), day.Minute(), day.Second(),
		day.Nanosecond(), c.zone))
}

// key names the period that begins then, as people read it.
func (c calendar) key(by By, begin int64) string {
	t := fromMillis(begin).In(c.zone)
	switch by {
	case ByHour, ByShift:
		return t.Format("2006-01-02 15:04")
	case ByWeek:
		year, week := t.ISOWeek()
		return fmt.Sprintf("%04d-W%02d", year, week)
	case ByMonth:
		return t.Format("2006-01")
	}
	return t.Format("2006-01-02")
}

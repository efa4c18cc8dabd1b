package yield

import (
	"slices"
	"time"
)

// MaxPeriods is how many groups [FillPeriods] gives at most.
const MaxPeriods = 20_000

// FillPeriods puts an empty group in for each period between the first and the
// last in which nothing ran, so that a chart shows the gap. groups are in order
// of time, each with its Start; next gives the start of the period after the one
// that starts at t (see [Following]), and key how a period is called.
//
// Groups of which one has no Start, are out of order, or would become more than
// [MaxPeriods], come back as they are.
func FillPeriods(groups []Group, next func(t time.Time) time.Time, key func(t time.Time) string) []Group {
	var filled []Group
	for i, g := range groups {
		if g.Start.IsZero() || i > 0 && g.Start.Before(groups[i-1].Start) {
			return groups
		}
		if i > 0 {
			// Only periods that end before the next group begins: where clocks
			// are put back, starts need not meet.
			for t := next(groups[i-1].Start); ; {
				end := next(t)
				if !end.After(t) || end.After(g.Start) {
					break
				}
				if len(filled) >= MaxPeriods {
					return groups
				}
				filled = append(filled, Group{Key: key(t), Start: t})
				t = end
			}
		}
		filled = append(filled, g)
	}
	if len(filled) > MaxPeriods {
		return groups
	}
	return filled
}

// Following gives the step of [FillPeriods] for periods by the names "hour",
// "shift", "day", "week" and "month"; nil for any other. Days begin at midnight
// in zone (nil is UTC), shifts at the times of day given, ascending; with none,
// at 06:00, 14:00 and 22:00.
func Following(period string, zone *time.Location, shifts []time.Duration) func(time.Time) time.Time {
	if zone == nil {
		zone = time.UTC
	}
	days := func(years, months, days int) func(time.Time) time.Time {
		return func(t time.Time) time.Time {
			y, m, d := t.In(zone).Date()
			return time.Date(y+years, m+time.Month(months), d+days, 0, 0, 0, 0, zone)
		}
	}
	switch period {
	case "hour":
		return func(t time.Time) time.Time { return t.Add(time.Hour) }
	case "day":
		return days(0, 0, 1)
	case "week":
		return days(0, 0, 7)
	case "month":
		return days(0, 1, 0)
	case "shift":
		if len(shifts) == 0 {
			shifts = []time.Duration{6 * time.Hour, 14 * time.Hour, 22 * time.Hour}
		}
		shifts = slices.Clone(shifts)
		return func(t time.Time) time.Time {
			local := t.In(zone)
			y, m, d := local.Date()
			for day := 0; ; day++ {
				for _, s := range shifts { // by the clock on the wall, also where it is put forward
					at := time.Date(y, m, d+day, 0, int(s/time.Minute), 0, 0, zone)
					if at.After(local) {
						return at
					}
				}
			}
		}
	}
	return nil
}

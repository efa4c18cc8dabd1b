package review

import (
	"context"
	"fmt"
	"time"

	"fullthrow/reports/store"
	"fullthrow/reports/yield"
)

// mostFilled is up to how many groups gaps in time are filled in: a year of
// hours with one shift a day is read more easily without its nights.
const mostFilled = 200

// longHours is up to what time runs are counted hour by hour; for longer, day
// by day.
const longHours = 62 * 24 * time.Hour

// fine is what is counted finest in a selection: hours, or days where hours
// are too many.
func (q *Question) fine() store.By {
	until := q.Runs.Until
	if until.IsZero() || until.After(q.now) {
		until = q.now
	}
	if q.Runs.Since.IsZero() || until.Sub(q.Runs.Since) > longHours {
		return store.ByDay
	}
	return store.ByHour
}

// usualBy chooses periods that give a trend one can read, by when there were
// runs.
func usualBy(groups []yield.Group) store.By {
	if len(groups) == 0 {
		return store.ByDay
	}
	switch days := groups[len(groups)-1].Start.Sub(groups[0].Start).Hours() / 24; {
	case days <= 2:
		return store.ByHour
	case days > 400:
		return store.ByMonth
	case days > 60:
		return store.ByWeek
	}
	return store.ByDay
}

// groups adds up the selection group by group, gaps in time filled in. fine are
// the groups by [Question.fine]; without a grouping the usual one is chosen.
func (r *Review) groups(ctx context.Context, q *Question, fine []yield.Group) ([]yield.Group, store.By, error) {
	by := q.By
	if by == "" {
		by = usualBy(fine)
	}
	groups := fine
	switch is := q.fine(); {
	case by == is:
	case by == store.ByDay && is == store.ByHour, by == store.ByWeek, by == store.ByMonth:
		groups = folded(fine, by, q.Runs.Zone) // made of whole ones
	default:
		var err error
		if groups, err = r.Records.Trend(ctx, q.Runs, by); err != nil {
			return nil, by, err
		}
	}
	if next := yield.Following(string(by), q.Runs.Zone, q.Runs.Shifts); next != nil {
		all := yield.FillPeriods(groups, next, func(t time.Time) string { return periodKey(by, t.In(q.Runs.Zone)) })
		if len(all) <= mostFilled {
			groups = all
		}
	}
	return groups, by, nil
}

// periodKey is what the store calls the period that begins at t.
func periodKey(by store.By, t time.Time) string {
	switch by {
	case store.ByWeek:
		y, w := t.ISOWeek()
		return fmt.Sprintf("%d-W%02d", y, w)
	case store.ByDay:
		return t.Format("2006-01-02")
	case store.ByMonth:
		return t.Format("2006-01")
	}
	return t.Format("2006-01-02 15:04")
}

// folded adds hours or days up to days, weeks or months: one question to the
// records less.
func folded(fine []yield.Group, by store.By, zone *time.Location) []yield.Group {
	var out []yield.Group
	for _, g := range fine {
		y, m, d := g.Start.In(zone).Date()
		start := time.Date(y, m, d, 0, 0, 0, 0, zone)
		switch by {
		case store.ByWeek: // from Monday
			start = start.AddDate(0, 0, -(int(start.Weekday())+6)%7)
		case store.ByMonth:
			start = start.AddDate(0, 0, 1-d)
		}
		if n := len(out); n > 0 && out[n-1].Start.Equal(start) {
			out[n-1].Counts = out[n-1].Counts.Plus(g.Counts)
			continue
		}
		out = append(out, yield.Group{Key: periodKey(by, start), Start: start, Counts: g.Counts})
	}
	return out
}

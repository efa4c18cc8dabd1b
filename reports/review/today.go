package review

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"slices"
	"time"

	"fullthrow/reports"
	"fullthrow/reports/statistics"
	"fullthrow/reports/store"
	"fullthrow/reports/yield"
)

// Today answers how good it is: how many units passed at their first run, how
// sure that is, and where time went.
type Today struct {
	Schema  string            `json:"schema"`
	About   About             `json:"about"`
	Summary yield.Summary     `json:"summary"`
	Before  *Before           `json:"before,omitempty"` // missing where nothing was tested then
	Rolled  yield.RolledYield `json:"rolled"`
	By      store.By          `json:"by"` // what Trend is grouped by
	Trend   yield.TrendResult `json:"trend"`
	Pace    Pace              `json:"pace"`
	Cycle   yield.CycleTime   `json:"cycle"`
	Times   yield.Histogram   `json:"times"`
	Lost    yield.LostTime    `json:"lost"`
	Target  *yield.Target     `json:"target,omitempty"`
	Aborts  Aborts            `json:"aborts"`
	// Stopped are the newest runs that judged no unit, newest first: bench
	// faults, then those that were stopped; [MostStopped] of each.
	Stopped []store.Run `json:"stopped"`

	Groups []yield.Group `json:"-"` // those of Trend
}

// Aborts are the runs that were aborted, by whom and of which units: an abort
// after a limit was broken is a failure that somebody did not wait for.
type Aborts struct {
	ByOperator []OperatorAborts   `json:"by_operator"` // who aborted any, most after a broken limit first
	Units      []yield.UnitAborts `json:"units"`       // the same, [MostAborted] of them
}

// OperatorAborts is how often the runs of an operator were aborted.
type OperatorAborts struct {
	Operator string      `json:"operator"`  // "" nobody was named
	Share    yield.Share `json:"share"`     // aborted, of all runs
	CutShort int64       `json:"cut_short"` // of the aborted, with a limit broken by then
}

// MostAborted is how many units with aborted runs are named.
const MostAborted = 12

func abortsOf(operators []yield.Group, units []yield.UnitAborts, confidence float64) Aborts {
	a := Aborts{ByOperator: []OperatorAborts{}, Units: units}
	for _, g := range operators {
		if c := g.Counts; c.Aborted > 0 {
			a.ByOperator = append(a.ByOperator, OperatorAborts{g.Key, yield.NewShare(c.Aborted, c.Runs, confidence),
				c.AbortedCutShort})
		}
	}
	slices.SortStableFunc(a.ByOperator, func(x, y OperatorAborts) int {
		return cmp.Or(cmp.Compare(y.CutShort, x.CutShort), cmp.Compare(y.Share.Count, x.Share.Count))
	})
	return a
}

// MostStopped is how many of the newest runs of a kind that judged no unit are
// named.
const MostStopped = 6

// Before is what the selection is held against: as long, just before it; for up
// to a day, the 30 days before.
type Before struct {
	Days      int         `json:"days"`
	FirstPass yield.Share `json:"first_pass"`
	// P is how often chance alone makes two so different; Differs is -1 or 1
	// where that is below 1 less the confidence, else 0.
	P       yield.Probability `json:"p"`
	Differs int               `json:"differs"`
}

// Pace is how much was done in the hours, or days, in which anything ran.
type Pace struct {
	Of     store.By `json:"of"`     // "hour" or "day"
	Worked int      `json:"worked"` // in which there was a run
	Units  float64  `json:"units"`  // tested in each of them, on average
}

// Today answers.
func (r *Review) Today(ctx context.Context, q Question) (Today, error) {
	a := Today{Schema: "fullthrow-today/1", Stopped: []store.Run{}}
	var err error
	if a.About, err = r.about(ctx, &q); err != nil {
		return a, err
	}
	var nests, fine, operators []yield.Group
	var aborted []yield.UnitAborts
	var checks []yield.CheckCount
	var past yield.Counts
	var stopped [2][]store.Run
	before, days, isBefore := q.before()
	stops := func(i int, outcome reports.Outcome) func() error {
		return func() (err error) {
			stopped[i], err = r.Records.Runs(ctx, q.Runs, store.RunFilter{Outcome: outcome}, "", MostStopped)
			return err
		}
	}
	if err := together(
		func() (err error) { nests, err = r.Records.Trend(ctx, q.Runs, store.ByNest); return err },
		func() (err error) { checks, err = r.Records.Checks(ctx, q.Runs); return err },
		func() (err error) { operators, err = r.Records.Trend(ctx, q.Runs, store.ByOperator); return err },
		func() (err error) { aborted, err = r.Records.Aborts(ctx, q.Runs, MostAborted); return err },
		func() (err error) { a.Times, err = r.Records.Cycle(ctx, q.Runs); return err },
		func() (err error) { fine, err = r.Records.Trend(ctx, q.Runs, q.fine()); return err },
		func() (err error) {
			if isBefore {
				past, err = r.Records.Counts(ctx, before)
			}
			return err
		},
		stops(0, reports.Errored), stops(1, reports.Aborted)); err != nil {
		return a, err
	}
	if a.Groups, a.By, err = r.groups(ctx, &q, fine); err != nil {
		return a, err
	}
	a.Stopped = append(append(a.Stopped, stopped[0]...), stopped[1]...)
	a.Aborts = abortsOf(operators, aborted, q.Confidence)
	counts := yield.Sum(nests) // nests make up the whole
	a.Summary = yield.Summarise(counts, q.Confidence)
	if past.Units > 0 {
		a.Before = &Before{Days: days, FirstPass: yield.NewShare(past.FirstPassed, past.Units, q.Confidence),
			P: yield.Probability(statistics.FisherExact(counts.FirstPassed, counts.Units, past.FirstPassed,
				past.Units))}
		if counts.Units > 0 && float64(a.Before.P) < 1-q.Confidence {
			a.Before.Differs = -1
			if a.Summary.FirstPass.Value > a.Before.FirstPass.Value {
				a.Before.Differs = 1
			}
		}
	}
	a.Rolled = yield.Rolled(checks, counts.Units, q.Confidence)
	a.Trend = yield.Trend(a.Groups, yield.TrendOptions{Confidence: q.Confidence})
	a.Cycle = yield.Cycle(a.Times, yield.CycleOptions{Confidence: q.Confidence, Takt: q.Takt,
		Nests: max(1, len(nests))})
	a.Lost = yield.Lost(counts, a.Cycle, q.Confidence)
	a.Pace.Of = q.fine()
	for _, g := range fine {
		if g.Counts.Runs > 0 {
			a.Pace.Worked++
		}
	}
	if a.Pace.Worked > 0 {
		a.Pace.Units = float64(counts.Units) / float64(a.Pace.Worked)
	}
	if !math.IsNaN(q.Target) && counts.Units > 0 {
		t := a.Summary.FirstPass.Against(q.Target)
		a.Target = &t
	}
	return a, nil
}

// before is the time that this one is held against; ok is false where there is
// none.
func (q *Question) before() (s store.Selection, days int, ok bool) {
	if q.Runs.Since.IsZero() {
		return s, 0, false
	}
	until := q.Runs.Until
	if until.IsZero() || until.After(q.now) {
		until = q.now
	}
	days = int(until.Sub(q.Runs.Since).Hours()/24 + 0.99)
	if days <= 1 {
		days = 30
	}
	if days > 3660 {
		return s, 0, false
	}
	s = q.Runs
	s.Since, s.Until = q.Runs.Since.AddDate(0, 0, -days), q.Runs.Since
	return s, days, true
}

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

package review

import (
	"context"
	"errors"
	"math"
	"slices"
	"time"

	"fullthrow/reports/store"
	"fullthrow/reports/yield"
)

// Drift answers whether a reading, or the yield, holds still.
type Drift struct {
	Schema  string             `json:"schema"`
	About   About              `json:"about"`
	Reading string             `json:"reading"`         // "yield" for that
	By      store.By           `json:"by,omitempty"`    // what a point of the chart is: "unit", "day", ...
	Every   int                `json:"every,omitempty"` // or so many units after one another
	Runs    string             `json:"runs"`            // that are counted: "first", "judged" or "golden"
	Chart   yield.ControlChart `json:"chart"`
	Problem *yield.Remark      `json:"problem,omitempty"` // why there is no chart
	// subgroups of one unit, which have no spread and are left out
	Lone    int           `json:"lone,omitempty"`
	LeftOut int           `json:"left_out,omitempty"` // values that broke their limit, where that was asked for
	Units   int64         `json:"units"`              // or values in the chart
	Series  *yield.Series `json:"series,omitempty"`   // the points behind a reading's chart
	Golden  *Golden       `json:"golden,omitempty"`
	Moved   *Moved        `json:"moved,omitempty"` // with the yield: which readings moved

	Groups    []yield.Group    `json:"-"` // behind the points of the yield's chart
	Subgroups []yield.Subgroup `json:"-"` // behind those of a reading's
}

// Which runs an answer counts.
const (
	FirstRuns  = "first"
	JudgedRuns = "judged"
	GoldenRuns = "golden"
)

// Drift answers.
func (r *Review) Drift(ctx context.Context, q Question) (Drift, error) {
	a := Drift{Schema: "fullthrow-drift/1", Reading: q.Reading, Runs: q.runs()}
	var err error
	if a.About, err = r.about(ctx, &q); err != nil {
		return a, err
	}
	if q.Reading == "" {
		a.Reading = ofYield
		if err = r.driftOfYield(ctx, &q, &a); err == nil && a.Units > 0 {
			a.Moved, err = r.moved(ctx, &q)
		}
		return a, err
	}
	return a, r.driftOfReading(ctx, &q, &a)
}

func (q *Question) runs() string {
	switch {
	case q.Golden:
		return GoldenRuns
	case q.Retests:
		return JudgedRuns
	}
	return FirstRuns
}

func (r *Review) driftOfYield(ctx context.Context, q *Question, a *Drift) error {
	kind := q.Chart
	if kind == "" {
		kind = yield.ChartP
	}
	a.Chart.Kind = kind
	fine, err := r.Records.Trend(ctx, q.Runs, q.fine())
	if err != nil {
		return err
	}
	groups, by, err := r.groups(ctx, q, fine)
	if err != nil {
		return err
	}
	a.By, a.Units = by, yield.Sum(groups).Units
	for _, g := range groups {
		if g.Counts.Units > 0 {
			a.Groups = append(a.Groups, g)
		}
	}
	tallies := yield.FailedTallies(groups)
	if kind == yield.ChartU || kind == yield.ChartUPrime || kind == yield.ChartC {
		tallies = yield.DefectTallies(groups)
	}
	c, err := yield.NewCountChart(kind, tallies, yield.ChartOptions{Rules: q.Rules, First: q.First})
	return a.take(c, err)
}

// take takes in a chart, or why there is none.
func (a *Drift) take(c yield.ControlChart, err error) error {
	var why *yield.ChartError
	if errors.As(err, &why) {
		a.Problem = &why.Why
		return nil
	}
	if err == nil {
		a.Chart = c
	}
	return err
}

func (r *Review) driftOfReading(ctx context.Context, q *Question, a *Drift) (err error) {
	kind, by := q.Chart, q.By
	grouped := kind == "" || kind == yield.ChartMeansRanges || kind == yield.ChartMeansSDs
	most := mostSingles
	if grouped || by != "" || q.Every > 0 {
		most = mostValues
	}
	var s yield.Series
	if err := together(
		func() (err error) {
			if q.Golden {
				s, err = r.Records.GoldenSeries(ctx, q.Runs, q.Reading, mostGolden)
				return r.readingErr(ctx, q, q.Reading, err)
			}
			s, err = r.series(ctx, q, q.Reading, most)
			return err
		},
		func() (err error) { a.Golden, err = r.golden(ctx, q); return err }); err != nil {
		return err
	}
	if q.PassedOnly {
		kept := passedOnly(s.Points)
		a.LeftOut, s.Points = len(s.Points)-len(kept), kept
	}
	a.Series, a.Units = &s, int64(len(s.Points))
	if kind == "" {
		kind = yield.ChartMeansSDs
		if s.Total <= mostSingles && by == "" && q.Every == 0 {
			kind, grouped = yield.ChartIndividuals, false
		}
	}
	a.Chart.Kind = kind
	if grouped && by == "" && q.Every == 0 {
		by = usualCut(s)
	}
	if by == "" && q.Every == 0 {
		by = "unit"
	}
	a.By, a.Every = by, q.Every
	groups, err := yield.Cut(s, yield.Cutting{By: string(by), Every: q.Every, Zone: q.Runs.Zone, Shifts: q.Runs.Shifts})
	if err != nil {
		return err
	}
	if q.Golden && by == "unit" {
		for i, p := range s.Points { // one unit, time and again
			groups[i].Label = p.Time.In(q.Runs.Zone).Format("2006-01-02 15:04")
		}
	}
	if grouped {
		before := len(groups)
		groups = slices.DeleteFunc(groups, func(g yield.Subgroup) bool { return len(g.Values) < 2 })
		a.Lone = before - len(groups)
	}
	a.Subgroups = groups
	c, err := yield.NewChart(kind, groups, yield.ChartOptions{Rules: q.Rules, First: q.First, Name: s.Name,
		Unit: s.Unit})
	return a.take(c, err)
}

// usualCut chooses subgroups that give a chart one can read.
func usualCut(s yield.Series) store.By {
	if len(s.Points) == 0 {
		return store.ByDay
	}
	switch days := s.Points[len(s.Points)-1].When().Sub(s.Points[0].When()).Hours() / 24; {
	case days <= 2:
		return store.ByHour
	case days <= 20:
		return store.ByShift
	case days <= 90:
		return store.ByDay
	}
	return store.ByWeek
}

// longestMoved is the longest time that is parted into before and since.
const longestMoved = 92 * 24 * time.Hour

// Moved are the readings that lie elsewhere in the last quarter of a period
// than before, by sums alone: where to look first.
type Moved struct {
	Since      time.Time        `json:"since"`      // where the period was parted
	Comparison yield.Comparison `json:"comparison"` // A is before, B since
}

// Matters says that a difference takes a tenth of the limits' room or more, and
// goes towards a limit.
func Matters(d yield.Difference) bool {
	return d.Limit != nil && math.Abs(d.Limit.Share.Value) >= 0.1 && !d.Limit.Inward
}

// moved is nil where the period is too short to be parted, or nothing was read.
func (r *Review) moved(ctx context.Context, q *Question) (*Moved, error) {
	until := q.Runs.Until
	if until.IsZero() || until.After(q.now) {
		until = q.now
	}
	since := q.Runs.Since
	if since.IsZero() || until.Sub(since) > longestMoved {
		since = until.Add(-longestMoved) // what moved lately
	}
	if until.Sub(since) < 2*time.Hour {
		return nil, nil
	}
	split := until.Add(-until.Sub(since) / 4)
	if until.Sub(since) > 7*24*time.Hour {
		y, m, d := split.In(q.Runs.Zone).Date()
		split = time.Date(y, m, d, 0, 0, 0, 0, q.Runs.Zone)
	} else {
		split = split.Truncate(halfHour)
	}
	early, late := q.Runs, q.Runs
	early.Since, early.Until, late.Since = since, split, split
	var sides [2]yield.Side
	read := func(side *yield.Side, sel store.Selection) func() error {
		return func() error {
			moments, err := r.Records.Moments(ctx, sel)
			for _, n := range moments {
				side.Readings = append(side.Readings, yield.Sample{Moments: n})
			}
			return err
		}
	}
	if err := together(read(&sides[0], early), read(&sides[1], late)); err != nil {
		return nil, err
	}
	c := yield.Compare(sides[0], sides[1], yield.CompareOptions{Confidence: q.Confidence})
	if len(c.Readings) == 0 {
		return nil, nil
	}
	return &Moved{split.UTC(), c}, nil
}

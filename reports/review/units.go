package review

import (
	"context"
	"errors"
	"slices"

	"fullthrow/reports/store"
	"fullthrow/reports/yield"
)

// Units lists the runs behind a figure, newest first; where a range of values
// is asked for, the units whose reading lies in it, of the newest that a study
// takes.
type Units struct {
	Schema string      `json:"schema"`
	About  About       `json:"about"`
	Runs   []store.Run `json:"runs"`
	After  string      `json:"after,omitempty"` // where it goes on, as the option of that name

	Values *yield.Series `json:"values,omitempty"` // its points are those in the range
	Of     int           `json:"of,omitempty"`     // how many values were looked at
}

// Units answers, with most runs at a time.
func (r *Review) Units(ctx context.Context, q Question, most int) (Units, error) {
	a := Units{Schema: "fullthrow-units/1", Runs: []store.Run{}}
	var err error
	if a.About, err = r.about(ctx, &q); err != nil {
		return a, err
	}
	if q.Ranged {
		s, err := r.series(ctx, &q, q.Reading, mostValues)
		if err != nil {
			return a, err
		}
		a.Of = len(s.Points)
		s.Points = slices.DeleteFunc(s.Points, func(p yield.Point) bool { return !(p.Value >= q.Low && p.Value < q.High) })
		a.Values = &s
		return a, nil
	}
	runs, err := r.Records.Runs(ctx, q.Runs, q.Filter, q.After, most+1)
	if errors.Is(err, store.ErrUnknown) && q.After != "" {
		return a, problem(BadRun, "name", "after", "value", brief(q.After))
	}
	if err != nil {
		return a, err
	}
	if len(runs) > most {
		runs = runs[:most]
		a.After = runs[most-1].Run
	}
	a.Runs = append(a.Runs, runs...)
	return a, nil
}

// Known refuses a question about what occurs nowhere; for listings that read
// the records themselves.
func (r *Review) Known(ctx context.Context, q Question) error { return r.known(ctx, q.Runs) }

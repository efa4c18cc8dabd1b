package review

import (
	"context"
	"errors"
	"time"

	"fullthrow/reports"
	"fullthrow/reports/store"
	"fullthrow/reports/yield"
)

// Of how many of the newest values answers are made. Singles on a chart can be
// seen one by one, subgroups cannot.
const (
	mostSingles = 250
	mostValues  = 10_000
	mostGolden  = 200
)

// series reads the newest values of a reading.
func (r *Review) series(ctx context.Context, q *Question, reading string, most int) (yield.Series, error) {
	s, err := r.Records.Series(ctx, q.Runs, reading, !q.Retests, most)
	return s, r.readingErr(ctx, q, reading, err)
}

// readingErr makes an unknown reading a [*Problem], with those there are.
func (r *Review) readingErr(ctx context.Context, q *Question, reading string, err error) error {
	if !errors.Is(err, store.ErrUnknown) {
		return err
	}
	names, err := r.Records.Readings(ctx, q.Runs.Product)
	if err != nil {
		return err
	}
	return &Problem{Code: BadReading, Args: []any{"name", "reading", "value", brief(reading)}, Given: reading, Known: names}
}

// golden is a reading of the golden units, whatever the period and lot: the
// bench is older than either. None of them is no error.
func (r *Review) golden(ctx context.Context, q *Question) (*Golden, error) {
	wide := q.Runs
	wide.Since, wide.Until, wide.Lot = time.Time{}, time.Time{}, ""
	s, err := r.Records.GoldenSeries(ctx, wide, q.Reading, mostGolden)
	if err != nil || len(s.Points) == 0 {
		return nil, r.readingErr(ctx, q, q.Reading, err)
	}
	return &Golden{s, yield.FindDrift(s, yield.DriftOptions{})}, nil
}

// Golden is a reading of the golden units, and whether it creeps: then the
// bench does.
type Golden struct {
	Series yield.Series `json:"series"`
	Drift  yield.Drift  `json:"drift"`
}

// passedOnly leaves out the values that broke their limit.
func passedOnly(points []yield.Point) (kept []yield.Point) {
	for _, p := range points {
		if p.Verdict != string(reports.Fail) {
			kept = append(kept, p)
		}
	}
	return kept
}

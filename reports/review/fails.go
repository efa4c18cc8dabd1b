package review

import (
	"context"
	"math"
	"slices"

	"fullthrow/reports"
	"fullthrow/reports/statistics"
	"fullthrow/reports/store"
	"fullthrow/reports/yield"
)

// Fails answers what goes wrong most.
type Fails struct {
	Schema    string            `json:"schema"`
	About     About             `json:"about"`
	By        store.FailureKind `json:"by"`
	FirstPass yield.Share       `json:"first_pass"`
	Pareto    yield.ParetoChart `json:"pareto"`
	// WithoutFirst is the first-pass yield if the first bar's finding had not
	// been there, at best; missing where nothing failed.
	WithoutFirst *float64 `json:"without_first,omitempty"`
	// UnseenAtMost is the share of units in which what did not fail can still
	// fail, with the confidence; missing where something failed.
	UnseenAtMost *float64 `json:"unseen_at_most,omitempty"`
	// Checks is each check's own yield; only by check.
	Checks *yield.RolledYield `json:"checks,omitempty"`
	// Hints is how often the cause that was ranked first was what a repair
	// found; only by cause, and where there are repairs.
	Hints *yield.HintStudy `json:"hints,omitempty"`
}

// mostRepairs bounds what is read at once; repairs are few.
const mostRepairs = 1_000_000

// Fails answers.
func (r *Review) Fails(ctx context.Context, q Question) (Fails, error) {
	a := Fails{Schema: "fullthrow-fails/1", By: q.Kind}
	var err error
	if a.About, err = r.about(ctx, &q); err != nil {
		return a, err
	}
	var counts yield.Counts
	var failures []yield.FailureCount
	var checks []yield.CheckCount
	if err := together(
		func() (err error) { counts, err = r.Records.Counts(ctx, q.Runs); return err },
		func() (err error) { failures, err = r.Records.Failures(ctx, q.Runs, q.Kind); return err },
		func() (err error) {
			if q.Kind == store.ByCheck {
				checks, err = r.Records.Checks(ctx, q.Runs)
			}
			return err
		},
		func() (err error) {
			if q.Kind == store.ByCause {
				a.Hints, err = r.hints(ctx, &q)
			}
			return err
		}); err != nil {
		return a, err
	}
	if len(checks) > 0 {
		rolled := yield.Rolled(checks, counts.Units, q.Confidence)
		a.Checks = &rolled
	}
	a.FirstPass = yield.NewShare(counts.FirstPassed, counts.Units, q.Confidence)
	a.Pareto = yield.Pareto(counts, failures, yield.ParetoOptions{Confidence: q.Confidence})
	if a.Pareto.Bars == nil {
		a.Pareto.Bars = []yield.Bar{}
	} else if w := a.Pareto.WouldBe(a.Pareto.Bars[0]); !math.IsNaN(w) {
		a.WithoutFirst = &w
	}
	if a.Pareto.Failed == 0 && counts.Units > 0 {
		most := statistics.AtMost(0, float64(counts.Units), q.Confidence)
		a.UnseenAtMost = &most
	}
	return a, nil
}

// hints compares what repairs found with the cause that was ranked first; nil
// where nothing was repaired.
func (r *Review) hints(ctx context.Context, q *Question) (*yield.HintStudy, error) {
	repairs, err := r.Records.Repairs(ctx, q.Runs, mostRepairs)
	if err != nil || len(repairs) == 0 {
		return nil, err
	}
	rows := make([]yield.RepairRow, len(repairs))
	for i, p := range repairs {
		rows[i] = yield.RepairRow{Suggested: p.Suggested, Found: p.Found, Rule: !slices.Contains(reports.Findings(), p.Found)}
	}
	study := yield.StudyHints(rows, q.Confidence)
	return &study, nil
}

package main

import (
	"context"

	"github.com/spf13/cobra"

	"fullthrow/reports/review"
)

func (a *app) todayCommand() *cobra.Command {
	q, firstRuns := a.question(review.AskToday), false
	c := &cobra.Command{
		Use:   "today",
		Short: "How many units pass at their first run, how sure that is, and where time goes",
		Long: `How many units pass at their first run, how sure that is, and where time goes.

A unit counts once, by its first run that ended as passed or failed, or that
broke a limit and was then cut short, which counts as not passed; golden units,
and reports that are not as they were sealed, count nowhere. Each figure comes
with the interval in which the true value can be expected: of 10 units, 9 passed
is not 90 %. Who stops runs, and how many of them after a broken limit, stands
at the end.`,
		Example: `  fullthrow today --period 7d --by shift
  fullthrow today --lot 24A --period all --target 95
  fullthrow today --by station --plant postgres://reader@plant/fullthrow`,
		Args: takes(),
	}
	c.RunE = q.run(func(ctx context.Context) error {
		return answered(ctx, q, q.Review.Today, func(y *review.Today) error { return q.TellToday(ctx, y, firstRuns) })
	})
	c.Flags().BoolVar(&firstRuns, "first-runs", false, "only what first runs say: nothing of retests")
	q.flags(c)
	return c
}

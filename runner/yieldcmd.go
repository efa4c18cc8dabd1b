package main

import (
	"context"

	"github.com/spf13/cobra"

	"fullthrow/reports/review"
	"fullthrow/reports/yield"
)

func (a *app) todayCommand() *cobra.Command {
	q, firstRuns := a.question(review.AskToday), false
	c := &cobra.Command{
		Use:   "today",
		Short: "How many units pass at their first run, how sure that is, and where time goes",
		Long: `How many units pass at their first run, how sure that is, and where time goes.

A unit counts once, by its first run that ended as passed or failed; golden
units, and reports that are not as they were sealed, count nowhere. Each figure
comes with the interval in which the true value can be expected: of 10 units, 9
passed is not 90 %.`,
		Example: `  fullthrow today --period 7d --by shift
  fullthrow today --lot 24A --period all --target 95
  fullthrow today --by station --plant postgres://reader@plant/fullthrow`,
		Args: takes(),
	}
	c.RunE = q.run(func(ctx context.Context) error {
		return answered(ctx, q, q.review.Today, func(y *review.Today) error { return q.tellYield(ctx, y, firstRuns) })
	})
	c.Flags().BoolVar(&firstRuns, "first-runs", false, "only what first runs say: nothing of retests")
	q.flags(c)
	return c
}

// targetWords say how a share stands to what is wanted.
func targetWords(s yield.Share, t *review.Target) string {
	switch want := yield.Percent(t.Share); {
	case t.State == review.TargetReached:
		return "The target of " + want + " is reached, and not by chance."
	case t.State == review.TargetMissed:
		return "The target of " + want + " is missed, and not by chance."
	case s.Value >= t.Share:
		return "The target of " + want + " is reached so far, but with so few units that may be luck: the interval goes down to " + yield.Percent(s.Low) + "."
	default:
		return "The target of " + want + " is missed so far, but with so few units that may be bad luck: the interval goes up to " + yield.Percent(s.High) + "."
	}
}

package main

import (
	"context"

	"github.com/spf13/cobra"

	"fullthrow/reports/review"
	"fullthrow/runner/input"
)

func (a *app) failsCommand() *cobra.Command {
	q, most := a.question(review.AskFails), 12
	c := &cobra.Command{
		Use:   "fails",
		Short: "What goes wrong most: where work pays first",
		Long: `What goes wrong most: where work pays first.

Counts units by what their first run found: the likeliest cause, the checks or
the readings that failed. A unit with two things wrong stands in two rows.`,
		Example: `  fullthrow fails --period 7d
  fullthrow fails --by reading --lot 24A --period all`,
		Args: takes(),
	}
	c.RunE = q.run(func(ctx context.Context) error {
		if most < 1 {
			return input.Usage("fails: --most %d shows nothing", most)
		}
		return answered(ctx, q, q.Review.Fails, func(x *review.Fails) error { return q.TellFails(ctx, x, most) })
	})
	c.Flags().IntVar(&most, "most", most, "show `N` rows at most")
	q.flags(c)
	return c
}

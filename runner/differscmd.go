package main

import (
	"context"

	"github.com/spf13/cobra"

	"fullthrow/reports/review"
)

func (a *app) differsCommand() *cobra.Command {
	q := a.question(review.AskDiffers, "a", "b")
	c := &cobra.Command{
		Use:   "differs [A B]",
		Short: "What differs between two units, lots, stations, revisions or products",
		Long: `What differs between two units, lots, stations, revisions or products.

A and B are a serial number, a lot, a station, a revision, a product, a nest or
an operator, recognised by their value; lot:24A (unit:, station:, revision:,
product:, nest:, operator:) says which is meant, run:RUN another run of a unit
than its newest judged one. A unit may be set against a group. Each reading is
compared, and what differs by chance alone is left aside, however many readings
there are. Without A and B every lot, or whatever --by names, is set against the
others: by its yield, or by one reading.`,
		Example: `  fullthrow differs 24A 24B
  fullthrow differs station:LQ-1 station:LQ-2 --period 7d
  fullthrow differs K824A00003Y lot:24A
  fullthrow differs --by station --reading sticks.left_x_hysteresis`,
		Args: func(c *cobra.Command, args []string) error {
			if len(args) == 0 {
				return nil
			}
			return takes("A", "B")(c, args)
		},
	}
	c.RunE = q.run(func(ctx context.Context) error {
		return answered(ctx, q, q.Review.Differs, func(x *review.Differs) error {
			if x.Comparison == nil {
				return q.TellGroups(ctx, x)
			}
			q.TellDiffers(x)
			return nil
		})
	})
	q.flags(c)
	return c
}

package main

import (
	"context"

	"github.com/spf13/cobra"

	"fullthrow/reports/review"
)

func (a *app) holdCommand() *cobra.Command {
	q, most := a.question(review.AskHold, "reading"), 20
	c := &cobra.Command{
		Use:   "hold [READING]",
		Short: "Whether a reading keeps well within its limits, or which have the least room",
		Long: `Whether a reading keeps well within its limits, or which have the least room.

With READING (check.reading) it studies that one: how far its values lie from
the limits, whether they are spread like a bell curve and hold still, as the
usual indices suppose, and what to go by where they do not. Without, it ranks
all readings.`,
		Example: `  fullthrow hold
  fullthrow hold sticks.left_x_hysteresis --period 7d --lot 24A`,
		Args: upTo(1),
	}
	c.RunE = q.run(func(ctx context.Context) error {
		return answered(ctx, q, q.Review.Hold, func(x *review.Hold) error {
			switch {
			case x.Study == nil:
				return q.TellRooms(ctx, x, most)
			case len(x.Series.Points) == 0:
				q.Title(x.Reading, x.About)
				return q.Nothing(ctx, x.About)
			}
			q.TellStudy(x)
			return nil
		})
	})
	c.Flags().IntVar(&most, "most", most, "without READING: show the `N` with the least room")
	q.flags(c)
	return c
}

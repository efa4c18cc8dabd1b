package main

import (
	"context"
	"strings"

	"github.com/spf13/cobra"

	"fullthrow/reports/review"
)

func (a *app) driftCommand() *cobra.Command {
	q := a.question(review.AskDrift, "reading")
	c := &cobra.Command{
		Use:   "drift READING|yield",
		Short: "Whether a reading, or the yield, holds still: a control chart",
		Long: `Whether a reading, or the yield, holds still: a control chart.

Values stand in the order of time, with the limits that a steady process stays
within; these come from the process itself and have nothing to do with the
limits of the product. A diamond is where a rule says that something has
changed. Kinds of charts: for readings ` + strings.Join(review.ChartsOf(false), ", ") + `;
for the yield ` + strings.Join(review.ChartsOf(true), ", ") + `.

  imr      single values and the steps between them
  xbar-r   means and ranges of subgroups
  xbar-s   means and standard deviations of subgroups
  ewma     a sliding mean: finds small shifts that last
  cusum    summed differences from the middle: finds the same
  p, np    units that failed: their share, their number
  u, c     failed checks: of a unit, of a group
  p-prime, u-prime   p and u for large groups, which differ a little anyway`,
		Example: `  fullthrow drift sticks.left_x_hysteresis --period 7d
  fullthrow drift link.near_error_rate --chart xbar-s --by hour
  fullthrow drift yield --by shift`,
		Args: takes("READING, or the word yield,"),
	}
	c.RunE = q.run(func(ctx context.Context) error {
		return answered(ctx, q, q.Review.Drift, func(x *review.Drift) error { return q.TellDrift(ctx, x) })
	})
	q.flags(c)
	return c
}

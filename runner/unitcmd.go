package main

import (
	"context"

	"github.com/spf13/cobra"

	"fullthrow/reports/review"
)

func (a *app) unitCommand() *cobra.Command {
	q := a.question(review.AskUnit, "serial")
	c := &cobra.Command{
		Use:   "unit SERIAL",
		Short: "All that happened to one unit: runs, retests, causes, repairs",
		Long: `All that happened to one unit: runs, retests, causes, repairs.

SERIAL is typed or scanned: the plain serial number, a GS1 code that holds it,
or the code on the unit's page or certificate.`,
		Example: "  fullthrow unit K824A00003Y",
		Args:    takes("SERIAL"),
	}
	c.RunE = q.run(func(ctx context.Context) error {
		return answered(ctx, q, q.Review.Unit, func(x *review.Unit) error {
			q.Unit(x)
			return nil
		})
	})
	q.flags(c)
	return c
}

package main

import (
	"github.com/spf13/cobra"

	"fullthrow/runner/product"
	"fullthrow/runner/records"
)

// sourceFlags adds the flags that say which files a command works with.
func sourceFlags(c *cobra.Command, s *product.Sources) {
	c.Flags().StringVar(&s.Bench, "bench", "", "`FILE` that says what hardware there is")
	c.Flags().StringVar(&s.Product, "product", "", "`DIR` with plan.lua, limits.toml and product.toml; default: the bench file's own if it holds a plan, else the stock one")
	c.Flags().StringVar(&s.Plan, "plan", "", "`FILE` with another plan than the product's")
	c.Flags().StringVar(&s.Limits, "limits", "", "`FILE` with other limits than the product's")
}

// readFlags adds the flags that say which records are read.
func (a *app) readFlags(c *cobra.Command, plant *string) {
	c.Flags().StringVar(&a.Data, "data", "", "read the records in `DIR`; default: "+records.PlantVariable+" if it is set, else ~/.local/state/fullthrow")
	c.Flags().StringVar(plant, "plant", "", "read the plant's database at `DSN`, like postgres://user@host/fullthrow;\na password is better kept in "+records.PlantVariable+", where nobody sees it")
}

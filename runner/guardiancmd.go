package main

import (
	"github.com/spf13/cobra"

	"fullthrow/runner/guardian"
)

// guardianCommand is what a runner starts beside itself, and nobody else: see package
// guardian.
func (a *app) guardianCommand() *cobra.Command {
	return &cobra.Command{
		Use:    guardian.Command,
		Short:  "Make a bench safe when the program that runs it is gone; started by it",
		Hidden: true,
		Args:   takes(),
		RunE: func(*cobra.Command, []string) error {
			guardian.Main(a.in, a.out, a.Errs)
			return nil
		},
	}
}

package main

import (
	"fmt"
	"runtime"

	"fullthrow/runner/bench"

	"github.com/spf13/cobra"
)

func (a *app) versionCommand() *cobra.Command {
	return &cobra.Command{
		Use: "version", Short: "Say which build this is", Args: takes(),
		RunE: func(*cobra.Command, []string) error {
			fmt.Fprintln(a.out, "fullthrow", bench.Software())
			fmt.Fprintln(a.out, runtime.Version(), runtime.GOOS+"/"+runtime.GOARCH)
			return nil
		},
	}
}

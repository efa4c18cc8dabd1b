package main

import (
	"fmt"
	"os"
	"path/filepath"

	"github.com/spf13/cobra"

	"fullthrow/reports/archive"
	"fullthrow/runner/input"
	"fullthrow/runner/product"
)

// sourceFlags adds the flags that say which files a command works with.
func sourceFlags(c *cobra.Command, s *product.Sources) {
	c.Flags().StringVar(&s.Bench, "bench", "", "`FILE` that says what hardware there is")
	c.Flags().StringVar(&s.Product, "product", "", "`DIR` with plan.lua, limits.toml and product.toml; default: the bench file's own if it holds a plan, else the stock one")
	c.Flags().StringVar(&s.Plan, "plan", "", "`FILE` with another plan than the product's")
	c.Flags().StringVar(&s.Limits, "limits", "", "`FILE` with other limits than the product's")
}

// stateDir is where records go when nothing else is said.
func stateDir() (string, error) {
	if dir := os.Getenv("XDG_STATE_HOME"); filepath.IsAbs(dir) {
		return filepath.Join(dir, "fullthrow"), nil
	}
	home, err := os.UserHomeDir()
	if err != nil {
		return "", input.Usage("there is no home directory to keep the records in: %w", err).Hint("say where with --data DIR")
	}
	return filepath.Join(home, ".local", "state", "fullthrow"), nil
}

// openArchive opens the station's records in dir, or begins them in its folder
// below, and says what had to be put right.
func (a *app) openArchive(dir, below, station string) (*archive.Archive, error) {
	dir, err := recordsToKeep(dir, below)
	if err != nil {
		return nil, err
	}
	records, err := archive.Open(dir, station)
	if err != nil {
		return nil, err
	}
	for _, s := range records.Recovered() {
		fmt.Fprintf(a.errs, "note: the run of %s that began %s was cut short; its report says %s\n",
			s.Report.Unit.SerialNumber, s.Report.Started.Local().Format("2006-01-02 15:04:05"), s.Report.Outcome)
	}
	for _, p := range records.Problems() {
		fmt.Fprintf(a.errs, "note: records: %s\n", p.Error())
	}
	return records, nil
}

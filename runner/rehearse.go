package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"runtime"

	"github.com/spf13/cobra"

	"fullthrow/runner/input"
	"fullthrow/runner/rehearsal"
	"fullthrow/runner/station"
	"fullthrow/runner/terminal"
)

func (a *app) rehearseCommand() *cobra.Command {
	o := rehearsal.Options{Units: 10000, Sweep: 4, Nests: runtime.NumCPU(), Seed: 1, Escapes: 0.1, Rejects: 0.1}
	c := &cobra.Command{
		Use:   "rehearse",
		Short: "Run the plan over a simulated population: what it catches, misses and rejects",
		Long: `Run the plan over a simulated population and count what it catches, misses and
wrongly rejects, before there is any hardware. No records are kept.

The population file says which share of the units has which defect, how bad,
and from which severity on it must be caught (must_catch). Beside it each
defect is tried alone over a grid of severities, to find the edge of what each
check can see; --units 0 does only that, --sweep 0 only the population.

The exit code is 1 when more units escape or more good ones are rejected than
allowed. The same seed gives the same result, whatever the number of nests.`,
		Example: `  fullthrow rehearse
  fullthrow rehearse --product my-product --units 2000 --plot edges.svg
  fullthrow rehearse --limits tighter.toml --units 0 --sweep 20`,
		Args: takes(),
		RunE: func(cmd *cobra.Command, _ []string) error {
			switch {
			case o.Units < 0 || o.Units > 1e6:
				return input.Usage("rehearse: --units %d is not in 0 to 1000000", o.Units)
			case o.Sweep < 0 || o.Sweep > 1000:
				return input.Usage("rehearse: --sweep %d is not in 0 to 1000", o.Sweep)
			case o.Units == 0 && o.Sweep == 0:
				return input.Usage("rehearse: --units 0 and --sweep 0 leave nothing to rehearse")
			case o.Nests < 1 || o.Nests > 64:
				return input.Usage("rehearse: --nests %d is not in 1 to 64", o.Nests)
			case !(o.Escapes >= 0 && o.Escapes <= 100):
				return input.Usage("rehearse: --escapes %v is not in 0 to 100", o.Escapes)
			case !(o.Rejects >= 0 && o.Rejects <= 100):
				return input.Usage("rehearse: --false-rejects %v is not in 0 to 100", o.Rejects)
			}
			return a.rehearse(cmd.Context(), o)
		},
	}
	f := c.Flags()
	f.StringVar(&o.Population, "population", "", "`FILE` with the shares and severities of defects; default: the "+
		"product's population.toml")
	f.IntVar(&o.Units, "units", o.Units, "take `N` units of the population")
	f.IntVar(&o.Sweep, "sweep", o.Sweep, "take `N` units of each defect at each severity from 0.1 to 1.5")
	f.Uint64Var(&o.Seed, "seed", o.Seed, "make the units that belong to `S`")
	f.IntVar(&o.Nests, "nests", o.Nests, "test `N` units at a time")
	f.Float64Var(&o.Escapes, "escapes", o.Escapes, "allow `P` % of the units that must be caught to pass")
	f.Float64Var(&o.Rejects, "false-rejects", o.Rejects, "allow `P` % of the good units to fail")
	f.BoolVar(&o.Json, "json", false, "write the result as JSON")
	f.StringVar(&o.Plot, "plot", "", "draw detection against severity into `FILE`, an SVG")
	sourceFlags(c, &o.From)
	f.Lookup("bench").Usage = "`FILE` of a simulated bench; default: the product's"
	return c
}

func (a *app) rehearse(ctx context.Context, o rehearsal.Options) error {
	b, nest, err := rehearsal.Bench(o.From)
	if err != nil {
		return err
	}
	m, err := o.From.Load(b.Product)
	if err != nil {
		return err
	}
	if m.Product.Product != b.Product {
		return input.Usage("%s is a bench for product %q, the plan is for %q", b.Name, b.Product, m.Product.Product)
	}
	people, at, err := o.LoadPopulation(m)
	if err != nil {
		return err
	}
	if o.Plot != "" { // find out before the work, not after it
		if info, err := os.Stat(filepath.Dir(o.Plot)); err != nil || !info.IsDir() {
			return input.Usage("--plot %s: there is no such folder to write it into", o.Plot)
		}
	}
	ctx, e := a.begin(ctx)
	defer e.done()
	live := terminal.NewScreen(a.Errs)
	h := &rehearsal.Rehearsal{Method: m, Bench: b, Nest: nest, People: people, Options: o, PopulationAt: at,
		Screen: live}
	err = h.Run(ctx)
	live.Now("")
	if err != nil {
		return err
	}
	r, err := h.Result()
	if err != nil {
		return err
	}
	if o.Plot != "" {
		if err := os.WriteFile(o.Plot, r.SVG(), 0o644); err != nil {
			return fmt.Errorf("plot: %w", err)
		}
	}
	if o.Json {
		if err := r.WriteJSON(a.out); err != nil {
			return err
		}
	} else {
		r.WriteText(terminal.NewScreen(a.out))
		if o.Plot != "" {
			fmt.Fprintf(a.out, "Detection against severity, as a drawing: %s\n", o.Plot)
		}
	}
	var aborted *station.Abort
	if errors.As(context.Cause(ctx), &aborted) {
		fmt.Fprintf(a.Errs, "%s, after %d of %d units\n", aborted, r.Done, r.Asked)
		return quiet(input.ExitAborted)
	}
	if !r.Kept {
		return quiet(input.ExitFailed)
	}
	return nil
}

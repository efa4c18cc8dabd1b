package main

import (
	"context"
	"os"
	"path/filepath"
	"time"

	"github.com/spf13/cobra"

	"fullthrow/drivers"
	"fullthrow/drivers/sim"
	"fullthrow/runner/demo"
	"fullthrow/runner/input"
	"fullthrow/runner/terminal"
)

func (a *app) simulateCommand() *cobra.Command {
	o := demo.SimulateOptions{Seed: 1, Severity: 1, Nests: 1}
	c := &cobra.Command{
		Use:   "simulate",
		Short: "Put a simulated fixture on real ports, in real time",
		Long: `Put a simulated fixture with a simulated handset on pseudo-terminals and TCP
ports of this computer, in real time, and write the bench file that goes with
it. Another shell can then run fullthrow test against it as against hardware.
It runs until it is stopped.`,
		Args: takes(),
		RunE: func(cmd *cobra.Command, _ []string) error {
			switch {
			case o.Nests < 1 || o.Nests > 26:
				return input.Usage("simulate: --nests %d is not in 1 to 26", o.Nests)
			case o.Unit < 0 || o.Unit > 99999:
				return input.Usage("simulate: --unit %d is not in 1 to 99999", o.Unit)
			case o.Unit > 0 && o.Defect != "":
				return input.Usage("simulate: --unit and --defect exclude each other").Hint(
					"a unit of the lot has the defects that the population file gave it")
			case o.Severity <= 0 || o.Severity > 10:
				return input.Usage("simulate: --severity %g is not above 0 and up to 10", o.Severity)
			}
			return a.simulate(cmd.Context(), o)
		},
	}
	c.Flags().StringVar(&o.Dir, "dir", "", "put bench.toml and the names of the ports into `DIR`; default: a new "+
		"temporary folder")
	c.Flags().Uint64Var(&o.Seed, "seed", o.Seed, "make the lot that belongs to `S`")
	c.Flags().IntVar(&o.Unit, "unit", 0, "take unit `N` of the demo's lot, with its defects; default: a good unit")
	c.Flags().StringVar(&o.Defect, "defect", "", "give a good unit the defect `NAME`")
	c.Flags().Float64Var(&o.Severity, "severity", o.Severity, "how bad the defect is, as `X`: 1 is clearly bad")
	c.Flags().StringVar(&o.Controller, "controller", "", "give the stick machine a controller for the model `NAME` of "+
		"driver motion; default: that of the demo's bench")
	c.Flags().IntVar(&o.Nests, "nests", o.Nests, "make `N` fixtures, each with a unit")
	return c
}

func (a *app) simulate(ctx context.Context, o demo.SimulateOptions) error {
	ctx, e := a.begin(ctx)
	defer e.done()
	e.outliveReaders()
	_, b, people, err := demo.Files(o.Nests)
	if err != nil {
		return err
	}
	b.Nests = b.Nests[:o.Nests]
	if o.Controller != "" {
		if err := b.SetController(o.Controller); err != nil {
			return err
		}
	}
	units, err := o.Handsets(people)
	if err != nil {
		return err
	}
	if o.Dir == "" {
		if o.Dir, err = os.MkdirTemp("", "fullthrow-simulate-"); err != nil {
			return err
		}
		defer os.RemoveAll(o.Dir)
	}
	if o.Dir, err = filepath.Abs(o.Dir); err != nil {
		return err
	}

	var fixtures []*sim.Bench
	var ends []sim.Endpoint
	// The endpoints outlive the signal until this returns, and are gone then.
	serving, end := context.WithCancel(context.WithoutCancel(ctx))
	defer func() {
		end()
		for _, e := range ends {
			<-e.Done
		}
	}()
	for k := range b.Nests {
		fixture := sim.NewBench(drivers.System, o.Seed)
		fixture.Load(units[k].Handset)
		served, err := b.Nests[k].Serve(serving, fixture, filepath.Join(o.Dir, "nest-"+b.Nests[k].Name))
		ends = append(ends, served...)
		if err != nil {
			return err
		}
		fixtures = append(fixtures, fixture)
	}
	file := filepath.Join(o.Dir, "bench.toml")
	if err := b.WriteTo(file); err != nil {
		return err
	}

	s := terminal.NewScreen(a.out)
	s.Say("%s Invented data: never use its records as those of real units.",
		s.Strong("A simulated fixture, in real time."))
	for k, n := range b.Nests {
		s.Say("\nnest %s holds %s", n.Name, units[k].About)
		s.Say("  fullthrow test %s --bench %s --nest %s", units[k].Serial, file, n.Name)
	}
	s.Say("\nIt runs until it is stopped: Ctrl-C.")
	for drivers.System.Sleep(ctx, 250*time.Millisecond) == nil {
		s.Now("%s", demo.FixtureLine(b, fixtures))
	}
	s.Now("")
	return nil
}

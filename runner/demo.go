package main

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"regexp"
	"sync"

	"github.com/spf13/cobra"

	"fullthrow/reports"
	"fullthrow/reports/archive"
	"fullthrow/reports/wording"
	"fullthrow/runner/crash"
	"fullthrow/runner/demo"
	"fullthrow/runner/input"
	"fullthrow/runner/serve"
	"fullthrow/runner/station"
	"fullthrow/runner/terminal"
)

// demoOptions say what lot is made.
type demoOptions struct {
	units, nests int
	seed         uint64
	lot          string
}

var lotName = sync.OnceValue(func() *regexp.Regexp { return regexp.MustCompile(`^[0-9]{2}[A-Z]$`) })

func (a *app) demoCommand() *cobra.Command {
	o := demoOptions{units: 120, nests: 2, seed: 1, lot: "24A"}
	pages, web := serve.Options{History: true}, false
	c := &cobra.Command{
		Use:   "demo",
		Short: "Test a lot of simulated units: no hardware, invented data",
		Long: `Test a lot of simulated handsets with the stock plan of the Kittiwake K8.

Nothing in it is real: the plant Lantern Quay, its product and every unit are
invented, and so are the shares of their defects. The drivers, the plan, the
limits and the records are those of a real station. The same seed gives the
same lot.`,
		Args: takes(),
		RunE: func(cmd *cobra.Command, _ []string) error {
			switch {
			case web:
				pages.From.Bench = serve.Demo
				return a.serve(cmd.Context(), pages)
			case o.units < 1 || o.units > 99999:
				return input.Usage("demo: --units %d is not in 1 to 99999", o.units)
			case o.nests < 1 || o.nests > 26:
				return input.Usage("demo: --nests %d is not in 1 to 26", o.nests)
			case !lotName().MatchString(o.lot):
				return input.Usage("demo: --lot %q is not two digits and a capital letter, like 24A", o.lot)
			}
			return a.demo(cmd.Context(), o)
		},
	}
	c.Flags().IntVar(&o.units, "units", o.units, "test `N` units")
	c.Flags().Uint64Var(&o.seed, "seed", o.seed, "make the lot that belongs to `S`")
	c.Flags().IntVar(&o.nests, "nests", o.nests, "test `N` units at a time")
	c.Flags().StringVar(&o.lot, "lot", o.lot, "`LOT` in the serial numbers")
	c.Flags().BoolVar(&web, "serve", false, "show a station with its pages in a browser instead: fullthrow serve "+
		"--bench demo")
	serveFlags(c, &pages)
	for _, name := range []string{"listen", "host", "log", "pace"} {
		c.Flags().Lookup(name).Hidden = true // those of serve
	}
	a.dataFlag(c, "a new temporary folder")
	return c
}

func (a *app) demo(ctx context.Context, o demoOptions) error {
	ctx, e := a.begin(ctx)
	defer e.done()
	m, b, people, err := demo.Files(o.nests)
	if err != nil {
		return err
	}
	if a.Data == "" {
		if a.Data, err = os.MkdirTemp("", "fullthrow-demo-"); err != nil {
			return err
		}
	}
	records, err := a.OpenArchive(a.Data, "records", b.Station, true)
	if err != nil {
		return err
	}
	defer records.Close()
	index := a.IndexLater(ctx, records.Dir())

	s := terminal.NewScreen(a.out)
	s.Say("%s", s.Strong("Simulated units, invented data."))
	s.Say("Lot %s of the %s, %d units, seed %d, at the plant Lantern Quay; station %s, %s.\n",
		o.lot, m.Product.Title, o.units, o.seed, b.Station, wording.Count(o.nests, "nest"))
	l := demo.NewTally(s, o.units)

	var wg sync.WaitGroup
	failures := make([]error, o.nests)
	ctx, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	for k := range o.nests {
		nest, close, err := demo.Bench(ctx, m, b, k, records, o.seed, l)
		if err != nil {
			cancel(err)
			wg.Wait()
			return err
		}
		wg.Add(1)
		go func() {
			defer crash.Guard()
			defer wg.Done()
			defer close()
			for i := k; i < o.units && ctx.Err() == nil; i += o.nests {
				handset, defects := people.Draw(o.seed, i)
				nest.Fixture.Load(handset)
				unit := reports.Unit{Product: m.Product.Product, Revision: m.Product.Revision, Lot: o.lot}
				if unit.SerialNumber, failures[k] = demo.Serial(o.lot, i+1); failures[k] == nil {
					var sealed archive.Sealed
					if sealed, failures[k] = nest.Run(ctx, station.Job{Unit: unit,
						Operator: "demo"}); failures[k] == nil {
						l.Add(i, demo.Result{Sealed: sealed, Defects: defects})
					}
				}
				if failures[k] != nil {
					cancel(failures[k])
					return
				}
			}
		}()
	}
	wg.Wait()
	s.Now("")
	if err := errors.Join(failures...); err != nil {
		return err
	}
	l.Flush()
	index()
	pages, err := l.Pages(filepath.Join(a.Data, "pages"), writePage)
	if err != nil {
		return err
	}
	l.Summary(records.Dir(), pages)
	var aborted *station.Abort
	if errors.As(context.Cause(ctx), &aborted) {
		s.Say("\n%s, after %d of %d units", aborted, l.Done, o.units)
		return quiet(input.ExitAborted)
	}
	return nil
}

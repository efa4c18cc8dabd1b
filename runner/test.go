package main

import (
	"context"
	"fmt"
	"path/filepath"
	"time"

	"github.com/spf13/cobra"

	"fullthrow/drivers/sim"
	"fullthrow/reports"
	"fullthrow/runner/bench"
	"fullthrow/runner/guardian"
	"fullthrow/runner/input"
	"fullthrow/runner/product"
	"fullthrow/runner/records"
	"fullthrow/runner/station"
	"fullthrow/runner/terminal"
)

// testCommand takes one unit through a nest.
func (a *app) testCommand() *cobra.Command {
	var (
		from                product.Sources
		nest, lot, operator string
		full                bool
	)
	c := &cobra.Command{
		Use:   "test SERIAL --bench FILE",
		Short: "Take one unit through the plan and seal its report",
		Long: `Take one unit through the plan and seal its report.

SERIAL is typed or scanned: the plain serial number, or a GS1 code that holds
it. Ctrl-C stops the run; whatever ends it but a power cut, the fixture is made
safe, after kill -9 by a second process, the guardian.`,
		Example: "  fullthrow test K824A00017M --bench lq-1.toml",
		Args:    takes("SERIAL"),
		RunE: func(cmd *cobra.Command, args []string) error {
			if from.Bench == "" {
				return input.Usage("test: --bench FILE is missing").Hint("a bench file says what hardware there is; " +
					"fullthrow simulate writes one to try")
			}
			return a.test(cmd.Context(), args[0], from, nest, lot, operator, full)
		},
	}
	sourceFlags(c, &from)
	c.Flags().StringVar(&nest, "nest", "", "`NAME` of the nest; default: the first of the bench file")
	c.Flags().StringVar(&lot, "lot", "", "`LOT` the unit belongs to; default: as in its serial number")
	c.Flags().StringVar(&operator, "operator", "", "`NAME` of who is at the fixture")
	c.Flags().BoolVar(&full, "readings", false, "show every reading, not only those that break a limit")
	a.dataFlag(c, "~/.local/state/fullthrow")
	return c
}

func (a *app) test(ctx context.Context, serial string, from product.Sources, nest, lot, operator string,
	full bool) error {
	b, err := bench.Load(from.Bench)
	if err != nil {
		return err
	}
	i, err := b.Nest(nest)
	if err != nil {
		return err
	}
	m, err := from.Load(b.Product)
	if err != nil {
		return err
	}
	if m.Product.Product != b.Product {
		return input.Usage("%s is a bench for product %q, the plan is for %q", b.Name, b.Product, m.Product.Product)
	}
	unit, err := m.Unit(serial, lot)
	if err != nil {
		return err
	}

	ctx, e := a.begin(ctx)
	defer e.done()
	e.outliveReaders()
	h := bench.Machine()
	if b.Simulated(i) {
		clock := sim.NewClock(time.Now())
		fixture := sim.NewBench(clock, 1)
		fixture.Load(sim.GoodOf(unit.SerialNumber))
		h = bench.Simulated(fixture, clock)
	}
	if late := b.Overdue(i, h.Clock.Now()); len(late) > 0 {
		if b.Calibration.Overdue == "block" {
			return (&input.Failure{Code: input.ExitBench, Err: fmt.Errorf("nest %s: %s", b.Nests[i].Name, late[0])}).
				Hint("send it to be calibrated and put the new date into " + b.Name)
		}
		for _, text := range late {
			fmt.Fprintln(a.Errs, "note:", text)
		}
	}
	var g *guardian.Guardian
	if !b.Simulated(i) { // first of all: another one may be at work on these ports and records
		if g, err = e.guard(ctx, b, []int{i}, func(text string) { fmt.Fprintln(a.Errs, "note:", text) }); err != nil {
			return err
		}
	}
	n, err := b.Open(ctx, i, h)
	if err != nil {
		return err
	}
	defer n.Close()
	if g != nil {
		e.hold(b.Nests[i].Name, n)
		if err := g.Arm(i); err != nil {
			return err
		}
	}
	if a.Data == "" {
		if a.Data, err = records.StateDir(); err != nil {
			return err
		}
	}
	archive, err := a.OpenArchive(a.Data, "", b.Station, b.Simulated(i))
	if err != nil {
		return err
	}
	defer archive.Close()
	c := b.NestConfig(m, i, n, h.Clock, archive)
	c.Exhausted = e.exhausted
	if g != nil {
		c.Guardian = g
	}
	return a.runUnit(ctx, c, station.Job{Unit: unit, Operator: operator}, full)
}

// runUnit runs one unit and tells the terminal about it.
func (a *app) runUnit(ctx context.Context, c station.Config, job station.Job, full bool) error {
	s := terminal.NewScreen(a.out)
	p := &terminal.Passage{S: s, Full: full, Ranked: c.Causes != nil}
	told := make(chan struct{})
	c.Watch = func(e reports.Event) {
		p.Tell(e)
		if e.Kind == reports.RunEnded {
			close(told)
		}
	}
	ask := terminal.NewDialog(a.in, s, job.Operator)
	if ask != nil {
		// Several questions may be open side by side; this many at most.
		ask.Turn = make(chan struct{}, 64)
		p.Asked = ask.Turn
	}
	c.Ask = ask.Ask
	nest, err := station.New(c)
	if err != nil {
		return input.Usage("%w", err)
	}
	sealed, err := nest.Run(ctx, job)
	if err != nil {
		s.Now("")
		return err
	}
	// The last words may still be on their way to the screen.
	select {
	case <-told:
	case <-time.After(2 * time.Second):
	}
	a.IndexOne(c.Archive.Dir(), sealed)
	p.Finish(sealed.Report, filepath.Join(c.Archive.Dir(), filepath.FromSlash(sealed.File)))
	return quiet(exitOf(sealed.Report.Outcome))
}

package main

import (
	"context"
	"fmt"
	"hash/fnv"
	"math/rand/v2"
	"path/filepath"
	"time"

	"github.com/spf13/cobra"

	"fullthrow/drivers/sim"
	"fullthrow/reports"
	"fullthrow/runner/station"
)

// testCommand takes one unit through a nest.
func (a *app) testCommand() *cobra.Command {
	var (
		from                sources
		nest, lot, operator string
		full                bool
	)
	c := &cobra.Command{
		Use:   "test SERIAL --bench FILE",
		Short: "Take one unit through the plan and seal its report",
		Long: `Take one unit through the plan and seal its report.

SERIAL is typed or scanned: the plain serial number, or a GS1 code that holds
it. Ctrl-C stops the run; whatever ends it but kill -9, kill -STOP and a power
cut, the fixture is made safe.`,
		Example: "  fullthrow test K824A00017M --bench lq-1.toml",
		Args:    takes("SERIAL"),
		RunE: func(cmd *cobra.Command, args []string) error {
			if from.bench == "" {
				return usage("test: --bench FILE is missing").hint("a bench file says what hardware there is; fullthrow simulate writes one to try")
			}
			return a.test(cmd.Context(), args[0], from, nest, lot, operator, full)
		},
	}
	from.flags(c)
	c.Flags().StringVar(&nest, "nest", "", "`NAME` of the nest; default: the first of the bench file")
	c.Flags().StringVar(&lot, "lot", "", "`LOT` the unit belongs to; default: as in its serial number")
	c.Flags().StringVar(&operator, "operator", "", "`NAME` of who is at the fixture")
	c.Flags().BoolVar(&full, "readings", false, "show every reading, not only those that break a limit")
	a.dataFlag(c, "~/.local/state/fullthrow")
	return c
}

func (a *app) test(ctx context.Context, serial string, from sources, nest, lot, operator string, full bool) error {
	b, err := loadBench(from.bench)
	if err != nil {
		return err
	}
	i, err := b.nest(nest)
	if err != nil {
		return err
	}
	m, err := from.load(b.Product)
	if err != nil {
		return err
	}
	if m.product.Product != b.Product {
		return usage("%s is a bench for product %q, the plan is for %q", b.name, b.Product, m.product.Product)
	}
	unit, err := m.unit(serial, lot)
	if err != nil {
		return err
	}

	ctx, e := a.begin(ctx)
	defer e.done()
	e.outliveReaders()
	h := machine()
	if b.simulated(i) {
		clock := sim.NewClock(time.Now())
		fixture := sim.NewBench(clock, 1)
		fixture.Load(soundUnit(unit.SerialNumber))
		h = simulated(fixture, clock)
	}
	if late := b.overdue(i, h.clock.Now()); len(late) > 0 {
		if b.Calibration.Overdue == "block" {
			return (&failure{code: exitBench, err: fmt.Errorf("nest %s: %s", b.Nests[i].Name, late[0])}).
				hint("send it to be calibrated and put the new date into " + b.name)
		}
		for _, text := range late {
			fmt.Fprintln(a.errs, "note:", text)
		}
	}
	n, err := b.open(ctx, i, h)
	if err != nil {
		return err
	}
	defer n.Close()
	if !b.simulated(i) {
		e.hold(b.Nests[i].Name, n)
	}
	if a.data == "" {
		if a.data, err = stateDir(); err != nil {
			return err
		}
	}
	archive, err := a.openArchive(a.data, b.Station)
	if err != nil {
		return err
	}
	defer archive.Close()
	c := m.nestConfig(b, i, n, h.clock, archive)
	c.Exhausted = e.exhausted
	return a.runUnit(ctx, c, station.Job{Unit: unit, Operator: operator}, full)
}

// soundUnit is the handset that lies on a simulated bench that nobody has laid
// one on: a sound one, always the same for a serial number.
func soundUnit(serial string) sim.Handset {
	h := fnv.New64a()
	h.Write([]byte(serial))
	return sim.Sound(rand.New(rand.NewPCG(h.Sum64(), 0)))
}

// runUnit runs one unit and tells the terminal about it.
func (a *app) runUnit(ctx context.Context, c station.Config, job station.Job, full bool) error {
	s := newScreen(a.out)
	p := &passage{s: s, full: full, ranked: c.Causes != nil}
	told := make(chan struct{})
	c.Watch = func(e reports.Event) {
		p.tell(e)
		if e.Kind == reports.RunEnded {
			close(told)
		}
	}
	ask := newDialog(a.in, s, job.Operator)
	if ask != nil {
		// Several questions may be open side by side; this many at most.
		ask.turn = make(chan struct{}, 64)
		p.asked = ask.turn
	}
	c.Ask = ask.ask
	nest, err := station.New(c)
	if err != nil {
		return usage("%w", err)
	}
	sealed, err := nest.Run(ctx, job)
	if err != nil {
		s.now("")
		return err
	}
	// The last words may still be on their way to the screen.
	select {
	case <-told:
	case <-time.After(2 * time.Second):
	}
	a.indexOne(c.Archive.Dir(), sealed)
	p.finish(sealed.Report, filepath.Join(c.Archive.Dir(), filepath.FromSlash(sealed.File)))
	return quiet(exitOf(sealed.Report.Outcome))
}

package main

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"regexp"
	"sync"
	"time"

	"github.com/spf13/cobra"

	"fullthrow/drivers/sim"
	"fullthrow/reports"
	"fullthrow/reports/archive"
	"fullthrow/reports/serial"
	"fullthrow/runner/crash"
	"fullthrow/runner/station"
)

// demoProduct is the invented product that the demo makes.
const demoProduct = "kittiwake-k8"

// demoStart is when the demo's shift begins, on its own virtual clock.
var demoStart = time.Date(2026, 3, 2, 6, 0, 0, 0, time.UTC)

// demoOptions say what lot is made.
type demoOptions struct {
	units, nests int
	seed         uint64
	lot          string
}

var lotName = regexp.MustCompile(`^[0-9]{2}[A-Z]$`)

func (a *app) demoCommand() *cobra.Command {
	o := demoOptions{units: 120, nests: 2, seed: 1, lot: "24A"}
	pages, web := serveOptions{history: true}, false
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
				pages.from.bench = demoName
				return a.serve(cmd.Context(), pages)
			case o.units < 1 || o.units > 99999:
				return usage("demo: --units %d is not in 1 to 99999", o.units)
			case o.nests < 1 || o.nests > 26:
				return usage("demo: --nests %d is not in 1 to 26", o.nests)
			case !lotName.MatchString(o.lot):
				return usage("demo: --lot %q is not two digits and a capital letter, like 24A", o.lot)
			}
			return a.demo(cmd.Context(), o)
		},
	}
	c.Flags().IntVar(&o.units, "units", o.units, "test `N` units")
	c.Flags().Uint64Var(&o.seed, "seed", o.seed, "make the lot that belongs to `S`")
	c.Flags().IntVar(&o.nests, "nests", o.nests, "test `N` units at a time")
	c.Flags().StringVar(&o.lot, "lot", o.lot, "`LOT` in the serial numbers")
	c.Flags().BoolVar(&web, "serve", false, "show a station with its pages in a browser instead: fullthrow serve --bench demo")
	pages.flags(c)
	for _, name := range []string{"listen", "log", "pace"} {
		c.Flags().Lookup(name).Hidden = true // those of serve
	}
	a.dataFlag(c, "a new temporary folder")
	return c
}

// demoNest is one place of the demo's station.
type demoNest struct {
	*station.Nest
	fixture *sim.Bench
}

func (a *app) demo(ctx context.Context, o demoOptions) error {
	ctx, e := a.begin(ctx)
	defer e.done()
	m, b, people, err := demoFiles(o.nests)
	if err != nil {
		return err
	}
	if a.data == "" {
		if a.data, err = os.MkdirTemp("", "fullthrow-demo-"); err != nil {
			return err
		}
	}
	records, err := a.openArchive(filepath.Join(a.data, "records"), b.Station)
	if err != nil {
		return err
	}
	defer records.Close()
	index := a.indexLater(ctx, records.Dir())

	s := newScreen(a.out)
	s.say("%s", s.strong("Simulated units, invented data."))
	s.say("Lot %s of the %s, %d units, seed %d, at the plant Lantern Quay; station %s, %s.\n",
		o.lot, m.product.Title, o.units, o.seed, b.Station, count(o.nests, "nest"))
	l := newLotTally(s, o.units)

	var wg sync.WaitGroup
	failures := make([]error, o.nests)
	ctx, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	for k := range o.nests {
		nest, close, err := demoBench(ctx, m, b, k, records, o.seed, l)
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
				nest.fixture.Load(handset)
				unit := reports.Unit{Product: m.product.Product, Revision: m.product.Revision, Lot: o.lot}
				if unit.SerialNumber, failures[k] = demoSerial(o.lot, i+1); failures[k] == nil {
					var sealed archive.Sealed
					if sealed, failures[k] = nest.Run(ctx, station.Job{Unit: unit, Operator: "demo"}); failures[k] == nil {
						l.add(i, lotResult{sealed, defects})
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
	s.now("")
	if err := errors.Join(failures...); err != nil {
		return err
	}
	l.flush()
	index()
	pages, err := l.pages(filepath.Join(a.data, "pages"))
	if err != nil {
		return err
	}
	l.summary(records.Dir(), pages)
	var aborted *station.Abort
	if errors.As(context.Cause(ctx), &aborted) {
		s.say("\n%s, after %d of %d units", aborted, l.done, o.units)
		return quiet(exitAborted)
	}
	return nil
}

// demoFiles reads the stock files, with as many nests as are wanted.
func demoFiles(nests int) (*method, *benchFile, *sim.Population, error) {
	home, err := stockFolder(demoProduct)
	if err != nil {
		return nil, nil, nil, err
	}
	data, err := home.read("bench-demo.toml")
	if err != nil {
		return nil, nil, nil, err
	}
	b, err := parseBench(home.path("bench-demo.toml"), data)
	if err != nil {
		return nil, nil, nil, err
	}
	for k := len(b.Nests); k < nests; k++ {
		more := b.Nests[0]
		more.Devices = maps.Clone(more.Devices)
		more.Name = string(rune('A' + k))
		b.Nests = append(b.Nests, more)
	}
	if data, err = home.read("population.toml"); err != nil {
		return nil, nil, nil, err
	}
	people, err := sim.ParsePopulation(home.path("population.toml"), data)
	if err != nil {
		return nil, nil, nil, err
	}
	m, err := sources{}.load(b.Product)
	return m, b, people, err
}

// demoBench makes nest k with a simulated fixture and a clock of its own, so
// that the nests do not disturb each other's order of events.
func demoBench(ctx context.Context, m *method, b *benchFile, k int, records *archive.Archive, seed uint64, l *lotTally) (*demoNest, func(), error) {
	clock := sim.NewClock(demoStart)
	fixture := sim.NewBench(clock, seed)
	n, err := b.open(ctx, k, simulated(fixture, clock))
	if err != nil {
		return nil, nil, err
	}
	c := m.nestConfig(b, k, n, clock, records)
	c.Watch = l.watch
	nest, err := station.New(c)
	if err != nil {
		return nil, nil, errors.Join(err, n.Close())
	}
	// The drivers' first conversation takes a little longer than later ones.
	// Had here, the first unit of a nest is tested exactly like any other.
	if _, err := nest.Ready(ctx); err != nil {
		return nil, nil, errors.Join(err, n.Close())
	}
	return &demoNest{nest, fixture}, func() { n.Close() }, nil
}

// demoSerial is the serial number of unit n of a lot.
func demoSerial(lot string, n int) (string, error) {
	return serial.AppendMod3736(fmt.Sprintf("K8%s%05d", lot, n))
}

// count writes a number of things: "1 nest", "2 nests".
func count(n int, thing string) string {
	if n == 1 {
		return fmt.Sprintf("%d %s", n, thing)
	}
	return fmt.Sprintf("%d %ss", n, thing)
}

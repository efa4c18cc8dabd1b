package demo

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"strings"

	"fullthrow/drivers/sim"
	"fullthrow/reports/archive"
	"fullthrow/reports/serial"
	"fullthrow/runner/bench"
	"fullthrow/runner/input"
	"fullthrow/runner/product"
	"fullthrow/runner/station"
)

// demoNest is one place of the demo's station.
type demoNest struct {
	*station.Nest
	Fixture *sim.Bench
}

// Files reads the stock files, with as many nests as are wanted.
func Files(nests int) (*product.Method, *bench.File, *sim.Population, error) {
	home, err := product.StockFolder(product.Stock)
	if err != nil {
		return nil, nil, nil, err
	}
	b, err := bench.LoadFrom(home, "bench-demo.toml")
	if err != nil {
		return nil, nil, nil, err
	}
	for k := len(b.Nests); k < nests; k++ {
		more := b.Nests[0]
		more.Devices = maps.Clone(more.Devices)
		more.Name = string(rune('A' + k))
		b.Nests = append(b.Nests, more)
	}
	data, err := home.Read("population.toml")
	if err != nil {
		return nil, nil, nil, err
	}
	people, err := sim.ParsePopulation(home.Path("population.toml"), data)
	if err != nil {
		return nil, nil, nil, err
	}
	m, err := product.Sources{}.Load(b.Product)
	return m, b, people, err
}

// Bench makes nest k with a simulated fixture and a clock of its own, so
// that the nests do not disturb each other's order of events.
func Bench(ctx context.Context, m *product.Method, b *bench.File, k int, records *archive.Archive, seed uint64,
	l *lotTally) (*demoNest, func(), error) {
	clock := sim.NewClock(sim.Morning)
	fixture := sim.NewBench(clock, seed)
	n, err := b.Open(ctx, k, bench.Simulated(fixture, clock))
	if err != nil {
		return nil, nil, err
	}
	c := b.NestConfig(m, k, n, clock, records)
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

// Serial is the serial number of unit n of a lot.
func Serial(lot string, n int) (string, error) {
	return serial.AppendMod3736(fmt.Sprintf("K8%s%05d", lot, n))
}

func UnknownDefect(name string) error {
	known := bench.Names(sim.Defects(), func(d sim.Defect) string { return d.Name })
	f := input.Usage("simulate: there is no defect %q", name)
	if n := input.Near(name, known); n != "" {
		return f.Hint(`did you mean "` + n + `"?`)
	}
	return f.Hint("defects: " + strings.Join(known, ", "))
}

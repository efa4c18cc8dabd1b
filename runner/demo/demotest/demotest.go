// Package demotest puts units of the invented plant through the stock plan on
// the simulated bench, for tests.
package demotest

import (
	"context"
	"fmt"
	"testing"
	"time"

	"fullthrow/drivers"
	"fullthrow/drivers/sim"
	"fullthrow/reports"
	"fullthrow/reports/archive"
	"fullthrow/reports/wording"
	"fullthrow/runner/bench"
	"fullthrow/runner/demo"
	"fullthrow/runner/product"
	"fullthrow/runner/station"

	"github.com/stretchr/testify/require"
)

// Proof is one nest of the demo's station with a simulated fixture.
type Proof struct {
	*station.Nest
	Fixture *sim.Bench
}

// Nest is one nest of the demo's station with its own records, for tests
// of the stock plan against the simulated bench.
func Nest(t testing.TB, seed uint64, change ...func(*station.Config)) (*Proof, *archive.Archive) {
	t.Helper()
	return NestOf(t, seed, func(*bench.File) {}, change...)
}

// NestOf is Nest of a bench file that edit has changed.
func NestOf(t testing.TB, seed uint64, edit func(*bench.File), change ...func(*station.Config)) (*Proof, *archive.Archive) {
	t.Helper()
	_, b, _, err := demo.Files(1)
	require.NoError(t, err)
	edit(b)
	records, err := archive.Open(t.TempDir(), b.Station)
	require.NoError(t, err)
	n, leave := nest(t, seed, b, sim.SticksHabit{}, nil, records, change...)
	t.Cleanup(func() { leave(); records.Close() })
	_, err = n.Ready(context.Background())
	require.NoError(t, err)
	return n, records
}

// nest is a nest of the bench in b, its ports handed through wire; nil: as they
// are. The stick machine has a controller of that habit. leave gives all of it back; records may be nil.
func nest(t testing.TB, seed uint64, b *bench.File, sticks sim.SticksHabit,
	wire func(bench.PortName, drivers.Port, drivers.Clock) drivers.Port, records *archive.Archive,
	change ...func(*station.Config)) (_ *Proof, leave func()) {
	t.Helper()
	m, _, _, err := demo.Files(1)
	require.NoError(t, err)
	clock := sim.NewClock(sim.Morning)
	fixture := sim.NewBench(clock, seed)
	require.NoError(t, fixture.SetSticks(sticks))
	hardware := bench.Simulated(fixture, clock)
	if wire != nil {
		hardware = hardware.Through(func(p bench.PortName, port drivers.Port) drivers.Port { return wire(p, port, clock) })
	}
	n, err := b.Open(context.Background(), 0, hardware)
	require.NoError(t, err)
	c := b.NestConfig(m, 0, n, clock, records)
	// What bounds a station in real time says nothing here, where time is the
	// simulated clock's and the machine may be busy.
	c.Grace, c.SafeLimit, c.CPU = time.Hour, time.Hour, time.Hour
	for _, f := range change {
		f(&c)
	}
	nest, err := station.New(c)
	require.NoError(t, err)
	return &Proof{nest, fixture}, func() { n.Close() }
}

// Unit takes a unit with a number in lot 24A through the plan and keeps its
// report.
func (n *Proof) Unit(t testing.TB, i int, h sim.Handset) reports.Report {
	t.Helper()
	n.Fixture.Load(h)
	serial, err := demo.Serial("24A", i)
	require.NoError(t, err)
	sealed, err := n.Run(context.Background(), station.Job{Unit: reports.Unit{SerialNumber: serial,
		Product: product.Stock, Revision: "C", Lot: "24A"}})
	require.NoError(t, err)
	return sealed.Report
}

// Broke lists the readings that did not pass, as check.reading=value.
func Broke(r reports.Report) []string {
	var list []string
	for _, c := range r.Checks {
		if c.Problem != nil {
			list = append(list, c.Name+": "+wording.English().Reason(c.Problem))
		}
		for _, rd := range c.Readings {
			if rd.Verdict != reports.Pass && rd.Verdict != reports.Unlimited {
				list = append(list, fmt.Sprintf("%s.%s=%v %s", c.Name, rd.Name, rd.Value, rd.Unit))
			}
		}
	}
	return list
}

// Judge takes a unit through the plan without a record on disk.
func (n *Proof) Judge(t testing.TB, h sim.Handset) reports.Report {
	t.Helper()
	n.Fixture.Load(h)
	r, err := n.Rehearse(context.Background(), station.Job{Unit: reports.Unit{SerialNumber: "K824A000011",
		Product: product.Stock}})
	require.NoError(t, err)
	return r
}

// Of is how many of the units (or other repetitions) of a proof are taken: all,
// or with -short, as under the race detector, as many as have goroutines of
// every kind beside each other. .ci/test does both.
func Of(all, short int) int {
	if testing.Short() {
		return short
	}
	return all
}

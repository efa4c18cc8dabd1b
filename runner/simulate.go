package main

import (
	"context"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"fullthrow/drivers"
	"fullthrow/drivers/sim"
	"fullthrow/runner/bench"
	"fullthrow/runner/demo"
	"fullthrow/runner/input"
	"fullthrow/runner/terminal"
)

// simulateOptions say what lies on the simulated fixture.
type simulateOptions struct {
	dir      string
	seed     uint64
	unit     int // of the demo's lot; 0: a good one
	defect   string
	severity float64
	nests    int
}

func (a *app) simulateCommand() *cobra.Command {
	o := simulateOptions{seed: 1, severity: 1, nests: 1}
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
			case o.nests < 1 || o.nests > 26:
				return input.Usage("simulate: --nests %d is not in 1 to 26", o.nests)
			case o.unit < 0 || o.unit > 99999:
				return input.Usage("simulate: --unit %d is not in 1 to 99999", o.unit)
			case o.unit > 0 && o.defect != "":
				return input.Usage("simulate: --unit and --defect exclude each other").Hint("a unit of the lot has the defects that the population file gave it")
			case o.severity <= 0 || o.severity > 10:
				return input.Usage("simulate: --severity %g is not above 0 and up to 10", o.severity)
			}
			return a.simulate(cmd.Context(), o)
		},
	}
	c.Flags().StringVar(&o.dir, "dir", "", "put bench.toml and the names of the ports into `DIR`; default: a new temporary folder")
	c.Flags().Uint64Var(&o.seed, "seed", o.seed, "make the lot that belongs to `S`")
	c.Flags().IntVar(&o.unit, "unit", 0, "take unit `N` of the demo's lot, with its defects; default: a good unit")
	c.Flags().StringVar(&o.defect, "defect", "", "give a good unit the defect `NAME`")
	c.Flags().Float64Var(&o.severity, "severity", o.severity, "how bad the defect is, as `X`: 1 is clearly bad")
	c.Flags().IntVar(&o.nests, "nests", o.nests, "make `N` fixtures, each with a unit")
	return c
}

func (a *app) simulate(ctx context.Context, o simulateOptions) error {
	ctx, e := a.begin(ctx)
	defer e.done()
	e.outliveReaders()
	_, b, people, err := demo.Files(o.nests)
	if err != nil {
		return err
	}
	b.Nests = b.Nests[:o.nests]
	units, err := o.handsets(people)
	if err != nil {
		return err
	}
	if o.dir == "" {
		if o.dir, err = os.MkdirTemp("", "fullthrow-simulate-"); err != nil {
			return err
		}
		defer os.RemoveAll(o.dir)
	}
	if o.dir, err = filepath.Abs(o.dir); err != nil {
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
		fixture := sim.NewBench(drivers.System, o.seed)
		fixture.Load(units[k].handset)
		served, err := b.Nests[k].Serve(serving, fixture, filepath.Join(o.dir, "nest-"+b.Nests[k].Name))
		ends = append(ends, served...)
		if err != nil {
			return err
		}
		fixtures = append(fixtures, fixture)
	}
	file := filepath.Join(o.dir, "bench.toml")
	if err := b.WriteTo(file); err != nil {
		return err
	}

	s := terminal.NewScreen(a.out)
	s.Say("%s Invented data: never use its records as those of real units.", s.Strong("A simulated fixture, in real time."))
	for k, n := range b.Nests {
		s.Say("\nnest %s holds %s", n.Name, units[k].about)
		s.Say("  fullthrow test %s --bench %s --nest %s", units[k].serial, file, n.Name)
	}
	s.Say("\nIt runs until it is stopped: Ctrl-C.")
	for drivers.System.Sleep(ctx, 250*time.Millisecond) == nil {
		s.Now("%s", fixtureLine(b, fixtures))
	}
	s.Now("")
	return nil
}

// fixtureLine says what the fixtures are doing.
func fixtureLine(b *bench.File, fixtures []*sim.Bench) string {
	var parts []string
	for k, f := range fixtures {
		st := f.State()
		does := "at rest"
		if !st.Safe() {
			does = "at work"
		}
		parts = append(parts, fmt.Sprintf("nest %s %s, handset %s", b.Nests[k].Name, does, st.Handset))
	}
	return strings.Join(parts, "; ")
}

// simulatedUnit is a handset for a fixture.
type simulatedUnit struct {
	serial, about string
	handset       sim.Handset
}

// handsets makes the units that are asked for, one a nest.
func (o simulateOptions) handsets(people *sim.Population) ([]simulatedUnit, error) {
	var list []simulatedUnit
	for k := range o.nests {
		n := max(1, o.unit) + k
		serial, err := demo.Serial("24A", n)
		if err != nil {
			return nil, err
		}
		u := simulatedUnit{serial: serial, about: "a good unit"}
		switch {
		case o.unit > 0:
			var defects []string
			if u.handset, defects = people.Draw(o.seed, n-1); len(defects) > 0 {
				u.about = "a unit with " + strings.Join(defects, ", ")
			}
		case o.defect != "":
			d, err := sim.DefectNamed(o.defect)
			if err != nil {
				return nil, demo.UnknownDefect(o.defect)
			}
			u.handset = sim.GoodOf(serial)
			d.Apply(&u.handset, o.severity, rand.New(rand.NewPCG(o.seed, uint64(n))))
			u.about = fmt.Sprintf("a unit that %s (%s, severity %g)", d.About, d.Name, o.severity)
		default:
			u.handset = sim.GoodOf(serial)
		}
		list = append(list, u)
	}
	return list, nil
}

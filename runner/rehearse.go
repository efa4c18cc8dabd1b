package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"

	"github.com/spf13/cobra"

	"fullthrow/drivers/sim"
	"fullthrow/runner/station"
)

// rehearseOptions say what is rehearsed and what is asked of it.
type rehearseOptions struct {
	from       sources
	population string
	units      int // of the population
	sweep      int // units of each defect at each severity
	nests      int
	seed       uint64
	escapes    float64 // % allowed
	rejects    float64 // % allowed
	json       bool
	plot       string
}

func (a *app) rehearseCommand() *cobra.Command {
	o := rehearseOptions{units: 10000, sweep: 4, nests: runtime.NumCPU(), seed: 1, escapes: 0.1, rejects: 0.1}
	c := &cobra.Command{
		Use:   "rehearse",
		Short: "Run the plan over a simulated population: what it catches, misses and rejects",
		Long: `Run the plan over a simulated population and count what it catches, misses and
wrongly rejects, before there is any hardware. No records are kept.

The population file says which share of the units has which defect, how bad,
and from which severity on it must be caught (must_catch). Beside it each
defect is tried alone over a grid of severities, to find the edge of what each
check can see; --units 0 does only that, --sweep 0 only the population.

The exit code is 1 when more units escape or more sound ones are rejected than
allowed. The same seed gives the same result, whatever the number of nests.`,
		Example: `  fullthrow rehearse
  fullthrow rehearse --product my-product --units 2000 --plot edges.svg
  fullthrow rehearse --limits tighter.toml --units 0 --sweep 20`,
		Args: takes(),
		RunE: func(cmd *cobra.Command, _ []string) error {
			switch {
			case o.units < 0 || o.units > 1e6:
				return usage("rehearse: --units %d is not in 0 to 1000000", o.units)
			case o.sweep < 0 || o.sweep > 1000:
				return usage("rehearse: --sweep %d is not in 0 to 1000", o.sweep)
			case o.units == 0 && o.sweep == 0:
				return usage("rehearse: --units 0 and --sweep 0 leave nothing to rehearse")
			case o.nests < 1 || o.nests > 64:
				return usage("rehearse: --nests %d is not in 1 to 64", o.nests)
			case !(o.escapes >= 0 && o.escapes <= 100):
				return usage("rehearse: --escapes %v is not in 0 to 100", o.escapes)
			case !(o.rejects >= 0 && o.rejects <= 100):
				return usage("rehearse: --false-rejects %v is not in 0 to 100", o.rejects)
			}
			return a.rehearse(cmd.Context(), o)
		},
	}
	f := c.Flags()
	f.StringVar(&o.population, "population", "", "`FILE` with the shares and severities of defects; default: the product's population.toml")
	f.IntVar(&o.units, "units", o.units, "take `N` units of the population")
	f.IntVar(&o.sweep, "sweep", o.sweep, "take `N` units of each defect at each severity from 0.1 to 1.5")
	f.Uint64Var(&o.seed, "seed", o.seed, "make the units that belong to `S`")
	f.IntVar(&o.nests, "nests", o.nests, "test `N` units at a time")
	f.Float64Var(&o.escapes, "escapes", o.escapes, "allow `P` % of the units that must be caught to pass")
	f.Float64Var(&o.rejects, "false-rejects", o.rejects, "allow `P` % of the sound units to fail")
	f.BoolVar(&o.json, "json", false, "write the result as JSON")
	f.StringVar(&o.plot, "plot", "", "draw detection against severity into `FILE`, an SVG")
	o.from.flags(c)
	f.Lookup("bench").Usage = "`FILE` of a simulated bench; default: the product's"
	return c
}

func (a *app) rehearse(ctx context.Context, o rehearseOptions) error {
	b, nest, err := o.from.rehearsalBench()
	if err != nil {
		return err
	}
	m, err := o.from.load(b.Product)
	if err != nil {
		return err
	}
	if m.product.Product != b.Product {
		return usage("%s is a bench for product %q, the plan is for %q", b.name, b.Product, m.product.Product)
	}
	people, at, err := o.loadPopulation(m)
	if err != nil {
		return err
	}
	if o.plot != "" { // find out before the work, not after it
		if info, err := os.Stat(filepath.Dir(o.plot)); err != nil || !info.IsDir() {
			return usage("--plot %s: there is no such folder to write it into", o.plot)
		}
	}
	ctx, e := a.begin(ctx)
	defer e.done()
	live := newScreen(a.errs)
	h := &rehearsal{method: m, bench: b, nest: nest, people: people, options: o, populationAt: at, screen: live}
	err = h.run(ctx)
	live.now("")
	if err != nil {
		return err
	}
	r, err := h.result()
	if err != nil {
		return err
	}
	if o.plot != "" {
		if err := os.WriteFile(o.plot, r.svg(), 0o644); err != nil {
			return fmt.Errorf("plot: %w", err)
		}
	}
	if o.json {
		if err := r.writeJSON(a.out); err != nil {
			return err
		}
	} else {
		r.writeText(newScreen(a.out))
		if o.plot != "" {
			fmt.Fprintf(a.out, "Detection against severity, as a drawing: %s\n", o.plot)
		}
	}
	var aborted *station.Abort
	if errors.As(context.Cause(ctx), &aborted) {
		fmt.Fprintf(a.errs, "%s, after %d of %d units\n", aborted, r.Done, r.Asked)
		return quiet(exitAborted)
	}
	if !r.Kept {
		return quiet(exitFailed)
	}
	return nil
}

// rehearsalBench is the simulated bench to rehearse on and which of its nests:
// that of the bench file given, or the first that the product's folder has.
func (s sources) rehearsalBench() (*benchFile, int, error) {
	simulatedNest := func(b *benchFile) int {
		for i := range b.Nests {
			if b.simulated(i) {
				return i
			}
		}
		return -1
	}
	const hint = `give every device of a nest a port like "sim:supply"; bench-demo.toml of the stock product is such a file`
	if s.bench != "" {
		b, err := loadBench(s.bench)
		if err != nil {
			return nil, 0, err
		}
		if i := simulatedNest(b); i >= 0 {
			return b, i, nil
		}
		return nil, 0, usage("%s has no simulated nest: units are not rehearsed on hardware", s.bench).hint(hint)
	}
	home, err := s.folder(demoProduct)
	if err != nil {
		return nil, 0, err
	}
	names, err := fs.Glob(home.fs, "bench*.toml")
	if err != nil {
		return nil, 0, err
	}
	for _, name := range names {
		data, err := home.read(name)
		if err != nil {
			return nil, 0, err
		}
		b, err := parseBench(home.path(name), data)
		if err != nil {
			return nil, 0, err
		}
		if i := simulatedNest(b); i >= 0 {
			return b, i, nil
		}
	}
	return nil, 0, usage("%s has no bench*.toml with a simulated nest", home.name).hint(hint)
}

// loadPopulation reads the population file given, or that of the product.
func (o rehearseOptions) loadPopulation(m *method) (*sim.Population, string, error) {
	at, name := folder{}, "population.toml"
	if o.population != "" {
		at, name = dirFolder(filepath.Dir(o.population)), filepath.Base(o.population)
	} else {
		var err error
		if at, err = o.from.folder(m.product.Product); err != nil {
			return nil, "", err
		}
	}
	data, err := at.read(name)
	if err != nil {
		return nil, "", err
	}
	people, err := sim.ParsePopulation(at.path(name), data)
	if err != nil {
		return nil, "", &inputError{inOrder(populationProblems(err))}
	}
	if people.Product != m.product.Product {
		return nil, "", usage("%s is a population of product %q, the plan is for %q", at.path(name), people.Product, m.product.Product)
	}
	m.count(at.path(name), data)
	return people, at.path(name), nil
}

// populationProblems lists what is wrong with a population file.
func populationProblems(err error) (list []problem) {
	if j, ok := err.(interface{ Unwrap() []error }); ok {
		for _, e := range j.Unwrap() {
			list = append(list, populationProblems(e)...)
		}
		return list
	}
	var p *sim.PopulationError
	if errors.As(err, &p) {
		return []problem{{p.File, p.Line, p.Text, ""}}
	}
	return []problem{{Text: err.Error()}}
}

package rehearsal

import (
	"errors"
	"io/fs"
	"path/filepath"

	"fullthrow/drivers/sim"
	"fullthrow/runner/bench"
	"fullthrow/runner/input"
	"fullthrow/runner/product"
)

// Options say what is rehearsed and what is asked of it.
type Options struct {
	From       product.Sources
	Population string
	Units      int // of the population
	Sweep      int // units of each defect at each severity
	Nests      int
	Seed       uint64
	Escapes    float64 // % allowed
	Rejects    float64 // % allowed
	Json       bool
	Plot       string
}

// Bench is the simulated bench to rehearse on and which of its nests:
// that of the bench file given, or the first that the product's folder has.
func Bench(s product.Sources) (*bench.File, int, error) {
	simulatedNest := func(b *bench.File) int {
		for i := range b.Nests {
			if b.Simulated(i) {
				return i
			}
		}
		return -1
	}
	const hint = `give every device of a nest a port like "sim:supply"; ` +
		`bench-demo.toml of the stock product is such a file`
	if s.Bench != "" {
		b, err := bench.Load(s.Bench)
		if err != nil {
			return nil, 0, err
		}
		if i := simulatedNest(b); i >= 0 {
			return b, i, nil
		}
		return nil, 0, input.Usage("%s has no simulated nest: units are not rehearsed on hardware", s.Bench).Hint(hint)
	}
	home, err := s.Folder(product.Stock)
	if err != nil {
		return nil, 0, err
	}
	names, err := fs.Glob(home.Files, "bench*.toml")
	if err != nil {
		return nil, 0, err
	}
	for _, name := range names {
		b, err := bench.LoadFrom(home, name)
		if err != nil {
			return nil, 0, err
		}
		if i := simulatedNest(b); i >= 0 {
			return b, i, nil
		}
	}
	return nil, 0, input.Usage("%s has no bench*.toml with a simulated nest", home.Name).Hint(hint)
}

// LoadPopulation reads the population file given, or that of the product.
func (o Options) LoadPopulation(m *product.Method) (*sim.Population, string, error) {
	at, name := product.Folder{}, "population.toml"
	if o.Population != "" {
		at, name = product.Dir(filepath.Dir(o.Population)), filepath.Base(o.Population)
	} else {
		var err error
		if at, err = o.From.Folder(m.Product.Product); err != nil {
			return nil, "", err
		}
	}
	data, err := at.Read(name)
	if err != nil {
		return nil, "", err
	}
	people, err := sim.ParsePopulation(at.Path(name), data)
	if err != nil {
		return nil, "", input.Wrong(input.InOrder(populationProblems(err)))
	}
	if people.Product != m.Product.Product {
		return nil, "", input.Usage("%s is a population of product %q, the plan is for %q", at.Path(name),
			people.Product, m.Product.Product)
	}
	m.Count(at.Path(name), data)
	return people, at.Path(name), nil
}

// populationProblems lists what is wrong with a population file.
func populationProblems(err error) (list []input.Problem) {
	if j, ok := err.(interface{ Unwrap() []error }); ok {
		for _, e := range j.Unwrap() {
			list = append(list, populationProblems(e)...)
		}
		return list
	}
	var p *sim.PopulationError
	if errors.As(err, &p) {
		return []input.Problem{input.At(p.File, p.Line, p.Text, "")}
	}
	return []input.Problem{{Text: err.Error()}}
}

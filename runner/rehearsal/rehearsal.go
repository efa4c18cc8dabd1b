package rehearsal

import (
	"context"
	"errors"
	"io/fs"
	"math"
	"path/filepath"
	"runtime/debug"
	"sync"
	"time"

	"fullthrow/drivers/sim"
	"fullthrow/reports"
	"fullthrow/reports/wording"
	"fullthrow/runner/bench"
	"fullthrow/runner/crash"
	"fullthrow/runner/input"
	"fullthrow/runner/product"
	"fullthrow/runner/station"
	"fullthrow/runner/terminal"
)

// sweepSteps is how many severities of a defect are tried, and sweepStep how
// far they are apart: 0.1 to 1.5.
const (
	sweepSteps = 15
	sweepStep  = 0.1
	// sweepGood is how many good units go with a sweep without a population:
	// what is beyond a limit is seen beside them.
	sweepGood = 20
)

// Rehearsal takes a population, and each defect alone, through a plan.
type Rehearsal struct {
	Method       *product.Method
	Bench        *bench.File
	Nest         int // of the bench, with simulated ports
	People       *sim.Population
	PopulationAt string
	Options      Options
	Screen       *terminal.Screen // for the live line

	reading map[string]int // index of a limit by "check.reading"
	check   map[string]int // index of a check of the plan by name

	jobs []rehearsalJob
	took time.Duration

	mu     sync.Mutex
	units  []*rehearsedUnit // by job; nil: not done
	limit  []*reports.Reading
	done   int
	next   int
	missed int // units with a defect beyond the stated severity that passed
	wrong  int // good units that failed
}

// rehearsalJob is one unit to be made: number index of the population, one
// with this defect alone, or a good one.
type rehearsalJob struct {
	index    int
	good     bool
	defect   *sim.Defect
	severity float64
}

// rehearsedUnit is what is kept of a unit's report.
type rehearsedUnit struct {
	rehearsalJob
	given   []sim.Given
	outcome reports.Outcome
	reason  string
	values  []float64       // by limit, in its base unit; NaN: not taken, or no number
	failed  []int           // limits that were broken
	checks  []time.Duration // by check of the plan; -1: it did not run
	took    time.Duration
}

// plan lists the units to be made.
func (h *Rehearsal) plan() {
	for i := range h.Options.Units {
		h.jobs = append(h.jobs, rehearsalJob{index: i})
	}
	if h.Options.Units == 0 {
		for i := range sweepGood {
			h.jobs = append(h.jobs, rehearsalJob{index: i, good: true})
		}
	}
	for _, s := range h.People.Defect {
		d, err := sim.DefectNamed(s.Name)
		if err != nil {
			continue // the population's own check has refused it
		}
		steps := sweepSteps
		if !d.Graded() {
			steps = 1
		}
		for k := range steps {
			severity := sweepStep * float64(k+1)
			if steps == 1 {
				severity = 1
			}
			severity = math.Round(severity*1000) / 1000
			for i := range h.Options.Sweep {
				h.jobs = append(h.jobs, rehearsalJob{index: i, defect: &d, severity: severity})
			}
		}
	}
}

// Run takes every unit through a nest, several side by side, until all are done
// or ctx ends.
func (h *Rehearsal) Run(ctx context.Context) error {
	began := time.Now()
	h.plan()
	names := h.Method.Limits.Names()
	h.reading, h.check = map[string]int{}, map[string]int{}
	for i, name := range names {
		h.reading[name] = i
	}
	for i, c := range h.Method.Plan.Checks {
		h.check[c.Name] = i
	}
	h.limit = make([]*reports.Reading, len(names))
	h.units = make([]*rehearsedUnit, len(h.jobs))

	// Captures come and go by the megabyte while little is kept: collecting
	// them less often costs some memory and saves a good part of the work.
	defer debug.SetGCPercent(debug.SetGCPercent(400))
	ctx, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	var wg sync.WaitGroup
	failures := make([]error, h.Options.Nests)
	for k := range h.Options.Nests {
		wg.Go(func() {
			defer crash.Guard()
			if failures[k] = h.work(ctx, began); failures[k] != nil {
				cancel(failures[k])
			}
		})
	}
	wg.Wait()
	h.took = time.Since(began)
	return errors.Join(failures...)
}

// work is one nest with a simulated fixture and a clock of its own.
func (h *Rehearsal) work(ctx context.Context, began time.Time) error {
	clock := sim.NewClock(sim.Morning)
	fixture := sim.NewBench(clock, h.Options.Seed)
	n, err := h.Bench.Open(ctx, h.Nest, bench.Simulated(fixture, clock))
	if err != nil {
		return err
	}
	defer n.Close()
	c := h.Bench.NestConfig(h.Method, h.Nest, n, clock, nil)
	c.Ask = func(_ context.Context, p reports.Prompt) (reports.Value, string, error) {
		return station.Agree(p), "rehearsal", nil
	}
	nest, err := station.New(c)
	if err != nil {
		return input.Usage("%w", err)
	}
	// The drivers' first conversation takes a little longer than later ones.
	if _, err := nest.Ready(ctx); err != nil {
		if ctx.Err() != nil {
			return nil
		}
		return err
	}
	for {
		h.mu.Lock()
		i := h.next
		h.next++
		h.mu.Unlock()
		if i >= len(h.jobs) || ctx.Err() != nil {
			return nil
		}
		u := &rehearsedUnit{rehearsalJob: h.jobs[i]}
		var handset sim.Handset
		switch {
		case u.good:
			handset = h.People.MakeWith(h.Options.Seed, u.index, sim.Defect{}, 0)
		case u.defect == nil:
			handset, u.given = h.People.Make(h.Options.Seed, u.index)
		default:
			handset = h.People.MakeWith(h.Options.Seed, u.index, *u.defect, u.severity)
			u.given = []sim.Given{{Name: u.defect.Name, Severity: u.severity}}
		}
		fixture.Load(handset)
		report, err := nest.Rehearse(ctx, station.Job{Operator: "rehearsal",
			Unit: reports.Unit{SerialNumber: "rehearsal", Product: h.Method.Product.Product,
				Revision: h.Method.Product.Revision}})
		if ctx.Err() != nil {
			return nil // cut short: this unit tells nothing
		}
		if err != nil {
			return err
		}
		h.keep(i, u, report, began)
	}
}

// keep notes what is needed of a report.
func (h *Rehearsal) keep(i int, u *rehearsedUnit, r reports.Report, began time.Time) {
	u.outcome, u.reason, u.took = r.Outcome, wording.English().Reason(r.Reason), r.Ended.Sub(r.Started)
	u.values = make([]float64, len(h.limit))
	for k := range u.values {
		u.values[k] = math.NaN()
	}
	u.checks = make([]time.Duration, len(h.check))
	for k := range u.checks {
		u.checks[k] = -1
	}
	seen := map[int]reports.Reading{}
	for _, c := range r.Checks {
		if k, ok := h.check[c.Name]; ok {
			u.checks[k] = c.Ended.Sub(c.Started)
		}
		for _, rd := range c.Readings {
			k, ok := h.reading[c.Name+"."+rd.Name]
			if !ok {
				continue
			}
			// What is known from one side only, and broke its limit, may be any
			// distance beyond it.
			if x, ok := rd.Value.Number(); ok && (rd.Bound == "" || rd.Verdict == reports.Pass) {
				u.values[k] = x
			}
			if rd.Verdict == reports.Fail || rd.Verdict == reports.Inconclusive {
				u.failed = append(u.failed, k)
			}
			if rd.Limit != nil {
				seen[k] = rd
			}
		}
	}

	h.mu.Lock()
	defer h.mu.Unlock()
	for k, rd := range seen {
		if h.limit[k] == nil {
			h.limit[k] = &rd
		}
	}
	h.units[i] = u
	h.done++
	if u.outcome == reports.Passed && h.mustCatch(u) {
		h.missed++
	}
	if u.outcome == reports.Failed && len(u.given) == 0 {
		h.wrong++
	}
	rate := float64(h.done) / time.Since(began).Seconds()
	left := time.Duration(float64(len(h.jobs)-h.done) / rate * float64(time.Second)).Round(time.Second)
	h.Screen.Now("%d of %d units, %.0f a second, %v to go; %d missed, %d rejected though good", h.done, len(h.jobs),
		rate, left, h.missed, h.wrong)
}

// mustCatch says whether a unit has a defect at or beyond the severity from
// which on it must be caught.
func (h *Rehearsal) mustCatch(u *rehearsedUnit) bool {
	for _, g := range u.given {
		for _, s := range h.People.Defect {
			if s.Name == g.Name && g.Severity >= *s.MustCatch-1e-9 {
				return true
			}
		}
	}
	return false
}

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

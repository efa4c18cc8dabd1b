package lint

import (
	"cmp"
	"context"
	"fmt"
	"io/fs"
	"maps"
	"slices"
	"strings"
	"time"

	"fullthrow/drivers"
	"fullthrow/drivers/sim"
	"fullthrow/reports"
	"fullthrow/reports/wording"
	"fullthrow/runner/bench"
	"fullthrow/runner/input"
	"fullthrow/runner/limits"
	"fullthrow/runner/product"
	"fullthrow/runner/script"
	"fullthrow/runner/station"
)

// Benches loads the bench files that lint is to check: the one given, or all
// of the product's folder. Problems of one go to keep.
func Benches(s product.Sources, keep func(error) error) ([]*bench.File, error) {
	if s.Bench != "" {
		b, err := bench.Load(s.Bench)
		if err != nil {
			return nil, keep(err)
		}
		return []*bench.File{b}, nil
	}
	home, err := s.Folder(product.Stock)
	if err != nil {
		return nil, err
	}
	names, err := fs.Glob(home.Files, "bench*.toml")
	if err != nil {
		return nil, err
	}
	var list []*bench.File
	for _, name := range names {
		b, err := bench.LoadFrom(home, name)
		if err != nil {
			if err := keep(err); err != nil {
				return nil, err
			}
			continue
		}
		list = append(list, b)
	}
	return list, nil
}

// Readings compares the readings that the plan takes with the limits: those of
// one run of it, or without one (nil) those whose names stand in the plan. A name
// that is put together as the plan runs cannot be known without one:
// where a check has such, its limits are not called unused, and a note says so.
// A reading without a limit is only a note, unless a limit of nearly that name
// is never used.
func Readings(m *product.Method, played *[]script.Reading) (problems, notes []input.Problem) {
	var checks []string
	for _, c := range m.Plan.Checks {
		checks = append(checks, c.Name)
	}
	type place struct {
		name, file string
		line       int
	}
	var taken []place
	var names []string
	take := func(check, name, file string, line int) {
		if full := check + "." + name; !slices.Contains(names, full) {
			taken, names = append(taken, place{full, file, line}), append(names, full)
		}
	}
	unknown := map[string]bool{} // checks with readings named as the plan runs; "" helper functions
	if played != nil {
		for _, r := range *played {
			take(r.Check, r.Name, r.File, r.Line)
		}
	}
	for _, u := range m.Plan.Uses() {
		switch {
		case u.Kind != "reading" || played != nil:
		case u.Check != "" && u.Name != "":
			take(u.Check, u.Name, u.File, u.Line)
		case !unknown[u.Check]:
			unknown[u.Check] = true
			where := fmt.Sprintf("check %q names readings", u.Check)
			if u.Check == "" {
				where = "a function outside the checks takes readings"
			}
			notes = append(notes, input.At(m.File(u.File), u.Line, where+" as it runs: they are compared with the "+
				"limits only on a simulated bench", ""))
		}
	}

	limited := m.Limits.Names()
	unused := slices.DeleteFunc(slices.Clone(limited), func(name string) bool {
		check, _, _ := strings.Cut(name, ".")
		return slices.Contains(names, name) || slices.Contains(checks, check) && (unknown[check] || unknown[""])
	})
	unlimited := slices.DeleteFunc(slices.Clone(names), func(name string) bool {
		return slices.Contains(limited,
			name)
	})
	for _, name := range unused {
		check, _, _ := strings.Cut(name, ".")
		text, hint := fmt.Sprintf("limit %q: the plan never takes this reading, so no unit could pass", name),
			input.DidYouMean(name, unlimited, "")
		if !slices.Contains(checks, check) {
			text, hint = fmt.Sprintf("limit %q: the plan has no check %q", name, check), input.DidYouMean(check, checks, "")
		}
		problems = append(problems, input.At(m.LimitsAt, m.Limits.Line(name), text, hint))
	}
	for _, t := range taken {
		if slices.Contains(limited, t.name) {
			continue
		}
		text := fmt.Sprintf("reading %q has no limit: it is recorded, and judges nothing", t.name)
		if hint := input.DidYouMean(t.name, unused, ""); hint != "" {
			problems = append(problems, input.At(m.File(t.file), t.line, text, hint))
		} else {
			notes = append(notes, input.At(m.File(t.file), t.line, text, ""))
		}
	}
	return problems, input.InOrder(notes)
}

// Devices compares what the plan asks of the bench with what its drivers can
// do, for each nest.
func Devices(ctx context.Context, m *product.Method, b *bench.File) (problems []input.Problem, err error) {
	if b.Product != m.Product.Product {
		problems = append(problems, input.At(b.Name, b.At.At("product"), fmt.Sprintf("the bench is for product %q, "+
			"the plan for %q", b.Product, m.Product.Product), ""))
	}
	for i, nest := range b.Nests {
		n, err := b.Open(ctx, i, bench.NoHardware())
		if err != nil {
			return problems, err
		}
		roles := slices.Sorted(maps.Keys(n.Devices))
		for _, u := range m.Plan.Uses() {
			if u.Kind != "device" || u.Name == "" {
				continue
			}
			d, ok := n.Devices[u.Name]
			switch {
			case !ok:
				problems = append(problems, input.At(m.File(u.File), u.Line, fmt.Sprintf("bench.%s: nest %q of %s "+
					"has no device, output or input of that name", u.Name, nest.Name, b.Name), input.Meant(u.Name,
					roles)))
			case u.Method != "" && !slices.Contains(script.Methods(d), u.Method):
				can := script.Methods(d)
				problems = append(problems, input.At(m.File(u.File), u.Line, fmt.Sprintf("bench.%s:%s: %s cannot do "+
					"that", u.Name, u.Method, whatIs(b, i, u.Name, d)),
					cmp.Or(input.DidYouMean(u.Method, can, ""), "it can: "+strings.Join(can, ", "))))
			}
		}
		if err := n.Close(); err != nil {
			return problems, err
		}
	}
	return problems, nil
}

// whatIs names a role with its driver: "supply (scpi, generic-supply)".
func whatIs(b *bench.File, i int, role string, d drivers.Device) string {
	f, ok := b.Nests[i].Devices[role]
	if !ok {
		if _, isOutput := d.(drivers.Output); isOutput {
			return role + " (an output)"
		}
		return role + " (an input)"
	}
	return role + " (" + strings.TrimSuffix(f.Driver+", "+f.Model, ", ") + ")"
}

// lintRun takes the place of the record while lint runs a plan once on the
// simulated fixture, with a good unit on it.
type lintRun struct {
	m        *product.Method
	taken    []script.Reading
	asked    []string // questions
	problems []input.Problem
}

// RunOnce runs the plan on nest i, which is a simulated one, and returns the
// readings it took and the questions it asked. What it finds wrong is in
// problems; complete is false when the plan did not get to its end.
func RunOnce(ctx context.Context, m *product.Method, b *bench.File, i int) (taken []script.Reading, asked []string,
	problems []input.Problem, complete bool, err error) {
	ctx, cancel := context.WithTimeoutCause(ctx, time.Minute, fmt.Errorf("running the plan took more than a minute"))
	defer cancel()
	clock := sim.NewClock(sim.Morning)
	fixture := sim.NewBench(clock, 1)
	fixture.Load(sim.GoodOf("rehearsal"))
	n, err := b.Open(ctx, i, bench.Simulated(fixture, clock))
	if err != nil {
		return nil, nil, nil, false, err
	}
	defer n.Close()
	r := &lintRun{m: m}
	clock.Together(ctx, func(ctx context.Context) {
		unit := reports.Unit{SerialNumber: "LINT-0001", Product: m.Plan.Product, Revision: m.Plan.Revision}
		err = m.Plan.Run(ctx, script.Host{Clock: clock, Unit: unit, Devices: n.Devices, Recorder: r, Ask: r.answer})
	})
	if err != nil {
		p := product.LuaProblem(m.PlanAt, err)
		p.Text = "on the simulated fixture: " + p.Text
		return r.taken, r.asked, append(r.problems, p), false, nil
	}
	return r.taken, r.asked, r.problems, true, nil
}

func (r *lintRun) answer(_ context.Context, p reports.Prompt) (reports.Value, error) {
	r.asked = append(append(r.asked, p.Text), p.Choices...)
	return station.Agree(p), nil
}

// Reading judges as in a run, and keeps what can be judged for no unit: a
// unit of measurement that does not fit the limit's.
func (r *lintRun) Reading(in script.Reading) (reports.Verdict, error) {
	r.taken = append(r.taken, in)
	j := r.m.Limits.Judge(in.Check, in.Name, limits.Indication{Value: in.Value, Unit: in.Unit, Bound: in.Bound,
		Uncertainty: in.Uncertainty})
	if j.Verdict == reports.Error {
		r.problems = append(r.problems, input.At(r.m.File(in.File), in.Line, fmt.Sprintf("reading %q cannot be "+
			"judged: %s", in.Check+"."+in.Name, wording.English().Reason(j.Problem)), ""))
	}
	return j.Verdict, nil
}

// The rest of [script.Recorder] notes nothing.

func (r *lintRun) CheckStarted(script.Check) error                 { return nil }
func (r *lintRun) Note(string, string) error                       { return nil }
func (r *lintRun) Keep(string, string, any) error                  { return nil }
func (r *lintRun) CheckEnded(string, error) (stop bool, err error) { return false, nil }

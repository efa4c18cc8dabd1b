package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"fullthrow/drivers"
	"fullthrow/runner/script"
)

// lintCommand compares plan, limits and bench files with each other, without
// hardware.
func (a *app) lintCommand() *cobra.Command {
	var from sources
	c := &cobra.Command{
		Use:   "lint [--product DIR] [--bench FILE]",
		Short: "Check plan, limits, causes and bench files against each other, without hardware",
		Long: `Check plan, limits, causes and bench files against each other, without hardware.

Without --bench, every bench*.toml of the product's folder is checked; without
--product, the stock folder. Where a bench is a simulated one the plan is also
run once on it, with a sound unit. Each problem is one line, FILE:LINE: and
what is wrong; below it stands what to do.`,
		Args: takes(),
		RunE: func(cmd *cobra.Command, _ []string) error { return a.lint(cmd.Context(), from) },
	}
	from.flags(c)
	return c
}

func (a *app) lint(ctx context.Context, from sources) error {
	var problems []problem
	keep := func(err error) error {
		list, ok := asProblems(err)
		if err != nil && !ok {
			return err
		}
		problems = append(problems, list...)
		return nil
	}
	benches, err := from.benches(keep)
	if err != nil {
		return err
	}
	product := demoProduct
	if len(benches) > 0 {
		product = benches[0].Product
	}
	m, err := from.load(product)
	if keep(err) != nil {
		return err
	}
	var notes []problem
	if err == nil {
		var played *[]script.Reading // of one run, where a bench is a simulated one
		var asked []string
		for _, b := range benches {
			found, err := m.devices(ctx, b)
			if keep(err) != nil {
				return err
			}
			problems = append(problems, found...)
			if played != nil || len(found) > 0 || err != nil || !b.simulated(0) {
				continue
			}
			taken, questions, found, complete, err := m.runOnce(ctx, b, 0)
			if keep(err) != nil {
				return err
			}
			problems = append(problems, found...)
			if complete {
				played, asked = &taken, questions
			}
		}
		var found []problem
		found, notes = m.readings(played)
		problems = append(problems, found...)
		if from.plan == "" && from.limits == "" { // the causes belong to the product's own
			problems = append(problems, m.lintCauses(played)...)
			home, err := from.folder(product)
			if err != nil {
				return err
			}
			found, untranslated := m.lintTexts(home, asked)
			problems, notes = append(problems, found...), append(notes, untranslated...)
		}
	}
	problems = inOrder(problems)
	for _, p := range problems {
		printProblem(a.out, p)
	}
	for _, n := range notes {
		n.Text = "note: " + n.Text
		printProblem(a.out, n)
	}
	if len(problems) > 0 {
		return &failure{code: exitInput, err: errors.New(count(len(problems), "problem"))}
	}
	rules := ""
	if m.causes != nil {
		rules = count(len(m.causes.Names()), "cause") + ", "
	}
	fmt.Fprintf(a.out, "no problem: %s, %s, %s%s\n", count(len(m.plan.Checks), "check"), count(len(m.limits.Names()), "limit"), rules, count(len(benches), "bench file"))
	return nil
}

// benches loads the bench files that lint is to check: the one given, or all
// of the product's folder. Problems of one go to keep.
func (s sources) benches(keep func(error) error) ([]*benchFile, error) {
	if s.bench != "" {
		b, err := loadBench(s.bench)
		if err != nil {
			return nil, keep(err)
		}
		return []*benchFile{b}, nil
	}
	home, err := s.folder(demoProduct)
	if err != nil {
		return nil, err
	}
	names, err := fs.Glob(home.fs, "bench*.toml")
	if err != nil {
		return nil, err
	}
	var list []*benchFile
	for _, name := range names {
		data, err := home.read(name)
		if err != nil {
			return nil, err
		}
		b, err := parseBench(home.path(name), data)
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

// readings compares the readings that the plan takes with the limits: those of
// one run of it, or without one (nil) those whose names stand in the plan. A name
// that is put together as the plan runs cannot be known without one:
// where a check has such, its limits are not called unused, and a note says so.
// A reading without a limit is only a note, unless a limit of nearly that name
// is never used.
func (m *method) readings(played *[]script.Reading) (problems, notes []problem) {
	var checks []string
	for _, c := range m.plan.Checks {
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
	for _, u := range m.plan.Uses() {
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
			notes = append(notes, problem{m.file(u.File), u.Line, where + " as it runs: they are compared with the limits only on a simulated bench", ""})
		}
	}

	limited := m.limits.Names()
	unused := slices.DeleteFunc(slices.Clone(limited), func(name string) bool {
		check, _, _ := strings.Cut(name, ".")
		return slices.Contains(names, name) || slices.Contains(checks, check) && (unknown[check] || unknown[""])
	})
	unlimited := slices.DeleteFunc(slices.Clone(names), func(name string) bool { return slices.Contains(limited, name) })
	for _, name := range unused {
		check, _, _ := strings.Cut(name, ".")
		text, hint := fmt.Sprintf("limit %q: the plan never takes this reading, so no unit could pass", name), meantReading(name, unlimited)
		if !slices.Contains(checks, check) {
			text, hint = fmt.Sprintf("limit %q: the plan has no check %q", name, check), meantReading(check, checks)
		}
		problems = append(problems, problem{m.limitsAt, m.limits.Line(name), text, hint})
	}
	for _, t := range taken {
		if slices.Contains(limited, t.name) {
			continue
		}
		text := fmt.Sprintf("reading %q has no limit: it is recorded, and judges nothing", t.name)
		if hint := meantReading(t.name, unused); hint != "" {
			problems = append(problems, problem{m.file(t.file), t.line, text, hint})
		} else {
			notes = append(notes, problem{m.file(t.file), t.line, text, ""})
		}
	}
	return problems, inOrder(notes)
}

func meantReading(full string, among []string) string {
	if n := near(full, among); n != "" {
		return `did you mean "` + n + `"?`
	}
	return ""
}

// file is a file of the plan as messages name it.
func (m *method) file(name string) string {
	if strings.HasPrefix(name, "lib/") {
		return "scripts/" + name
	}
	return m.planAt
}

// devices compares what the plan asks of the bench with what its drivers can
// do, for each nest.
func (m *method) devices(ctx context.Context, b *benchFile) (problems []problem, err error) {
	if b.Product != m.product.Product {
		problems = append(problems, problem{b.name, b.at.at("product"), fmt.Sprintf("the bench is for product %q, the plan for %q", b.Product, m.product.Product), ""})
	}
	for i, nest := range b.Nests {
		n, err := b.open(ctx, i, noHardware())
		if err != nil {
			return problems, err
		}
		roles := slices.Sorted(maps.Keys(n.devices))
		for _, u := range m.plan.Uses() {
			if u.Kind != "device" || u.Name == "" {
				continue
			}
			d, ok := n.devices[u.Name]
			switch {
			case !ok:
				problems = append(problems, problem{m.file(u.File), u.Line, fmt.Sprintf("bench.%s: nest %q of %s has no device, output or input of that name", u.Name, nest.Name, b.name), meant(u.Name, roles)})
			case u.Method != "" && !slices.Contains(script.Methods(d), u.Method):
				can := script.Methods(d)
				problems = append(problems, problem{m.file(u.File), u.Line, fmt.Sprintf("bench.%s:%s: %s cannot do that", u.Name, u.Method, whatIs(b, i, u.Name, d)),
					orElse(meantReading(u.Method, can), "it can: "+strings.Join(can, ", "))})
			}
		}
		if err := n.Close(); err != nil {
			return problems, err
		}
	}
	return problems, nil
}

// whatIs names a role with its driver: "supply (scpi, generic-supply)".
func whatIs(b *benchFile, i int, role string, d drivers.Device) string {
	f, ok := b.Nests[i].Devices[role]
	if !ok {
		if _, isOutput := d.(drivers.Output); isOutput {
			return role + " (an output)"
		}
		return role + " (an input)"
	}
	return role + " (" + strings.Join(nonEmpty(f.Driver, f.Model), ", ") + ")"
}

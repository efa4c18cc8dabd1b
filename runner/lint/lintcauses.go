package lint

import (
	"slices"
	"strings"

	"fullthrow/reports"
	"fullthrow/runner/causes"
	"fullthrow/runner/input"
	"fullthrow/runner/limits"
	"fullthrow/runner/product"
	"fullthrow/runner/script"
)

// Causes compares the rules for causes, if the product has any, with the
// readings that the plan takes (those of one run of it, or without one those
// whose names stand in it) and with the limits.
func Causes(m *product.Method, played *[]script.Reading) (problems []input.Problem) {
	if m.Causes == nil {
		return nil
	}
	names, open := m.Limits.Names(), map[string]bool{}
	take := func(full string) {
		if !slices.Contains(names, full) {
			names = append(names, full)
		}
	}
	if played != nil {
		for _, r := range *played {
			take(r.Check + "." + r.Name)
		}
	}
	for _, u := range m.Plan.Uses() {
		switch {
		case u.Kind != "reading":
		case u.Check != "" && u.Name != "":
			take(u.Check + "." + u.Name)
		case played == nil:
			open[u.Check] = true
		}
	}
	for _, p := range m.Causes.Check(causes.Known{
		Readings: names,
		Open:     func(check string) bool { return open[check] || open[""] },
		Unit:     m.Limits.Unit,
		Judge: func(name string, v reports.Value, unit string) reports.Reading {
			check, reading, _ := strings.Cut(name, ".")
			return m.Limits.Judge(check, reading, limits.Indication{Value: v, Unit: unit})
		},
	}) {
		problems = append(problems, input.Problem(p))
	}
	return problems
}

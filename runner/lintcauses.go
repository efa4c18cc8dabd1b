package main

import (
	"slices"
	"strings"

	"fullthrow/reports"
	"fullthrow/runner/causes"
	"fullthrow/runner/limits"
	"fullthrow/runner/script"
)

// lintCauses compares the rules for causes, if the product has any, with the
// readings that the plan takes (those of one run of it, or without one those
// whose names stand in it) and with the limits.
func (m *method) lintCauses(played *[]script.Reading) (problems []problem) {
	if m.causes == nil {
		return nil
	}
	names, open := m.limits.Names(), map[string]bool{}
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
	for _, u := range m.plan.Uses() {
		switch {
		case u.Kind != "reading":
		case u.Check != "" && u.Name != "":
			take(u.Check + "." + u.Name)
		case played == nil:
			open[u.Check] = true
		}
	}
	for _, p := range m.causes.Check(causes.Known{
		Readings: names,
		Open:     func(check string) bool { return open[check] || open[""] },
		Unit:     m.limits.Unit,
		Judge: func(name string, v reports.Value, unit string) reports.Reading {
			check, reading, _ := strings.Cut(name, ".")
			return m.limits.Judge(check, reading, limits.Indication{Value: v, Unit: unit})
		},
	}) {
		problems = append(problems, problem(p))
	}
	return problems
}

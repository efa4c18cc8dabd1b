package causes

import (
	"fmt"
	"slices"
	"strings"

	"fullthrow/reports"
)

// alike is how many readings of one pattern are written out; the rest is a
// number.
const alike = 2

// evidence says in words what speaks for a rule that fits, failed readings
// first, and last what speaks against it.
func (x *rule) evidence(s *readings) []string {
	var broken, normal, against []string
	seen := map[string]bool{}
	for _, list := range [][]condition{x.all, x.any, x.for_} {
		for _, k := range list {
			names, ok := k.of(s)
			if !ok {
				continue
			}
			for _, line := range k.words(s, names, seen) {
				if len(names) > 0 && hasFailed(s.by[names[0]]) {
					broken = append(broken, line)
				} else {
					normal = append(normal, line)
				}
			}
		}
	}
	for _, k := range x.against {
		if names, ok := k.of(s); ok {
			for _, line := range k.words(s, names, seen) {
				against = append(against, reports.AgainstIt+line)
			}
		}
	}
	if line := x.taught.words(); strings.HasPrefix(line, reports.AgainstIt) {
		against = append(against, line)
	} else if line != "" {
		normal = append(normal, line)
	}
	return slices.Concat(broken, normal, against)
}

// words writes out a condition that holds; readings already told are left out.
func (k condition) words(s *readings, names []string, seen map[string]bool) []string {
	if k.is == absent {
		return []string{strings.ReplaceAll(k.reading, "*", "…") + " was not measured"}
	}
	names = slices.DeleteFunc(slices.Clone(names), func(n string) bool { return seen[n] })
	var lines []string
	for i, n := range names {
		seen[n] = true
		if i < alike {
			lines = append(lines, k.sentence(n, s.by[n]))
		}
	}
	if more := len(names) - alike; more > 0 {
		lines[len(lines)-1] += fmt.Sprintf(", and %d more like it", more)
	}
	return lines
}

// sentence tells one reading: "centre.left_x_play 5.1 %, allowed -0.8 % to
// 0.8 %", "centre.left_x_noise is normal (0.1 %)".
func (k condition) sentence(name string, r reports.Reading) string {
	value := valueOf(r)
	if hasFailed(r) {
		return name + " " + value + ", allowed " + r.Limit.String(r.Unit)
	}
	if k.is == kept {
		return name + " is normal (" + value + ")"
	}
	switch {
	case k.above != nil && k.below != nil:
		return fmt.Sprintf("%s %s, between %s and %s", name, value, quantity(*k.above, k.unit), quantity(*k.below, k.unit))
	case k.above != nil:
		return name + " " + value + ", above " + quantity(*k.above, k.unit)
	default:
		return name + " " + value + ", below " + quantity(*k.below, k.unit)
	}
}

// quantity is a quantity of the file, as it was written.
func quantity(x float64, unit string) string {
	if unit == "1" {
		unit = ""
	}
	return strings.TrimSpace(strings.Replace(fmt.Sprintf("%g %s", x, unit), " u", " µ", 1))
}

func valueOf(r reports.Reading) string {
	s := r.Value.String()
	if x, ok := r.Value.Number(); ok {
		s = reports.FormatQuantity(x, r.Unit)
	}
	switch r.Bound {
	case "more":
		s = "more than " + s
	case "less":
		s = "less than " + s
	}
	return s
}

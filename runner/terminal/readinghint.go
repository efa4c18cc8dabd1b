package terminal

import (
	"fmt"
	"slices"
	"strings"

	"fullthrow/runner/input"
)

// ReadingHint says which reading was perhaps meant.
func ReadingHint(given string, known []string) string {
	var within, checks []string
	for _, n := range known {
		if strings.Contains(strings.ToLower(n), strings.ToLower(given)) {
			within = append(within, n)
		}
		check, _, _ := strings.Cut(n, ".")
		if !slices.Contains(checks, check) {
			checks = append(checks, check)
		}
	}
	switch n := input.Near(given, known); {
	case len(known) == 0:
		return "there are no readings at all"
	case len(within) > 0 && len(within) <= 8:
		return "did you mean " + strings.Join(within, " or ") + "?"
	case n != "":
		return `did you mean "` + n + `"?`
	case len(within) > 8:
		return fmt.Sprintf("%d readings have that in their name, such as %s", len(within), strings.Join(within[:4],
			", "))
	}
	return "readings are named check.reading; the checks are " + strings.Join(checks, ", ")
}

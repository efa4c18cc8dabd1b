package main

import (
	"fmt"
	"slices"
	"strings"

	"fullthrow/reports/review"
	"fullthrow/reports/yield"
	"fullthrow/runner/input"
)

// readingHint says which reading was perhaps meant.
func readingHint(given string, known []string) string {
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
		return fmt.Sprintf("%d readings have that in their name, such as %s", len(within), strings.Join(within[:4], ", "))
	}
	return "readings are named check.reading; the checks are " + strings.Join(checks, ", ")
}

// pointsWords says what a series is made of: "500 first runs".
func pointsWords(s yield.Series, runs string) string {
	what := map[string]string{review.FirstRuns: "first run", review.JudgedRuns: "judged run", review.GoldenRuns: "run of golden units"}[runs]
	many := strings.Replace(what, "run", "runs", 1)
	switch n := len(s.Points); {
	case s.Total > int64(n):
		return fmt.Sprintf("the newest %d of %d %s", n, s.Total, many)
	case n == 1:
		return "1 " + what
	default:
		return fmt.Sprintf("%d %s", n, many)
	}
}

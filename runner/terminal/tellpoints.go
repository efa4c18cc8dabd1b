package terminal

import (
	"fmt"
	"strings"

	"fullthrow/reports/review"
	"fullthrow/reports/yield"
)

// pointsWords says what a series is made of: "500 first runs".
func pointsWords(s yield.Series, runs string) string {
	what := map[string]string{review.FirstRuns: "first run", review.JudgedRuns: "judged run",
		review.GoldenRuns: "run of golden units"}[runs]
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

package main

import (
	"strings"

	"github.com/agnivade/levenshtein"
)

// near returns the candidate that was probably meant by word, "" when none is
// close: at most one wrong, missing or extra letter in three, case ignored. Of
// equally close ones the first is returned.
func near(word string, candidates []string) string {
	w := strings.ToLower(strings.TrimSpace(word))
	best, least := "", (len(w)+2)/3
	for _, c := range candidates {
		d := levenshtein.ComputeDistance(w, strings.ToLower(c))
		if c != word && d <= least && d < len(c) && (best == "" || d < least) {
			best, least = c, d
		}
	}
	return best
}

// meant is the hint for a near miss: `did you mean "port"?`, or what there is
// when nothing is near and the choice is small, else "".
func meant(word string, candidates []string) string {
	if n := near(word, candidates); n != "" {
		return `did you mean "` + n + `"?`
	}
	if len(candidates) > 0 && len(candidates) <= 12 {
		return "known here: " + strings.Join(candidates, ", ")
	}
	return ""
}

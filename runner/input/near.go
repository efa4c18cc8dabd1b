package input

import (
	"slices"
	"strings"

	"github.com/agnivade/levenshtein"
)

// Near returns the candidate that was probably meant by word, "" when none is
// close, or it is one of them: at most one wrong, missing or extra letter in three, case ignored. Of
// equally close ones the first is returned.
func Near(word string, candidates []string) string {
	if slices.Contains(candidates, word) {
		return ""
	}
	w := strings.ToLower(strings.TrimSpace(word))
	best, least := "", (len(w)+2)/3
	for _, c := range candidates {
		if strings.HasPrefix(w, strings.ToLower(c)+"-") {
			return c
		}
		d := levenshtein.ComputeDistance(w, strings.ToLower(c))
		if d <= least && d < len(c) && (best == "" || d < least) {
			best, least = c, d
		}
	}
	return best
}

// Meant is the hint for a near miss: `did you mean "port"?`, or what there is
// when nothing is near and the choice is small, else "".
func Meant(word string, candidates []string) string {
	if n := Near(word, candidates); n != "" {
		return `did you mean "` + n + `"?`
	}
	if len(candidates) > 0 && len(candidates) <= 12 {
		return "known here: " + strings.Join(candidates, ", ")
	}
	return ""
}

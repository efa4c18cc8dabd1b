package limits

import (
	"strings"

	"github.com/agnivade/levenshtein"
)

// Suggest returns the candidate that word most likely meant: the one with the
// fewest changed letters, at most a third of the word's length (but one change
// is always near enough for words of two letters and more). "" if none is near,
// or word is one of them. Capitals do not count: "Upper" suggests
// "upper". Of equally near candidates the first wins.
func Suggest(word string, candidates []string) string {
	best, bestDistance := "", max(1, len([]rune(word))/3)+1
	if len([]rune(word)) < 2 {
		bestDistance = 1
	}
	for _, c := range candidates {
		if c == word {
			return ""
		}
		if d := levenshtein.ComputeDistance(strings.ToLower(word), strings.ToLower(c)); d < bestDistance {
			best, bestDistance = c, d
		}
	}
	return best
}

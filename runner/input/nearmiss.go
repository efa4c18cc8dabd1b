package input

import (
	"fmt"
	"slices"
	"strings"

	"github.com/agnivade/levenshtein"
)

// Near returns the candidate that was probably meant by word, "" when none is
// close, or it is one of them. Close is: two neighbouring letters in the wrong
// order; a word too many behind a hyphen; the only candidate that ends in the
// word ("limit" for "current_limit"); at most one wrong, missing or extra letter
// in three, case ignored. Of equally close ones the first is returned.
func Near(word string, candidates []string) string {
	if slices.Contains(candidates, word) {
		return ""
	}
	for i := 0; i+1 < len(word); i++ {
		swapped := word[:i] + string(word[i+1]) + string(word[i]) + word[i+2:]
		if slices.Contains(candidates, swapped) {
			return swapped
		}
	}
	longer := slices.DeleteFunc(slices.Clone(candidates), func(c string) bool {
		return !strings.HasSuffix(c, "_"+
			word)
	})
	if len(longer) == 1 {
		return longer[0]
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

// DidYouMean is the hint for a near miss: `did you mean "port"?`, else instead.
func DidYouMean(word string, candidates []string, instead string) string {
	if n := Near(word, candidates); n != "" {
		return fmt.Sprintf("did you mean %q?", n)
	}
	return instead
}

// Meant is the same, or what there is where the choice is small, else "".
func Meant(word string, candidates []string) string {
	known := ""
	if len(candidates) > 0 && len(candidates) <= 12 {
		known = "known here: " + strings.Join(candidates, ", ")
	}
	return DidYouMean(word, candidates, known)
}

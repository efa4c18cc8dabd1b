package causes

import (
	"fmt"

	"fullthrow/runner/input"
)

// meant is the hint for a near miss, else instead.
func meant(word string, among []string, instead string) string {
	if n := input.Near(word, among); n != "" {
		return fmt.Sprintf("did you mean %q?", n)
	}
	return instead
}

package wording

import "fmt"

// Count writes a number of things: "1 nest", "2 nests".
func Count(n int, thing string) string {
	if n == 1 {
		return fmt.Sprintf("%d %s", n, thing)
	}
	return fmt.Sprintf("%d %ss", n, thing)
}

func Prefixed(prefix, s string) string {
	if s == "" {
		return ""
	}
	return prefix + s
}

package wording

import "strings"

// Wrap breaks lines longer than width at blanks, the rest indented a little
// more than the line itself. Style codes have no width. A word longer than a
// line (a path) is left whole.
func Wrap(text string, width int) string {
	var b strings.Builder
	for line := range strings.Lines(text) {
		body := strings.TrimLeft(line, " ")
		indent := strings.Repeat(" ", min(len(line)-len(body)+4, width/2))
		b.WriteString(line[:len(line)-len(body)])
		column := len(line) - len(body)
		for i, word := range strings.SplitAfter(body, " ") {
			n := Columns(strings.TrimRight(word, " \n"))
			if i > 0 && column+n > width && n > 0 {
				b.WriteString("\n" + indent)
				column = len(indent)
			}
			b.WriteString(word)
			column += Columns(strings.TrimRight(word, "\n"))
		}
	}
	return b.String()
}

// Columns is how many columns text takes.
func Columns(text string) int {
	n, code := 0, false
	for _, r := range text {
		switch {
		case r == '\x1b':
			code = true
		case code:
			code = r != 'm'
		default:
			n++
		}
	}
	return n
}

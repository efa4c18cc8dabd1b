package wording

import (
	"fmt"
	"sync"
	"time"
)

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

// English is the translator for what has no reader with a language of his own:
// the terminal.
var English = sync.OnceValue(func() *Translator {
	book, err := NewBook(time.Local)
	if err != nil {
		panic(err) // the language files are built in, and tested
	}
	return book.Translator("en")
})

package metrics

import (
	"strings"
	"sync"
	"unicode"
)

// Most values of a label, so that a plan that makes up names, or a scanner
// that does, cannot fill the memory of whoever fetches the metrics.
const (
	mostNames   = 50  // products, stations, nests
	mostChecks  = 300 // of all products
	mostDevices = 100
	mostKinds   = 40 // words of the record
	longest     = 80 // characters of a value
)

// other stands for the values beyond the most.
const other = "other"

// label knows the values it has had.
type label struct {
	most int

	mu   sync.Mutex
	seen map[string]bool
}

func newLabel(most int) *label { return &label{most: most, seen: map[string]bool{}} }

// value is s as it may stand in a label: valid text without control
// characters, not too long, and one of a bounded number.
func (l *label) value(s string) string {
	s = strings.Map(func(r rune) rune {
		if unicode.IsControl(r) {
			return ' '
		}
		return r
	}, strings.ToValidUTF8(s, "\uFFFD"))
	n := 0
	for i := range s {
		if n == longest {
			s = s[:i]
			break
		}
		n++
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	if !l.seen[s] {
		if len(l.seen) >= l.most {
			return other
		}
		l.seen[strings.Clone(s)] = true
	}
	return s
}

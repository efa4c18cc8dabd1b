package bench

import (
	"errors"
	"math"
	"regexp"
	"strconv"
	"strings"
	"sync"
)

// What a bench file may let a plan take, in bytes: below, no plan of ours runs
// well; above, it is hardly meant.
const (
	minMemory = 16 << 20
	maxMemory = 4 << 30
)

var memorySize = sync.OnceValue(func() *regexp.Regexp { return regexp.MustCompile(`^([0-9]+) ?([KMG]iB)$`) })

// parseMemory reads an amount of memory in bytes: "128 MiB".
func parseMemory(text string) (int64, error) {
	m := memorySize().FindStringSubmatch(text)
	if m == nil {
		return 0, errors.New("not an amount of memory")
	}
	n, err := strconv.ParseInt(m[1], 10, 64)
	unit := int64(1024) << (10 * strings.Index("KMG", m[2][:1]))
	if err != nil || n > math.MaxInt64/unit {
		return 0, errors.New("more than any computer has")
	}
	return n * unit, nil
}

// memory is how much a plan may take, in bytes; [benchFile.check] has made sure
// that it is an amount.
func (p planRule) memory() int64 {
	n, err := parseMemory(p.Memory)
	if err != nil {
		panic("bench file: " + err.Error())
	}
	return n
}

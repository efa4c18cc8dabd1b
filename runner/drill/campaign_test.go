//go:build drill

package drill

import (
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"
)

// A trial is one case of a campaign. Its methods may be called from any goroutine.
type trial struct {
	*testing.T
	// Rand is all the chance that a case has.
	Rand *rand.Rand
	Seed uint64
	// Dir is a folder of the case's own, gone after it.
	Dir string

	all *tally
}

// tally is what came of the cases of a campaign.
type tally struct {
	mu     sync.Mutex
	counts map[string]int
	order  []string
	wrong  int
}

// Count counts one outcome by its name: what the table shows.
func (c *trial) Count(what string) { c.Add(what, 1) }

// Add counts n outcomes of a name; 0 makes its column without counting.
func (c *trial) Add(what string, n int) {
	c.all.mu.Lock()
	defer c.all.mu.Unlock()
	if _, known := c.all.counts[what]; !known {
		c.all.order = append(c.all.order, what)
	}
	c.all.counts[what] += n
}

// Wrong says what must never happen and did. The campaign goes on.
func (c *trial) Wrong(format string, args ...any) {
	c.Helper()
	c.all.mu.Lock()
	c.all.wrong++
	c.all.mu.Unlock()
	c.Errorf("seed %d: %s", c.Seed, fmt.Sprintf(format, args...))
}

// campaign runs cases one after another until the time or the number of cases is
// used up, then prints its row of the table. FULLTHROW_DRILL_TIME is how long
// each campaign takes (10s), FULLTHROW_DRILL_CASES how many cases it has at most,
// FULLTHROW_DRILL_SEED the first seed (1); at least one case is always run.
func campaign(t *testing.T, about string, one func(c *trial)) {
	t.Helper()
	setting := func(name, otherwise string) string {
		if v := os.Getenv("FULLTHROW_DRILL_" + name); v != "" {
			return v
		}
		return otherwise
	}
	limit, err := time.ParseDuration(setting("TIME", "10s"))
	if err != nil {
		t.Fatal(err)
	}
	cases, err := strconv.Atoi(setting("CASES", "1000000000"))
	if err != nil {
		t.Fatal(err)
	}
	first, err := strconv.ParseUint(setting("SEED", "1"), 10, 64)
	if err != nil {
		t.Fatal(err)
	}
	all := &tally{counts: map[string]int{}}
	began, n := time.Now(), 0
	for n == 0 || n < cases && time.Since(began) < limit {
		seed := first + uint64(n)
		dir, err := os.MkdirTemp("", "drill")
		if err != nil {
			t.Fatal(err)
		}
		one(&trial{T: t, Rand: rand.New(rand.NewPCG(seed, 0)), Seed: seed, Dir: dir, all: all})
		os.RemoveAll(dir)
		n++
	}
	var row []string
	for _, k := range all.order {
		row = append(row, fmt.Sprintf("%s %d", k, all.counts[k]))
	}
	// The row stands in README.md's table as it is.
	fmt.Printf("| %s | %d | %s | %d | %.0f s | %d to %d |\n", about, n, strings.Join(row, ", "), all.wrong,
		time.Since(began).Seconds(), first, first+uint64(n)-1)
}

// program is the binary under attack: FULLTHROW_PROGRAM, else built once.
var program = sync.OnceValues(func() (string, error) {
	if p := os.Getenv("FULLTHROW_PROGRAM"); p != "" {
		return p, nil
	}
	dir, err := os.MkdirTemp("", "drill")
	if err != nil {
		return "", err
	}
	p := filepath.Join(dir, "fullthrow")
	build := exec.Command("go", "build", "-o", p, "fullthrow/runner")
	build.Env = append(os.Environ(), "CGO_ENABLED=0")
	if out, err := build.CombinedOutput(); err != nil {
		return "", fmt.Errorf("%w: %s", err, out)
	}
	return p, nil
})

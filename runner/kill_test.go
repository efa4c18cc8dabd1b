package main

import (
	"bytes"
	"math/rand/v2"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"fullthrow/reports"
	"fullthrow/reports/archive"
	"fullthrow/runner/demo/demotest"
)

var shownPassed = regexp.MustCompile(`(?m)^  K8\S+ (?:passed|to K8\S+, (\d+) units, passed)$`)

// kill -9 at any moment leaves records that verify, loses no unit that was
// shown as passed, and makes none that was not: what was under way is sealed
// as aborted, or as the failure it already was, when the records are next
// opened.
func TestKilledAtAnyMoment(t *testing.T) {
	t.Parallel()
	rounds := demotest.Of(8, 2)
	seed := rand.Uint64()
	rng := rand.New(rand.NewPCG(seed, 0))
	t.Logf("moments drawn with seed %d", seed)
	cut, recorded := 0, 0
	for round := range rounds {
		data := t.TempDir()
		records := filepath.Join(data, "records")
		cmd := exec.Command("fullthrow", "demo", "--units", "20000", "--data", data)
		var out bytes.Buffer
		cmd.Stdout = &out
		require.NoError(t, cmd.Start())
		// Some while it comes up, the others in the middle of its work.
		if round%4 != 0 {
			await(t, "a sealed report", func() bool { return sealedIn(data) > 0 })
		}
		time.Sleep(time.Duration(rng.Int64N(int64(400 * time.Millisecond)))) // a moment, no bound
		require.NoError(t, cmd.Process.Kill())
		assert.Error(t, cmd.Wait())

		shown := 0
		for _, m := range shownPassed.FindAllStringSubmatch(out.String(), -1) {
			n, err := strconv.Atoi(m[1])
			if err != nil {
				n = 1
			}
			shown += n
		}
		before, err := archive.Verify(records)
		if err != nil {
			assert.Empty(t, shown, "nothing was recorded: %v", err)
			continue
		}
		recorded += before.Reports
		assert.Empty(t, before.Problems)
		assert.GreaterOrEqual(t, before.Outcomes[reports.Passed], shown, "shown as passed, but not sealed")

		kept, err := archive.Open(records, "LQ-1")
		require.NoError(t, err)
		cut += len(kept.Recovered())
		assert.NoError(t, kept.Close())
		after, err := archive.Verify(records)
		require.NoError(t, err)
		assert.Empty(t, after.Problems)
		assert.Empty(t, after.Pending)
		assert.Equal(t, before.Outcomes[reports.Passed], after.Outcomes[reports.Passed], "a run that was cut short became a pass")
		// A journal may be of a run that is sealed already, or not be begun.
		assert.Equal(t, before.Reports+len(kept.Recovered()), after.Reports)
	}
	t.Logf("%d runs were cut short in %d kills, %d reports were sealed", cut, rounds, recorded)
	assert.NotZero(t, recorded, "no kill came while there were records")
}

// sealedIn is how many reports a demo has sealed in its data folder so far.
func sealedIn(data string) int {
	files, _ := filepath.Glob(filepath.Join(data, "records", "2026", "*", "*", "*.json")) // the pattern is good
	return len(files)
}

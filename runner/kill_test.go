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
)

var shownPassed = regexp.MustCompile(`(?m)^  K8\S+ (?:passed|to K8\S+, (\d+) units, passed)$`)

// kill -9 at any moment leaves records that verify, loses no unit that was
// shown as passed, and makes none that was not: what was under way is sealed
// as aborted, or as the failure it already was, when the records are next
// opened.
func TestKilledAtAnyMoment(t *testing.T) {
	rounds := 8
	if testing.Short() {
		rounds = 2
	}
	seed := rand.Uint64()
	rng := rand.New(rand.NewPCG(seed, 0))
	t.Logf("moments drawn with seed %d", seed)
	cut := 0
	for range rounds {
		data := t.TempDir()
		records := filepath.Join(data, "records")
		cmd := exec.Command("fullthrow", "demo", "--units", "20000", "--data", data)
		var out bytes.Buffer
		cmd.Stdout = &out
		require.NoError(t, cmd.Start())
		time.Sleep(100*time.Millisecond + time.Duration(rng.Int64N(int64(700*time.Millisecond))))
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
		before, err := reports.Verify(records)
		if err != nil {
			assert.Empty(t, shown, "nothing was recorded: %v", err)
			continue
		}
		assert.Empty(t, before.Problems)
		assert.GreaterOrEqual(t, before.Outcomes[reports.Passed], shown, "shown as passed, but not sealed")

		archive, err := reports.OpenArchive(records, "LQ-1")
		require.NoError(t, err)
		cut += len(archive.Recovered())
		assert.NoError(t, archive.Close())
		after, err := reports.Verify(records)
		require.NoError(t, err)
		assert.Empty(t, after.Problems)
		assert.Empty(t, after.Pending)
		assert.Equal(t, before.Outcomes[reports.Passed], after.Outcomes[reports.Passed], "a run that was cut short became a pass")
		// A journal may be of a run that is sealed already, or not be begun.
		assert.Equal(t, before.Reports+len(archive.Recovered()), after.Reports)
	}
	t.Logf("%d runs were cut short in %d kills", cut, rounds)
}

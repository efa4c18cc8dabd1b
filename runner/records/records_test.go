package records

import (
	"io"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"fullthrow/reports"
	"fullthrow/reports/archive"
	"fullthrow/reports/recordtest"
)

// The records of real units take no simulated ones; those of simulated ones do.
func TestSimulatedUnitsStayAmongThemselves(t *testing.T) {
	for _, real := range []bool{false, true} {
		dir := t.TempDir()
		a, err := archive.Open(dir, "LQ-1")
		require.NoError(t, err)
		start := recordtest.Start("r")
		start.Simulated = !real
		j, err := a.Begin(start, recordtest.T0)
		require.NoError(t, err)
		for _, e := range recordtest.Events(reports.Passed) {
			require.NoError(t, j.Append(e))
		}
		_, err = j.Seal()
		require.NoError(t, err)
		require.NoError(t, a.Close())

		p := &Place{Data: dir, Errs: io.Discard}
		again, err := p.OpenArchive(dir, "", "LQ-1", true)
		if real {
			require.ErrorContains(t, err, "are of real units")
			again, err = p.OpenArchive(dir, "", "LQ-1", false)
		}
		require.NoError(t, err)
		assert.NoError(t, again.Close())
	}
}

package main

import (
	"fmt"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"fullthrow/drivers/sim"
	"fullthrow/reports"
	"fullthrow/runner/demo"
	"fullthrow/runner/demo/demotest"
)

// What the repair bench finds moves the ranking of the next unit, says so in
// its evidence, and changes nothing where there are no records.
func TestRepairsTeachTheStation(t *testing.T) {
	t.Parallel()
	n, archive := demotest.Nest(t, 5)
	m, _, _, err := demo.Files(1)
	require.NoError(t, err)
	readings := func(r reports.Report) (list []reports.Reading) {
		for _, c := range r.Checks {
			list = append(list, c.Readings...)
		}
		return list
	}
	h := sim.Good(rand.New(rand.NewPCG(3, 1)))
	h.Gimbals[0].Play = 0.035
	var last reports.Report
	for i := range 3 {
		last = n.Unit(t, i+1, h)
		require.Equal(t, "stick-play", last.Causes[0].Rule)
		_, err := archive.Repair(reports.Repair{ID: fmt.Sprint("repair-", i), Run: last.Run, At: last.Ended.Add(time.Hour), By: "Noor", Found: "soldering", Done: "resoldered"})
		require.NoError(t, err)
	}
	before, after := m.Causes.Rank(readings(last))[0], m.Taught(archive).Rank(readings(last))[0]
	assert.Equal(t, last.Causes[0].Confidence, before.Confidence)
	assert.Contains(t, after.Evidence, reports.Evidence{Relation: reports.Ranked, Count: 3, Against: true})
	assert.LessOrEqual(t, after.Confidence, before.Confidence)
	assert.Same(t, m.Causes, m.Taught(nil))
}

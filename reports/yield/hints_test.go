package yield

import (
	"testing"

	"github.com/stretchr/testify/assert"
)

func TestStudyHints(t *testing.T) {
	var rows []RepairRow
	put := func(n int, suggested, found string, rule bool) {
		for range n {
			rows = append(rows, RepairRow{suggested, found, rule})
		}
	}
	put(14, "play", "play", true)
	put(2, "play", "spring", true)
	put(1, "play", NoFaultFound, false)
	put(3, "spring", "play", true)
	put(1, "spring", "spring", true)
	put(2, "", "soldering", false)
	put(1, "leakage", "soldering", false)
	put(1, "", "dead", true)
	put(5, "play", "", false) // nothing was written down: not a repair
	s := StudyHints(rows, 0)
	assert.EqualValues(t, 25, s.Repairs)
	assert.EqualValues(t, 1, s.NoFaultFound)
	assert.EqualValues(t, 3, s.NoHint)
	assert.Equal(t, NewShare(15, 22, 0.95), s.Right)
	assert.Equal(t, []HintRule{
		{"play", NewShare(14, 17, 0.95), 17, 3},
		{"spring", NewShare(1, 4, 0.95), 3, 2},
		{"leakage", NewShare(0, 1, 0.95), 0, 0},
	}, s.Rules[:3])
	assert.Equal(t, "dead", s.Rules[3].Rule)
	assert.EqualValues(t, 1, s.Rules[3].Missed)
	assert.False(t, s.Rules[3].Right.Known(), "never suggested: nothing is known of its hints")
	assert.Equal(t, []FindingCount{{"soldering", 3}}, s.NoRule)
	assert.Equal(t, []Confusion{{"spring", "play", 3}, {"play", "spring", 2}, {"leakage", "soldering", 1}, {"play", NoFaultFound, 1}}, s.Confused)
	// By hand: 14 of 17 by Wilson's formula, z = 1.96: 0.590 to 0.938.
	assert.InDelta(t, 0.590, s.Rules[0].Right.Low, 0.0005)
	assert.InDelta(t, 0.938, s.Rules[0].Right.High, 0.0005)

	none := StudyHints(nil, 0)
	assert.False(t, none.Right.Known())
	assert.Empty(t, none.Rules)
}

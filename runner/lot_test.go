package main

import (
	"testing"

	"github.com/stretchr/testify/assert"
)

// Newcombe, Statistics in Medicine 17 (1998) 857-872, Table I (from memory for
// the print, re-computed); 4 of 20 is the example of e-Handbook 7.2.4.1 at
// 95 % [re-computed]; the rest [re-computed].
func TestWilson(t *testing.T) {
	for _, c := range []struct {
		k, n      int
		low, high float64
	}{
		{81, 263, 0.2552885199, 0.3662095770},
		{15, 148, 0.0623863995, 0.1604872417},
		{4, 20, 0.0806576626, 0.4160174323},
		{10, 10, 0.7224672001, 1},
		{12, 1000, 0.0068776476, 0.0208572685},
		{0, 0, 0, 1},
	} {
		low, high := wilson(c.k, c.n)
		assert.InDelta(t, c.low, low, 1e-9, "%d of %d", c.k, c.n)
		assert.InDelta(t, c.high, high, 1e-9, "%d of %d", c.k, c.n)
	}
	low, high := wilson(0, 10)
	assert.Zero(t, low)
	assert.InDelta(t, 1-0.7224672001, high, 1e-9)
}

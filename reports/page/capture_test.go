package page

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"

	"fullthrow/reports"
)

func TestApart(t *testing.T) {
	s := func(name string, y ...float64) reports.Series {
		return reports.Series{Name: name, X: []float64{0, 1, 2}[:len(y)], Y: y}
	}
	these := []reports.Series{s("a", 0, 1, 0), s("b", 0, 5, 0)}
	good := []reports.Series{s("a", 0, 1, 0), s("b", 0, 10, 0)}
	assert.Zero(t, apart(these[:1], good))
	assert.InDelta(t, math.Sqrt(25.0/3)/10, apart(these, good), 1e-9) // by hand
	assert.Equal(t, 1.0, apart(these, nil))
	assert.Equal(t, 1.0, apart([]reports.Series{s("a", math.NaN())}, good))
	assert.Equal(t, these[1:], differing(these, good))
	assert.Equal(t, these[:1], differing(these[:1], good), "nothing differs: all are drawn")
}

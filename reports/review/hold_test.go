package review

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"fullthrow/reports/yield"
)

func TestBulkRoom(t *testing.T) {
	upper := 10.0
	s := yield.Series{Upper: &upper}
	for i := range 100 {
		v := float64(i%10) / 10 // 0 to 0.9, median 0.45
		if i >= 97 {
			v = 1000 // three defective units
		}
		s.Points = append(s.Points, yield.Point{Value: v})
	}
	e, nearer := bulk(s, 0.95)
	require.NotNil(t, e)
	assert.Equal(t, "upper", nearer)
	assert.Greater(t, e.Value, 5.0) // three of a hundred do not count
	assert.Less(t, e.Low, e.Value)
	assert.Greater(t, e.High, e.Value)
	for i := range s.Points {
		s.Points[i].Value = 1
	}
	e, _ = bulk(s, 0.95)
	assert.True(t, math.IsInf(e.Value, 1)) // all alike, with room
	s.Points = s.Points[:7]
	e, _ = bulk(s, 0.95)
	assert.Nil(t, e)
}

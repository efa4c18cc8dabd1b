package statistics

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"
)

// People give per cent; a share in its place is refused with what to write.
func TestConfidence(t *testing.T) {
	for percent, want := range map[float64]float64{95: 0.95, 50: 0.5, 99.9: 0.999} {
		got, err := Confidence(percent)
		require.NoError(t, err)
		require.InDelta(t, want, got, 1e-15)
	}
	for percent, want := range map[float64]string{
		0.95: "it is given in per cent: write 95 for 95 %", 0.999: "it is given in per cent: write 99.9 for 99.9 %",
		0: "", 1: "", 49: "", 100: "", -1: "", math.NaN(): "", math.Inf(1): "",
	} {
		_, err := Confidence(percent)
		var e *ConfidenceError
		require.ErrorAs(t, err, &e)
		require.ErrorContains(t, err, "from 50 to under 100")
		require.Equal(t, want, e.Hint(), "%v", percent)
	}
}

package statistics

import (
	"math"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"
)

// e-Handbook 7.2.6.2, wafer resistivities, 90th percentile: 95.1981.
func TestQuantile(t *testing.T) {
	x := []float64{95.1772, 95.1567, 95.1937, 95.1959, 95.1442, 95.0610, 95.1591, 95.1195, 95.1065, 95.0925, 95.1990, 95.1682}
	slices.Sort(x)
	require.InDelta(t, 95.1981, Quantile(x, 0.90), 5e-5, "published")
	require.InDelta(t, 95.19807, Quantile(x, 0.90), 1e-9, "re-computed")
	require.Equal(t, 95.0610, Quantile(x, 0.01), "rank below the first")
	require.Equal(t, 95.1990, Quantile(x, 0.99), "rank above the last")
	require.True(t, math.IsNaN(Quantile(nil, 0.5)))
	require.Equal(t, 3.0, Median([]float64{5, 3, 1}))
	require.Equal(t, 2.0, Median([]float64{1, 3}))
}

package measure

import (
	"math"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"fullthrow/drivers"
)

func near(t *testing.T, what string, got, want, relative float64) {
	t.Helper()
	if !(math.Abs(got-want) <= relative*math.Abs(want)) {
		t.Errorf("%s: got %.15g, want %.15g", what, got, want)
	}
}

// within is near with an absolute tolerance.
func within(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s: got %v, want %v ± %v", what, got, want, tolerance)
	}
}

func samples(rate float64, unit string, x []float64) drivers.Samples {
	return drivers.Samples{Start: time.Date(2026, 11, 25, 8, 0, 0, 0, time.UTC), Rate: rate, Unit: unit, Values: x, Channels: 1}
}

// NIST StRD certified mean, standard deviation and lag-1 autocorrelation; the
// tolerances are what float64 inputs allow.
func TestCertifiedStatistics(t *testing.T) {
	tests := []struct {
		name                string
		x                   []float64
		mean, sd, r1        float64
		tolMean, tolSD, tol float64
	}{
		{"Lew", lew, -177.435, 277.332168044316, -0.307304800605679, 1e-13, 1e-13, 1e-13},
		{"Mavro", mavro, 2.001856, 0.000429123454003053, 0.937989183438248, 1e-12, 1e-12, 1e-12},
		{"Michelso", michelso, 299.8524, 0.0790105478190518, 0.535199668621283, 1e-12, 1e-12, 1e-12},
		{"NumAcc1", []float64{10000001, 10000003, 10000002}, 10000002, 1, -0.5, 1e-14, 1e-14, 1e-14},
		{"NumAcc2", numAcc(1.2, 1.1, 1.3), 1.2, 0.1, -0.999, 1e-13, 1e-13, 1e-13},
		{"NumAcc3", numAcc(1000000.2, 1000000.1, 1000000.3), 1000000.2, 0.1, -0.999, 1e-14, 1e-9, 1e-11},
		{"NumAcc4", numAcc(10000000.2, 10000000.1, 10000000.3), 10000000.2, 0.1, -0.999, 1e-14, 1e-8, 1e-10},
	}
	for _, tt := range tests {
		mean, sd := meanSD(tt.x)
		near(t, tt.name+" mean", mean, tt.mean, tt.tolMean)
		near(t, tt.name+" sd", sd, tt.sd, tt.tolSD)
		near(t, tt.name+" r1", lag1(tt.x), tt.r1, tt.tol)
		r, err := Steady(samples(100, "A", tt.x))
		require.NoError(t, err)
		near(t, tt.name+" Steady mean", r.Mean, tt.mean, tt.tolMean)
		near(t, tt.name+" Steady sd", r.SD, tt.sd, tt.tolSD)
	}
}

// e-Handbook 7.2.6.2, wafer resistivities, 90th percentile: 95.1981.
func TestPercentile(t *testing.T) {
	x := []float64{95.1772, 95.1567, 95.1937, 95.1959, 95.1442, 95.0610, 95.1591, 95.1195, 95.1065, 95.0925, 95.1990, 95.1682}
	slices.Sort(x)
	within(t, "published", percentile(x, 0.90), 95.1981, 5e-5)
	within(t, "re-computed", percentile(x, 0.90), 95.19807, 1e-9)
	require.Equal(t, 95.0610, percentile(x, 0.01), "rank below the first")
	require.Equal(t, 95.1990, percentile(x, 0.99), "rank above the last")
	require.True(t, math.IsNaN(percentile(nil, 0.5)))
	require.Equal(t, 3.0, median([]float64{5, 3, 1}))
	require.Equal(t, 2.0, median([]float64{1, 3}))
}

// Newcombe 1998, Table I (print from memory, digits re-computed), and
// e-Handbook 7.2.4.1 (4 of 20, 90 %).
func TestClopperPearson(t *testing.T) {
	tests := []struct {
		x, n         int
		confidence   float64
		lower, upper float64
	}{
		{81, 263, 0.95, 0.2527367456, 0.3676219226},
		{15, 148, 0.95, 0.0578440101, 0.1616504903},
		{4, 20, 0.95, 0.0573339971, 0.4366140030},
		{4, 20, 0.90, 0.0713538843, 0.4010281173},
		{12, 1000, 0.95, 0.0062155256, 0.0208676796},
		{10, 10, 0.95, 0.6915028922, 1},
		{0, 1000, 0.90, 0, 0.00299124955}, // 1 - 0.05^(1/1000), one-sided 95 %
		{0, 0, 0.95, 0, 1}, {5, 3, 0.95, 0, 1}, {-1, 3, 0.95, 0, 1}, {1, 3, 1, 0, 1},
	}
	for _, tt := range tests {
		lower, upper := ClopperPearson(tt.x, tt.n, tt.confidence)
		within(t, "lower", lower, tt.lower, 1e-9)
		within(t, "upper", upper, tt.upper, 1e-9)
	}
	_, upper := ClopperPearson(4, 20, 0.90)
	within(t, "e-Handbook print", upper, 0.401029, 2e-6)
}

func TestRestart(t *testing.T) {
	tests := []struct {
		name   string
		trials []StartTrial
		want   RestartResult
	}{
		{"between", []StartTrial{{2, false}, {3, true}, {2.4, true}}, RestartResult{2.4, "", 2, 3}},
		{"none", []StartTrial{{2, false}, {3.2, false}}, RestartResult{3.2, "more", 3.2, 2}},
		{"all", []StartTrial{{3, true}, {1.6, true}}, RestartResult{1.6, "less", 0, 2}},
		{"contradiction", []StartTrial{{1, true}, {2, false}, {3, true}}, RestartResult{3, "", 2, 3}},
		{"contradiction, longest failed", []StartTrial{{1, true}, {2, false}}, RestartResult{2, "more", 2, 2}},
		{"same time, both", []StartTrial{{2, true}, {2, false}}, RestartResult{2, "more", 2, 2}},
		{"failed at nothing", []StartTrial{{0, false}, {1, true}}, RestartResult{1, "", 0, 2}},
	}
	for _, tt := range tests {
		got, err := Restart(tt.trials)
		require.NoError(t, err)
		require.Equal(t, tt.want, got, tt.name)
	}
	for _, bad := range [][]StartTrial{nil, {{-1, true}}, {{math.NaN(), true}}} {
		_, err := Restart(bad)
		require.ErrorContains(t, err, "measure: restart: ")
	}
}

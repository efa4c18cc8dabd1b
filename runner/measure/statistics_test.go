package measure

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"fullthrow/drivers"
	"fullthrow/reports/statistics"
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
		near(t, tt.name+" r1", statistics.LagOne(tt.x), tt.r1, tt.tol)
		r, err := Steady(samples(100, "A", tt.x))
		require.NoError(t, err)
		near(t, tt.name+" Steady mean", r.Mean, tt.mean, tt.tolMean)
		near(t, tt.name+" Steady sd", r.SD, tt.sd, tt.tolSD)
	}
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

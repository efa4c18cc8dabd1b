package measure

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"

	"fullthrow/reports/statistics"
)

func TestCompare(t *testing.T) {
	tests := []struct {
		name                         string
		lost, sent, golden, goldSent int
		margin                       float64
		worse, notWorse              bool
	}{
		{"much worse", 120, 1000, 10, 1000, 2, true, false},
		{"as good", 10, 3000, 9, 3000, 1, false, true},
		{"too few to tell", 1, 50, 0, 50, 1, false, false},
		{"worse, but not by much", 60, 10000, 30, 10000, 1, true, true},
	}
	for _, tt := range tests {
		r, err := Compare(tt.lost, tt.sent, tt.golden, tt.goldSent, CompareOptions{Margin: tt.margin})
		require.NoError(t, err)
		require.Equal(t, []bool{tt.worse, tt.notWorse}, []bool{r.Worse, r.NotWorse}, "%s: %+v", tt.name, r)
	}
	for _, bad := range [][4]int{{0, 0, 0, 1}, {2, 1, 0, 1}, {0, 1, 2, 1}, {0, 1, 0, 0}} {
		_, err := Compare(bad[0], bad[1], bad[2], bad[3], CompareOptions{})
		require.ErrorContains(t, err, "measure: compare: ")
	}
	// Bursts of four on average: the difference is no longer beyond doubt.
	plain, err := Compare(60, 1000, 40, 1000, CompareOptions{})
	require.NoError(t, err)
	bursts, err := Compare(60, 1000, 40, 1000, CompareOptions{Inflation: 4})
	require.NoError(t, err)
	require.True(t, plain.Worse && !bursts.Worse)
	near(t, "twice as wide", bursts.Interval.High-bursts.Interval.Low, 2*(plain.Interval.High-plain.Interval.Low), 0.06)
	_, err = Compare(0, 1, 0, 1, CompareOptions{Inflation: 0.5})
	require.ErrorContains(t, err, "inflation")
	_, err = Compare(0, 1, 0, 1, CompareOptions{Margin: -1})
	require.ErrorContains(t, err, "margin")
}

// Textbook numbers of trials without failure (299, 59, 22, 45), the others
// re-computed.
func TestSuccessRun(t *testing.T) {
	for in, want := range map[[2]float64]int{
		{0.99, 0.95}: 299, {0.95, 0.95}: 59, {0.90, 0.90}: 22, {0.95, 0.90}: 45, {0.90, 0.95}: 29, {0.99, 0.90}: 230, {0.99, 0.99}: 459, {0.80, 0.90}: 11,
		{0.5, 0.5}: 1, {0.1, 0.5}: 1,
	} {
		got, err := SuccessRun(in[0], 100*in[1])
		require.NoError(t, err)
		require.Equal(t, want, got, in)
		// The same by Clopper-Pearson: that many successes put the one-sided
		// lower bound at the reliability or above, one fewer does not.
		lower, _ := statistics.ClopperPearson(float64(got), float64(got), 1-2*(1-in[1]))
		if in[1] > 0.5 && lower < in[0]-1e-12 {
			t.Errorf("%v: %d successes show only %v", in, got, lower)
		}
	}
	for _, bad := range [][2]float64{{0, 50}, {1, 50}, {0.5, 0}, {0.5, 100}, {0.5, 10}, {math.NaN(), 50}, {1 - 1e-12, 90}} {
		_, err := SuccessRun(bad[0], bad[1])
		require.ErrorContains(t, err, "measure: success run: ")
	}
	_, err := SuccessRun(0.9, 0.9)
	require.ErrorAs(t, err, new(*statistics.ConfidenceError))
}

// Plans and the command line give per cent, as every other command does.
func TestConfidenceIsInPerCent(t *testing.T) {
	r, err := Proportion(4, 20, ProportionOptions{Confidence: 90})
	require.NoError(t, err)
	within(t, "exact", r.Exact.High, 40.10281173, 1e-7)
	require.Equal(t, 90.0, r.Confidence)
	_, err = Proportion(4, 20, ProportionOptions{Confidence: 0.9})
	require.EqualError(t, err, "measure: proportion: confidence is 0.9 %, it must lie from 50 to under 100")
	var hint interface{ Hint() string }
	require.ErrorAs(t, err, &hint)
	require.Equal(t, "it is given in per cent: write 90 for 90 %", hint.Hint())
}

func TestProportion(t *testing.T) {
	r, err := Proportion(12, 1000, ProportionOptions{})
	require.NoError(t, err)
	require.Equal(t, 1.2, r.Share)
	within(t, "exact", r.Exact.High, 2.08676796, 1e-7)
	within(t, "Wilson", r.Wilson.Low, 0.68776476, 1e-7)
	for _, bad := range [][2]int{{0, 0}, {-1, 5}, {6, 5}} {
		_, err := Proportion(bad[0], bad[1], ProportionOptions{})
		require.ErrorContains(t, err, "measure: proportion: ")
	}
}

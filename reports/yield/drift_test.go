package yield

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"fullthrow/reports/statistics"
)

var firstDay = time.Date(2026, 1, 5, 6, 0, 0, 0, time.UTC)

// golden is one run a day, 0 to 1 the limits.
func golden(values ...float64) Series {
	lower, upper := 0.0, 1.0
	s := Series{Name: "standby.current", Unit: "A", Lower: &lower, Upper: &upper, Total: int64(len(values))}
	for i, v := range values {
		s.Points = append(s.Points, Point{Run: time.Duration(i).String(), Time: firstDay.AddDate(0, 0, i), Value: v})
	}
	return s
}

func days(n int, f func(day float64) float64) []float64 {
	x := make([]float64, n)
	for i := range x {
		x[i] = f(float64(i))
	}
	return x
}

func TestDriftFound(t *testing.T) {
	r := rand.New(rand.NewPCG(7, 7))
	// 0.5 now, 0.005 a day: 40 days on, 0.3 from the upper limit in 60 days.
	d := FindDrift(golden(days(41, func(day float64) float64 { return 0.5 + 0.005*day + 0.01*r.NormFloat64() })...), DriftOptions{})
	require.Equal(t, DriftSlope, d.Kind)
	require.InDelta(t, 0.005, d.Slope.Value, 0.0005)
	require.Less(t, d.Slope.Low, 0.005)
	require.Greater(t, d.Slope.High, 0.005)
	require.InDelta(t, 30*d.Slope.Value, d.PerMonth.Value, 1e-12)
	require.Equal(t, "upper", d.Reach.Limit)
	require.InDelta(t, 60, d.Reach.Days.Value, 6)
	require.Less(t, d.Reach.Days.Low, 60.0)
	require.Greater(t, d.Reach.Days.High, 60.0)
	require.True(t, d.Matters)
	require.Equal(t, 5, d.ReferenceRuns)
	require.InDelta(t, 0.18, d.Shift.Value, 0.02)
	require.Regexp(t, `^standby\.current of the golden unit drifts up by 0\.1\d+ A in 30 days \(0\.1\d+ A to 0\.1\d+ A\), 1\d % of the limits' width; at this rate it reaches the upper limit in about \d weeks, between \d and 1?\d\. This matters: check the fixture and its calibration\.$`, d.Text)
	require.Contains(t, d.Cautions[0], "farther ahead than the record looks back")
	// The interval by which it reaches the limit is where the band meets it.
	k := statistics.StudentFactor(float64(d.Line.Freedom), 0.95)
	if d.Effective < float64(d.N) {
		se, df := widened(1, d.Line.Freedom, d.N, d.Effective)
		k = se * statistics.StudentFactor(df, 0.95)
	}
	for sign, at := range map[float64]float64{1: d.Reach.Days.Low, -1: d.Reach.Days.High} {
		x := at + d.Days
		band := k * d.Line.ResidualSD * math.Sqrt(1/float64(d.N)+(x-d.Line.MeanX)*(x-d.Line.MeanX)/d.Line.SXX)
		require.InDelta(t, 1, d.Line.At(x)+sign*band, 1e-9)
	}

	// A tenth of the limits' width in 30 days matters, however far the limit is.
	d = FindDrift(golden(days(15, func(day float64) float64 { return 0.1 + 0.004*day + 0.002*r.NormFloat64() })...), DriftOptions{})
	require.Less(t, d.ShiftShare.Value, 0.1)
	require.Greater(t, d.Reach.Days.Value, 90.0)
	require.True(t, d.Matters)
	require.False(t, FindDrift(golden(days(15, func(day float64) float64 { return 0.1 + 0.002*day + 0.002*r.NormFloat64() })...), DriftOptions{}).Matters)

	// Downwards, without a lower limit.
	s := golden(days(30, func(day float64) float64 { return 0.5 - 0.005*day + 0.01*r.NormFloat64() })...)
	s.Lower = nil
	d = FindDrift(s, DriftOptions{})
	require.Equal(t, DriftSlope, d.Kind)
	require.Nil(t, d.Reach)
	require.Contains(t, d.Text, "drifts down by 0.1")
	require.Contains(t, d.Text, "There are not two limits to measure it by.")
}

func TestStepFound(t *testing.T) {
	r := rand.New(rand.NewPCG(7, 8))
	values := days(30, func(day float64) float64 {
		if day >= 12 {
			return 0.35 + 0.01*r.NormFloat64()
		}
		return 0.5 + 0.01*r.NormFloat64()
	})
	d := FindDrift(golden(values...), DriftOptions{})
	require.Equal(t, DriftStep, d.Kind)
	require.Equal(t, firstDay.AddDate(0, 0, 12), d.Step.Time)
	require.InDelta(t, -0.15, d.Step.Size.Value, 0.01)
	require.True(t, d.Matters)
	require.Nil(t, d.Reach)
	require.Regexp(t, `^standby\.current of the golden unit jumped down by 0\.1\d+ A \(0\.1\d+ A to 0\.1\d+ A\) by 2026-01-17, 1\d % of the limits' width: look what was changed then\. This matters`, d.Text)
}

// White noise is seldom called a drift or a step, and what is like its
// neighbours not much more often; slopes hold the truth.
func TestDriftFalseAlarms(t *testing.T) {
	r := rand.New(rand.NewPCG(9, 9))
	const rounds = 400
	var white, red, held int
	for range rounds {
		d := FindDrift(golden(normals(r, 25, 0.5, 0.01)...), DriftOptions{})
		if d.Kind != DriftNone {
			white++
		}
		if d.Slope.Low <= 0 && 0 <= d.Slope.High {
			held++
		}
		last := 0.0
		like := days(60, func(float64) float64 { last = 0.5*last + r.NormFloat64(); return 0.5 + 0.01*last })
		if FindDrift(golden(like...), DriftOptions{}).Kind != DriftNone {
			red++
		}
	}
	// Two questions (slope, step) at 5 % each.
	require.LessOrEqual(t, float64(white)/rounds, 0.09)
	require.LessOrEqual(t, float64(red)/rounds, 0.2)
	require.GreaterOrEqual(t, float64(held)/rounds, 0.94)
	require.LessOrEqual(t, float64(held)/rounds, 0.99)
}

func TestSteady(t *testing.T) {
	r := rand.New(rand.NewPCG(9, 10))
	d := FindDrift(golden(normals(r, 40, 0.5, 0.01)...), DriftOptions{})
	require.Equal(t, DriftNone, d.Kind)
	require.False(t, d.Matters)
	require.Regexp(t, `^standby\.current of the golden unit is steady over 40 runs in 39 days; a drift of more than 0\.0\d+ A in 30 days would have shown\.$`, d.Text)
	// Steady, but not where it should be.
	off := 0.3
	d = FindDrift(golden(normals(r, 40, 0.5, 0.01)...), DriftOptions{Reference: &off})
	require.Zero(t, d.ReferenceRuns)
	require.InDelta(t, 0.2, d.Shift.Value, 0.02)
	require.True(t, d.Matters)
	require.Contains(t, d.Text, "but the last 5 read 0.")
	// Neighbours that are alike are pointed out.
	last := 0.0
	d = FindDrift(golden(days(60, func(float64) float64 { last = 0.8*last + r.NormFloat64(); return 0.5 + 0.01*last })...), DriftOptions{})
	require.Greater(t, d.LagOne, 0.3)
	require.Less(t, d.Effective, 35.0)
	require.Condition(t, func() bool {
		for _, c := range d.Cautions {
			if len(c) > 30 && c[:30] == "Neighbouring runs are alike (a" {
				return true
			}
		}
		return false
	}, d.Cautions)
}

func TestDriftEdges(t *testing.T) {
	nan := math.NaN()
	for want, s := range map[string]Series{
		"standby.current: the golden unit has not been measured.":                                           golden(),
		"standby.current: 1 run of the golden unit: too few to see a drift.":                                golden(0.5),
		"standby.current: 2 runs of the golden unit: too few to see a drift; it reads 0.6 A against 0.5 A.": golden(0.5, 0.6, nan, math.Inf(1)),
		"standby.current of the golden unit is steady over 8 runs in 7 days.":                               golden(0.5, 0.5, 0.5, 0.5, 0.5, 0.5, 0.5, 0.5),
		"standby.current: all 4 runs of the golden unit were at one time: no drift can be seen.":            {Name: "standby.current", Points: []Point{{Value: 1}, {Value: 2}, {Value: 3}, {Value: 4}}},
	} {
		d := FindDrift(s, DriftOptions{})
		require.Equal(t, want, d.Text)
		_, err := json.Marshal(d)
		require.NoError(t, err)
	}
	// On a line exactly; on two levels exactly; beyond the limit already; out of
	// order.
	exact := golden(days(10, func(day float64) float64 { return 0.5 + day/32 })...)
	d := FindDrift(exact, DriftOptions{})
	require.Equal(t, DriftSlope, d.Kind)
	require.InDelta(t, 7, d.Reach.Days.Value, 1e-9)
	exact.Points[0], exact.Points[7] = exact.Points[7], exact.Points[0]
	require.Equal(t, d.Text, FindDrift(exact, DriftOptions{}).Text)
	d = FindDrift(golden(0.5, 0.5, 0.5, 0.5, 0.75, 0.75, 0.75, 0.75), DriftOptions{})
	require.Equal(t, DriftStep, d.Kind)
	require.Equal(t, 0.25, d.Step.Size.Value)
	d = FindDrift(golden(days(20, func(day float64) float64 { return 0.5 + day/16 })...), DriftOptions{})
	require.Zero(t, d.Reach.Days.Value)
	require.Contains(t, d.Text, "it is at the upper limit now")
}

func TestSayHorizon(t *testing.T) {
	for want, e := range map[string]Estimate{
		"about 7 weeks, between 5 and 11": {Value: 50, Low: 36, High: 75},
		"about 3 days, between 2 and 6":   {Value: 3, Low: 2, High: 5.5},
		"about 5 months, between 3 and 9": {Value: 150, Low: 100, High: 260},
		"about 3 years, not before 1":     {Value: 1000, Low: 700, High: 1e9},
		"a day or less, between 0 and 1":  {Value: 0.2, Low: 0, High: 1},
		"about 1 day":                     {Value: 1, Low: math.NaN(), High: math.NaN()},
	} {
		require.Equal(t, want, sayHorizon(e))
	}
}

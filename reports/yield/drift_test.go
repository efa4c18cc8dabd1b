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
	require.InDelta(t, 0.15, 30*d.Slope.Value, 0.05)
	require.Equal(t, remark(FarAhead), d.Cautions[0])
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
	require.Less(t, d.Slope.High, 0.0)
	require.False(t, d.ShiftShare.Known())
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
	require.Equal(t, "2026-01-17", d.Step.Time.Format("2006-01-02"))
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
	require.False(t, d.Shifted())
	// Steady, but not where it should be.
	off := 0.3
	d = FindDrift(golden(normals(r, 40, 0.5, 0.01)...), DriftOptions{Reference: &off})
	require.Zero(t, d.ReferenceRuns)
	require.InDelta(t, 0.2, d.Shift.Value, 0.02)
	require.True(t, d.Matters)
	require.True(t, d.Shifted())
	require.Equal(t, 5, d.NowRuns)
	// Neighbours that are alike are pointed out.
	last := 0.0
	d = FindDrift(golden(days(60, func(float64) float64 { last = 0.8*last + r.NormFloat64(); return 0.5 + 0.01*last })...), DriftOptions{})
	require.Greater(t, d.LagOne, 0.3)
	require.Less(t, d.Effective, 35.0)
	require.Contains(t, d.Cautions, remark(RunsAlike, d.LagOne, 60, math.Round(d.Effective)))
}

func TestDriftEdges(t *testing.T) {
	nan := math.NaN()
	for _, tt := range []struct {
		s    Series
		kind DriftKind
		n    int
	}{
		{golden(), DriftFew, 0},
		{golden(0.5), DriftFew, 1},
		{golden(0.5, 0.6, nan, math.Inf(1)), DriftFew, 2},
		{golden(0.5, 0.5, 0.5, 0.5, 0.5, 0.5, 0.5, 0.5), DriftNone, 8},
		{Series{Name: "standby.current", Points: []Point{{Value: 1}, {Value: 2}, {Value: 3}, {Value: 4}}}, DriftFew, 4},
	} {
		d := FindDrift(tt.s, DriftOptions{})
		require.Equal(t, tt.kind, d.Kind)
		require.Equal(t, []int{tt.n, len(tt.s.Points) - tt.n}, []int{d.N, d.Dropped})
		if d.Dropped > 0 {
			require.Contains(t, d.Cautions, remark(Dropped, 2))
			require.Equal(t, []float64{0.6, 0.5}, []float64{d.Now, d.Reference})
		}
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
	require.Equal(t, d, FindDrift(exact, DriftOptions{}))
	d = FindDrift(golden(0.5, 0.5, 0.5, 0.5, 0.75, 0.75, 0.75, 0.75), DriftOptions{})
	require.Equal(t, DriftStep, d.Kind)
	require.Equal(t, 0.25, d.Step.Size.Value)
	d = FindDrift(golden(days(20, func(day float64) float64 { return 0.5 + day/16 })...), DriftOptions{})
	require.Zero(t, d.Reach.Days.Value)
	require.Equal(t, "upper", d.Reach.Limit)
}

// A run whose clock stood wrong drifts no further than where its station's order
// puts it.
func TestDriftGoesByTimesThatAreBelieved(t *testing.T) {
	values := days(20, func(day float64) float64 { return 0.5 + 0.005*day })
	right, wrong := golden(values...), golden(values...)
	for _, i := range []int{0, 7, 19} {
		p := &wrong.Points[i]
		p.At, p.Time = p.Time, time.Date(1970, 1, 1+i, 0, 0, 0, 0, time.UTC)
	}
	require.Equal(t, FindDrift(right, DriftOptions{}), FindDrift(wrong, DriftOptions{}))
}

package measure

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"fullthrow/reports/statistics"
)

// edge of a simulated link: share lost at an attenuation.
func lossAt(dB, half, slope, floor float64) float64 {
	return max(floor, 1/(1+math.Exp((half-dB)/slope)))
}

func played(rng *rand.Rand, from, to, step float64, packets int, lossy func(dB float64) float64) []SweepPoint {
	var points []SweepPoint
	for dB := from; dB <= to+1e-9; dB += step {
		p := SweepPoint{Attenuation: dB, Sent: packets}
		for range packets {
			if rng.Float64() < lossy(dB) {
				p.Lost++
			}
		}
		points = append(points, p)
	}
	return points
}

// Bliss's beetles (1935), dead of exposed at log10 dose; the data and the
// logistic fit -60.72 + 34.27 dose are textbook (from memory, the fit
// re-computed to -60.7175, 34.2703). The curve as wanted here: dose of half.
func TestResponseOfTheBeetles(t *testing.T) {
	r := response{
		x:      []float64{1.6907, 1.7242, 1.7552, 1.7842, 1.8113, 1.8369, 1.8610, 1.8839},
		trials: []float64{59, 60, 62, 56, 63, 59, 62, 60},
		events: []float64{6, 13, 18, 28, 52, 53, 61, 60},
		target: 0.5,
	}
	f := r.fit(0.95)
	within(t, "slope", f.slope, 34.2703257, 2e-3)
	within(t, "dose of half", f.at, 1.771720964447, 1e-7)
	within(t, "dispersion", f.dispersion, 10.03/6, 0.01) // Pearson's chi-square 10.03 on 6, re-computed
	// Delta method at the fit: standard error .00386 times the root of the
	// dispersion; the profile may differ in the fourth digit.
	half := 1.96 * 0.00386 * math.Sqrt(f.dispersion)
	within(t, "from", f.interval.Low, f.at-half, 5e-4)
	within(t, "to", f.interval.High, f.at+half, 5e-4)
}

// The interval holds the true 1 % point as often as it says, over links whose
// edge lies anywhere and that also lose a little everywhere.
func TestSweepFindsOnePercent(t *testing.T) {
	for _, curve := range []string{"logistic", "probit"} {
		held, runs := 0, 60
		if curve == "probit" {
			runs = 10 // the wrong curve for this link: near, but the interval too narrow
		}
		var widths, errors []float64
		for i := range runs {
			rng := rand.New(rand.NewPCG(uint64(i), 8))
			half, slope := 70+3*rng.Float64(), 0.6+0.4*rng.Float64()
			truth := half - slope*math.Log(99)
			points := played(rng, 58, 76, 1, 400, func(dB float64) float64 { return lossAt(dB, half, slope, 0.0015) })
			rng.Shuffle(len(points), func(i, j int) { points[i], points[j] = points[j], points[i] })
			r, err := Sweep(points, SweepOptions{Shape: curve})
			require.NoError(t, err)
			require.Empty(t, r.Bound)
			if r.Interval.Low <= truth && truth <= r.Interval.High {
				held++
			}
			errors = append(errors, math.Abs(r.Attenuation-truth))
			widths = append(widths, r.Uncertainty)
		}
		t.Logf("%s: held %d of %d, median error %.2f dB, median uncertainty %.2f dB", curve, held, runs, statistics.Median(errors), statistics.Median(widths))
		if curve == "logistic" && held < 52 {
			t.Errorf("held the truth in %d of %d runs", held, runs)
		}
		if m := statistics.Median(errors); m > 0.5 {
			t.Errorf("%s: median error %.2f dB", curve, m)
		}
	}
}

func TestSweepAtItsEnds(t *testing.T) {
	nothing := []SweepPoint{{30, 0, 1000}, {40, 0, 1000}, {50, 0, 1000}}
	r, err := Sweep(nothing, SweepOptions{})
	require.NoError(t, err)
	require.Equal(t, "more", r.Bound)
	require.Equal(t, 50.0, r.Attenuation)

	everywhere := []SweepPoint{{30, 120, 1000}, {40, 118, 1000}, {50, 500, 1000}}
	r, err = Sweep(everywhere, SweepOptions{})
	require.NoError(t, err)
	require.Equal(t, "less", r.Bound)
	require.Equal(t, 30.0, r.Attenuation)

	// The whole edge between two points: found between them.
	step := []SweepPoint{{60, 0, 500}, {64, 0, 500}, {68, 500, 500}, {72, 500, 500}}
	r, err = Sweep(step, SweepOptions{})
	require.NoError(t, err)
	require.Empty(t, r.Bound)
	if !(r.Attenuation >= 63 && r.Attenuation <= 68 && r.Interval.Low > 60 && r.Interval.Low <= 64.5 && r.Interval.High > 67 && r.Interval.High < 69) {
		t.Errorf("step between 64 and 68 dB found as %+v", r)
	}

	// Too few packets to say 1 %: no bound may be claimed.
	few := []SweepPoint{{30, 0, 20}, {40, 0, 20}, {50, 0, 20}}
	r, err = Sweep(few, SweepOptions{})
	require.NoError(t, err)
	require.Empty(t, r.Bound)
	require.True(t, math.IsInf(r.Interval.High, 1), "%+v", r)
	require.True(t, math.IsNaN(r.Uncertainty))
}

// Losses that come in tens make the points scatter, and that widens the
// interval.
func TestSweepSeesBursts(t *testing.T) {
	at := func(size int) SweepResult {
		rng := rand.New(rand.NewPCG(4, 8))
		points := played(rng, 60, 76, 1, 400/size, func(dB float64) float64 { return lossAt(dB, 71, 1.5, 0) })
		for i := range points {
			points[i].Lost, points[i].Sent = points[i].Lost*size, points[i].Sent*size
		}
		r, err := Sweep(points, SweepOptions{})
		require.NoError(t, err)
		return r
	}
	single, tens := at(1), at(10)
	require.Less(t, single.Dispersion, 2.0)
	require.Greater(t, tens.Dispersion, 4.0)
	require.Greater(t, tens.Uncertainty, 1.5*single.Uncertainty)
}

func TestSweepRefuses(t *testing.T) {
	ok := []SweepPoint{{1, 0, 10}, {2, 0, 10}, {3, 5, 10}}
	for _, p := range [][]SweepPoint{nil, ok[:2], {{1, 0, 10}, {1, 0, 10}, {2, 0, 10}}, {{1, 0, 0}, {2, 0, 1}, {3, 0, 1}}, {{1, 2, 1}, {2, 0, 1}, {3, 0, 1}}, {{math.NaN(), 0, 1}, {2, 0, 1}, {3, 0, 1}}} {
		_, err := Sweep(p, SweepOptions{})
		require.ErrorContains(t, err, "measure: sweep: ")
	}
	for _, o := range []SweepOptions{{ErrorRate: -1}, {ErrorRate: 60}, {Shape: "straight"}, {Confidence: 2}} {
		_, err := Sweep(ok, o)
		require.ErrorContains(t, err, "measure: sweep: ")
	}
}

package measure

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"
)

func TestSteadySpecialInputs(t *testing.T) {
	for _, x := range [][]float64{nil, {1}, {1, math.NaN()}, {1, math.Inf(1)}} {
		_, err := Steady(samples(100, "A", x))
		require.ErrorContains(t, err, "measure: steady: ")
	}
	two := samples(100, "A", []float64{1, 2})
	two.Channels = 2
	_, err := Steady(two)
	require.EqualError(t, err, "measure: steady: capture has 2 channels, 1 needed")
	_, err = Steady(samples(0, "A", []float64{1, 2}))
	require.ErrorContains(t, err, "rate")

	r, err := Steady(samples(100, "A", []float64{0.1, 0.1, 0.1}))
	require.NoError(t, err)
	require.Equal(t, SteadyResult{Mean: 0.1, Min: 0.1, Max: 0.1, Settled: true}, r)
}

// The stated uncertainty must hold what it says: about 95 % of the means lie
// within it, for white and for correlated noise, with fixed seeds.
func TestSteadyUncertaintyHolds(t *testing.T) {
	for _, rho := range []float64{0, 0.5, 0.9} {
		rng := rand.New(rand.NewPCG(1, uint64(100*rho)))
		inside, settled, trials := 0, 0, 400
		for range trials {
			x := make([]float64, 2000)
			state := rng.NormFloat64() / math.Sqrt(1-rho*rho)
			for i := range x {
				state = rho*state + rng.NormFloat64()
				x[i] = 5 + state
			}
			r, err := Steady(samples(1000, "A", x))
			require.NoError(t, err)
			if math.Abs(r.Mean-5) <= r.Uncertainty {
				inside++
			}
			if r.Settled {
				settled++
			}
		}
		share := float64(inside) / float64(trials)
		if share < 0.90 || share > 0.99 {
			t.Errorf("rho %v: %.1f %% of the means within their uncertainty, want about 95 %%", rho, 100*share)
		}
		if settled < trials*97/100 {
			t.Errorf("rho %v: %d of %d steady captures called settled", rho, settled, trials)
		}
	}
}

func TestSteadyDrift(t *testing.T) {
	rng := rand.New(rand.NewPCG(2, 2))
	x := make([]float64, 1000)
	for i := range x {
		x[i] = 1 + 0.2*float64(i)/float64(len(x)-1) + 0.001*rng.NormFloat64()
	}
	r, err := Steady(samples(1000, "A", x))
	require.NoError(t, err)
	within(t, "drift", r.Drift, 0.2, 0.002)
	require.False(t, r.Settled)
	near(t, "uncertainty", r.Uncertainty, 2*0.2/math.Sqrt(12), 0.02)

	// Time reversal turns the sign of the drift and nothing else; scale and
	// offset do what they should.
	y := make([]float64, len(x))
	for i := range x {
		y[len(x)-1-i] = x[i]
	}
	back, err := Steady(samples(1000, "A", y))
	require.NoError(t, err)
	within(t, "reversed drift", back.Drift, -r.Drift, 1e-9)
	within(t, "reversed mean", back.Mean, r.Mean, 1e-12)
	for i := range x {
		y[i] = 3*x[i] + 7
	}
	scaled, err := Steady(samples(1000, "A", y))
	require.NoError(t, err)
	near(t, "scaled mean", scaled.Mean, 3*r.Mean+7, 1e-12)
	near(t, "scaled sd", scaled.SD, 3*r.SD, 1e-9)
	near(t, "scaled uncertainty", scaled.Uncertainty, 3*r.Uncertainty, 1e-9)
	near(t, "scaled drift", scaled.Drift, 3*r.Drift, 1e-9)
}

func TestStarted(t *testing.T) {
	x := make([]float64, 100)
	for i := range x {
		x[i] = 0.006
		if i >= 40 {
			x[i] = 0.118
		}
	}
	on, err := Started(samples(1000, "A", x), 0.06)
	require.NoError(t, err)
	require.True(t, on)
	on, err = Started(samples(1000, "A", x[:40]), 0.06)
	require.NoError(t, err)
	require.False(t, on)
	_, err = Started(samples(1000, "A", nil), 0.06)
	require.Error(t, err)
	_, err = Started(samples(1000, "A", x), math.NaN())
	require.Error(t, err)
}

// Exponential inrush in closed form: the charge above the settled current is
// peak * tau, and the time above a tenth tau ln 10.
func TestInrushClosedForm(t *testing.T) {
	const rate, tau, settled, peak, on = 10000.0, 0.002, 0.118, 0.62, 0.05
	x := make([]float64, 3000)
	for i := range x {
		if at := float64(i)/rate - on; at >= -1e-12 {
			x[i] = settled + peak*math.Exp(-at/tau)
		}
	}
	r, err := Inrush(samples(rate, "A", x))
	require.NoError(t, err)
	near(t, "peak", r.Peak, settled+peak, 1e-9)
	within(t, "peak at", r.PeakAt, on, 1e-9)
	within(t, "onset", r.Onset, on, 1e-9)
	near(t, "settled", r.Final, settled, 1e-9)
	// The trapezoids of an exponential exceed its integral by h²/(12 tau²).
	near(t, "charge", r.Charge, peak*tau, 5e-4)
	within(t, "duration", r.Duration, tau*math.Ln10, 1.5/rate)

	rng := rand.New(rand.NewPCG(3, 3))
	for i := range x {
		x[i] += 0.002 * rng.NormFloat64()
	}
	r, err = Inrush(samples(rate, "A", x))
	require.NoError(t, err)
	near(t, "charge in noise", r.Charge, peak*tau, 0.03)

	dead := make([]float64, 3000)
	for i := range dead {
		dead[i] = 9e-6 + 1e-7*rng.NormFloat64()
	}
	r, err = Inrush(samples(rate, "A", dead))
	require.NoError(t, err)
	if r.Peak > 1e-5 || math.Abs(r.Charge) > 1e-7 {
		t.Errorf("a dead unit has peak %v A and charge %v C", r.Peak, r.Charge)
	}
	_, err = Inrush(samples(rate, "A", x[:5]))
	require.EqualError(t, err, "measure: inrush: capture has 5 samples, at least 16 needed")
}

// The charge that flows into a capacitor through a resistor is C times V.
func TestInrushIsCapacitorCharge(t *testing.T) {
	const farad, volts, ohm, rate = 470e-6, 3.7, 5.0, 50000.0
	x := make([]float64, 5000)
	for i := range x {
		x[i] = volts / ohm * math.Exp(-float64(i)/rate/(ohm*farad))
	}
	r, err := Inrush(samples(rate, "A", x))
	require.NoError(t, err)
	near(t, "charge", r.Charge, farad*volts, 1e-3)
}

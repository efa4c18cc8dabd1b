package measure

import (
	"math"
	"math/rand/v2"
	"slices"
	"strconv"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"fullthrow/drivers"
)

// v = V0 e^(-t/RC) and its kin. Numbers re-computed independently.
func TestRC(t *testing.T) {
	for _, c := range []struct {
		what                         string
		tau, from, to, towards, want float64
	}{
		{"10 kohm 100 µF, 5 V to 2.5 V", 10e3 * 100e-6, 5, 2.5, 0, 0.693147181},
		{"10 kohm 100 µF, 5 V to 1 V", 10e3 * 100e-6, 5, 1, 0, 1.609437912},
		{"bleeder of 100 ohm, 4700 µF, 12 V to 2 V", 100 * 4700e-6, 12, 2, 0, 0.842126951},
		{"charge towards 3.3 V through 1 ms, to 2.0 V", 1e-3, 0, 2, 3.3, 0.931558204e-3},
		{"from the start to the start", 1, 3, 3, 0, 0},
	} {
		got, err := RCTime(c.tau, c.from, c.to, c.towards)
		require.NoError(t, err, c.what)
		within(t, c.what, got, c.want, max(1e-9*c.want, 6e-10*c.tau))
		level, err := RCLevel(c.tau, c.from, c.towards, got)
		require.NoError(t, err)
		within(t, c.what+", and back", level, c.to, 1e-12*5)
	}
	level, err := RCLevel(1e-3, 0, 3.3, 2e-3)
	require.NoError(t, err)
	within(t, "charge towards 3.3 V, after 2 ms", level, 2.853393565, 1e-9)
	for after, share := range map[float64]float64{1: 0.36787944, 5: 0.00673795} {
		level, err = RCLevel(1, 1, 0, after)
		require.NoError(t, err)
		within(t, "left after some tau", level, share, 5e-9)
	}
	rise, err := RCTime(1, 0.1, 0.9, 1)
	require.NoError(t, err)
	within(t, "10 to 90 % rise", rise, 2.197224577, 1e-9)
	within(t, "rise times bandwidth", rise/(2*math.Pi), 0.3496991526, 1e-9)

	for _, c := range [][4]float64{{0, 1, 0.5, 0}, {-1, 1, 0.5, 0}, {math.NaN(), 1, 0.5, 0}, {1, 1, 0, 0}, {1, 1, 2, 0}, {1, 1, -1, 0}, {1, math.Inf(1), 1, 0}, {1, 0, 0, 0}} {
		_, err := RCTime(c[0], c[1], c[2], c[3])
		require.ErrorContains(t, err, "measure: rc time: ", "%v", c)
	}
	for _, c := range [][4]float64{{0, 1, 0, 1}, {1, math.NaN(), 0, 1}, {1, 1, 0, -1}, {1, 1, 0, math.Inf(1)}} {
		_, err := RCLevel(c[0], c[1], c[2], c[3])
		require.ErrorContains(t, err, "measure: rc level: ", "%v", c)
	}
}

// decaying samples final + amplitude e^(-t/tau).
func decaying(n int, rate, final, amplitude, tau, noise float64, seed uint64) drivers.Samples {
	rng := rand.New(rand.NewPCG(seed, 17))
	x := make([]float64, n)
	for i := range x {
		x[i] = final + amplitude*math.Exp(-float64(i)/rate/tau) + noise*rng.NormFloat64()
	}
	return samples(rate, "A", x)
}

// Without noise the fit is exact, whatever the scale, for time constants from
// a few samples to some captures long [closed form].
func TestDecayExact(t *testing.T) {
	for _, scale := range []float64{1, 1e-6, -1e-9, 1e6} {
		for _, tau := range []float64{0.01, 0.1, 1, 3} {
			r, err := Decay(decaying(1000, 1000, 9*scale, 40*scale, tau, 0, 1), DecayOptions{})
			require.NoError(t, err)
			require.True(t, r.Decays)
			near(t, "tau", r.Tau, tau, 1e-8)
			near(t, "final", r.Final, 9*scale, 1e-7)
			near(t, "amplitude", r.Amplitude, 40*scale, 1e-7)
			require.LessOrEqual(t, r.Residual, 1e-8*math.Abs(scale))
		}
	}
	// 20 kohm with 100 µF: 2 s. Of the element that is given, the other.
	s := decaying(4000, 1000, 0, 3.7, 2, 0, 1)
	r, err := Decay(s, DecayOptions{Capacitance: 100e-6})
	require.NoError(t, err)
	near(t, "resistance", r.Resistance, 20e3, 1e-7)
	require.True(t, math.IsNaN(r.Capacitance))
	r, err = Decay(s, DecayOptions{Resistance: 20e3})
	require.NoError(t, err)
	near(t, "capacitance", r.Capacitance, 100e-6, 1e-7)
}

// The uncertainties hold what they say: about 95 % of the fits lie within them
// [simulated, fixed seeds]; and mere noise is not called a decay.
func TestDecayUncertainty(t *testing.T) {
	for _, c := range []struct{ tau, noise float64 }{{0.1, 1e-6}, {0.3, 0.3e-6}, {0.02, 2e-6}} {
		const trials = 300
		final, tau := 0, 0
		for seed := range uint64(trials) {
			r, err := Decay(decaying(1000, 1000, 9e-6, 20e-6, c.tau, c.noise, seed), DecayOptions{})
			require.NoError(t, err)
			require.True(t, r.Decays)
			if math.Abs(r.Final-9e-6) <= r.Uncertainty {
				final++
			}
			if math.Abs(r.Tau-c.tau) <= r.TauUncertainty {
				tau++
			}
		}
		for name, n := range map[string]int{"final": final, "tau": tau} {
			if share := float64(n) / trials; share < 0.91 || share > 0.99 {
				t.Errorf("tau %v: %.1f %% of %s within its uncertainty, want about 95 %%", c.tau, 100*share, name)
			}
		}
	}
	called := 0
	for seed := range uint64(300) {
		r, err := Decay(decaying(1000, 1000, 9e-6, 0, 1, 1e-6, seed), DecayOptions{})
		require.NoError(t, err)
		if r.Decays {
			called++
			continue
		}
		within(t, "leakage", r.Final, 9e-6, 2.5*r.Uncertainty)
		require.True(t, math.IsNaN(r.Tau))
	}
	if called > 3 {
		t.Errorf("%d of 300 captures of noise are called a decay", called)
	}
	// Longer than the capture: the end is not known, and the uncertainty says so.
	r, err := Decay(decaying(1000, 1000, 9e-6, 20e-6, 20, 0.2e-6, 1), DecayOptions{})
	require.NoError(t, err)
	if math.Abs(r.Final-9e-6) > 2*r.Uncertainty || r.Uncertainty < 1e-6 {
		t.Errorf("a decay 20 times the capture: final %v ± %v", r.Final, r.Uncertainty)
	}
}

// The special inputs of the doc comments.
func TestSupplySpecialInputs(t *testing.T) {
	flat := samples(1000, "A", slices.Repeat([]float64{0.25}, 64))
	two := flat
	two.Channels = 2
	bad := []drivers.Samples{samples(1000, "A", nil), samples(1000, "A", []float64{1}), samples(0, "A", flat.Values), two,
		samples(1000, "A", append([]float64{math.NaN()}, flat.Values...)), samples(1000, "A", append([]float64{math.Inf(1)}, flat.Values...))}
	for i, s := range bad {
		for name, f := range map[string]func() error{
			"decay":    func() error { _, err := Decay(s, DecayOptions{}); return err },
			"charge":   func() error { _, err := Charge(s, ChargeOptions{}); return err },
			"energy":   func() error { _, err := Energy(s, flat, EnergyOptions{}); return err },
			"ripple":   func() error { _, err := Ripple(s, RippleOptions{}); return err },
			"settling": func() error { _, err := Settling(s, SettlingOptions{}); return err },
		} {
			require.ErrorContains(t, f(), "measure: "+name+": ", "%d", i)
		}
		_, err := Energy(flat, s, EnergyOptions{})
		require.ErrorContains(t, err, "measure: energy: ")
	}
	for name, err := range map[string]error{
		"decay":                  second(Decay(flat, DecayOptions{Resistance: -1})),
		"charge":                 second(Charge(flat, ChargeOptions{From: 0.05, To: 0.02})),
		"charge: ":               second(Charge(flat, ChargeOptions{To: 1})),
		"charge: voltage":        second(Charge(flat, ChargeOptions{Voltage: math.NaN()})),
		"energy: the voltage":    second(Energy(flat, samples(1000, "V", flat.Values[:20]), EnergyOptions{})),
		"ripple":                 second(Ripple(flat, RippleOptions{Lowest: 600})),
		"settling":               second(Settling(flat, SettlingOptions{Band: math.Inf(1)})),
		"brown-out":              second(BrownOut(nil)),
		"brown-out: step":        second(BrownOut([]VoltageStep{{3, true}, {math.NaN(), false}})),
		"battery life: the duty": second(BatteryLife(nil, BatteryOptions{Capacity: 1})),
		"battery life: phase":    second(BatteryLife([]DutyPhase{{1, 0}}, BatteryOptions{Capacity: 1})),
		"battery life: capacity": second(BatteryLife([]DutyPhase{{1, 1}}, BatteryOptions{})),
		"battery life: derating": second(BatteryLife([]DutyPhase{{1, 1}}, BatteryOptions{Capacity: 1, Derating: 110})),
		"battery life: cut_off":  second(BatteryLife([]DutyPhase{{1, 1}}, BatteryOptions{Capacity: 1, CutOff: 100})),
		"battery life: self":     second(BatteryLife([]DutyPhase{{1, 1}}, BatteryOptions{Capacity: 1, SelfDischarge: math.NaN()})),
	} {
		require.ErrorContains(t, err, "measure: "+name)
	}

	d, err := Decay(flat, DecayOptions{})
	require.NoError(t, err)
	require.Equal(t, []float64{0.25, 0, 0, 0}, []float64{d.Final, d.Uncertainty, d.Amplitude, d.Residual})
	require.True(t, !d.Decays && math.IsNaN(d.Tau))
	p, err := Ripple(flat, RippleOptions{})
	require.NoError(t, err)
	require.Equal(t, []float64{0.25, 0, 0, 0, 0}, []float64{p.Mean, p.RMS, p.PeakToPeak, p.Amplitude, p.Share})
	require.True(t, math.IsNaN(p.Frequency))
	g, err := Settling(flat, SettlingOptions{})
	require.NoError(t, err)
	require.Equal(t, SettlingResult{Final: 0.25, Settled: true}, g)
}

func second[T any](_ T, err error) error { return err }

// Energy of a capacitor through a resistor is C V²/2 (4700 µF at 12 V: 0.3384 J
// [re-computed]), whichever way it is integrated; charge is C V; constant
// current takes C dV / I (4700 µF, 12 to 9 V, 0.5 A: 28.2 ms).
func TestChargeAndEnergyOfACapacitor(t *testing.T) {
	const farad, volts, ohm, rate = 4700e-6, 12.0, 10.0, 20000.0
	const tau = farad * ohm
	current := decaying(20*int(tau*rate), rate, 0, volts/ohm, tau, 0, 1)
	voltage := decaying(20*int(tau*rate)/4+1, rate/4, 0, volts, tau, 0, 1)
	r, err := Energy(current, voltage, EnergyOptions{})
	require.NoError(t, err)
	near(t, "energy", r.Energy, 0.3384, 2e-5)
	near(t, "charge", r.Charge, farad*volts, 1e-6)
	near(t, "peak", r.Peak, volts/ohm, 1e-12)
	require.Zero(t, r.PeakAt)

	// By parts is as a whole; a window has the share that its exponential has.
	a, err := Energy(current, voltage, EnergyOptions{To: 0.031234567})
	require.NoError(t, err)
	b, err := Energy(current, voltage, EnergyOptions{From: 0.031234567})
	require.NoError(t, err)
	near(t, "parts: energy", a.Energy+b.Energy, r.Energy, 1e-6)
	near(t, "parts: charge", a.Charge+b.Charge, r.Charge, 1e-9)
	near(t, "share of the energy", a.Energy/r.Energy, 1-math.Exp(-2*0.031234567/tau), 1e-4)

	// The voltage's capture began 10 ms earlier.
	early := voltage
	early.Start = current.Start.Add(-10 * time.Millisecond)
	for i := range early.Values {
		early.Values[i] = volts * math.Exp(-(float64(i)*4/rate-0.010)/tau)
	}
	late, err := Energy(current, early, EnergyOptions{To: 0.5})
	require.NoError(t, err)
	near(t, "voltage begun earlier", late.Energy, 0.3384*(1-math.Exp(-2*0.5/tau)), 2e-5)

	n := int(0.0282*100000) + 1
	steady := samples(100000, "A", slices.Repeat([]float64{0.5}, n))
	r, err = Charge(steady, ChargeOptions{})
	require.NoError(t, err)
	near(t, "constant current", r.Charge, farad*3, 1e-12)
	near(t, "rms", r.RMS, 0.5, 1e-12)
	require.True(t, math.IsNaN(r.Energy))
	r, err = Charge(steady, ChargeOptions{Voltage: 3.7, From: 0.001, To: 0.002})
	require.NoError(t, err)
	near(t, "energy at constant voltage", r.Energy, 0.5*0.001*3.7, 1e-12)

	// Scale, offset of the window, time reversal.
	back := current
	back.Values = slices.Clone(current.Values)
	slices.Reverse(back.Values)
	whole, err := Charge(current, ChargeOptions{From: 0.1, To: 0.3})
	require.NoError(t, err)
	length := float64(len(current.Values)-1) / rate
	turned, err := Charge(back, ChargeOptions{From: length - 0.3, To: length - 0.1})
	require.NoError(t, err)
	near(t, "reversed", turned.Charge, whole.Charge, 1e-9)
	near(t, "reversed: rms", turned.RMS, whole.RMS, 1e-9)
}

// A tone on a drifting value, at any frequency, with its noise.
func TestRipple(t *testing.T) {
	const rate, n = 10000.0, 8000
	rng := rand.New(rand.NewPCG(5, 5))
	for range 50 {
		f, amplitude := 20+rng.Float64()*4000, math.Pow(10, -3*rng.Float64())
		phase, drift := rng.Float64()*6, 0.5*rng.Float64()
		x := make([]float64, n)
		for i := range x {
			x[i] = 3.7 + drift*amplitude*float64(i)/n + amplitude*math.Sin(2*math.Pi*f*float64(i)/rate+phase)
		}
		r, err := Ripple(samples(rate, "V", x), RippleOptions{})
		require.NoError(t, err)
		near(t, "frequency", r.Frequency, f, 2e-4)
		near(t, "amplitude", r.Amplitude, amplitude, 3e-3)
		near(t, "rms", r.RMS, amplitude/math.Sqrt2, 2e-2)
		if r.Share < 97 {
			t.Errorf("%.0f Hz: only %.1f %% of the ripple is the tone", f, r.Share)
		}
		if r.PeakToPeak < 1.85*amplitude || r.PeakToPeak > 2.1*amplitude {
			t.Errorf("%.0f Hz: peak to peak %v of amplitude %v", f, r.PeakToPeak, amplitude)
		}
		// Scale, offset, time reversal.
		for i := range x {
			x[i] = 2 - 5*x[i]
		}
		slices.Reverse(x)
		s, err := Ripple(samples(rate, "V", x), RippleOptions{})
		require.NoError(t, err)
		near(t, "turned frequency", s.Frequency, r.Frequency, 1e-6)
		near(t, "turned amplitude", s.Amplitude, 5*r.Amplitude, 1e-5)
		near(t, "turned rms", s.RMS, 5*r.RMS, 1e-9)
	}
	x := make([]float64, n)
	for i := range x {
		x[i] = 0.118 + 0.001*rng.NormFloat64() + 0.0005*math.Sin(2*math.Pi*143*float64(i)/rate) + 0.01*math.Sin(2*math.Pi*1000*float64(i)/rate)
	}
	r, err := Ripple(samples(rate, "A", x), RippleOptions{Highest: 500})
	require.NoError(t, err)
	within(t, "in the band", r.Frequency, 143, 0.5)
	within(t, "in the band", r.Amplitude, 0.0005, 0.0001)
	require.Less(t, r.Share, 1.0)
	slope := make([]float64, 100)
	for i := range slope {
		slope[i] = 0.1 * float64(i)
	}
	r, err = Ripple(samples(rate, "A", slope), RippleOptions{})
	require.NoError(t, err)
	within(t, "a straight line has no ripple", r.RMS, 0, 1e-12)
	require.True(t, math.IsNaN(r.Frequency))
}

func TestBrownOut(t *testing.T) {
	// voltages runs a unit with drop-out and recovery through a sweep.
	unit := func(dropOut, recovery float64, voltages ...float64) []VoltageStep {
		on := voltages[0] >= recovery
		var steps []VoltageStep
		for _, v := range voltages {
			if v < dropOut {
				on = false
			}
			if v >= recovery {
				on = true
			}
			steps = append(steps, VoltageStep{v, on})
		}
		return steps
	}
	down := []float64{3.7, 3.5, 3.3, 3.1, 2.9, 2.7, 2.5}
	sweep := append(append([]float64(nil), down...), 2.6, 2.8, 3.0, 3.2, 3.4)
	r, err := BrownOut(unit(2.85, 3.15, sweep...))
	require.NoError(t, err)
	require.Equal(t, []float64{2.9, 2.7, 3.2, 3.0}, []float64{r.DropOut, r.StoppedAt, r.Recovery, r.StillOffAt})
	require.Equal(t, []string{"", ""}, []string{r.DropOutBound, r.RecoveryBound})
	within(t, "hysteresis", r.Hysteresis, 0.3, 1e-12)
	within(t, "uncertainty", r.Uncertainty, 0.4, 1e-12)
	require.Equal(t, []int{1, 0}, []int{r.Sweeps, r.Erratic})

	// Whatever the thresholds, they lie in the steps.
	rng := rand.New(rand.NewPCG(6, 6))
	for range 200 {
		dropOut := 2.55 + rng.Float64()
		recovery := dropOut + (3.39-dropOut)*rng.Float64()
		r, err := BrownOut(unit(dropOut, recovery, sweep...))
		require.NoError(t, err)
		if recovery >= 3.39 || dropOut >= 3.39 {
			continue
		}
		if !(r.StoppedAt < dropOut && dropOut <= r.DropOut && r.StillOffAt < recovery && recovery <= r.Recovery) ||
			math.Abs(r.Hysteresis-(recovery-dropOut)) > r.Uncertainty {
			t.Fatalf("drop-out %v, recovery %v: %+v", dropOut, recovery, r)
		}
	}
	twice, err := BrownOut(append(unit(2.85, 3.15, sweep...), unit(3.05, 3.35, sweep...)...))
	require.NoError(t, err)
	require.Equal(t, 2, twice.Sweeps)
	require.Equal(t, []float64{3.1, 3.4}, []float64{twice.DropOut, twice.Recovery}, "the highest counts")

	r, err = BrownOut(unit(1, 1, down...))
	require.NoError(t, err)
	require.Equal(t, "less", r.DropOutBound)
	require.Equal(t, 2.5, r.DropOut)
	require.True(t, math.IsNaN(r.Recovery) && math.IsNaN(r.Hysteresis) && r.RecoveryBound == "")

	r, err = BrownOut([]VoltageStep{{3.7, false}, {3.0, false}})
	require.NoError(t, err)
	require.Equal(t, "more", r.DropOutBound)
	require.Equal(t, 3.7, r.DropOut)

	r, err = BrownOut(unit(2.85, 3.5, sweep...))
	require.NoError(t, err)
	require.Equal(t, "more", r.RecoveryBound)
	require.Equal(t, 3.4, r.Recovery)
	require.True(t, math.IsNaN(r.Hysteresis))

	r, err = BrownOut([]VoltageStep{{3.7, true}, {3.7, false}, {3.5, true}, {3.3, true}})
	require.NoError(t, err)
	require.Equal(t, 2, r.Erratic)
	require.True(t, math.IsNaN(r.DropOut), "a stop at a standing voltage says nothing of the drop-out")
}

// 2600 mA·h at 150 mA last 17.3333 h [re-computed]; the rest follows from
// dQ/dt = -I - k Q, checked against small steps.
func TestBatteryLife(t *testing.T) {
	r, err := BatteryLife([]DutyPhase{{0.150, 1}}, BatteryOptions{Capacity: 2.6 * 3600})
	require.NoError(t, err)
	within(t, "hours", r.Life/3600, 17.333333333, 1e-8)
	require.Equal(t, []float64{2.6 * 3600, 0}, []float64{r.Usable, r.SelfDischarged})

	profile := []DutyPhase{{0.118, 600}, {9e-6, 3000}}
	o := BatteryOptions{Capacity: 9360, Derating: 80, CutOff: 10, SelfDischarge: 5}
	r, err = BatteryLife(profile, o)
	require.NoError(t, err)
	mean := (0.118*600 + 9e-6*3000) / 3600
	within(t, "mean", r.Mean, mean, 1e-12)
	within(t, "usable", r.Usable, 9360*0.8*0.9, 1e-9)
	k := -math.Log(0.95) / (30 * 86400)
	q, at, h := 9360*0.8, 0.0, 1.0
	for q > 9360*0.8*0.1 {
		q -= h * (mean + k*(q-h/2*(mean+k*q))) // midpoint rule
		at += h
	}
	near(t, "life against small steps", r.Life, at, 1e-5)
	near(t, "drawn and lost", r.Drawn+r.SelfDischarged, r.Usable, 1e-12)
	near(t, "cycles", r.Rounds, r.Life/3600, 1e-12)

	slices.Reverse(profile)
	turned, err := BatteryLife(profile, o)
	require.NoError(t, err)
	near(t, "order of the phases", turned.Life, r.Life, 1e-12)
	for i := range profile {
		profile[i].Time *= 7
	}
	turned, err = BatteryLife(profile, o)
	require.NoError(t, err)
	near(t, "longer phases", turned.Life, r.Life, 1e-12)
	o.SelfDischarge = 1e-10
	almost, err := BatteryLife(profile, o)
	require.NoError(t, err)
	near(t, "hardly any self-discharge", almost.Life, r.Usable/mean, 1e-9)

	idle, err := BatteryLife([]DutyPhase{{0, 1}}, BatteryOptions{Capacity: 1})
	require.NoError(t, err)
	require.True(t, math.IsInf(idle.Life, 1) && idle.Drawn == 0)
	shelf, err := BatteryLife([]DutyPhase{{0, 1}}, BatteryOptions{Capacity: 1, CutOff: 50, SelfDischarge: 50})
	require.NoError(t, err)
	near(t, "half in 30 days", shelf.Life, 30*86400, 1e-12)
}

// An exponential settles to 2 % after tau ln(A/(0.02 F)); a damped oscillation
// overshoots by e^(-pi d/w).
func TestSettling(t *testing.T) {
	r, err := Settling(decaying(4000, 1000, 1, -1, 0.2, 0, 1), SettlingOptions{})
	require.NoError(t, err)
	require.True(t, r.Settled)
	within(t, "time", r.Time, 0.2*math.Log(50), 0.002)
	within(t, "final", r.Final, 1, 1e-6)
	require.Zero(t, r.Overshoot)

	x := make([]float64, 4000)
	for i := range x {
		at := float64(i) / 1000
		x[i] = 1 - math.Exp(-5*at)*(math.Cos(20*at)+0.25*math.Sin(20*at))
	}
	r, err = Settling(samples(1000, "V", x), SettlingOptions{})
	require.NoError(t, err)
	within(t, "overshoot", r.Overshoot, math.Exp(-math.Pi*5/20), 1e-4)
	for i := range x {
		x[i] = 7 - 3*x[i]
	}
	down, err := Settling(samples(1000, "V", x), SettlingOptions{SettledWithin: 1e-7, Band: 0.06})
	require.NoError(t, err)
	within(t, "overshoot downwards", down.Overshoot, 3*r.Overshoot, 1e-4)
	within(t, "time, scaled", down.Time, r.Time, 1e-9)

	for i := range x {
		x[i] = float64(i)
	}
	r, err = Settling(samples(1000, "V", x), SettlingOptions{})
	require.NoError(t, err)
	require.False(t, r.Settled)
	require.True(t, math.IsInf(r.Time, 1))
}

func BenchmarkSupply(b *testing.B) {
	for _, n := range []int{1000, 10000, 100000} {
		s := decaying(n, 1000, 9e-6, 20e-6, float64(n)/5000, 1e-6, 1)
		for name, f := range map[string]func() error{
			"decay":  func() error { _, err := Decay(s, DecayOptions{}); return err },
			"charge": func() error { _, err := Charge(s, ChargeOptions{}); return err },
			"ripple": func() error { _, err := Ripple(s, RippleOptions{}); return err },
		} {
			b.Run(name+"/"+strconv.Itoa(n), func(b *testing.B) {
				b.ReportAllocs()
				for b.Loop() {
					if err := f(); err != nil {
						b.Fatal(err)
					}
				}
			})
		}
	}
}

package measure

import (
	"math"

	"gonum.org/v1/gonum/mat"

	"fullthrow/drivers"
	"fullthrow/reports/statistics"
)

// DecayOptions name the element of the RC pair that is known.
type DecayOptions struct {
	Resistance  float64 `unit:"Ohm" range:"[0,)" help:"of the RC pair, where known"`
	Capacitance float64 `unit:"F" range:"[0,)" help:"of the RC pair, where known"`
}

// DecayResult describes a quantity that goes exponentially to its final value:
// final + amplitude e^(-t/tau), t from the start of the capture.
type DecayResult struct {
	_ struct{} `why:"nothing decays, or the capture is too short to tell"`

	// Uncertainty grows large when the capture is shorter than the decay.
	Final          float64 `unit:"capture" help:"where it goes: of a unit that is off, its leakage"`
	Uncertainty    float64 `unit:"capture" help:"of final, expanded (k = 2)"`
	Amplitude      float64 `unit:"capture" help:"above final at the start; 0 if nothing decays"`
	Tau            float64 `unit:"s" help:"the time constant"`
	TauUncertainty float64 `unit:"s" help:"expanded (k = 2)"`
	Resistance     float64 `unit:"Ohm" help:"tau over the capacitance given" why:"give capacitance; or nothing decays"`
	Capacitance    float64 `unit:"F" help:"tau over the resistance given" why:"give resistance; or nothing decays"`
	Decays         bool    `help:"an exponential explains the capture clearly better than a constant"`
	Residual       float64 `unit:"capture" help:"rms of what the fit leaves"`
}

// Decay fits an exponential by least squares to a capture of one channel and at
// least 16 samples: off-state leakage while capacitors still discharge, or a
// voltage that falls.
//
// Special inputs: an empty or short capture, and NaN or infinite samples, are
// errors, and so are elements below 0, NaN or infinite; a constant capture
// (clipped, too) has Final at its value, Decays false, Tau NaN; mere noise the
// same, with the uncertainty of Steady. A straight slope is a decay much longer
// than the capture: Final is then as good as unknown, and its Uncertainty says
// so.
func Decay(s drivers.Samples, o DecayOptions) (DecayResult, error) {
	r := missing[DecayResult]()
	r.Amplitude = 0
	o, err := complete("decay", o)
	if err != nil {
		return r, err
	}
	x, err := one("decay", s, 16)
	if err != nil {
		return r, err
	}
	steady, err := Steady(s)
	if err != nil {
		return r, err
	}
	r.Final, r.Uncertainty, r.Residual = steady.Mean, steady.Uncertainty, steady.SD
	if steady.PeakToPeak == 0 {
		return r, nil
	}

	// In units of samples and of the scatter, about the mean, all is near 1.
	n := float64(len(x))
	y := make([]float64, len(x))
	for i, v := range x {
		y[i] = (v - steady.Mean) / steady.SD
	}
	squares := n - 1
	best, tau := math.Inf(1), 0.0
	for t := 1.0; t < 30*n; t *= 1.3 {
		if q, _, _ := exponential(y, t); q < best {
			best, tau = q, t
		}
	}
	low, high := tau/1.3, tau*1.3
	const golden = 0.6180339887498949
	a, b := high-golden*(high-low), low+golden*(high-low)
	qa, _, _ := exponential(y, a)
	qb, _, _ := exponential(y, b)
	for range 12 {
		if qa < qb {
			high, b, qb = b, a, qa
			a = high - golden*(high-low)
			qa, _, _ = exponential(y, a)
		} else {
			low, a, qa = a, b, qb
			b = low + golden*(high-low)
			qb, _, _ = exponential(y, b)
		}
	}
	tau = (low + high) / 2
	best, final, amplitude := exponential(y, tau)
	errors, lag := [3]float64{nan, nan, nan}, 0.0
	for range 6 { // Newton's last digits
		best, errors, lag = refineDecay(y, &final, &amplitude, &tau)
	}
	// Two more parameters, one of them sought: by chance they take away some
	// 15 scatters' worth; correlated noise, more.
	wide := (1 + lag) / (1 - lag)
	if (squares-best)*(n-3) < 25*wide*best || !(tau > 0) || !statistics.Finite(final+amplitude) {
		return r, nil
	}
	r.Decays = true
	r.Final = steady.Mean + steady.SD*final
	r.Amplitude = steady.SD * amplitude
	r.Residual = steady.SD * math.Sqrt(best/(n-3))
	r.Tau = tau / s.Rate
	r.Uncertainty = 2 * steady.SD * errors[0] * math.Sqrt(wide)
	r.TauUncertainty = 2 * errors[2] / s.Rate * math.Sqrt(wide)
	if o.Capacitance > 0 {
		r.Resistance = r.Tau / o.Capacitance
	}
	if o.Resistance > 0 {
		r.Capacitance = r.Tau / o.Resistance
	}
	return r, nil
}

// powers calls f with e^(-i/tau) for each sample, made afresh every 1024 so
// that rounding does not add up.
func powers(n int, tau float64, f func(i int, e float64)) {
	step := math.Exp(-1 / tau)
	for i := 0; i < n; {
		e := math.Exp(-float64(i) / tau)
		if e < 1e-300 {
			e, step = 0, 0
		}
		for end := min(n, i+1024); i < end; i++ {
			f(i, e)
			e *= step
		}
	}
}

// exponential fits final and amplitude at a given time constant, in samples,
// and gives the sum of squares that is left.
func exponential(y []float64, tau float64) (squares, final, amplitude float64) {
	var e1, e2, ye, y1, yy float64
	powers(len(y), tau, func(i int, e float64) {
		e1 += e
		e2 += e * e
		ye += y[i] * e
		y1 += y[i]
		yy += y[i] * y[i]
	})
	n := float64(len(y))
	det := n*e2 - e1*e1
	if !(det > 1e-14*n*e2) {
		return math.Inf(1), y1 / n, 0
	}
	amplitude = (n*ye - e1*y1) / det
	final = (y1 - amplitude*e1) / n
	// The sums' last digits are lost where nothing is left; refineDecay finds them.
	return max(0, yy-final*y1-amplitude*ye), final, amplitude
}

// refineDecay does one Gauss-Newton step of all three. It gives what is left at the
// point it came from, the standard errors there (final, amplitude, tau), and
// the lag-1 autocorrelation of the residuals, 0 to 0.95.
func refineDecay(y []float64, final, amplitude, tau *float64) (squares float64, errors [3]float64, lag float64) {
	var h [3][3]float64
	var g [3]float64
	var product, last float64
	powers(len(y), *tau, func(i int, e float64) {
		d := y[i] - *final - *amplitude*e
		squares += d * d
		product += d * last
		last = d
		row := [3]float64{1, e, *amplitude * e * float64(i) / (*tau * *tau)}
		for j := range row {
			g[j] += row[j] * d
			for k := range row {
				h[j][k] += row[j] * row[k]
			}
		}
	})
	if squares > 0 {
		lag = min(max(product/squares, 0), 0.95)
	}
	m := mat.NewDense(3, 3, []float64{h[0][0], h[0][1], h[0][2], h[1][0], h[1][1], h[1][2], h[2][0], h[2][1], h[2][2]})
	var inverse mat.Dense
	if err := inverse.Inverse(m); err != nil {
		if _, poor := err.(mat.Condition); !poor {
			return squares, [3]float64{math.Inf(1), math.Inf(1), math.Inf(1)}, lag
		}
	}
	var step [3]float64
	for j := range step {
		for k := range g {
			step[j] += inverse.At(j, k) * g[k]
		}
		errors[j] = math.Sqrt(max(0, inverse.At(j, j)) * squares / float64(len(y)-3))
	}
	if next := *tau + step[2]; next > 0.5**tau && next < 2**tau {
		*final, *amplitude, *tau = *final+step[0], *amplitude+step[1], next
	}
	return squares, errors, lag
}

// RCTime is the time in s that a quantity takes from one value to another on
// its exponential way towards a third: tau ln((towards - from)/(towards - to)).
// tau = R C. The value must lie on the way, from included, towards not: else,
// and with NaN, infinite values or a tau that is not above 0, it is an error.
func RCTime(tau, from, to, towards float64) (float64, error) {
	if !statistics.Finite(from) || !statistics.Finite(to) || !statistics.Finite(towards) || !statistics.Finite(tau) || tau <= 0 {
		return 0, errorf("rc time", "tau %v s, from %v to %v towards %v", tau, from, to, towards)
	}
	ratio := (towards - from) / (towards - to)
	if to == towards || !(ratio >= 1) {
		return 0, errorf("rc time", "%v is not on the way from %v towards %v", to, from, towards)
	}
	return tau * math.Log(ratio), nil
}

// RCLevel is where a quantity is a time in s after it was at from, on its
// exponential way towards another. NaN, infinite values, a tau that is not
// above 0 and a time below 0 are errors.
func RCLevel(tau, from, towards, after float64) (float64, error) {
	if !statistics.Finite(from) || !statistics.Finite(towards) || !statistics.Finite(tau) || tau <= 0 || !statistics.Finite(after) || after < 0 {
		return 0, errorf("rc level", "tau %v s, from %v towards %v, after %v s", tau, from, towards, after)
	}
	return towards + (from-towards)*math.Exp(-after/tau), nil
}

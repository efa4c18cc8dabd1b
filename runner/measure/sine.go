package measure

import (
	"math"

	"gonum.org/v1/gonum/floats"
	"gonum.org/v1/gonum/mat"

	"fullthrow/drivers"
	"fullthrow/reports/statistics"
)

// SineOptions choose the fit of a sine.
type SineOptions struct {
	// Within 1/(2 * duration) of the capture; not given, 64 samples are needed.
	Frequency      float64 `unit:"Hz" range:"[0,)" help:"where the sine is; not given: where the spectrum is strongest"`
	FixedFrequency bool    `help:"the frequency is exact: fit three parameters, not four"`
	Channel        int     `help:"of the capture, from 1; not given: 1"`
	Mix            bool    `help:"take the mean of all channels"`
}

// SineResult is the sine that fits a capture best, by least squares.
type SineResult struct {
	Frequency float64 `unit:"Hz"`
	Amplitude float64 `unit:"capture" help:"peak"`
	Phase     float64 `unit:"rad" help:"of a cosine, at the first sample; -π to π"`
	DC        float64 `unit:"capture" help:"the offset"`
	Residual  float64 `unit:"capture" help:"rms of what is left"`
	SINAD     float64 `unit:"dB" help:"rms of the sine over residual; 200 if nothing is left"`
}

// Sine fits A cos(2πft) + B sin(2πft) + C to a capture: with FixedFrequency the
// three-parameter fit of IEEE Std 1057 and 1241 (solved in one step), else the
// four-parameter fit (frequency too, by Gauss-Newton steps). In white noise of
// standard deviation σ the standard deviation of the frequency comes near the
// Cramér-Rao bound
//
//	rate/2π · sqrt(24 σ² / (A² N (N²-1)))
//
// of N samples and an amplitude of A (Rife and Boorstyn 1974). What else is in
// the capture, harmonics above all, moves frequency and amplitude a little
// unless it holds a whole number of periods; [SteadyTone] takes harmonics out first.
//
// Special inputs: empty, fewer than 16 samples (FixedFrequency: 4), fewer than
// one and a half periods (FixedFrequency: one), NaN or infinite samples, and a
// fit that does not settle are errors. A constant capture: with a Frequency an
// amplitude of 0 with SINAD -200 dB, without one an error.
func Sine(s drivers.Samples, o SineOptions) (SineResult, error) {
	const op = "sine"
	o, err := complete(op, o)
	if err != nil {
		return SineResult{}, err
	}
	need, periods := 16, 1.5
	if o.FixedFrequency {
		need, periods = 4, 1
	}
	if o.Frequency == 0 {
		need = 64
	}
	w, err := waveformOf(op, s, o.Channel, o.Mix, 0, need)
	if err != nil {
		return SineResult{}, err
	}
	f := o.Frequency
	switch {
	case f == 0 && o.FixedFrequency:
		return SineResult{}, errorf(op, "a fixed frequency needs its value")
	case f == 0:
		sp := newSpectrum(w.x, s.Rate)
		if k := sp.peak(0, s.Rate); k > 0 && sp.power[k] > 0 {
			f = sp.tone(k).frequency
		}
		sp.release()
		if f == 0 {
			return SineResult{}, errorf(op, "no sine in a constant capture")
		}
	}
	// A period more or less from 0 or from half the rate, sine and cosine are
	// not told apart from each other or from the offset.
	n := float64(len(w.x))
	if spare := math.Min(f, s.Rate/2-f) * n / s.Rate; !(f > 0) || !(spare > periods-1e-9) {
		return SineResult{}, errorf(op, "%d samples at %v samples/s are too short for %v Hz: at least %v periods (and as many below half the rate) needed", len(w.x), s.Rate, f, periods)
	}
	omega := 2 * math.Pi * f / s.Rate
	fit, ok := fit3(w.x, omega), true
	if !o.FixedFrequency && fit.amplitude() > 0 {
		fit, ok = fit4(w.x, omega)
	}
	if !ok || !statistics.Finite(fit.a+fit.b+fit.c) {
		return SineResult{}, errorf(op, "no sine near %v Hz: the fit does not settle", f)
	}
	fit.add(w.x, -1)
	rest := 0.0
	for _, v := range w.x {
		rest += (v - fit.c) * (v - fit.c)
	}
	r := SineResult{Frequency: fit.omega * s.Rate / (2 * math.Pi), Amplitude: fit.amplitude(), DC: w.mean + fit.c, Residual: math.Sqrt(rest / n)}
	if o.FixedFrequency {
		r.Frequency = f
	}
	if r.Amplitude > 0 {
		r.Phase = math.Remainder(-math.Atan2(fit.b, fit.a)-fit.omega*(n-1)/2, 2*math.Pi)
	}
	r.SINAD = ratioLevel(r.Amplitude/math.Sqrt2, r.Residual)
	return r, nil
}

// ratioLevel is a/b in dB; 200 if b is 0 and a is not.
func ratioLevel(a, b float64) float64 {
	if b == 0 && a > 0 {
		return -floorLevel
	}
	return decibel(a / b)
}

// sinusoid is a cos(ωt) + b sin(ωt) + c, where t counts samples from the middle
// of the stretch: then most sums of products of its parts vanish.
type sinusoid struct{ omega, a, b, c float64 }

func (s sinusoid) amplitude() float64 { return math.Hypot(s.a, s.b) }

// turnBlock is the length over which sines are tabled once; a block of samples
// anywhere is the table turned by one angle.
const turnBlock = 1024

// turns are tables of cos(ωk), sin(ωk) for one block, and the same times k.
type turns struct {
	omega, begin float64
	c, s, kc, ks [turnBlock]float64
}

// set fills the tables for n samples, those times k only for slopes. Each half
// is the one before turned, so that rounding grows with the number of doublings
// only.
func (t *turns) set(omega float64, n int, slope bool) {
	t.omega, t.begin = omega, -float64(n-1)/2
	t.c[0], t.s[0] = 1, 0
	for m := 1; m < turnBlock; m *= 2 {
		sin, cos := math.Sincos(omega * float64(m))
		c, s := t.c[:m], t.s[:m]
		cn, sn := t.c[m:2*m], t.s[m:2*m]
		for k, v := range c {
			cn[k], sn[k] = v*cos-s[k]*sin, s[k]*cos+v*sin
		}
	}
	if slope {
		for k := range t.c {
			t.kc[k], t.ks[k] = float64(k)*t.c[k], float64(k)*t.s[k]
		}
	}
}

// at is the angle of the block that begins at sample i.
func (t *turns) at(i int) (sin, cos float64) {
	angle := t.omega * (t.begin + float64(i))
	angle -= 2 * math.Pi * math.Round(angle/(2*math.Pi))
	return math.Sincos(angle)
}

// project gives Σ x cos(ωt) and Σ x sin(ωt).
func (t *turns) project(x []float64) (c, s float64) {
	for from := 0; from < len(x); from += turnBlock {
		part := x[from:min(from+turnBlock, len(x))]
		n := len(part)
		sin, cos := t.at(from)
		p, q := floats.Dot(part, t.c[:n]), floats.Dot(part, t.s[:n])
		c += cos*p - sin*q
		s += sin*p + cos*q
	}
	return c, s
}

// slopes gives Σ x cos(ωt), Σ x sin(ωt), Σ t x cos(ωt) and Σ t x sin(ωt).
func (t *turns) slopes(x []float64) (c, s, tc, ts float64) {
	for from := 0; from < len(x); from += turnBlock {
		part := x[from:min(from+turnBlock, len(x))]
		n := len(part)
		sin, cos := t.at(from)
		p, q := floats.Dot(part, t.c[:n]), floats.Dot(part, t.s[:n])
		kp, kq := floats.Dot(part, t.kc[:n]), floats.Dot(part, t.ks[:n])
		at := t.begin + float64(from)
		bc, bs := cos*p-sin*q, sin*p+cos*q
		c += bc
		s += bs
		tc += at*bc + cos*kp - sin*kq
		ts += at*bs + sin*kp + cos*kq
	}
	return c, s, tc, ts
}

// add adds a cos(ωt) + b sin(ωt) to x.
func (t *turns) add(x []float64, a, b float64) {
	for from := 0; from < len(x); from += turnBlock {
		part := x[from:min(from+turnBlock, len(x))]
		sin, cos := t.at(from)
		floats.AddScaled(part, a*cos+b*sin, t.c[:len(part)])
		floats.AddScaled(part, b*cos-a*sin, t.s[:len(part)])
	}
}

// add adds gain times the sine, without its offset, to x.
func (s sinusoid) add(x []float64, gain float64) {
	var t turns
	t.set(s.omega, len(x), false)
	t.add(x, gain*s.a, gain*s.b)
}

// dirichlet is Σ cos(ωt) over n samples about the middle, with its first and
// second derivatives by ω.
func dirichlet(omega, n float64) (d, d1, d2 float64) {
	h, m := omega/2, n/2
	sm, cm := math.Sincos(math.Mod(n*h, 2*math.Pi))
	sh, ch := math.Sincos(h)
	if math.Abs(sh) < 1e-9 {
		// At a multiple of 2π every term is 1, or all alternate.
		d = n * cm / ch
		return d, 0, -d * (n*n - 1) / 12
	}
	d = sm / sh
	d1 = (m*cm - d*ch/2) / sh
	d2 = (-m*m*sm - d1*ch + d*sh/4) / sh
	return d, d1, d2
}

// fit3 is the best sine of a known frequency (radians per sample).
func fit3(x []float64, omega float64) sinusoid {
	var t turns
	t.set(omega, len(x), false)
	c, s := t.project(x)
	return solve3(omega, float64(len(x)), c, s, floats.Sum(x))
}

func solve3(omega, n, c, s, sum float64) sinusoid {
	d, _, _ := dirichlet(omega, n)
	d2, _, _ := dirichlet(2*omega, n)
	cc, ss := (n+d2)/2, (n-d2)/2
	det := cc*n - d*d
	return sinusoid{omega, (c*n - d*sum) / det, s / ss, (cc*sum - d*c) / det}
}

// fit4 is the best sine near a frequency (IEEE Std 1057). It is not ok if the
// steps leave the main lobe, one bin to either side, or do not end.
func fit4(x []float64, omega float64) (sinusoid, bool) {
	n := float64(len(x))
	sum := floats.Sum(x)
	bin := 2 * math.Pi / n
	first := omega
	var t turns
	for range 20 {
		t.set(omega, len(x), true)
		c, s, tc, ts := t.slopes(x)
		fit := solve3(omega, n, c, s, sum)
		d, d1, _ := dirichlet(omega, n)
		e, e1, e2 := dirichlet(2*omega, n)
		a, b := fit.a, fit.b
		if a == 0 && b == 0 {
			return fit, false
		}
		// Columns: cos, sin, 1, and t(-a sin + b cos), which is what a step of
		// the frequency does.
		tcs := -e1 / 2
		squares := n * (n*n - 1) / 12
		g := mat.NewSymDense(4, []float64{
			(n + e) / 2, 0, d, -a * tcs,
			0, (n - e) / 2, 0, b * tcs,
			d, 0, n, a * d1,
			-a * tcs, b * tcs, a * d1, a*a*(squares+e2)/2 + b*b*(squares-e2)/2,
		})
		// In units of radians over the whole length the step is of the size of
		// the others.
		scale := 1 / (n * math.Hypot(a, b))
		for i := range 4 {
			v := g.At(i, 3) * scale
			if i == 3 {
				v *= scale
			}
			g.SetSym(i, 3, v)
		}
		var chol mat.Cholesky
		if !chol.Factorize(g) {
			return fit, false
		}
		var step mat.VecDense
		if err := chol.SolveVecTo(&step, mat.NewVecDense(4, []float64{c, s, sum, (-a*ts + b*tc) * scale})); err != nil {
			return fit, false
		}
		delta := step.AtVec(3) * scale
		if !statistics.Finite(delta) || math.Abs(delta) > bin {
			return fit, false
		}
		omega += delta
		if math.Abs(omega-first) > bin || omega <= 0 || omega >= math.Pi {
			return fit, false
		}
		if math.Abs(delta) < 1e-9*bin {
			t.set(omega, len(x), false)
			c, s = t.project(x)
			return solve3(omega, n, c, s, sum), true
		}
	}
	return sinusoid{}, false
}

// hannSum is Σ w cos(ωt) over n samples about the middle, w Hann's window.
func hannSum(omega, n float64) float64 {
	d, _, _ := dirichlet(omega, n)
	below, _, _ := dirichlet(omega-2*math.Pi/n, n)
	above, _, _ := dirichlet(omega+2*math.Pi/n, n)
	return d/2 + (below+above)/4
}

// fitTogether fits sines of known frequencies at once, weighted by Hann's
// window (weighted holds x times the window), so that what is not among them
// disturbs them little. They are left as they are if they cannot be told apart.
func fitTogether(weighted []float64, sines []sinusoid) bool {
	n, m := float64(len(weighted)), len(sines)
	if m == 0 {
		return true
	}
	cc, ss := mat.NewSymDense(m, nil), mat.NewSymDense(m, nil)
	c, s := mat.NewVecDense(m, nil), mat.NewVecDense(m, nil)
	var t turns
	for i, p := range sines {
		t.set(p.omega, len(weighted), false)
		pc, ps := t.project(weighted)
		c.SetVec(i, pc)
		s.SetVec(i, ps)
		for j := i; j < m; j++ {
			minus, plus := hannSum(p.omega-sines[j].omega, n), hannSum(p.omega+sines[j].omega, n)
			cc.SetSym(i, j, (minus+plus)/2)
			ss.SetSym(i, j, (minus-plus)/2)
		}
	}
	var chol mat.Cholesky
	var a, b mat.VecDense
	if !chol.Factorize(cc) || chol.SolveVecTo(&a, c) != nil {
		return false
	}
	if !chol.Factorize(ss) || chol.SolveVecTo(&b, s) != nil {
		return false
	}
	for i := range sines {
		sines[i].a, sines[i].b = a.AtVec(i), b.AtVec(i)
	}
	return true
}

// hannInto writes x times Hann's window about its middle.
func hannInto(out, x []float64) {
	copy(out, x)
	var t turns
	t.set(2*math.Pi/float64(len(x)), len(x), false)
	for from := 0; from < len(x); from += turnBlock {
		part := out[from:min(from+turnBlock, len(x))]
		sin, cos := t.at(from)
		for k := range part {
			part[k] *= 0.5 + 0.5*(cos*t.c[k]-sin*t.s[k])
		}
	}
}

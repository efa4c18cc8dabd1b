package measure

import "math"

// transform is the Fourier transform of real samples, for the lengths that
// transformLength gives: 4, 5 or 6 times a power of two, 16 or more. It is for
// one caller at a time.
//
// It is our own because it decides how long sound takes: with the samples'
// halves packed as complex numbers, passes by fours (Stockham: no reordering)
// and plain inner loops it takes a third of the time of gonum's, which the tests
// hold it against, and no more than SciPy's.
type transform struct {
	n     int
	steps []step
	turn  []complex128 // exp(-2πik/n) for k to n/4
	x, y  []complex128
}

// step is one pass over all samples: radix values that lie m*stride apart become
// radix sums stride apart, turned by the twiddles w.
type step struct {
	radix, m, stride int
	w                []complex128 // radix-1 for each of m
}

func newTransform(n int) *transform {
	h := n / 2
	t := &transform{n: n, x: make([]complex128, h), y: make([]complex128, h), turn: make([]complex128, h/2+1)}
	for k := range t.turn {
		t.turn[k] = unit(k, n)
	}
	length, stride := h, 1
	for length > 1 {
		radix := 4
		switch {
		case length%4 == 0:
		case length%3 == 0:
			radix = 3
		case length%5 == 0:
			radix = 5
		default:
			radix = 2
		}
		s := step{radix: radix, m: length / radix, stride: stride}
		for p := range s.m {
			for j := 1; j < radix; j++ {
				s.w = append(s.w, unit(p*j, length))
			}
		}
		t.steps = append(t.steps, s)
		length /= radix
		stride *= radix
	}
	return t
}

// unit is exp(-2πik/n).
func unit(k, n int) complex128 {
	sin, cos := math.Sincos(-2 * math.Pi * float64(k%n) / float64(n))
	return complex(cos, sin)
}

// power writes |Σ x w exp(-2πikt/n)|² for k from 0 to n/2 to out: the power of n
// samples x under the window w, or of what stands in t.x, packed, if x is nil.
func (t *transform) power(out, x, w []float64) {
	h := t.n / 2
	if x != nil {
		x, w = x[:2*h], w[:2*h]
		for i := range t.x {
			t.x[i] = complex(x[2*i]*w[2*i], x[2*i+1]*w[2*i+1])
		}
	}
	z := t.run()
	// The even samples' and the odd samples' transforms are taken out of that of
	// the two as one complex series, and joined.
	out = out[:h+1]
	sum, dif := real(z[0])+imag(z[0]), real(z[0])-imag(z[0])
	out[0], out[h] = sum*sum, dif*dif
	for k, w := range t.turn[:h/2+1] {
		if k == 0 {
			continue
		}
		a, b := z[k], z[h-k]
		er, ei := real(a)+real(b), imag(a)-imag(b)
		or, oi := imag(a)+imag(b), real(b)-real(a)
		tr, ti := or*real(w)-oi*imag(w), or*imag(w)+oi*real(w)
		pr, pi := er+tr, ei+ti
		mr, mi := er-tr, ei-ti
		out[k] = (pr*pr + pi*pi) / 4
		out[h-k] = (mr*mr + mi*mi) / 4
	}
}

// run takes the packed samples in t.x, which it uses up, through all passes.
func (t *transform) run() []complex128 {
	x, y := t.x, t.y
	for i := range t.steps {
		t.steps[i].pass(x, y)
		x, y = y, x
	}
	return x
}

// pass transforms x into y.
func (s *step) pass(x, y []complex128) {
	m, q := s.m, s.stride
	switch s.radix {
	case 4:
		if q == 1 {
			s.first4(x, y)
			return
		}
		for p := range m {
			w1, w2, w3 := s.w[3*p], s.w[3*p+1], s.w[3*p+2]
			a, b, c, d := x[q*p:][:q], x[q*(p+m):][:q], x[q*(p+2*m):][:q], x[q*(p+3*m):][:q]
			o := y[4*q*p:][:4*q]
			e, f, g, h := o[:q], o[q:][:q], o[2*q:][:q], o[3*q:][:q]
			for i, av := range a {
				bv, cv, dv := b[i], c[i], d[i]
				ac, bd := av+cv, bv+dv
				sc, sd := av-cv, bv-dv
				sd = complex(imag(sd), -real(sd)) // times -i
				e[i] = ac + bd
				f[i] = w1 * (sc + sd)
				g[i] = w2 * (ac - bd)
				h[i] = w3 * (sc - sd)
			}
		}
	case 2: // always the last, where no twiddle is but 1
		a, b := x[:q], x[q:][:q]
		e, f := y[:q], y[q:][:q]
		for i, av := range a {
			bv := b[i]
			e[i], f[i] = av+bv, av-bv
		}
	case 3:
		s3 := math.Sqrt(3) / 2
		for p := range m {
			w1, w2 := s.w[2*p], s.w[2*p+1]
			a, b, c := x[q*p:][:q], x[q*(p+m):][:q], x[q*(p+2*m):][:q]
			o := y[3*q*p:][:3*q]
			e, f, g := o[:q], o[q:][:q], o[2*q:][:q]
			for i, av := range a {
				sum, dif := b[i]+c[i], b[i]-c[i]
				r := av - complex(real(sum)/2, imag(sum)/2)
				j := complex(s3*imag(dif), -s3*real(dif))
				e[i] = av + sum
				f[i] = w1 * (r + j)
				g[i] = w2 * (r - j)
			}
		}
	case 5:
		c1, c2 := math.Cos(2*math.Pi/5), math.Cos(4*math.Pi/5)
		s1, s2 := math.Sin(2*math.Pi/5), math.Sin(4*math.Pi/5)
		for p := range m {
			w := s.w[4*p:][:4]
			a, b, c, d, e := x[q*p:][:q], x[q*(p+m):][:q], x[q*(p+2*m):][:q], x[q*(p+3*m):][:q], x[q*(p+4*m):][:q]
			o := y[5*q*p:][:5*q]
			o0, o1, o2, o3, o4 := o[:q], o[q:][:q], o[2*q:][:q], o[3*q:][:q], o[4*q:][:q]
			for i, av := range a {
				be, cd := b[i]+e[i], c[i]+d[i]
				ne, nd := b[i]-e[i], c[i]-d[i]
				r1 := complex(real(av)+c1*real(be)+c2*real(cd), imag(av)+c1*imag(be)+c2*imag(cd))
				r2 := complex(real(av)+c2*real(be)+c1*real(cd), imag(av)+c2*imag(be)+c1*imag(cd))
				j1 := complex(s1*imag(ne)+s2*imag(nd), -s1*real(ne)-s2*real(nd))
				j2 := complex(s2*imag(ne)-s1*imag(nd), -s2*real(ne)+s1*real(nd))
				o0[i] = av + be + cd
				o1[i] = w[0] * (r1 + j1)
				o2[i] = w[1] * (r2 + j2)
				o3[i] = w[2] * (r2 - j2)
				o4[i] = w[3] * (r1 - j1)
			}
		}
	}
}

// first4 is the pass by fours with stride 1, where there is no loop inside.
func (s *step) first4(x, y []complex128) {
	m := s.m
	a, b, c, d := x[:m], x[m:][:m], x[2*m:][:m], x[3*m:][:m]
	w, y := s.w[:3*m], y[:4*m]
	for p, av := range a {
		bv, cv, dv := b[p], c[p], d[p]
		ac, bd := av+cv, bv+dv
		sc, sd := av-cv, bv-dv
		sd = complex(imag(sd), -real(sd))
		o, t := y[4*p:][:4], w[3*p:][:3]
		o[0] = ac + bd
		o[1] = t[0] * (sc + sd)
		o[2] = t[1] * (ac - bd)
		o[3] = t[2] * (sc - sd)
	}
}

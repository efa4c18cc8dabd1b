package measure

import (
	"gonum.org/v1/gonum/dsp/fourier"
)

// transform is gonum's Fourier transform of real samples with the memory that
// it needs, for the lengths that transformLength gives, which are quick ones. It
// is for one caller at a time.
type transform struct {
	n    int
	fft  *fourier.FFT
	x    []float64    // samples under their window
	coef []complex128 // n/2+1
}

func newTransform(n int) *transform {
	return &transform{n: n, fft: fourier.NewFFT(n), x: make([]float64, n), coef: make([]complex128, n/2+1)}
}

// power writes |Σ x w exp(-2πikt/n)|² for k from 0 to n/2 to out: the power of n
// samples x under the window w, or of what stands in t.x if x is nil.
func (t *transform) power(out, x, w []float64) {
	if x != nil {
		x, w = x[:t.n], w[:t.n]
		for i, v := range x {
			t.x[i] = v * w[i]
		}
	}
	out = out[:t.n/2+1]
	for k, c := range t.fft.Coefficients(t.coef, t.x) {
		out[k] = real(c)*real(c) + imag(c)*imag(c)
	}
}

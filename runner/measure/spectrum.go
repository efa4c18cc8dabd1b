package measure

import (
	"cmp"
	"math"
	"math/cmplx"
	"slices"
	"sync"

	"gonum.org/v1/gonum/dsp/fourier"
)

// Coefficients of windows w(n) = a0 - a1 cos(2 pi n/N) + a2 cos(4 pi n/N) - ...
// (periodic). Hann is used for tones: its main lobe has a closed form, from
// which frequency and level of a tone follow exactly wherever it lies between
// two bins, and its side lobes fall by 18 dB per octave.
var hannWindow = []float64{0.5, 0.5}

func window(a []float64, n int) []float64 {
	w := make([]float64, n)
	for i := range w {
		sign := 1.0
		for k, c := range a {
			w[i] += sign * c * math.Cos(2*math.Pi*float64(k*i%n)/float64(n))
			sign = -sign
		}
	}
	return w
}

// plan is what a transform of one length needs. It is for one caller at a time.
type plan struct {
	n      int
	fft    *fourier.FFT
	window []float64 // Hann
	buffer []float64
	bins   []complex128
	power  []float64
}

// plans keeps plans between calls, one pool for each of the lengths that
// transformLength gives: 4, 5, 6 times a power of two, up to 2^23.
var plans [3 * 24]sync.Pool

// transformLength is the largest length of quick transforms that is not above
// n, and the number of its pool. n must be 16 or more.
func transformLength(n int) (length, pool int) {
	n = min(n, 6<<21)
	shift := 0
	for 4<<(shift+1) <= n {
		shift++
	}
	for k := 6; k >= 4; k-- {
		if k<<shift <= n {
			return k << shift, 3*shift + k - 4
		}
	}
	return 4 << shift, 3 * shift // not reached
}

// spectrum is the amplitude spectrum of a stretch of sound under a Hann window.
// release gives its memory back; it must not be used after that.
type spectrum struct {
	*plan
	pool  int
	width float64 // Hz from bin to bin
}

// newSpectrum transforms the middle of x.
func newSpectrum(x []float64, rate float64) spectrum {
	n, pool := transformLength(len(x))
	p, _ := plans[pool].Get().(*plan)
	if p == nil {
		p = &plan{n: n, fft: fourier.NewFFT(n), window: window(hannWindow, n), buffer: make([]float64, n),
			bins: make([]complex128, n/2+1), power: make([]float64, n/2+1)}
	}
	x = x[(len(x)-n)/2:][:n]
	for i, w := range p.window {
		p.buffer[i] = x[i] * w
	}
	p.fft.Coefficients(p.bins, p.buffer)
	for i, c := range p.bins {
		p.power[i] = real(c)*real(c) + imag(c)*imag(c)
	}
	return spectrum{p, pool, rate / float64(n)}
}

func (s spectrum) release() { plans[s.pool].Put(s.plan) }

// tone is a sine found in a spectrum.
type tone struct {
	frequency float64 // Hz
	amplitude float64 // peak, in the unit of the samples
}

// tone works out the sine whose main lobe peaks at bin k.
func (s spectrum) tone(k int) tone {
	a := cmplx.Abs(s.bins[k])
	var below, above float64
	if k > 0 {
		below = cmplx.Abs(s.bins[k-1])
	}
	if k+1 < len(s.bins) {
		above = cmplx.Abs(s.bins[k+1])
	}
	// Hann: the two largest bins have the ratio (1 + d)/(2 - d), where d is the
	// way from the larger to the tone in bins.
	d, sign, next := 0.0, 1.0, above
	if below > above {
		sign, next = -1, below
	}
	if a > 0 {
		r := next / a
		d = math.Max(0, math.Min(0.5, (2*r-1)/(1+r)))
	}
	// Amplitude of the main lobe at distance d: sinc(d) / (1 - d²), and half
	// the amplitude times half the length at its top.
	loss := 1.0
	if d > 0 {
		loss = math.Sin(math.Pi*d) / (math.Pi * d) / (1 - d*d)
	}
	return tone{(float64(k) + sign*d) * s.width, 4 * a / float64(s.n) / loss}
}

// peak is the largest bin between two frequencies, ends included, and not at
// the edge of the spectrum; -1 if there is none.
func (s spectrum) peak(low, high float64) int {
	from := max(2, int(math.Ceil(low/s.width)))
	to := min(len(s.power)-2, int(math.Floor(high/s.width)))
	best := -1
	for k := from; k <= to; k++ {
		if best < 0 || s.power[k] > s.power[best] {
			best = k
		}
	}
	return best
}

// peaks lists the largest local maxima between two frequencies, at most n,
// largest first, leaving out bins for which skip says so.
func (s spectrum) peaks(low, high float64, n int, skip []bool) []int {
	from := max(2, int(math.Ceil(low/s.width)))
	to := min(len(s.power)-3, int(math.Floor(high/s.width)))
	var found []int
	for k := from; k <= to; k++ {
		p := s.power[k]
		if skip != nil && skip[k] || p <= s.power[k-1] || p < s.power[k+1] || p <= s.power[k-2] || p < s.power[k+2] {
			continue
		}
		if len(found) == n {
			if p <= s.power[found[n-1]] {
				continue
			}
			found = found[:n-1]
		}
		i, _ := slices.BinarySearchFunc(found, p, func(j int, p float64) int { return cmp.Compare(p, s.power[j]) })
		found = slices.Insert(found, i, k)
	}
	return found
}

// level is an amplitude in dB, at least floorLevel. In a capture in Pa 0 dB is
// 20 µPa rms (sound pressure level); in any other unit it is a sine of
// amplitude 1, full scale.
func level(amplitude float64, unit string) float64 {
	if unit == "Pa" {
		amplitude /= math.Sqrt2 * 20e-6
	}
	return decibel(amplitude)
}

// floorLevel stands for silence, so that a level is always a number.
const floorLevel = -200.0

func decibel(ratio float64) float64 {
	if !(ratio > 0) {
		return floorLevel
	}
	return math.Max(floorLevel, 20*math.Log10(ratio))
}

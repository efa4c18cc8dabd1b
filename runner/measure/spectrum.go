package measure

import (
	"cmp"
	"math"
	"slices"
	"strings"
	"sync"

	"gonum.org/v1/gonum/dsp/fourier"
)

// plan is what transforms of one length need. It is for one caller at a time.
type plan struct {
	n       int
	fft     *transform
	windows map[string][]float64
	power   []float64
	weights weighting // kept for the sample rate last asked for
}

// plans keeps plans between calls, one shelf for each of the lengths that
// transformLength gives: 4, 5, 6 times a power of two, up to 2^23.
var plans [3 * 24]shelf

// shelf keeps up to four plans, one for each worker of a usual station, for
// good if they are not large, since making one takes longer than using it. More
// than four, and large ones, are kept until memory is cleaned up.
type shelf struct {
	sync.Mutex
	kept  []*plan
	spare sync.Pool
}

const keptLength = 6 << 14 // samples; the plan takes some 4 MB

func (s *shelf) take() *plan {
	s.Lock()
	defer s.Unlock()
	if n := len(s.kept); n > 0 {
		p := s.kept[n-1]
		s.kept = s.kept[:n-1]
		return p
	}
	p, _ := s.spare.Get().(*plan)
	return p
}

func (s *shelf) put(p *plan) {
	s.Lock()
	defer s.Unlock()
	if p.n <= keptLength && len(s.kept) < 4 {
		s.kept = append(s.kept, p)
		return
	}
	s.spare.Put(p)
}

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

// transformAbove is the smallest length of quick transforms that is not below n.
func transformAbove(n int) int {
	length, _ := transformLength(max(16, n))
	if length >= n {
		return length
	}
	if length&(length-1) == 0 { // 4, 5, 6, 8 times a power of two
		return length / 4 * 5
	}
	if length%5 == 0 {
		return length / 5 * 6
	}
	return length / 6 * 8
}

// spectrum is the amplitude spectrum of a stretch of sound under a window.
// release gives its memory back; it must not be used after that.
type spectrum struct {
	*plan
	pool   int
	width  float64 // Hz from bin to bin
	window cosineWindow
}

// newSpectrum transforms the middle of x under Hann's window.
func newSpectrum(x []float64, rate float64) spectrum { return newWindowed(x, rate, hann) }

func newWindowed(x []float64, rate float64, w cosineWindow) spectrum {
	n, pool := transformLength(len(x))
	p := takePlan(n, pool)
	if p.windows[w.name] == nil {
		p.windows[w.name] = w.samples(n)
	}
	p.fft.power(p.power, x[(len(x)-n)/2:][:n], p.windows[w.name])
	return spectrum{p, pool, rate / float64(n), w}
}

func takePlan(n, pool int) *plan {
	if p := plans[pool].take(); p != nil {
		return p
	}
	return &plan{n: n, fft: newTransform(n), windows: map[string][]float64{}, power: make([]float64, n/2+1)}
}

func (s spectrum) release() { plans[s.pool].put(s.plan) }

// tone is a sine found in a spectrum.
type tone struct {
	frequency float64 // Hz
	amplitude float64 // peak, in the unit of the samples
}

// tone works out the sine whose main lobe peaks at bin k.
func (s spectrum) tone(k int) tone {
	a := math.Sqrt(s.power[k])
	var below, above float64
	if k > 0 {
		below = math.Sqrt(s.power[k-1])
	}
	if k+1 < len(s.power) {
		above = math.Sqrt(s.power[k+1])
	}
	d, sign, next := 0.0, 1.0, above
	if below > above {
		sign, next = -1, below
	}
	if a > 0 {
		d = s.window.between(next / a)
	}
	return tone{(float64(k) + sign*d) * s.width, 2 * a / (float64(s.n) * s.window.lobe(d))}
}

// amplitude is the peak value that a tone on a bin of this power has.
func (s spectrum) amplitude(power float64) float64 {
	return 2 * math.Sqrt(power) / (float64(s.n) * s.window.gain())
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

// floorBlock is the number of bins over which the spectrum's floor is taken.
const floorBlock = 64

// floor is the median power of each block of 64 bins, and that of the medians.
// Tones, which fill few bins, hardly move it.
func (s spectrum) floor() (blocks []float64, middle float64) {
	buffer := make([]float64, floorBlock)
	blocks = make([]float64, 0, len(s.power)/floorBlock+1)
	for from := 0; from < len(s.power); from += floorBlock {
		part := s.power[from:min(from+floorBlock, len(s.power))]
		if len(part) < floorBlock/2 && from > 0 {
			part = s.power[len(s.power)-floorBlock:]
		}
		blocks = append(blocks, upperMedian(buffer[:copy(buffer, part)]))
	}
	all := slices.Clone(blocks)
	slices.Sort(all)
	return blocks, all[len(all)/2]
}

// upperMedian is the value at place len/2 of x in order, which it moves about.
// For short x: it takes time in proportion as a rule, not always.
func upperMedian(x []float64) float64 {
	k, low, high := len(x)/2, 0, len(x)-1
	for low < high {
		pivot, i, j := x[(low+high)/2], low, high
		for i <= j {
			for x[i] < pivot {
				i++
			}
			for x[j] > pivot {
				j--
			}
			if i <= j {
				x[i], x[j] = x[j], x[i]
				i++
				j--
			}
		}
		switch {
		case k <= j:
			high = j
		case k >= i:
			low = i
		default:
			return x[k]
		}
	}
	return x[k]
}

// clearance is how many times the median around it a bin's power must be to be
// a tone rather than chance. In noise a bin exceeds m times the mean power with
// probability exp(-m), and its median is ln 2 of the mean: 30 times happens in
// one of 10^9 bins.
const clearance = 30

// cosineWindow is w(n) = a0 - a1 cos(2 pi n/N) + a2 cos(4 pi n/N) - ...
// (periodic: N samples are one period). Its gains follow from its coefficients
// alone and are those of Harris 1978, Table I, and of Heinzel, Rüdiger and
// Schilling 2002 for the flat tops.
type cosineWindow struct {
	name string
	a    []float64
}

// windows are those a plan can choose, the usual one first.
//
// Hann's side lobes fall by 18 dB per octave, and frequency and level of a tone
// between two bins follow exactly from its main lobe. Blackman-Harris keeps all
// side lobes 92 dB down and tells a weak tone from a strong neighbour. The flat
// tops show the level of a tone within 0.01 dB wherever it lies, but say little
// of its frequency. Rectangular is for captures that hold a whole number of
// periods of every tone.
var windows = []cosineWindow{
	{"hann", []float64{0.5, 0.5}},
	{"hamming", []float64{0.54, 0.46}},
	{"blackman", []float64{0.42, 0.5, 0.08}},
	{"blackman-harris", []float64{0.35875, 0.48829, 0.14128, 0.01168}},
	{"flat-top", []float64{0.21557895, 0.41663158, 0.277263158, 0.083578947, 0.006947368}},
	{"hft70", []float64{1, 1.90796, 1.07349, 0.18199}},
	{"hft90d", []float64{1, 1.942604, 1.340318, 0.440811, 0.043097}},
	{"hft95", []float64{1, 1.9383379, 1.3045202, 0.4028270, 0.0350665}},
	{"rectangular", []float64{1}},
}

var hann = windows[0]

// windowNamed finds a window; "" is Hann's.
func windowNamed(op, name string) (cosineWindow, error) {
	if name == "" {
		return hann, nil
	}
	names := make([]string, len(windows))
	for i, w := range windows {
		if w.name == name {
			return w, nil
		}
		names[i] = w.name
	}
	return cosineWindow{}, errorf(op, "no window %q: there are %s", name, strings.Join(names, ", "))
}

// samples is the window of length n.
func (w cosineWindow) samples(n int) []float64 {
	out := make([]float64, n)
	for i := range out {
		sign := 1.0
		for k, c := range w.a {
			out[i] += sign * c * math.Cos(2*math.Pi*float64(k*i%n)/float64(n))
			sign = -sign
		}
	}
	return out
}

// gain is the mean of the window (coherent gain): what it leaves of the level
// of a tone on a bin.
func (w cosineWindow) gain() float64 { return w.a[0] }

// noiseBandwidth is the width, in bins, of a rectangular filter that lets
// through as much white noise as one bin does (equivalent noise bandwidth).
func (w cosineWindow) noiseBandwidth() float64 {
	var squares float64
	for _, c := range w.a[1:] {
		squares += c * c
	}
	return 1 + squares/(2*w.a[0]*w.a[0])
}

// lobe is the transform of the window d bins away from its middle, for many
// samples; lobe(0) is the gain.
func (w cosineWindow) lobe(d float64) float64 {
	sum := w.a[0] * sinc(d)
	for k, c := range w.a[1:] {
		sum += c / 2 * (sinc(d-float64(k+1)) + sinc(d+float64(k+1)))
	}
	return sum
}

// between is how far, 0 to 0.5 bins, a tone lies from its largest bin towards
// the next largest, whose magnitudes have the given ratio (0 to 1).
func (w cosineWindow) between(ratio float64) float64 {
	if len(w.a) == 2 && w.a[0] == w.a[1] { // Hann: the ratio is (1 + d)/(2 - d)
		return math.Max(0, math.Min(0.5, (2*ratio-1)/(1+ratio)))
	}
	low, high := 0.0, 0.5
	for range 40 {
		d := (low + high) / 2
		if w.lobe(1-d) < ratio*w.lobe(d) {
			low = d
		} else {
			high = d
		}
	}
	return low
}

func sinc(x float64) float64 {
	if math.Abs(x) < 1e-9 {
		return 1
	}
	if x == math.Trunc(x) {
		return 0
	}
	return math.Sin(math.Pi*x) / (math.Pi * x)
}

// WindowFigures is what a window does to a tone and to noise.
type WindowFigures struct {
	Name           string
	Gain           float64 // coherent gain: the mean of the window
	NoiseBandwidth float64 // bins, equivalent noise bandwidth

	window cosineWindow
}

// Error is the level error in dB of a tone so many bins off the middle of its
// bin, before it is corrected for; at half a bin, the scallop loss with its sign.
func (w WindowFigures) Error(bins float64) float64 {
	return 20 * math.Log10(w.window.lobe(bins)/w.window.lobe(0))
}

// Windows lists the windows that [TonesOptions] can name, with the figures that
// tones and noise are corrected by.
func Windows() []WindowFigures {
	all := make([]WindowFigures, len(windows))
	for i, w := range windows {
		all[i] = WindowFigures{Name: w.name, Gain: w.gain(), NoiseBandwidth: w.noiseBandwidth(), window: w}
	}
	return all
}

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

package measure

import (
	"math"
	"strings"
)

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

package sim

import (
	"math"
	"math/rand/v2"
)

// mix is the finaliser of SplitMix64 (Steele, Lea, Flood 2014): a cheap number
// for a counter, so that what happens in frame n does not depend on which
// frames were read before.
func mix(x uint64) uint64 {
	x += 0x9e3779b97f4a7c15
	x = (x ^ x>>30) * 0xbf58476d1ce4e5b9
	x = (x ^ x>>27) * 0x94d049bb133111eb
	return x ^ x>>31
}

// unit is the number of counter n of the stream `key`, uniform in [0, 1).
func unit(key, n uint64) float64 { return float64(mix(key^mix(n))>>11) * 0x1p-53 }

// hash names a stream (FNV-1a).
func hash(s string) uint64 {
	h := uint64(14695981039346656037)
	for i := range len(s) {
		h = (h ^ uint64(s[i])) * 1099511628211
	}
	return h
}

// newRand is the generator of a seed and a stream.
func newRand(seed, stream uint64) *rand.Rand { return rand.New(rand.NewPCG(seed, mix(stream))) }

// bounded is a normal tolerance cut off at three sigma: mean ± span, sigma =
// span/3. A handset within it never leaves mean ± span.
func bounded(rng *rand.Rand, mean, span float64) float64 {
	for {
		if z := rng.NormFloat64(); math.Abs(z) <= 3 {
			return mean + span*z/3
		}
	}
}

// noiseSize is the length of the noise table, a power of two.
const noiseSize = 1 << 16

// noise is white Gaussian noise of standard deviation 1, read from a table in
// runs of 256 from random places: about 1 ns per sample.
type noise struct {
	table []float32
	state uint64
	at    int
	left  int
}

func newNoiseTable(seed uint64) []float32 {
	rng := newRand(seed, hash("noise"))
	t := make([]float32, noiseSize)
	for i := range t {
		t[i] = float32(rng.NormFloat64())
	}
	return t
}

func (n *noise) next() float64 {
	if n.left == 0 {
		n.state = mix(n.state)
		n.at, n.left = int(n.state)&(noiseSize-1), 256
	}
	n.left--
	v := n.table[n.at]
	n.at = (n.at + 1) & (noiseSize - 1)
	return float64(v)
}

// smoothNoise wanders slowly within -1..+1: random values every `step` seconds,
// joined smoothly. t >= 0.
func smoothNoise(key uint64, t, step float64) float64 {
	k, f := math.Modf(t / step)
	a, b := 2*unit(key, uint64(k))-1, 2*unit(key, uint64(k)+1)-1
	return a + (b-a)*f*f*(3-2*f)
}

package measure

import (
	"cmp"
	"math"
	"slices"
	"sync"
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

package drivers

import (
	"fmt"
	"math"
	"slices"
	"time"
)

// Pace is how frames follow each other over a part of a capture.
type Pace struct {
	From, To int           // frames From to before To
	Period   time.Duration // between two frames when none is lost
	Given    bool          // by the caller; else measured
	// Hidden is how many lost frames the lateness of those around them may hide:
	// the period was then taken from frames that seem to be all there.
	Hidden int
}

const (
	// No receiver's period lies outside; see the frame rates of SBUS, CRSF, iBUS,
	// SUMD and PPM.
	shortestPeriod = 0.0018 // s
	longestPeriod  = 0.0255

	paceLeast  = 8   // frames, for a period at all
	paceWindow = 64  // frames that show a rate that changes
	paceSpan   = 512 // frames whose spectrum is looked at; more only make it sharper
	paceSame   = 0.03
	// rhythm is how far beyond chance a line of the spectrum must stand out: the
	// logarithm of the odds.
	rhythm = 9
	// rhythmLeast is how clear a grid must be, 1 for frames without jitter.
	rhythmLeast = 0.3
	// adapterHold is the latency timer that USB adapters come with: frames that
	// come in its steps show it, and not the receiver.
	adapterHold = 0.016
)

// Paces tells the time between frames from when they came (rising), where any of
// them may be lost, late or held up. given is the period that is known, 0 for
// none; what was measured close to it replaces it. The frame rate may change on
// the way: then there is more than one pace, one after the other, over all frames.
//
// Losses at random leave the grid of the frames to be seen: the longest period
// whose grid they lie on (the line of their spectrum) is theirs. Frames that are
// all there, late by whatever, lie within a narrow strip along a straight line.
// The error says why neither holds: fewer than 8 frames; a grid that could be an
// adapter's; losses among frames that are late by a period and more.
func Paces(at []time.Duration, given time.Duration) ([]Pace, error) {
	t := make([]float64, len(at))
	for i, d := range at {
		t[i] = d.Seconds()
		if i > 0 && t[i] < t[i-1] {
			return nil, fmt.Errorf("frame %d is earlier than the one before", i)
		}
	}
	if given < 0 {
		return nil, fmt.Errorf("period is %v", given)
	}
	list, why := measuredPaces(t)
	if given == 0 {
		if why != nil {
			return nil, why
		}
		return list, nil
	}
	whole := []Pace{{To: len(t), Period: given, Given: true}}
	switch {
	case why != nil: // as given
	case len(list) > 1:
		return list, nil
	default:
		times := float64(list[0].Period) / float64(given)
		near := math.Abs(times-math.Round(times)) < paceSame*times && times > 1-paceSame
		if !near {
			return nil, fmt.Errorf("frames come every %v and not every %v", list[0].Period.Round(10*time.Microsecond), given)
		}
		if math.Round(times) == 1 && list[0].Hidden == 0 {
			whole[0].Period = list[0].Period
		}
	}
	if n := len(t); n > paceLeast && float64(n-1) > 1.03*(t[n-1]-t[0]+0.03)/given.Seconds() {
		return nil, fmt.Errorf("%d frames in %.3g s are more than one every %v", n, t[n-1]-t[0], given)
	}
	return whole, nil
}

// Slots gives each of the frames of a pace its number on the grid of its period,
// rising, from 0 on: numbers that are left out are frames that did not come.
// Lateness is the most by which frames lie off that grid.
func Slots(at []time.Duration, period time.Duration) (slot []int, first, lateness time.Duration) {
	n := len(at)
	x := make([]float64, n)
	for i := range at {
		x[i] = float64(at[i]-at[0])/float64(period) - float64(i)
	}
	// Frames before i that did not come: never fewer than before those ahead of it.
	// The rising series of least squares, at the phase where whole numbers fit best.
	best, phase := math.Inf(1), 0.0
	var missing []float64
	const phases = 16
	for k := range phases {
		p := float64(k)/phases - 0.5
		h := rising(x, p)
		cost := 0.0
		for i := range h {
			d := x[i] - p - h[i]
			cost += d * d
		}
		if cost < best-1e-9 {
			best, phase, missing = cost, p, h
		}
	}
	slot = make([]int, n)
	low, high := 0.0, 0.0
	for i := range slot {
		off := x[i] - phase - missing[i]
		low, high = min(low, off), max(high, off)
		slot[i] = i + int(missing[i]-missing[0])
	}
	first = at[0] + time.Duration((phase+missing[0])*float64(period))
	return slot, first, time.Duration((high - low) * float64(period))
}

// rising is the rising series of whole numbers next to x-phase in least squares
// (pool adjacent violators).
func rising(x []float64, phase float64) []float64 {
	type pool struct {
		sum float64
		n   int
	}
	var pools []pool
	for _, v := range x {
		pools = append(pools, pool{v - phase, 1})
		for k := len(pools); k > 1 && pools[k-1].sum*float64(pools[k-2].n) <= pools[k-2].sum*float64(pools[k-1].n); k-- {
			pools[k-2].sum += pools[k-1].sum
			pools[k-2].n += pools[k-1].n
			pools = pools[:k-1]
		}
	}
	out := make([]float64, 0, len(x))
	for _, p := range pools {
		for range p.n {
			out = append(out, math.Round(p.sum/float64(p.n)))
		}
	}
	return out
}

// beat is what some frames in a row say of their period.
type beat struct {
	period float64 // s
	hidden int
	sure   bool // not by a strip as wide as the frames are late
}

func measuredPaces(t []float64) ([]Pace, error) {
	n := len(t)
	whole, why := beatOf(t, 0)
	if n < paceWindow {
		if why != nil {
			return nil, why
		}
		return []Pace{whole.pace(0, n)}, nil
	}
	runs, odd := runsOf(t, whole.period)
	if odd > 0 {
		return nil, fmt.Errorf("the time between frames seems to change on the way, to %.3g ms for a few", 1e3*odd)
	}
	if len(runs) > 1 {
		var list []Pace
		for i, r := range runs {
			b, bad := beatOf(t[r.from:r.to], 0)
			if bad != nil || math.Abs(b.period-r.period) > 0.05*r.period {
				return nil, fmt.Errorf("the time between frames changes on the way, and part %d of %d does not show it",
					i+1, len(runs))
			}
			list = append(list, b.pace(r.from, r.to))
		}
		return list, nil
	}
	if why != nil {
		return nil, why
	}
	return []Pace{whole.pace(0, n)}, nil
}

func (b beat) pace(from, to int) Pace {
	return Pace{From: from, To: to, Period: time.Duration(math.Round(b.period * 1e9)), Hidden: b.hidden}
}

// run is a part of a capture with one period.
type run struct {
	from, to int
	period   float64
}

// runsOf parts a capture where its frame rate changes; one run, or none, where it
// does not. like is the period of them all, if they have one. odd is a period that
// showed too short a time to say where, else 0.
func runsOf(t []float64, like float64) (runs []run, odd float64) {
	n := len(t)
	pending, seen := 0.0, run{}
	for from := 0; from+paceWindow <= n; from += paceWindow / 4 {
		b, why := beatOf(t[from:from+paceWindow], like)
		if why != nil || !b.sure {
			continue
		}
		same := func(p float64) bool { return math.Abs(b.period-p) < 0.05*p }
		switch k := len(runs); {
		case k > 0 && same(runs[k-1].period):
			runs[k-1].to = from + paceWindow
			if pending > 0 {
				odd, pending = pending, 0
			}
		case pending > 0 && same(pending): // the second window of that period
			runs, pending = append(runs, run{seen.from, from + paceWindow, b.period}), 0
		default:
			if pending > 0 {
				odd = pending
			}
			pending, seen = b.period, run{from: from}
		}
	}
	if pending > 0 && len(runs) > 0 {
		odd = pending
	}
	if len(runs) == 0 {
		return nil, odd
	}
	runs[0].from, runs[len(runs)-1].to = 0, n
	for i := 1; i < len(runs); i++ {
		at := turn(t, runs[i-1], runs[i])
		runs[i-1].to, runs[i].from = at, at
	}
	return runs, odd
}

// turn is the first frame of the second of two runs: up to it the frames keep to
// the first one's grid, from it on to the second one's.
func turn(t []float64, a, b run) int {
	lo := max(a.from, min(a.to, b.from)-paceWindow)
	hi := min(b.to, max(a.to, b.from)+paceWindow)
	// Where both grids hold, the coarser one says more.
	fit := func(r run, from, to int) func(i int) float64 {
		f, phase := refined(t[from:to], 1/r.period)
		weight := 1 + 0.02*r.period/max(a.period, b.period)
		return func(i int) float64 { return weight * math.Cos(2*math.Pi*f*(t[i]-t[from])-phase) }
	}
	inA := fit(a, max(a.from, lo-paceWindow), max(lo, a.from+paceWindow/2))
	inB := fit(b, min(hi, b.to-paceWindow/2), min(b.to, hi+paceWindow))
	at, best, sum := lo, 0.0, 0.0
	for i := lo; i < hi; i++ {
		if sum += inA(i) - inB(i); sum > best {
			at, best = i+1, sum
		}
	}
	return at
}

// beatOf is the period of frames at one rate, like as for gridOf.
func beatOf(t []float64, like float64) (beat, error) {
	n := len(t)
	if n < paceLeast {
		return beat{}, fmt.Errorf("%d frames are too few to tell the time between them", n)
	}
	along, width := strip(t)
	late := width / along
	hidden := 0
	if late > 0.25 {
		// So many could be missing at random, or at one place, and leave no wider strip.
		hidden = int(math.Ceil(4*late + 2*late*late))
	}
	straight := along > shortestPeriod && along < longestPeriod && hidden*20 <= n
	grid, clear, why := gridOf(t, like)
	if why == nil && straight && along > 1.05*grid && (n >= 64 && late < 1.2 || n >= 20 && late < 0.6) {
		why = fmt.Errorf("steps of %.3g ms are those of the computer or the adapter", 1e3*grid)
	}
	if why == nil && math.Abs(grid-adapterHold) < 0.005*adapterHold && clear > 0.98 && late > 0.3 {
		why = fmt.Errorf("frames come in steps of %.3g ms, as from an adapter that holds them back", 1e3*grid)
	}
	switch {
	case why == nil:
		return beat{period: grid, sure: true}, nil
	case straight:
		return beat{along, hidden, late < 0.5}, nil
	}
	return beat{}, why
}

// strip is the straight line whose greatest deviation, as the width of the strip
// around it, is least, through frames of which none is lost.
func strip(t []float64) (period, width float64) {
	n := len(t)
	wide := func(p float64) float64 {
		low, high := math.Inf(1), math.Inf(-1)
		for i, v := range t {
			v -= t[0] + float64(i)*p
			low, high = min(low, v), max(high, v)
		}
		return high - low
	}
	mean := (t[n-1] - t[0]) / float64(n-1)
	lo, hi := mean*0.8, mean*1.25
	for range 48 {
		a, b := lo+(hi-lo)/3, hi-(hi-lo)/3
		if wide(a) < wide(b) {
			hi = b
		} else {
			lo = a
		}
	}
	period = (lo + hi) / 2
	return period, wide(period)
}

// gridOf is the longest period whose grid the frames lie on, and how clearly:
// the mean of their phases as unit vectors, 1 where all lie on it. like is a period
// that they may have, and that they are then said to have; 0: none is known.
func gridOf(t []float64, like float64) (period, clear float64, err error) {
	first := t[:min(len(t), paceSpan)]
	f, clear, ok := plainGrid(first, like)
	if !ok {
		if f, clear, err = spectralGrid(first); err != nil {
			return 0, 0, err
		}
	}
	if len(t) > paceSpan {
		f, _ = refined(t, f)
	}
	return 1 / f, clear, nil
}

// plainGrid is the grid of frames that mostly follow one another without a loss and
// hardly late, as nearly all do: what lies between most of them is its period. It
// finds what spectralGrid does, in a tenth of the time; false: it may be another.
func plainGrid(t []float64, like float64) (f, clear float64, ok bool) {
	n := len(t)
	if n < paceWindow {
		return 0, 0, false
	}
	gaps := make([]float64, n-1)
	for i := range gaps {
		gaps[i] = t[i+1] - t[i]
	}
	slices.Sort(gaps)
	middle := gaps[len(gaps)/2]
	if middle < shortestPeriod || middle > longestPeriod || gaps[n/10] < 0.8*middle || gaps[n*9/10] > 1.2*middle {
		return 0, 0, false
	}
	if f = 1 / like; like > 0 && math.Abs(like-middle) < paceSame*like {
		clear = resultant(t, f)
	}
	if clear < 0.97 {
		f = 1 / middle
		for k := paceLeast; ; k = min(2*k, n) {
			f = sharpened(t[:k], f, 0.5/(t[k-1]-t[0]))
			if k == n {
				break
			}
		}
		clear = resultant(t, f)
	}
	if clear < 0.97 || float64(n-1) > 1.01*(t[n-1]-t[0])*f+1 || f < 1/longestPeriod || f > 1/shortestPeriod {
		return 0, 0, false
	}
	for times := 2.0; f/times > 1/longestPeriod; times++ {
		if resultant(t, f/times) > clear/2 {
			return 0, 0, false
		}
	}
	return f, clear, true
}

// spectralGrid is the frequency of gridOf by the spectrum of the frames.
func spectralGrid(t []float64) (f, clear float64, err error) {
	n := len(t)
	span := t[n-1] - t[0]
	none := fmt.Errorf("%d frames keep to no grid that shows the time between them", n)
	if span < 3*shortestPeriod {
		return 0, 0, none
	}
	from, to := 1/longestPeriod, 1/shortestPeriod
	step := 1 / (2.5 * span)
	count := int((to - from) / step)
	found := make([]float64, count)
	type turning struct{ now, by complex128 }
	vectors := make([]turning, n)
	for i := range vectors {
		x := 2 * math.Pi * (t[i] - t[0])
		vectors[i] = turning{expi(x * from), expi(x * step)}
	}
	for k := range found {
		var sum complex128
		for i := range vectors {
			v := &vectors[i]
			sum += v.now
			v.now *= v.by
		}
		found[k] = math.Hypot(real(sum), imag(sum)) / float64(n)
	}
	least := max(rhythmLeast, math.Sqrt((math.Log(max(2, float64(count)))+rhythm)/float64(n)))
	type line struct{ f, s float64 }
	var lines []line
	for k, s := range found {
		if s < least || k > 0 && found[k-1] > s || k+1 < count && found[k+1] >= s {
			continue
		}
		f := sharpened(t, from+float64(k)*step, step)
		lines = append(lines, line{f, resultant(t, f)})
	}
	most := 0.0
	for _, l := range lines {
		most = max(most, l.s)
	}
	short := slices.Sorted(func(yield func(float64) bool) {
		for i := 1; i < n; i++ {
			if !yield(t[i] - t[i-1]) {
				return
			}
		}
	})
	for _, l := range lines {
		if l.s < most-0.05 || float64(n-1) > 1.01*span*l.f+1 {
			continue
		}
		if short[len(short)/10] < 0.35/l.f {
			return 0, 0, fmt.Errorf("frames come in clumps, and some of them may be lost")
		}
		for _, other := range lines {
			times := l.f / other.f
			if other.f < 0.92*l.f && other.s > 0.25*l.s && math.Abs(times-math.Round(times)) > 0.08*times {
				return 0, 0, fmt.Errorf("frames come in steps of %.3g ms and of %.3g ms: one of them is the adapter's",
					1e3/l.f, 1e3/other.f)
			}
		}
		// Losses at random leave nothing on a coarser grid; less than all of what is on
		// this one says that it is that one, with something between.
		for times := 2.0; l.f/times > from; times++ {
			if resultant(t, l.f/times) > l.s/2 {
				return 0, 0, fmt.Errorf("frames could be %.3g ms or %.3g ms apart", 1e3/l.f, 1e3*times/l.f)
			}
		}
		return l.f, l.s, nil
	}
	return 0, 0, none
}

func expi(x float64) complex128 {
	s, c := math.Sincos(x)
	return complex(c, s)
}

// resultant is the length of the mean of the frames' phases at a frequency.
func resultant(t []float64, f float64) float64 {
	s := meanPhase(t, f)
	return math.Hypot(real(s), imag(s))
}

func meanPhase(t []float64, f float64) (sum complex128) {
	for _, v := range t {
		sum += expi(2 * math.Pi * f * (v - t[0]))
	}
	return sum / complex(float64(len(t)), 0)
}

// sharpened is the highest point of the spectrum within step of f.
func sharpened(t []float64, f, step float64) float64 {
	for range 7 {
		var sums [5]complex128 // of the frames' phases at f-step to f+step
		for _, v := range t {
			x := 2 * math.Pi * (v - t[0])
			now, by := expi(x*(f-step)), expi(x*step/2)
			for k := range sums {
				sums[k] += now
				now *= by
			}
		}
		best, at := -1.0, f
		for k, s := range sums {
			if s := math.Hypot(real(s), imag(s)); s > best {
				best, at = s, f+float64(k-2)*step/2
			}
		}
		f, step = at, step/2
	}
	return f
}

// refined is a frequency that is known from the first frames, known from all, and
// the phase of the frames there.
func refined(t []float64, f float64) (float64, float64) {
	for n := min(len(t), paceSpan); ; n = min(2*n, len(t)) {
		if span := t[n-1] - t[0]; span > 0 {
			f = sharpened(t[:n], f, 0.5/span)
		}
		if n == len(t) {
			break
		}
	}
	s := meanPhase(t, f)
	return f, math.Atan2(imag(s), real(s))
}

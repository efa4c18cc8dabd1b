package yield

import (
	"math"

	"fullthrow/reports/statistics"
)

// CycleTime is how long runs took that passed or failed, from start to verdict; the time to
// change units is not in it. Times in s.
type CycleTime struct {
	N int64 `json:"n"` // runs
	// Mean is exact; its interval is Student's, good for many runs, and too
	// narrow for a few with a long tail. One run leaves it open.
	Mean Estimate `json:"mean"`
	// Median and P95: half of the runs, and 95 of 100, took no longer. They are
	// interpolated within a bin; their intervals go by ranks, hold whatever the
	// distribution, and end on the edges of bins.
	Median     Estimate `json:"median"`
	P95        Estimate `json:"p95"`
	Min        float64  `json:"min"`
	Max        float64  `json:"max"`
	Resolution float64  `json:"resolution"` // width of a bin

	// Intended is how long the plan means a run to take, 0 not stated; Over is
	// the share of runs that took longer. Where Intended lies within a bin, the
	// bin's runs are divided as if spread evenly over it, and the interval also
	// holds none and all of them being over.
	Intended float64 `json:"intended,omitempty"`
	Over     Share   `json:"over"`
	// Takt is the station's: the line wants one unit every so long, whatever
	// the nests; 0 not stated. Needed units an hour is 3600 / takt.
	Takt   float64 `json:"takt,omitempty"`
	Needed float64 `json:"needed,omitempty"`
	// Capacity in units an hour is 3600 * nests / intended, and Possible the
	// same with the mean: both without the time to change units.
	Nests    int      `json:"nests"`
	Capacity float64  `json:"capacity,omitempty"`
	Possible Estimate `json:"possible"`
}

// CycleOptions for [Cycle].
type CycleOptions struct {
	Confidence float64 // [DefaultConfidence] if not given
	Takt       float64 // s, of the station; the histogram's if not given
	Nests      int     // working side by side; 1 if not given
}

// Cycle describes how long runs took. Bin i holds times from i to i+1 widths;
// where the last bin with a run, or the first, does not hold Max and Min, it is
// taken to reach there (a last bin may hold all that took longer).
//
// Special inputs: no run, a width that is not above 0 or not finite, or a count
// below 0 leaves everything not known (0 in Min and Max). N and Sum are taken
// from the bins where they do not fit them. A cycle time or takt that is not
// above 0 or not finite is none.
func Cycle(h Histogram, o CycleOptions) CycleTime {
	o.Confidence = usualConfidence(o.Confidence)
	o.Nests = max(o.Nests, 1)
	if !(o.Takt > 0) {
		o.Takt = h.Takt
	}
	c := CycleTime{
		Intended: positive(h.CycleTime), Takt: positive(o.Takt), Nests: o.Nests, Over: NewShare(0, 0, o.Confidence),
		Mean:   unknownEstimate(0, math.Inf(1), o.Confidence, MethodStudent),
		Median: unknownEstimate(0, math.Inf(1), o.Confidence, MethodRank), P95: unknownEstimate(0, math.Inf(1),
			o.Confidence, MethodRank),
		Possible: unknownEstimate(0, math.Inf(1), o.Confidence, MethodStudent),
	}
	if c.Takt > 0 {
		c.Needed = 3600 / c.Takt
	}
	if c.Intended > 0 {
		c.Capacity = 3600 / c.Intended * float64(o.Nests)
	}
	bins, ok := newCycleBins(h)
	if !ok {
		return c
	}
	c.N, c.Min, c.Max, c.Resolution = bins.n, bins.low, bins.high, h.Width
	mean, sd := bins.meanAndSD()
	if h.N == bins.n && h.Sum >= float64(h.N)*bins.low*(1-1e-9) && h.Sum <= float64(h.N)*bins.high*(1+1e-9) {
		mean = h.Sum / float64(h.N) // exact, where bins are not
	}
	c.Mean.Value = mean
	if bins.n > 1 {
		t := statistics.StudentFactor(float64(bins.n-1), o.Confidence)
		half := t * sd / math.Sqrt(float64(bins.n))
		c.Mean.Low, c.Mean.High = max(0, mean-half), mean+half
	}
	c.Median = bins.quantile(0.5, o.Confidence)
	c.P95 = bins.quantile(0.95, o.Confidence)
	if c.Intended > 0 {
		c.Over = bins.over(c.Intended, o.Confidence)
	}
	if mean > 0 {
		c.Possible = c.Mean.falling(func(s float64) float64 { return 3600 / s * float64(o.Nests) })
	}
	return c
}

// positive is x, or 0 where that is no length of time.
func positive(x float64) float64 {
	if x > 0 && !math.IsInf(x, 1) {
		return x
	}
	return 0
}

// cycleBins is a histogram from the first to the last bin with a run.
type cycleBins struct {
	n         int64
	low, high float64 // least and greatest time
	edges     []float64
	counts    []int64
}

func newCycleBins(h Histogram) (cycleBins, bool) {
	b := cycleBins{}
	if !(h.Width > 0) || math.IsInf(h.Width, 1) {
		return b, false
	}
	first, last := -1, -1
	for i, n := range h.Counts {
		if n < 0 {
			return b, false
		}
		if n > 0 {
			if first < 0 {
				first = i
			}
			last = i
		}
		b.n += n
	}
	if b.n == 0 {
		return b, false
	}
	for i := first; i <= last; i++ {
		b.edges = append(b.edges, float64(i)*h.Width)
		b.counts = append(b.counts, h.Counts[i])
	}
	b.edges = append(b.edges, float64(last+1)*h.Width)
	// Min and Max sharpen the outer edges, or widen a last bin that is open.
	end := len(b.edges) - 1
	if h.Min > b.edges[0] && h.Min <= b.edges[1] {
		b.edges[0] = h.Min
	}
	if h.Max >= b.edges[end-1] && h.Max >= b.edges[0] && !math.IsInf(h.Max, 1) {
		b.edges[end] = h.Max
	}
	b.low, b.high = b.edges[0], b.edges[end]
	return b, true
}

// meanAndSD take the runs of a bin for evenly spread over it.
func (b cycleBins) meanAndSD() (mean, sd float64) {
	for i, n := range b.counts {
		mean += float64(n) * (b.edges[i] + b.edges[i+1]) / 2
	}
	mean /= float64(b.n)
	if b.n < 2 {
		return mean, math.NaN() // one run says nothing of the others
	}
	sum := 0.0
	for i, n := range b.counts {
		d, w := (b.edges[i]+b.edges[i+1])/2-mean, b.edges[i+1]-b.edges[i]
		sum += float64(n) * (d*d + w*w/12)
	}
	return mean, math.Sqrt(sum / float64(b.n-1))
}

// quantile is the time within which a share p of the runs are done.
func (b cycleBins) quantile(p, confidence float64) Estimate {
	e := Estimate{Value: b.at(p * float64(b.n)), Low: 0, High: math.Inf(1), Confidence: confidence, Method: MethodRank}
	low, high := statistics.QuantileRanks(int(b.n), p, confidence)
	if low > 0 {
		e.Low, _ = b.binOf(int64(low))
	}
	if high > 0 {
		_, e.High = b.binOf(int64(high))
	}
	return e
}

// at is the time of the given rank, which need not be whole, interpolated.
func (b cycleBins) at(rank float64) float64 {
	before := 0.0
	for i, n := range b.counts {
		if before+float64(n) >= rank && n > 0 {
			return b.edges[i] + (b.edges[i+1]-b.edges[i])*max(0, rank-before)/float64(n)
		}
		before += float64(n)
	}
	return b.high
}

// binOf gives the edges of the bin that holds the r-th time, 1 first.
func (b cycleBins) binOf(r int64) (from, to float64) {
	before := int64(0)
	for i, n := range b.counts {
		before += n
		if before >= r {
			return b.edges[i], b.edges[i+1]
		}
	}
	return b.low, b.high
}

// over is the share of times beyond most.
func (b cycleBins) over(most, confidence float64) Share {
	var none, all int64
	within := 0.0
	for i, n := range b.counts {
		from, to := b.edges[i], b.edges[i+1]
		switch {
		case from >= most:
			none, all, within = none+n, all+n, within+float64(n)
		case to > most:
			all, within = all+n, within+float64(n)*(to-most)/(to-from)
		}
	}
	s := NewShare(min(all, max(none, int64(math.Round(within)))), b.n, confidence)
	s.Low, s.High = NewShare(none, b.n, confidence).Low, NewShare(all, b.n, confidence).High
	return s
}

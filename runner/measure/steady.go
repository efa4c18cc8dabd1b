package measure

import (
	"math"

	"fullthrow/drivers"
	"fullthrow/reports/statistics"
)

// SteadyResult describes a quantity that should stand still. All values but
// Settled are in the unit of the capture.
type SteadyResult struct {
	Mean       float64 `unit:"capture"`
	SD         float64 `unit:"capture" help:"standard deviation of the samples (n - 1)"`
	Min        float64 `unit:"capture"`
	Max        float64 `unit:"capture"`
	PeakToPeak float64 `unit:"capture" help:"max - min"`
	// Of scatter, with its autocorrelation (batch means; below 40 samples a first-order
	// model), and of drift, where it stands out of the scatter. The instrument's calibration
	// is not in it.
	Uncertainty float64 `unit:"capture" help:"of the mean, expanded (k = 2), as far as the capture shows it"`
	Drift       float64 `unit:"capture" help:"from beginning to end, by the line of least squares"`
	// Scatter explains five standard errors.
	Settled bool `help:"the four quarters have one mean, but for scatter or 2 %"`
}

// Steady measures a capture of one channel and at least 2 samples. Special
// inputs: a constant capture (clipped, too) has SD, Uncertainty and Drift 0 and
// is Settled; an empty capture or a single sample, and NaN or infinite samples,
// are errors.
func Steady(s drivers.Samples) (SteadyResult, error) {
	x, err := one("steady", s, 2)
	if err != nil {
		return SteadyResult{}, err
	}
	var r SteadyResult
	r.Mean, r.SD = meanSD(x)
	r.Min, r.Max = extremes(x)
	r.PeakToPeak = r.Max - r.Min
	if r.PeakToPeak == 0 {
		r.Mean, r.SD, r.Settled = x[0], 0, true
		return r, nil
	}

	// Means of batches carry the autocorrelation of what is inside them.
	batches := 20
	points := batchMeans(x, batches)
	if len(x) < 2*batches {
		points, batches = x, len(x)
	}
	at := make([]float64, batches) // -1/2 .. +1/2 of the capture
	for i := range at {
		at[i] = (float64(i)+0.5)/float64(batches) - 0.5
	}
	_, r.Drift = leastSquares(at, points)
	rest := make([]float64, batches)
	for i := range rest {
		rest[i] = points[i] - r.Drift*at[i]
	}
	_, sd := meanSD(rest)
	if batches == len(x) {
		// Too few samples for batches: widen by the first-order model.
		rho := math.Max(0, math.Min(0.95, statistics.LagOne(rest)))
		sd *= math.Sqrt((1 + rho) / (1 - rho))
	}
	standard := sd / math.Sqrt(float64(batches))
	u2 := standard * standard
	// The slope of scatter alone has sqrt(12) times the error of the mean.
	if math.Abs(r.Drift) > 2*math.Sqrt(12)*standard {
		u2 += r.Drift * r.Drift / 12 // the mean lies anywhere on the slope
	}
	r.Uncertainty = 2 * math.Sqrt(u2)

	if len(x) >= 8 {
		low, high := extremes(batchMeans(x, 4))
		r.Settled = high-low <= math.Max(0.02*math.Abs(r.Mean), 5*2*standard)
	} else {
		r.Settled = r.PeakToPeak <= 0.02*math.Abs(r.Mean)
	}
	return r, nil
}

// Started tells whether the unit runs, judged by the current it draws: the mean
// of the capture's second half above threshold (in the capture's unit).
func Started(s drivers.Samples, threshold float64) (bool, error) {
	x, err := one("started", s, 2)
	if err != nil {
		return false, err
	}
	if !statistics.Finite(threshold) {
		return false, errorf("started", "threshold is %v", threshold)
	}
	return statistics.Mean(x[len(x)/2:]) > threshold, nil
}

// batchMeans divides x into n runs of equal length (the last may be longer).
func batchMeans(x []float64, n int) []float64 {
	if len(x) < n {
		return x
	}
	means := make([]float64, n)
	size := len(x) / n
	for i := range means {
		end := (i + 1) * size
		if i == n-1 {
			end = len(x)
		}
		means[i] = statistics.Mean(x[i*size : end])
	}
	return means
}

func extremes(x []float64) (low, high float64) {
	low, high = x[0], x[0]
	for _, v := range x[1:] {
		low, high = min(low, v), max(high, v)
	}
	return low, high
}

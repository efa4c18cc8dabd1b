package measure

import (
	"math"

	"fullthrow/drivers"
	"fullthrow/reports/statistics"
)

// InrushResult describes the current just after switching on.
type InrushResult struct {
	Peak   float64 `unit:"A" help:"the largest sample"`
	PeakAt float64 `unit:"s" help:"from the start of the capture"`
	Onset  float64 `unit:"s" help:"from the start: the first sample of at least a tenth of the peak"`
	Final  float64 `unit:"A" help:"median of the last quarter"`
	// Until twice the time that the excess takes to sink to a hundredth of its peak, or into
	// the noise.
	Charge   float64 `unit:"C" help:"above the final current, from the onset on"`
	Duration float64 `unit:"s" help:"how long more than a tenth of the peak's excess is drawn"`
}

// Inrush measures a capture in A of one channel and at least 16 samples that
// begins before or at switching on and ends in the settled state. Special
// inputs: a unit that draws nothing gives Peak, Settled and Charge near 0; a
// constant capture has Charge and Duration 0; one that is clipped has the
// clipping level as its Peak, and too little Charge. An empty or short capture,
// and NaN or infinite samples, are errors. Charge and energy over any other
// window are those of the functions Charge and Energy.
func Inrush(s drivers.Samples) (InrushResult, error) {
	x, err := one("inrush", s, 16)
	if err != nil {
		return InrushResult{}, err
	}
	n := len(x)
	tail := x[n-n/4:]
	r := InrushResult{Final: statistics.Median(tail)}
	top := 0
	for i, v := range x {
		if v > x[top] {
			top = i
		}
	}
	r.Peak, r.PeakAt = x[top], float64(top)/s.Rate
	onset := 0
	for onset < top && x[onset] < 0.1*r.Peak {
		onset++
	}
	r.Onset = float64(onset) / s.Rate
	excess := r.Peak - r.Final
	if excess <= 0 {
		return r, nil
	}
	_, noise := meanSD(tail)
	end, short := n-1, n-1
	for i := top; i < n; i++ {
		if short == n-1 && x[i]-r.Final <= 0.1*excess {
			short = i
		}
		if x[i]-r.Final <= math.Max(0.01*excess, 3*noise) {
			end = i
			break
		}
	}
	r.Duration = float64(min(short, end)-onset) / s.Rate
	// Trapezoids; signed, so that noise after the end cancels.
	last := min(n-1, onset+2*(end-onset))
	for i := onset; i < last; i++ {
		r.Charge += (x[i]+x[i+1])/2 - r.Final
	}
	r.Charge /= s.Rate
	return r, nil
}

package yield

import (
	"math"
)

// LostTime is what faults of the bench and aborted runs cost. Times in s.
type LostTime struct {
	Errors    float64 `json:"errors"`     // s, of runs that ended as error
	Aborted   float64 `json:"aborted"`    // s, of runs that were aborted
	Total     float64 `json:"total"`      // s, both
	BenchTime float64 `json:"bench_time"` // s, of all runs
	// Share of BenchTime, counted and not estimated: it has no interval. Not
	// known without any bench time.
	Share Probability `json:"share"`

	ErrorRuns   Share `json:"error_runs"`   // runs that ended as error, of all runs
	AbortedRuns Share `json:"aborted_runs"` // runs that were aborted, of all runs

	// Units that would have been tested in that time at the median cycle, not
	// rounded; NaN (null in JSON) where the cycle is not known.
	Units Estimate `json:"units"`
}

// Lost gives the time lost. The time in which a bench stood still is not in
// it: nothing ran then, so nothing tells. A cycle without runs leaves Units not
// known, times that are below 0 or not finite count as none.
func Lost(c Counts, cycle CycleTime, confidence float64) LostTime {
	confidence = usualConfidence(confidence)
	t := LostTime{
		Errors: spent(c.ErrorTime), Aborted: spent(c.AbortedTime), Share: Probability(math.NaN()),
		ErrorRuns: NewShare(c.Errors, c.Runs, confidence), AbortedRuns: NewShare(c.Aborted, c.Runs, confidence),
		Units: unknownEstimate(0, math.Inf(1), confidence, cycle.Median.Method),
	}
	t.Total = t.Errors + t.Aborted
	t.BenchTime = t.Total + spent(c.JudgedTime)
	if t.BenchTime > 0 {
		t.Share = Probability(t.Total / t.BenchTime)
	}
	if m := cycle.Median; m.Value > 0 {
		t.Units = m.falling(func(s float64) float64 { return t.Total / s })
	} else if t.Total == 0 {
		t.Units.Value, t.Units.High = 0, 0
	}
	if math.IsNaN(t.Units.High) { // no time by a median that may be 0
		t.Units.High = 0
	}
	return t
}

func spent(s float64) float64 {
	if s > 0 && !math.IsInf(s, 1) {
		return s
	}
	return 0
}

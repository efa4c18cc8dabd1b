package yield

import (
	"math"

	"fullthrow/reports/statistics"
)

// Plus adds up two groups that have no unit in common.
func (c Counts) Plus(d Counts) Counts {
	return c.with(d, 1)
}

// Minus takes a group out of a whole that holds it.
func (c Counts) Minus(d Counts) Counts {
	return c.with(d, -1)
}

func (c Counts) with(d Counts, sign int64) Counts {
	c.Runs += sign * d.Runs
	c.Passed += sign * d.Passed
	c.Failed += sign * d.Failed
	c.Errors += sign * d.Errors
	c.Aborted += sign * d.Aborted
	c.CutShort += sign * d.CutShort
	c.AbortedCutShort += sign * d.AbortedCutShort
	c.Units += sign * d.Units
	c.FirstPassed += sign * d.FirstPassed
	c.FirstCutShort += sign * d.FirstCutShort
	c.FinalPassed += sign * d.FinalPassed
	c.Retested += sign * d.Retested
	c.Retests += sign * d.Retests
	c.NoFaultFound += sign * d.NoFaultFound
	c.Repaired += sign * d.Repaired
	c.Defects += sign * d.Defects
	c.Opportunities += sign * d.Opportunities
	c.JudgedTime += float64(sign) * d.JudgedTime
	c.ErrorTime += float64(sign) * d.ErrorTime
	c.AbortedTime += float64(sign) * d.AbortedTime
	return c
}

// Sum adds up groups.
func Sum(groups []Group) Counts {
	var c Counts
	for _, g := range groups {
		c = c.Plus(g.Counts)
	}
	return c
}

// FirstFailed is how many units failed at their first judged run.
func (c Counts) FirstFailed() int64 { return c.Units - c.FirstPassed }

// Summary is what the counts of a group say, each figure with its interval.
type Summary struct {
	Counts     Counts  `json:"counts"`
	Confidence float64 `json:"confidence"`

	// FirstPass: units whose first judged run passed, of all units. Final:
	// units whose newest judged run passed; a unit that failed and waits for
	// its retest counts as not passed.
	FirstPass Share `json:"first_pass"`
	Final     Share `json:"final"`
	// Retested: units with more than one judged run, of all units.
	Retested Share `json:"retested"`
	// NoFaultFound: of the units that failed first, those that passed in the
	// end without anything having been done. Each is either a false alarm of
	// the bench or a fault that comes and goes.
	NoFaultFound Share `json:"no_fault_found"`
	Repaired     Share `json:"repaired"` // of all units

	// DPU is failed checks per unit, in first runs. Its interval takes defects
	// for independent; where one fault fails several checks of a unit it is
	// too narrow.
	DPU Estimate `json:"dpu"`
	// DPO is failed checks of all checks judged, DPMO the same in a million.
	DPO  Share    `json:"dpo"`
	DPMO Estimate `json:"dpmo"`
	// Sigma is [SigmaLevel] of DPO, with the conventional shift of 1.5. With
	// no defect seen it is not known but for its lower end.
	Sigma Estimate `json:"sigma"`
	// Throughput is the share of units that have no defect if defects fall on
	// units at random: e^-DPU (Poisson). Not 1 - DPU, which counts a unit
	// with two defects twice and falls below 0 where DPU is more than 1; the
	// two agree only where DPU is small (0.05: 95.1 % and 95 %). Where FirstPass
	// is clearly above it, defects come together on few units.
	Throughput Estimate `json:"throughput"`

	// Notes are what must be said with these figures.
	Notes []Remark `json:"notes,omitempty"`
}

// Summarise gives the figures of a group. A confidence not between 0 and 1
// means [DefaultConfidence].
//
// Special inputs: no unit, or none that failed, leaves what is a share of them
// not known; counts that cannot be (more passed than tested) likewise, with a
// note. No defect gives DPU and DPMO 0 with an upper end above 0, throughput 1
// and a sigma level of +Inf (null in JSON) with a finite lower end.
func Summarise(c Counts, confidence float64) Summary {
	confidence = usualConfidence(confidence)
	s := Summary{
		Counts: c, Confidence: confidence,
		FirstPass:    NewShare(c.FirstPassed, c.Units, confidence),
		Final:        NewShare(c.FinalPassed, c.Units, confidence),
		Retested:     NewShare(c.Retested, c.Units, confidence),
		NoFaultFound: NewShare(c.NoFaultFound, c.FirstFailed(), confidence),
		Repaired:     NewShare(c.Repaired, c.Units, confidence),
		DPO:          NewShare(c.Defects, c.Opportunities, confidence),
	}
	s.DPU = unknownEstimate(0, math.Inf(1), confidence, MethodPoisson)
	if c.Units > 0 && c.Defects >= 0 {
		s.DPU.Value = float64(c.Defects) / float64(c.Units)
		low, high := statistics.Poisson(float64(c.Defects), confidence)
		s.DPU.Low, s.DPU.High = low/float64(c.Units), high/float64(c.Units)
	}
	s.Throughput = s.DPU.falling(func(v float64) float64 { return math.Exp(-v) })
	dpo := Estimate{s.DPO.Value, s.DPO.Low, s.DPO.High, confidence, s.DPO.Method}
	s.DPMO = dpo
	s.DPMO.Value, s.DPMO.Low, s.DPMO.High = 1e6*dpo.Value, 1e6*dpo.Low, 1e6*dpo.High
	s.Sigma = dpo.falling(SigmaLevel)
	s.Notes = c.notes()
	return s
}

func unknownEstimate(low, high, confidence float64, method string) Estimate {
	return Estimate{math.NaN(), low, high, confidence, method}
}

// falling is the estimate of f of what e estimates, f falling.
func (e Estimate) falling(f func(float64) float64) Estimate {
	e.Value, e.Low, e.High = f(e.Value), f(e.High), f(e.Low)
	return e
}

func (c Counts) notes() []Remark {
	var notes []Remark
	if !c.consistent() {
		notes = append(notes, remark(CountsUnsound))
	}
	if c.Units == 0 {
		if c.Runs > 0 {
			return append(notes, remark(NoneJudged))
		}
		return append(notes, remark(NoneTested))
	}
	if c.Opportunities == 0 {
		notes = append(notes, remark(NoChecks))
	}
	return notes
}

// consistent says whether counts can come of runs at all.
func (c Counts) consistent() bool {
	for _, v := range [][2]int64{
		{0, c.Passed}, {0, c.Failed}, {0, c.Errors}, {0, c.Aborted}, {c.Passed + c.Failed + c.Errors + c.Aborted,
			c.Runs},
		{0, c.AbortedCutShort}, {c.AbortedCutShort, c.Aborted}, {c.AbortedCutShort, c.CutShort},
		{c.CutShort, c.Errors + c.Aborted}, {0, c.FirstCutShort}, {c.FirstCutShort, c.Units - c.FirstPassed},
		{0, c.FirstPassed}, {c.FirstPassed, c.Units}, {0, c.FinalPassed}, {c.FinalPassed, c.Units}, {0, c.Retested},
		{c.Retested, c.Units},
		{c.Retested, c.Retests}, {0, c.NoFaultFound}, {c.NoFaultFound, c.Units - c.FirstPassed}, {0, c.Repaired},
		{c.Repaired, c.Units},
		{0, c.Defects}, {c.Defects, c.Opportunities},
	} {
		if v[0] > v[1] {
			return false
		}
	}
	return true
}

package yield

import (
	"cmp"
	"fmt"
	"math"
	"slices"

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
	s.DPMO = dpo.rising(func(v float64) float64 { return 1e6 * v })
	s.Sigma = dpo.falling(SigmaLevel)
	s.Notes = c.notes()
	return s
}

func unknownEstimate(low, high, confidence float64, method string) Estimate {
	return Estimate{math.NaN(), low, high, confidence, method}
}

// rising is the estimate of f of what e estimates, f rising.
func (e Estimate) rising(f func(float64) float64) Estimate {
	e.Value, e.Low, e.High = f(e.Value), f(e.Low), f(e.High)
	return e
}

// over is e as a share of something.
func (e Estimate) over(whole float64) Estimate {
	return e.rising(func(v float64) float64 { return v / whole })
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

// Target is how a share stands to what is wanted.
type Target struct {
	Share float64     `json:"share"` // wanted
	State TargetState `json:"state"`
	End   float64     `json:"end"` // of the interval, on the side of the target
}

// TargetState says whether a target is reached.
type TargetState string

// The states.
const (
	TargetReached TargetState = "reached" // not by chance
	TargetMissed  TargetState = "missed"  // not by chance
	TargetAbove   TargetState = "above"   // so far, with too few units to tell
	TargetBelow   TargetState = "below"   // so far, with too few units to tell
)

// Against sets a share against what is wanted.
func (s Share) Against(target float64) Target {
	switch {
	case s.Low >= target:
		return Target{target, TargetReached, s.Low}
	case s.High < target:
		return Target{target, TargetMissed, s.High}
	case s.Value >= target:
		return Target{target, TargetAbove, s.Low}
	}
	return Target{target, TargetBelow, s.High}
}

// RolledYield is what the checks of a plan say together about a unit's chance
// to pass them all.
type RolledYield struct {
	Checks []CheckYield `json:"checks"` // as given, those never judged too
	// Yield is the product of the checks' shares: rolled throughput yield. Its
	// interval is Wilson's for as many units as would give one check alone the
	// same variance. In simulations of independent checks (TestRolledCoverage)
	// the 95 % interval held the truth in 91 % to all of the cases: less where
	// hardly anything fails, as Wilson's own does, more where few units came to
	// some checks. Where one fault fails several checks, Yield lies below the
	// first-pass yield, and the interval is too narrow.
	Yield Estimate `json:"yield"`
	// Normalised is the yield that each check would have if all had the same:
	// Yield^(1/m) for m checks. It compares plans of different length.
	Normalised Estimate `json:"normalised"`
	// Units is the number of units that the interval is worth.
	Units float64  `json:"units"`
	Notes []Remark `json:"notes,omitempty"`
}

// CheckYield is the share of units that passed one check, of those of which it
// was judged.
type CheckYield struct {
	Check string `json:"check"`
	Share Share  `json:"share"`
}

// pseudoDefects are put on each check, for the variance alone, so that a check
// that never failed on few units is not taken for one that cannot fail.
const pseudoDefects = 0.5

// Rolled multiplies the shares of the checks, as counted in the first judged
// runs of units; units is how many were tested in all, 0 if not known. A
// confidence not between 0 and 1 means [DefaultConfidence].
//
// Special inputs: a check that was never judged, or whose counts cannot be, is
// left out, with a note; with none left nothing is known: Value NaN, 0 to 1. A
// check that no unit passed makes the yield 0. One check alone has exactly its
// own interval.
func Rolled(checks []CheckCount, units int64, confidence float64) RolledYield {
	confidence = usualConfidence(confidence)
	r := RolledYield{Yield: unknownEstimate(0, 1, confidence, MethodEffective)}
	var used []Share
	var never, partly []string
	for _, c := range checks {
		s := NewShare(c.Passed, c.Judged, confidence)
		r.Checks = append(r.Checks, CheckYield{c.Check, s})
		if !s.Known() {
			never = append(never, c.Check)
			continue
		}
		used = append(used, s)
		if c.Judged < units {
			partly = append(partly, fmt.Sprintf("%s (%d)", c.Check, c.Judged))
		}
	}
	if len(never) > 0 {
		r.Notes = append(r.Notes, remark(NeverJudged, never))
	}
	if len(partly) > 0 {
		r.Notes = append(r.Notes, remark(PartlyJudged, units, partly))
	}
	r.Normalised = r.Yield
	if len(used) == 0 {
		return r
	}
	r.Units = effectiveUnits(used)
	r.Yield.Value = 1
	for _, s := range used {
		r.Yield.Value *= s.Value
	}
	r.Yield.Low, r.Yield.High = statistics.Wilson(r.Yield.Value*r.Units, r.Units, confidence)
	r.Normalised = r.Yield
	root := func(v float64) float64 { return math.Pow(v, 1/float64(len(used))) }
	r.Normalised.Value, r.Normalised.Low, r.Normalised.High = root(r.Yield.Value), root(r.Yield.Low), root(r.Yield.High)
	return r
}

// effectiveUnits is the number of units for which one share, the product of
// all, has the variance of that product by the delta method on its logarithm:
// sum of q/(n p) = (1-R)/(N R). Of one check it is that check's own, of checks
// with n units each at least n.
func effectiveUnits(shares []Share) float64 {
	if len(shares) == 1 {
		return float64(shares[0].Of)
	}
	units := func(pseudo float64) float64 {
		logYield, variance := 0.0, 0.0
		for _, s := range shares {
			n := float64(s.Of)
			q := (float64(s.Of-s.Count) + pseudo) / (n + 2*pseudo)
			logYield += math.Log1p(-q)
			variance += q / (1 - q) / n
		}
		return math.Expm1(-logYield) / variance // NaN where none failed, or all
	}
	n := units(pseudoDefects)
	if plain := units(0); plain < n {
		n = plain
	}
	least := slices.MinFunc(shares, func(a, b Share) int { return cmp.Compare(a.Of, b.Of) })
	return max(n, float64(least.Of))
}

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
		Errors: positive(c.ErrorTime), Aborted: positive(c.AbortedTime), Share: Probability(math.NaN()),
		ErrorRuns: NewShare(c.Errors, c.Runs, confidence), AbortedRuns: NewShare(c.Aborted, c.Runs, confidence),
		Units: unknownEstimate(0, math.Inf(1), confidence, cycle.Median.Method),
	}
	t.Total = t.Errors + t.Aborted
	t.BenchTime = t.Total + positive(c.JudgedTime)
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

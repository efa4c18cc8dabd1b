package measure

import (
	"math"

	"fullthrow/reports/statistics"
)

// ProportionResult describes a share of events among trials, as fractions of 1.
type ProportionResult struct {
	Rate       float64  // Events / Trials
	Exact      Interval // Clopper-Pearson: never less than the confidence
	Wilson     Interval // score: the confidence on average, narrower
	Confidence float64  // %
}

// ProportionOptions for [Proportion].
type ProportionOptions struct {
	Confidence float64 // %; 95 if not given
}

// Proportion gives the rate of independent events with two intervals. Less than
// one trial, fewer than 0 or more events than trials, and a confidence not
// from 50 to under 100 % are errors.
func Proportion(events, trials int, o ProportionOptions) (ProportionResult, error) {
	const op = "proportion"
	c, err := confidence(op, o.Confidence)
	if err != nil {
		return ProportionResult{}, err
	}
	if trials < 1 || events < 0 || events > trials {
		return ProportionResult{}, errorf(op, "%d events in %d trials", events, trials)
	}
	r := ProportionResult{Rate: float64(events) / float64(trials), Confidence: 100 * c}
	r.Exact.Low, r.Exact.High = statistics.ClopperPearson(float64(events), float64(trials), c)
	r.Wilson.Low, r.Wilson.High = statistics.Wilson(float64(events), float64(trials), c)
	return r, nil
}

// SuccessRun is how many trials without a failure show, at the confidence given
// (from 50 to under 100 %), that a trial succeeds with at least the probability
// reliability (0 to 1): ceil(ln(1-C)/ln(R)), for example 59 for 0.95 at 95 %, 22
// for 0.9 at 90 % (exact binomial; the form with a uniform prior asks for one
// fewer).
func SuccessRun(reliability, percent float64) (int, error) {
	const op = "success run"
	c, err := statistics.Confidence(percent)
	if err != nil {
		return 0, errorf(op, "%w", err)
	}
	if !(reliability > 0 && reliability < 1) {
		return 0, errorf(op, "reliability is %v, it must lie between 0 and 1", reliability)
	}
	n := math.Ceil(math.Log1p(-c)/math.Log(reliability) - 1e-9)
	if n > 1e9 {
		return 0, errorf(op, "reliability %v at confidence %v %% needs %.3g trials", reliability, percent, n)
	}
	return max(1, int(n)), nil
}

// CompareResult is how a unit's error rate differs from the golden unit's.
type CompareResult struct {
	Difference float64  // of the rates, in % of all frames; positive: the unit is worse
	Interval   Interval // of the difference, in % (Newcombe 1998)
	Confidence float64  // %
	Worse      bool     // the interval lies above 0: the unit is worse
	// NotWorse: the interval lies below Margin, so that the unit is shown to be
	// no more than Margin worse. Both false: too few frames to tell.
	NotWorse bool
}

// CompareOptions for [Compare].
type CompareOptions struct {
	Confidence float64 // %, of the two-sided interval; 95 if not given
	Margin     float64 // %, from which on a difference matters; 0 if not given
	// Inflation widens the interval for losses in bursts, as [Bursts] measures
	// it (the larger of the two units'): so many frames count as one. 1 if not
	// given.
	Inflation float64
}

// Compare sets the frames a unit lost against those the golden unit lost under
// the same conditions, taking losses for independent unless Inflation is given.
// At least one frame each is needed; counts that cannot be, a confidence not
// from 50 to under 100 %, a margin below 0 and an inflation below 1 are errors.
func Compare(lost, sent, goldenLost, goldenSent int, o CompareOptions) (CompareResult, error) {
	const op = "compare"
	c, err := confidence(op, o.Confidence)
	if err != nil {
		return CompareResult{}, err
	}
	if sent < 1 || lost < 0 || lost > sent {
		return CompareResult{}, errorf(op, "unit: %d of %d lost", lost, sent)
	}
	if goldenSent < 1 || goldenLost < 0 || goldenLost > goldenSent {
		return CompareResult{}, errorf(op, "golden unit: %d of %d lost", goldenLost, goldenSent)
	}
	if !finite(o.Margin) || o.Margin < 0 {
		return CompareResult{}, errorf(op, "margin is %v %%", o.Margin)
	}
	if o.Inflation == 0 {
		o.Inflation = 1
	}
	if !(o.Inflation >= 1) || math.IsInf(o.Inflation, 1) {
		return CompareResult{}, errorf(op, "inflation is %v, it must be at least 1", o.Inflation)
	}
	effective := func(n int) float64 { return float64(n) / o.Inflation }
	low, high := statistics.Newcombe(effective(lost), effective(sent), effective(goldenLost), effective(goldenSent), c)
	d := float64(lost)/float64(sent) - float64(goldenLost)/float64(goldenSent)
	r := CompareResult{Difference: 100 * d, Interval: Interval{100 * low, 100 * high}, Confidence: 100 * c}
	r.Worse, r.NotWorse = r.Interval.Low > 0, r.Interval.High < o.Margin
	return r, nil
}

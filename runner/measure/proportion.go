package measure

import (
	"math"

	"fullthrow/drivers"
	"fullthrow/reports/statistics"
)

// ProportionResult describes a share of events among trials, in %.
type ProportionResult struct {
	Share      float64  `unit:"%" help:"events over trials"`
	Exact      Interval `unit:"%" help:"Clopper-Pearson: never less than the confidence"`
	Wilson     Interval `unit:"%" help:"score: the confidence on average, narrower"`
	Confidence float64  `unit:"%" help:"of the intervals"`
}

// ProportionOptions for [Proportion].
type ProportionOptions struct {
	Confidence float64 `unit:"%" default:"95" range:"[50,100)" help:"of the intervals"`
}

// Proportion gives the rate of independent events with two intervals. Less than
// one trial, fewer than 0 or more events than trials, and a confidence not
// between 0 and 1 are errors.
func Proportion(events, trials int, o ProportionOptions) (ProportionResult, error) {
	const op = "proportion"
	o, err := complete(op, o)
	if err != nil {
		return ProportionResult{}, err
	}
	c := o.Confidence / 100
	if trials < 1 || events < 0 || events > trials {
		return ProportionResult{}, errorf(op, "%d events in %d trials", events, trials)
	}
	r := ProportionResult{Share: 100 * float64(events) / float64(trials), Confidence: o.Confidence}
	r.Exact, r.Wilson = percent(statistics.ClopperPearson(float64(events), float64(trials), c)),
		percent(statistics.Wilson(float64(events), float64(trials), c))
	return r, nil
}

// Difference is the interval of a share less another ([statistics.Newcombe]), in %.
// Counts that cannot be, and a confidence not from 50 to under 100 %, are errors.
func Difference(events, trials, events2, trials2 int, o ProportionOptions) (Interval, error) {
	o, err := complete("difference", o)
	if err != nil {
		return Interval{}, err
	}
	if trials < 1 || events < 0 || events > trials || trials2 < 1 || events2 < 0 || events2 > trials2 {
		return Interval{}, errorf("difference", "%d events in %d trials, %d in %d", events, trials, events2, trials2)
	}
	return percent(statistics.Newcombe(float64(events), float64(trials), float64(events2), float64(trials2),
		o.Confidence/100)), nil
}

// ExpectedCount is the exact two-sided interval of the expected count where
// count events were seen ([statistics.Poisson]). A count below 0, and a confidence
// not between 0 and 1, are errors.
func ExpectedCount(count int, o ProportionOptions) (Interval, error) {
	o, err := complete("poisson", o)
	if err != nil {
		return Interval{}, err
	}
	if count < 0 {
		return Interval{}, errorf("poisson", "%d events", count)
	}
	low, high := statistics.Poisson(float64(count), o.Confidence/100)
	return Interval{low, high}, nil
}

// SuccessRun is how many trials without a failure show, at the confidence given
// (from 50 to under 100 %), that a trial succeeds with at least the probability
// reliability (0 to 1): ceil(ln(1-C)/ln(R)), for example 59 for 0.95 at 95 %, 22
// for 0.9 at 90 % (exact binomial; the form with a uniform prior asks for one
// fewer).
func SuccessRun(reliability, confidence float64) (int, error) {
	const op = "success run"
	c, err := statistics.Confidence(confidence)
	if err != nil {
		return 0, errorf(op, "%w", err)
	}
	if !(reliability > 0 && reliability < 1) {
		return 0, errorf(op, "reliability is %v, it must lie between 0 and 1", reliability)
	}
	n := math.Ceil(math.Log1p(-c)/math.Log(reliability) - 1e-9)
	if n > 1e9 {
		return 0, errorf(op, "reliability %v at confidence %v %% needs %.3g trials", reliability, confidence, n)
	}
	return max(1, int(n)), nil
}

// CompareResult is how a unit's error rate differs from the golden unit's.
type CompareResult struct {
	Difference float64  `unit:"%" help:"of all frames; positive: the unit is worse"`
	Interval   Interval `unit:"%" help:"of the difference (Newcombe 1998)"`
	Confidence float64  `unit:"%" help:"of the interval"`
	Worse      bool     `help:"the interval lies above 0: the unit is worse"`
	// Both false: too few frames to tell.
	NotWorse bool `help:"the interval lies below the margin"`
}

// CompareOptions for [Compare].
type CompareOptions struct {
	Confidence float64 `unit:"%" default:"95" range:"[50,100)" help:"of the two-sided interval"`
	Margin     float64 `unit:"%" range:"[0,)" help:"from which on a difference matters"`
	// The larger of the two units'; so many frames count as one.
	Inflation float64 `unit:"1" default:"1" range:"[1,)" help:"for losses in bursts, as bursts measures it"`
}

// Compare sets the frames a unit lost against those the golden unit lost under
// the same conditions, taking losses for independent unless Inflation is given.
// At least one frame each is needed; counts that cannot be, a confidence not
// between 0 and 1, a margin below 0 and an inflation below 1 are errors.
func Compare(lost, sent, goldenLost, goldenSent int, o CompareOptions) (CompareResult, error) {
	const op = "compare"
	o, err := complete(op, o)
	if err != nil {
		return CompareResult{}, err
	}
	c := o.Confidence / 100
	if sent < 1 || lost < 0 || lost > sent {
		return CompareResult{}, errorf(op, "unit: %d of %d lost", lost, sent)
	}
	if goldenSent < 1 || goldenLost < 0 || goldenLost > goldenSent {
		return CompareResult{}, errorf(op, "golden unit: %d of %d lost", goldenLost, goldenSent)
	}
	effective := func(n int) float64 { return float64(n) / o.Inflation }
	low, high := statistics.Newcombe(effective(lost), effective(sent), effective(goldenLost), effective(goldenSent), c)
	d := float64(lost)/float64(sent) - float64(goldenLost)/float64(goldenSent)
	r := CompareResult{Difference: 100 * d, Interval: percent(low, high), Confidence: o.Confidence}
	r.Worse, r.NotWorse = r.Interval.Low > 0, r.Interval.High < o.Margin
	return r, nil
}

// CompareFrames is [Compare] of two captures, counted by [Link].
func CompareFrames(unit, golden drivers.Frames, o CompareOptions) (CompareResult, error) {
	u, err := counted("compare_frames", unit)
	if err != nil {
		return CompareResult{}, err
	}
	g, err := counted("compare_frames", golden)
	if err != nil {
		return CompareResult{}, err
	}
	return Compare(u.Lost, u.Expected, g.Lost, g.Expected, o)
}

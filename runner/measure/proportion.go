package measure

import (
	"math"

	"fullthrow/drivers"
	"fullthrow/reports/yield"
)

// ProportionResult describes a share of events among trials, in %.
type ProportionResult struct {
	Share      float64  `unit:"%" help:"events over trials"`
	Exact      Interval `unit:"%" help:"Clopper-Pearson: never less than the confidence"`
	Wilson     Interval `unit:"%" help:"score: the confidence on average, narrower"`
	Confidence float64  `unit:"1" help:"of the intervals"`
}

// ProportionOptions for [Proportion].
type ProportionOptions struct {
	Confidence float64 `unit:"1" default:"0.95" range:"(0,1)" help:"of the intervals"`
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
	c := o.Confidence
	if trials < 1 || events < 0 || events > trials {
		return ProportionResult{}, errorf(op, "%d events in %d trials", events, trials)
	}
	r := ProportionResult{Share: 100 * float64(events) / float64(trials), Confidence: c}
	r.Exact, r.Wilson = percent(ClopperPearson(events, trials, c)), percent(Wilson(events, trials, c))
	return r, nil
}

// Difference is the interval of a share less another ([yield.Newcombe]), in %.
// Counts that cannot be, and a confidence not between 0 and 1, are errors.
func Difference(events, trials, events2, trials2 int, o ProportionOptions) (Interval, error) {
	o, err := complete("difference", o)
	if err != nil {
		return Interval{}, err
	}
	if trials < 1 || events < 0 || events > trials || trials2 < 1 || events2 < 0 || events2 > trials2 {
		return Interval{}, errorf("difference", "%d events in %d trials, %d in %d", events, trials, events2, trials2)
	}
	return percent(Newcombe(events, trials, events2, trials2, o.Confidence)), nil
}

// ExpectedCount is the exact two-sided interval of the expected count where
// count events were seen ([yield.Poisson]). A count below 0, and a confidence
// not between 0 and 1, are errors.
func ExpectedCount(count int, o ProportionOptions) (Interval, error) {
	o, err := complete("poisson", o)
	if err != nil {
		return Interval{}, err
	}
	if count < 0 {
		return Interval{}, errorf("poisson", "%d events", count)
	}
	low, high := Poisson(count, o.Confidence)
	return Interval{low, high}, nil
}

// ClopperPearson is the exact two-sided confidence interval of a proportion for
// x events in n trials ([yield.ClopperPearson]), as fractions. Its upper end at
// confidence 0.90 is the one-sided 95 % bound. x below 0 or above n, n below 1,
// or a confidence not between 0 and 1 gives 0 and 1: nothing is known.
func ClopperPearson(x, n int, confidence float64) (lower, upper float64) {
	return yield.ClopperPearson(float64(x), float64(n), confidence)
}

// Wilson is the score interval without continuity correction ([yield.Wilson]),
// as fractions. What it cannot use gives 0 and 1, as with [ClopperPearson].
func Wilson(x, n int, confidence float64) (lower, upper float64) {
	return yield.Wilson(float64(x), float64(n), confidence)
}

// Newcombe is the interval of p1 - p2 for x1 events in n1 trials against x2 in
// n2 ([yield.Newcombe]), as fractions. What it cannot use gives -1 and 1.
func Newcombe(x1, n1, x2, n2 int, confidence float64) (lower, upper float64) {
	return yield.Newcombe(float64(x1), float64(n1), float64(x2), float64(n2), confidence)
}

// Poisson is the exact two-sided interval of the expected count where count
// events were seen ([yield.Poisson]). A count below 0 or a confidence not
// between 0 and 1 gives 0 and +Inf.
func Poisson(count int, confidence float64) (lower, upper float64) {
	return yield.Poisson(float64(count), confidence)
}

// SuccessRun is how many trials without a failure show, at the confidence
// given, that a trial succeeds with at least the probability reliability:
// ceil(ln(1-C)/ln(R)), for example 59 for 95 % at 95 %, 22 for 90 % at 90 %
// (exact binomial; the form with a uniform prior asks for one fewer). Both must
// lie between 0 and 1.
func SuccessRun(reliability, confidence float64) (int, error) {
	if !(reliability > 0 && reliability < 1) || !(confidence > 0 && confidence < 1) {
		return 0, errorf("success run", "reliability %v at confidence %v: both must lie between 0 and 1", reliability, confidence)
	}
	n := math.Ceil(math.Log1p(-confidence)/math.Log(reliability) - 1e-9)
	if n > 1e9 {
		return 0, errorf("success run", "reliability %v at confidence %v needs %.3g trials", reliability, confidence, n)
	}
	return max(1, int(n)), nil
}

// CompareResult is how a unit's error rate differs from the golden unit's.
type CompareResult struct {
	Difference float64  `unit:"%" help:"of all frames; positive: the unit is worse"`
	Interval   Interval `unit:"%" help:"of the difference (Newcombe 1998)"`
	Confidence float64  `unit:"1" help:"of the interval"`
	Worse      bool     `help:"the interval lies above 0: the unit is worse"`
	// Both false: too few frames to tell.
	NotWorse bool `help:"the interval lies below the margin"`
}

// CompareOptions for [Compare].
type CompareOptions struct {
	Confidence float64 `unit:"1" default:"0.95" range:"(0,1)" help:"of the two-sided interval"`
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
	c := o.Confidence
	if sent < 1 || lost < 0 || lost > sent {
		return CompareResult{}, errorf(op, "unit: %d of %d lost", lost, sent)
	}
	if goldenSent < 1 || goldenLost < 0 || goldenLost > goldenSent {
		return CompareResult{}, errorf(op, "golden unit: %d of %d lost", goldenLost, goldenSent)
	}
	effective := func(n int) float64 { return float64(n) / o.Inflation }
	low, high := yield.Newcombe(effective(lost), effective(sent), effective(goldenLost), effective(goldenSent), c)
	d := float64(lost)/float64(sent) - float64(goldenLost)/float64(goldenSent)
	r := CompareResult{Difference: 100 * d, Interval: percent(low, high), Confidence: c}
	r.Worse, r.NotWorse = r.Interval.Low > 0, r.Interval.High < o.Margin
	return r, nil
}

// CompareFrames is [Compare] of two captures, counted by [Link].
func CompareFrames(unit, golden drivers.Frames, o CompareOptions) (CompareResult, error) {
	u, err := Link(unit)
	if err != nil {
		return CompareResult{}, err
	}
	g, err := Link(golden)
	if err != nil {
		return CompareResult{}, err
	}
	return Compare(u.Lost, u.Expected, g.Lost, g.Expected, o)
}

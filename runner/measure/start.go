package measure

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"fullthrow/reports/statistics"
)

// StartCurveOptions for [StartCurve].
type StartCurveOptions struct {
	Reliability float64 `unit:"1" default:"0.9" range:"(0,1)" help:"chance of starting that counts as reliable"`
	Confidence  float64 `unit:"%" default:"90" range:"[50,100)" help:"of every statement"`
	FallTo      float64 `unit:"%" range:"[0,100)" help:"of its first voltage, where the node lets the unit start again"`
	Capacitance float64 `unit:"F" range:"[0,)" help:"of that node; not given: no resistance"`
}

// StartLevel is what was seen after one time off.
type StartLevel struct {
	Off         float64 `unit:"s"`
	Trials      int
	Starts      int      `help:"of trials"`
	Probability float64  `unit:"1" help:"starts over trials"`
	Interval    Interval `unit:"1" help:"of the probability, two-sided, Clopper-Pearson"`
	// One-sided, Clopper-Pearson.
	Reliable bool `help:"the lower bound of the probability is reliability or more"`
}

// StartCurveResult is the probability of starting against time off.
type StartCurveResult struct {
	_ struct{} `why:"the trials all ended alike, or the options do not give what it takes"`

	Levels []StartLevel `help:"by rising time off"`
	// As is every longer one at which a start failed.
	ReliableOff float64 `unit:"s" help:"the shortest that is reliable" why:"none was tried often enough without a failure"`
	// ln(1 - Confidence) / ln(Reliability), 22 for 90 % at 90 %.
	Needed int `help:"trials at one time off, all of them started, that make it reliable"`
	// Logistic in the logarithm of the time, by profile likelihood.
	HalfOff         float64  `unit:"s" help:"after which half of the starts succeed"`
	HalfOffInterval Interval `unit:"s"`
	// HalfOff / ln(1/FallTo); Resistance is TimeConstant / Capacitance. The two given are
	// taken as exact: their tolerance comes on top.
	TimeConstant         float64  `unit:"s" help:"of the node" why:"give fall_to; or the trials all ended alike"`
	TimeConstantInterval Interval `unit:"s"`
	Resistance           float64  `unit:"Ohm" help:"discharges it" why:"give fall_to and capacitance; or all end alike"`
	ResistanceInterval   Interval `unit:"Ohm"`
}

// StartCurve makes of trials, in any order, the probability of starting against
// time off; times within 1 ms count as one. A node that was charged to V0 and
// discharges through R into nothing has fallen to FallTo V0 after
// RC ln(1/FallTo).
//
// Special inputs: no trial, more than 500 times off, one that is negative or not
// finite, and options out of range are errors. One time off, or trials that all ended alike,
// have no HalfOff. Times off of 0 count as a level, but not for HalfOff.
func StartCurve(trials []StartTrial, o StartCurveOptions) (StartCurveResult, error) {
	const op = "start curve"
	o, err := complete(op, o)
	if err != nil {
		return StartCurveResult{}, err
	}
	levels, err := startLevels(op, trials)
	if err != nil {
		return StartCurveResult{}, err
	}
	r := missing[StartCurveResult]()
	r.Levels = levels
	if r.Needed, err = SuccessRun(o.Reliability, o.Confidence); err != nil {
		return StartCurveResult{}, err
	}
	for i := range levels {
		o.judge(&levels[i])
	}
	for i := len(levels) - 1; i >= 0; i-- {
		l := levels[i]
		if l.Reliable {
			r.ReliableOff = l.Off
		} else if l.Starts < l.Trials {
			break // a longer time off that fails too often makes shorter ones doubtful
		}
	}
	r.half(o)
	if o.FallTo > 0 && !math.IsNaN(r.HalfOff) {
		decay := math.Log(100 / o.FallTo)
		r.TimeConstant = r.HalfOff / decay
		r.TimeConstantInterval = Interval{r.HalfOffInterval.Low / decay, r.HalfOffInterval.High / decay}
		if o.Capacitance > 0 {
			r.Resistance = r.TimeConstant / o.Capacitance
			r.ResistanceInterval = Interval{r.TimeConstantInterval.Low / o.Capacitance,
				r.TimeConstantInterval.High / o.Capacitance}
		}
	}
	return r, nil
}

func (o StartCurveOptions) judge(l *StartLevel) {
	l.Probability = float64(l.Starts) / float64(l.Trials)
	l.Interval.Low, l.Interval.High = statistics.ClopperPearson(float64(l.Starts), float64(l.Trials), o.Confidence/100)
	l.Reliable = statistics.AtLeast(float64(l.Starts), float64(l.Trials), o.Confidence/100) >= o.Reliability-1e-12
}

// startLevels adds up trials by time off.
func startLevels(op string, trials []StartTrial) ([]StartLevel, error) {
	if len(trials) == 0 {
		return nil, errorf(op, "no trials, at least 1 needed")
	}
	sorted := slices.Clone(trials)
	for i, t := range trials {
		if fault := t.Fault(); fault != "" {
			return nil, errorf(op, "trial %d: %s", i+1, fault)
		}
	}
	slices.SortStableFunc(sorted, func(a, b StartTrial) int { return cmp.Compare(a.Off, b.Off) })
	var levels []StartLevel
	for _, t := range sorted {
		if len(levels) > maxSettings {
			return nil, errorf(op, "more than %d times off", maxSettings)
		}
		if n := len(levels); n == 0 || t.Off-levels[n-1].Off > 0.001 {
			levels = append(levels, StartLevel{Off: t.Off})
		}
		l := &levels[len(levels)-1]
		l.Trials++
		if t.Started {
			l.Starts++
		}
	}
	return levels, nil
}

// half fits the time off of half the starts.
func (r *StartCurveResult) half(o StartCurveOptions) {
	fit := response{target: 0.5}
	started, failed := 0.0, 0.0
	for _, l := range r.Levels {
		if l.Off <= 0 {
			continue
		}
		fit.x = append(fit.x, math.Log(l.Off))
		fit.events = append(fit.events, float64(l.Starts))
		fit.trials = append(fit.trials, float64(l.Trials))
		started += float64(l.Starts)
		failed += float64(l.Trials - l.Starts)
	}
	if len(fit.x) < 2 || started == 0 || failed == 0 {
		return
	}
	longestFailed, shortestStarted := math.Inf(-1), math.Inf(1)
	for i, x := range fit.x {
		if fit.events[i] < fit.trials[i] {
			longestFailed = x
		}
		if fit.events[i] > 0 {
			shortestStarted = math.Min(shortestStarted, x)
		}
	}
	if longestFailed < shortestStarted {
		// A clean step: every place between is as likely, and with so few
		// trials a width of the step cannot be told.
		r.HalfOff = math.Exp((longestFailed + shortestStarted) / 2)
		r.HalfOffInterval = Interval{math.Exp(longestFailed), math.Exp(shortestStarted)}
		return
	}
	f := fit.fit(o.Confidence / 100)
	r.HalfOff = math.Exp(f.at)
	r.HalfOffInterval = Interval{math.Exp(f.interval.Low), math.Exp(f.interval.High)}
}

// NextOffOptions steers the search for the shortest reliable time off.
type NextOffOptions struct {
	Shortest    float64 `unit:"s" range:"(0,)" help:"time off"`
	Longest     float64 `unit:"s" range:"(0,)" help:"time off"`
	Ratio       float64 `unit:"1" default:"1.1" range:"[1.001,)" help:"of neighbouring times off at which bisecting ends"`
	Reliability float64 `unit:"1" default:"0.9" range:"(0,1)" help:"chance of starting that counts as reliable"`
	Confidence  float64 `unit:"%" default:"90" range:"[50,100)" help:"of every statement"`
	MostTrials  int     `default:"100" range:"[1,)" help:"after which it ends in any case"`
}

// NextOffResult is what to try next.
type NextOffResult struct {
	Off         float64 `unit:"s" help:"to leave the unit off next" why:"the search is done"`
	Done        bool
	Ending      string  `help:"when done: found, never (not even after longest), trials (no more of them)"`
	ReliableOff float64 `unit:"s" help:"when found" why:"not found yet"`
}

// NextOff says which time off to try next, given the trials so far. It first
// tries Longest, then bisects (geometrically, as a time constant wants it) until
// the longest failure and the shortest start lie within Ratio; then it repeats
// the shortest start until it is reliable, and goes up by Ratio when a repeat
// fails. A loop that does as it says ends after MostTrials at the latest:
//
//	local next = measure.next_off(trials, o)
//	while not next.done do
//	  trials[#trials + 1] = { off = next.off, started = start_after(next.off) }
//	  next = measure.next_off(trials, o)
//	end
//
// After a start that failed the node may be charged: leave the unit off for
// longer than Longest, or start it once, before the next trial.
func NextOff(trials []StartTrial, o NextOffOptions) (NextOffResult, error) {
	const op = "next off"
	o, err := complete(op, o)
	if err != nil {
		return NextOffResult{}, err
	}
	if o.Shortest >= o.Longest {
		return NextOffResult{}, errorf(op, "shortest is %v s, longest %v s: shortest < longest needed", o.Shortest,
			o.Longest)
	}
	curve := StartCurveOptions{Reliability: o.Reliability, Confidence: o.Confidence}
	done := func(ending string, off float64) (NextOffResult, error) {
		return NextOffResult{Off: nan, Done: true, Ending: ending, ReliableOff: off}, nil
	}
	off := func(t float64) (NextOffResult, error) {
		if len(trials) >= o.MostTrials {
			return done("trials", nan)
		}
		return NextOffResult{Off: t, ReliableOff: nan}, nil
	}
	if len(trials) == 0 {
		return off(o.Longest)
	}
	levels, err := startLevels(op, trials)
	if err != nil {
		return NextOffResult{}, err
	}
	// Failures count from the longest time on; a level above every one of them
	// is a candidate.
	failed := o.Shortest
	var candidate *StartLevel
	for i := range levels {
		l := &levels[i]
		curve.judge(l)
		if l.Starts < l.Trials && !l.Reliable {
			failed, candidate = max(failed, l.Off), nil
		} else if candidate == nil && l.Off > failed {
			candidate = l
		}
	}
	switch {
	case candidate == nil && failed >= o.Longest-0.001:
		return done("never", nan)
	case candidate == nil:
		return off(min(o.Longest, failed*o.Ratio))
	case candidate.Off/failed > o.Ratio*1.0001:
		return off(max(math.Sqrt(candidate.Off*failed), failed+0.002))
	case candidate.Reliable:
		return done("found", candidate.Off)
	}
	return off(candidate.Off)
}

// StartTrial is one attempt to start a unit after it was off for a while.
type StartTrial struct {
	Off     float64 `unit:"s" help:"without power before the start"`
	Started bool
}

func (t StartTrial) Fault() string {
	if !statistics.Finite(t.Off) || t.Off < 0 {
		return fmt.Sprintf("%v s off", t.Off)
	}
	return ""
}

// RestartResult says how long a unit must be off before it starts again.
type RestartResult struct {
	// The true figure lies between LongestFailed and this.
	ShortestOff float64 `unit:"s" help:"after which it started, of those longer than any after which it did not"`
	// With "more", ShortestOff is the longest time tried.
	Bound         string  `help:"more: not after the longest time tried; less: it always started"`
	LongestFailed float64 `unit:"s" help:"0 when it always started"`
	Trials        int
}

// Restart sums up trials in any order, as a search by halves makes them; see
// [StartCurve] for what can be relied on. At least one is needed, each with a
// finite time off of 0 or more.
func Restart(trials []StartTrial) (RestartResult, error) {
	if len(trials) == 0 {
		return RestartResult{}, errorf("restart", "no trials, at least 1 needed")
	}
	r := RestartResult{Trials: len(trials)}
	failed := false
	for i, t := range trials {
		if fault := t.Fault(); fault != "" {
			return RestartResult{}, errorf("restart", "trial %d: %s", i+1, fault)
		}
		if !t.Started && (!failed || t.Off > r.LongestFailed) {
			r.LongestFailed, failed = t.Off, true
		}
	}
	found := false
	for _, t := range trials {
		if t.Started && (!failed || t.Off > r.LongestFailed) && (!found || t.Off < r.ShortestOff) {
			r.ShortestOff, found = t.Off, true
		}
	}
	switch {
	case !found:
		r.ShortestOff, r.Bound = r.LongestFailed, "more"
	case !failed:
		r.Bound = "less"
	}
	return r, nil
}

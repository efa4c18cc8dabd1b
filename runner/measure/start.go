package measure

import (
	"math"
	"slices"

	"fullthrow/reports/statistics"
)

// StartCurveOptions for [StartCurve].
type StartCurveOptions struct {
	// Reliability is the probability of starting that counts as reliable, 0.9
	// if not given; Confidence that of every statement here in %, 90 if not
	// given.
	Reliability, Confidence float64
	// Threshold is the share of its first voltage to which the brown-out node
	// must fall before the unit starts again, between 0 and 1. Not given: no
	// time constant.
	Threshold float64
	// Capacitance of that node in F; not given: no resistance.
	Capacitance float64
}

// StartLevel is what was seen after one time off.
type StartLevel struct {
	Off         float64 // s
	Trials      int
	Started     int
	Probability float64  // Started / Trials
	Interval    Interval // two-sided, Clopper-Pearson
	// Reliable: the one-sided lower bound of the probability (Clopper-Pearson)
	// is Reliability or more.
	Reliable bool
}

// StartCurveResult is the probability of starting against time off.
type StartCurveResult struct {
	Levels []StartLevel // by rising time off
	// ReliableOff is the shortest time off that is Reliable, as is every longer
	// one at which a start failed; s. NaN where none is: see Needed.
	ReliableOff float64
	// Needed is how many trials at one time off, all of them started, make it
	// Reliable: ln(1 - Confidence) / ln(Reliability), 22 for 90 % at 90 %.
	Needed int
	// HalfOff is the time off after which half of the starts succeed, in s, with
	// its interval (logistic in the logarithm of the time, profile likelihood).
	// NaN where all trials ended alike; an end of the interval may be infinite.
	HalfOff         float64
	HalfOffInterval Interval
	// TimeConstant of the node in s, HalfOff / ln(1/Threshold), and Resistance
	// that discharges it in Ohm, TimeConstant / Capacitance, each with its
	// interval; NaN without HalfOff, Threshold or Capacitance. Threshold and
	// Capacitance are taken as exact: their tolerance comes on top.
	TimeConstant         float64
	TimeConstantInterval Interval
	Resistance           float64
	ResistanceInterval   Interval
}

// StartCurve makes of trials, in any order, the probability of starting against
// time off; times within 1 ms count as one. A node that was charged to V0 and
// discharges through R into nothing has fallen to Threshold V0 after
// RC ln(1/Threshold).
//
// Special inputs: no trial, more than 500 times off, one that is negative or not
// finite, and options out of range are errors. One time off, or trials that all ended alike,
// have no HalfOff. Times off of 0 count as a level, but not for HalfOff.
func StartCurve(trials []StartTrial, o StartCurveOptions) (StartCurveResult, error) {
	const op = "start curve"
	c, err := o.check(op)
	if err != nil {
		return StartCurveResult{}, err
	}
	levels, err := startLevels(op, trials)
	if err != nil {
		return StartCurveResult{}, err
	}
	nan := math.NaN()
	none := Interval{nan, nan}
	r := StartCurveResult{
		Levels: levels, ReliableOff: nan, HalfOff: nan, HalfOffInterval: none,
		TimeConstant: nan, TimeConstantInterval: none, Resistance: nan, ResistanceInterval: none,
	}
	if r.Needed, err = SuccessRun(o.Reliability, o.Confidence); err != nil {
		return StartCurveResult{}, err
	}
	for i := range levels {
		o.judge(&levels[i], c)
	}
	for i := len(levels) - 1; i >= 0; i-- {
		l := levels[i]
		if l.Reliable {
			r.ReliableOff = l.Off
		} else if l.Started < l.Trials {
			break // a longer time off that fails too often makes shorter ones doubtful
		}
	}
	r.half(c)
	if o.Threshold > 0 && !math.IsNaN(r.HalfOff) {
		decay := math.Log(1 / o.Threshold)
		r.TimeConstant = r.HalfOff / decay
		r.TimeConstantInterval = Interval{r.HalfOffInterval.Low / decay, r.HalfOffInterval.High / decay}
		if o.Capacitance > 0 {
			r.Resistance = r.TimeConstant / o.Capacitance
			r.ResistanceInterval = Interval{r.TimeConstantInterval.Low / o.Capacitance, r.TimeConstantInterval.High / o.Capacitance}
		}
	}
	return r, nil
}

// check fills in what is not given and answers the confidence as a share.
func (o *StartCurveOptions) check(op string) (share float64, err error) {
	if o.Reliability == 0 {
		o.Reliability = 0.9
	}
	if o.Confidence == 0 {
		o.Confidence = 90
	}
	if share, err = confidence(op, o.Confidence); err != nil {
		return 0, err
	}
	switch {
	case !(o.Reliability > 0 && o.Reliability < 1):
		return 0, errorf(op, "reliability is %v, it must lie between 0 and 1", o.Reliability)
	case !(o.Threshold >= 0 && o.Threshold < 1):
		return 0, errorf(op, "threshold is %v, it must lie between 0 and 1", o.Threshold)
	case !finite(o.Capacitance) || o.Capacitance < 0:
		return 0, errorf(op, "capacitance is %v F", o.Capacitance)
	}
	return share, nil
}

func (o *StartCurveOptions) judge(l *StartLevel, confidence float64) {
	started, trials := float64(l.Started), float64(l.Trials)
	l.Probability = started / trials
	l.Interval.Low, l.Interval.High = statistics.ClopperPearson(started, trials, confidence)
	l.Reliable = statistics.AtLeast(started, trials, confidence) >= o.Reliability-1e-12
}

// startLevels adds up trials by time off.
func startLevels(op string, trials []StartTrial) ([]StartLevel, error) {
	if len(trials) == 0 {
		return nil, errorf(op, "no trials, at least 1 needed")
	}
	sorted := slices.Clone(trials)
	for i, t := range trials {
		if !finite(t.Off) || t.Off < 0 {
			return nil, errorf(op, "trial %d was off for %v s", i+1, t.Off)
		}
	}
	slices.SortStableFunc(sorted, func(a, b StartTrial) int {
		switch {
		case a.Off < b.Off:
			return -1
		case a.Off > b.Off:
			return 1
		}
		return 0
	})
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
			l.Started++
		}
	}
	return levels, nil
}

// half fits the time off of half the starts.
func (r *StartCurveResult) half(confidence float64) {
	fit := response{target: 0.5}
	started, failed := 0.0, 0.0
	for _, l := range r.Levels {
		if l.Off <= 0 {
			continue
		}
		fit.x = append(fit.x, math.Log(l.Off))
		fit.events = append(fit.events, float64(l.Started))
		fit.trials = append(fit.trials, float64(l.Trials))
		started += float64(l.Started)
		failed += float64(l.Trials - l.Started)
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
	f := fit.fit(confidence)
	r.HalfOff = math.Exp(f.at)
	r.HalfOffInterval = Interval{math.Exp(f.interval.Low), math.Exp(f.interval.High)}
}

// NextOffOptions steers the search for the shortest reliable time off.
type NextOffOptions struct {
	Low, High float64 // s, range searched; both needed
	// Ratio between neighbouring times off at which bisecting ends; 1.1 if not
	// given (10 %).
	Ratio                   float64
	Reliability, Confidence float64 // as in [StartCurveOptions]
	Trials                  int     // at most; 100 if not given
}

// NextOffResult is what to try next.
type NextOffResult struct {
	Off  float64 // s to leave the unit off; NaN when done
	Done bool
	// Outcome when done: "found", "never" (it did not start even after High),
	// "trials" (no more of them).
	Outcome string
	// ReliableOff when found, in s.
	ReliableOff float64
}

// NextOff says which time off to try next, given the trials so far. It first
// tries High, then bisects (geometrically, as a time constant wants it) until
// the longest failure and the shortest start lie within Ratio; then it repeats
// the shortest start until it is reliable, and goes up by Ratio when a repeat
// fails. A loop that does as it says ends after Trials at the latest:
//
//	local next = measure.next_off(trials, o)
//	while not next.done do
//	  trials[#trials + 1] = { off = next.off, started = start_after(next.off) }
//	  next = measure.next_off(trials, o)
//	end
//
// After a start that failed the node may be charged: leave the unit off for
// longer than High, or start it once, before the next trial.
func NextOff(trials []StartTrial, o NextOffOptions) (NextOffResult, error) {
	const op = "next off"
	if o.Ratio == 0 {
		o.Ratio = 1.1
	}
	if o.Trials == 0 {
		o.Trials = 100
	}
	curve := StartCurveOptions{Reliability: o.Reliability, Confidence: o.Confidence}
	c, err := curve.check(op)
	if err != nil {
		return NextOffResult{}, err
	}
	switch {
	case !(finite(o.Low) && finite(o.High) && 0 < o.Low && o.Low < o.High):
		return NextOffResult{}, errorf(op, "from %v s to %v s: 0 < low < high needed", o.Low, o.High)
	case !(o.Ratio >= 1.001 && finite(o.Ratio)):
		return NextOffResult{}, errorf(op, "ratio is %v, at least 1.001 needed", o.Ratio)
	case o.Trials < 1:
		return NextOffResult{}, errorf(op, "%d trials", o.Trials)
	}
	off := func(t float64) (NextOffResult, error) {
		if len(trials) >= o.Trials {
			return NextOffResult{Off: math.NaN(), Done: true, Outcome: "trials", ReliableOff: math.NaN()}, nil
		}
		return NextOffResult{Off: t, ReliableOff: math.NaN()}, nil
	}
	if len(trials) == 0 {
		return off(o.High)
	}
	levels, err := startLevels(op, trials)
	if err != nil {
		return NextOffResult{}, err
	}
	// Failures count from the longest time on; a level above every one of them
	// is a candidate.
	failed := o.Low
	var candidate *StartLevel
	for i := range levels {
		l := &levels[i]
		curve.judge(l, c)
		if l.Started < l.Trials && !l.Reliable {
			failed, candidate = max(failed, l.Off), nil
		} else if candidate == nil && l.Off > failed {
			candidate = l
		}
	}
	switch {
	case candidate == nil && failed >= o.High-0.001:
		return NextOffResult{Off: math.NaN(), Done: true, Outcome: "never", ReliableOff: math.NaN()}, nil
	case candidate == nil:
		return off(min(o.High, failed*o.Ratio))
	case candidate.Off/failed > o.Ratio*1.0001:
		return off(max(math.Sqrt(candidate.Off*failed), failed+0.002))
	case candidate.Reliable:
		return NextOffResult{Off: math.NaN(), Done: true, Outcome: "found", ReliableOff: candidate.Off}, nil
	}
	return off(candidate.Off)
}

package measure

import (
	"fmt"

	"fullthrow/reports/statistics"
)

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

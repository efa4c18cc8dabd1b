package yield

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

package statistics

import "fmt"

// ConfidenceError is a confidence that [Confidence] refuses.
type ConfidenceError struct{ Percent float64 }

func (e *ConfidenceError) Error() string {
	return fmt.Sprintf("confidence is %v %%, it must lie from 50 to under 100", e.Percent)
}

// Hint says what to write, if a share was given for per cent.
func (e *ConfidenceError) Hint() string {
	if e.Percent > 0 && e.Percent < 1 {
		return fmt.Sprintf("it is given in per cent: write %.6g for %.6[1]g %%", 100*e.Percent)
	}
	return ""
}

// Confidence reads a confidence as people give it, in per cent: from 50 to
// under 100. It is answered as a share of 1. Anything else, a share (0.95) too,
// is a [ConfidenceError].
func Confidence(percent float64) (share float64, err error) {
	if !(percent >= 50 && percent < 100) {
		return 0, &ConfidenceError{percent}
	}
	return percent / 100, nil
}

package measure

import (
	"math"

	"fullthrow/drivers"
	"fullthrow/reports/statistics"
)

// SwitchOptions choose what is looked at.
type SwitchOptions struct {
	Channel int `range:"[1,)" help:"of the receiver"`
}

// settleSwitch is how much of each capture's beginning is passed over, in s:
// the contact bounces and the link takes its time.
const settleSwitch = 0.06

// SwitchResult describes a switch in its two positions.
type SwitchResult struct {
	_ struct{} `why:"nothing was heard"`

	AtOff float64 `unit:"% of throw" help:"median in position off"`
	AtOn  float64 `unit:"% of throw" help:"median in position on"`
	Moves bool    `help:"the two differ by 100 % of throw or more"`
	// At least 10 % of throw; in both captures together, after the first 60 ms.
	Bounces int `help:"changes by more than a quarter of the way from one frame to the next"`
}

// Switch compares captures taken with the switch off and on, each begun at or
// after the movement and longer than 60 ms. Special inputs: silence gives NaN
// values and Moves false; a capture of 60 ms or less is an error.
func Switch(off, on drivers.Frames, o SwitchOptions) (SwitchResult, error) {
	var r SwitchResult
	o, err := complete("switch", o)
	if err != nil {
		return r, err
	}
	var rest [2][]float64
	for i, f := range []drivers.Frames{off, on} {
		if f.Length.Seconds() <= settleSwitch {
			return r, errorf("switch", "capture is %v long, more than 60 ms needed", f.Length)
		}
		frames, err := channel("switch", f, o.Channel)
		if err != nil {
			return r, err
		}
		for _, h := range frames {
			if h.at >= settleSwitch {
				rest[i] = append(rest[i], h.value)
			}
		}
	}
	r.AtOff, r.AtOn = statistics.Median(rest[0]), statistics.Median(rest[1])
	way := math.Abs(r.AtOn - r.AtOff)
	r.Moves = way >= 100
	threshold := 10.0
	if way > 4*threshold {
		threshold = way / 4
	}
	for _, x := range rest {
		for i := 1; i < len(x); i++ {
			if math.Abs(x[i]-x[i-1]) > threshold {
				r.Bounces++
			}
		}
	}
	return r, nil
}

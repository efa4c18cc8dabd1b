package measure

import (
	"math"

	"fullthrow/drivers"
)

// LinkResult describes how much of what was sent arrived.
type LinkResult struct {
	Expected  int     // frames that should have come in the time listened
	Received  int     // frames that carried something new
	Lost      int     // Expected - Received
	ErrorRate float64 // Lost in % of Expected; 100 when nothing was expected because nothing came
	// Upper is the one-sided 95 % upper bound of the error rate in %
	// (Clopper-Pearson), taking losses for independent: bursts make the true
	// bound wider. 100 when nothing was heard.
	Upper       float64
	LongestGap  float64 // s without a new frame, ends of the capture included
	BurstLength float64 // mean number of frames lost in a row; 0 when none was
	Failsafe    bool    // the receiver said so at least once
}

// Link counts frames. A frame that the receiver marks as lost counts as not
// received; so does a hole in the series, measured by the nominal period (or,
// for a format without one, by the median distance of the frames): a distance
// of about m periods hides m - 1 frames. Special inputs: nothing heard gives
// Received 0, ErrorRate and Upper 100 and LongestGap the capture's length; a
// capture without length and frames is an error.
func Link(f drivers.Frames) (LinkResult, error) {
	length := f.Length.Seconds()
	if n := len(f.Frames); n > 0 {
		length = math.Max(length, f.Frames[n-1].At.Seconds())
	}
	if length <= 0 {
		return LinkResult{}, errorf("link", "capture has no length")
	}
	period := f.Period.Seconds()
	if period < 0 {
		return LinkResult{}, errorf("link", "period is %v", f.Period)
	}
	if period == 0 && len(f.Frames) > 2 {
		gaps := make([]float64, 0, len(f.Frames))
		for i := 1; i < len(f.Frames); i++ {
			gaps = append(gaps, (f.Frames[i].At - f.Frames[i-1].At).Seconds())
		}
		period = median(gaps)
	}

	var r LinkResult
	bursts, run := 0, 0
	lose := func(n int) {
		if n > 0 {
			if run == 0 {
				bursts++
			}
			run += n
			r.Lost += n
			r.Expected += n
		}
	}
	last, lastNew := 0.0, 0.0
	for i, frame := range f.Frames {
		at := frame.At.Seconds()
		if at < last {
			return LinkResult{}, errorf("link", "frame %d is earlier than the one before", i)
		}
		if period > 0 {
			lose(int(math.Round((at-last)/period)) - 1)
		}
		last = at
		r.Failsafe = r.Failsafe || frame.Failsafe
		if frame.Lost || frame.Failsafe {
			lose(1)
			continue
		}
		r.LongestGap = math.Max(r.LongestGap, at-lastNew)
		lastNew = at
		run = 0
		r.Received++
		r.Expected++
	}
	if period > 0 {
		rest := int(math.Round((length-last)/period)) - 1
		if len(f.Frames) == 0 {
			rest = int(math.Floor(length/period + 1e-6))
		}
		lose(rest)
	}
	r.LongestGap = math.Max(r.LongestGap, length-lastNew)
	if bursts > 0 {
		r.BurstLength = float64(r.Lost) / float64(bursts)
	}
	r.ErrorRate, r.Upper = 100, 100
	if r.Expected > 0 && r.Received > 0 {
		r.ErrorRate = 100 * float64(r.Lost) / float64(r.Expected)
		_, upper := ClopperPearson(r.Lost, r.Expected, 0.90)
		r.Upper = 100 * upper
	}
	return r, nil
}

package measure

import (
	"math"

	"fullthrow/drivers"
	"fullthrow/reports/statistics"
)

// LinkResult describes how much of what was sent arrived.
type LinkResult struct {
	Expected  int     `help:"frames that should have come in the time listened"`
	Received  int     `help:"frames that carried something new"`
	Lost      int     `help:"expected - received"`
	ErrorRate float64 `unit:"%" help:"lost of expected; 100 when nothing came"`
	// Bursts make the true bound wider. 100 when nothing was heard.
	Upper float64 `unit:"%" help:"one-sided 95 % upper bound of the error rate, for independent losses"`
	// 0 to 100 when nothing was expected.
	Exact        Interval `unit:"%" help:"two-sided 95 % interval of the error rate (Clopper-Pearson)"`
	Wilson       Interval `unit:"%" help:"the same by the score"`
	LongestGap   float64  `unit:"s" help:"without a new frame, ends of the capture included"`
	BurstLength  float64  `unit:"1" help:"mean number of frames lost in a row; 0 without a loss"`
	LongestBurst int      `help:"most frames lost in a row"`
	Failsafe     bool     `help:"the receiver said so at least once"`
}

// Link counts frames. A frame that the receiver marks as lost counts as not
// received; so does a hole in the series, measured by the nominal period (or,
// for a format without one, by the median distance of the frames): a distance
// of about m periods hides m - 1 frames. Special inputs: nothing heard gives
// Received 0, ErrorRate and Upper 100 and LongestGap the capture's length; a
// capture without length and frames is an error.
func Link(f drivers.Frames) (LinkResult, error) {
	seen, err := listen("link", f)
	if err != nil {
		return LinkResult{}, err
	}
	r := LinkResult{LongestGap: seen.longestGap, Failsafe: seen.failsafe}
	bursts := 0
	for _, s := range seen.stretches {
		r.Expected += s.frames
		if s.lost {
			bursts++
			r.Lost += s.frames
			r.LongestBurst = max(r.LongestBurst, s.frames)
		}
	}
	r.Received = r.Expected - r.Lost
	if bursts > 0 {
		r.BurstLength = float64(r.Lost) / float64(bursts)
	}
	r.ErrorRate, r.Upper = 100, 100
	r.Exact, r.Wilson = Interval{0, 100}, Interval{0, 100}
	if r.Expected > 0 {
		r.Exact, r.Wilson = percent(statistics.ClopperPearson(float64(r.Lost), float64(r.Expected), 0.95)),
			percent(statistics.Wilson(float64(r.Lost), float64(r.Expected), 0.95))
		if r.Received > 0 {
			r.ErrorRate = 100 * float64(r.Lost) / float64(r.Expected)
			_, upper := statistics.ClopperPearson(float64(r.Lost), float64(r.Expected), 0.90)
			r.Upper = 100 * upper
		}
	}
	return r, nil
}

// stretch is a number of frames in a row that were all lost or all received.
type stretch struct {
	lost   bool
	frames int
}

// listened is a series of frames as received and lost, in order.
type listened struct {
	stretches  []stretch
	longestGap float64 // s
	failsafe   bool
}

func (l *listened) add(lost bool, frames int) {
	if frames <= 0 {
		return
	}
	if n := len(l.stretches); n > 0 && l.stretches[n-1].lost == lost {
		l.stretches[n-1].frames += frames
		return
	}
	l.stretches = append(l.stretches, stretch{lost, frames})
}

// listen makes a capture into received and lost frames; see [Link].
func listen(op string, f drivers.Frames) (listened, error) {
	length := f.Length.Seconds()
	if n := len(f.Frames); n > 0 {
		length = math.Max(length, f.Frames[n-1].At.Seconds())
	}
	if length <= 0 {
		return listened{}, errorf(op, "capture has no length")
	}
	period := f.Period.Seconds()
	if period < 0 {
		return listened{}, errorf(op, "period is %v", f.Period)
	}
	if period == 0 && len(f.Frames) > 2 {
		gaps := make([]float64, 0, len(f.Frames))
		for i := 1; i < len(f.Frames); i++ {
			gaps = append(gaps, (f.Frames[i].At - f.Frames[i-1].At).Seconds())
		}
		period = statistics.Median(gaps)
	}
	var l listened
	last, lastNew := 0.0, 0.0
	for i, frame := range f.Frames {
		at := frame.At.Seconds()
		if at < last {
			return listened{}, errorf(op, "frame %d is earlier than the one before", i)
		}
		if period > 0 {
			l.add(true, int(math.Round((at-last)/period))-1)
		}
		last = at
		l.failsafe = l.failsafe || frame.Failsafe
		if frame.Lost || frame.Failsafe {
			l.add(true, 1)
			continue
		}
		l.longestGap = math.Max(l.longestGap, at-lastNew)
		lastNew = at
		l.add(false, 1)
	}
	if period > 0 {
		rest := int(math.Round((length-last)/period)) - 1
		if len(f.Frames) == 0 {
			rest = int(math.Floor(length/period + 1e-6))
		}
		l.add(true, rest)
	}
	l.longestGap = math.Max(l.longestGap, length-lastNew)
	return l, nil
}

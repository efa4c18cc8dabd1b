package measure

import (
	"math"
	"time"

	"fullthrow/drivers"
	"fullthrow/reports/statistics"
)

// LinkOptions is what is known of a link beforehand.
type LinkOptions struct {
	Period float64 `unit:"s" range:"[0,1]" help:"between two frames when none is lost; 0: that of the bench file, else measured"`
}

// LinkResult describes how much of what was sent arrived.
type LinkResult struct {
	_ struct{} `why:"the time between frames is not known"`

	Expected  int     `help:"frames that should have come in the time listened"`
	Received  int     `help:"frames that carried something new"`
	Lost      int     `help:"expected - received"`
	ErrorRate float64 `unit:"%" help:"lost of expected; 100 when nothing came"`
	// The interval to judge by: it allows for losses in bursts, for the ends of the
	// capture, and for losses that lateness may hide.
	Interval Interval `unit:"%" help:"two-sided 95 % interval of the error rate, with bursts, ends and lateness"`
	Least    float64  `unit:"%" help:"so much was lost at least, whatever the time between frames is"`
	// Bursts make the true bound wider. 100 when nothing was heard.
	Upper float64 `unit:"%" help:"one-sided 95 % upper bound of the error rate, for independent losses"`
	// 0 to 100 when nothing was expected.
	Exact        Interval `unit:"%" help:"two-sided 95 % interval for independent losses (Clopper-Pearson)"`
	Wilson       Interval `unit:"%" help:"the same by the score"`
	LongestGap   float64  `unit:"s" help:"without a new frame, ends of the capture included"`
	BurstLength  float64  `unit:"1" help:"mean number of frames lost in a row; 0 without a loss"`
	LongestBurst int      `help:"most frames lost in a row"`
	Failsafe     bool     `help:"the receiver said so at least once"`

	Period   float64    `unit:"s" help:"between two frames when none is lost; of the longest part"`
	Measured bool       `help:"the period was measured from the frames, not given"`
	Unknown  string     `help:"why the time between frames is not known; empty if it is"`
	Parts    []LinkPart `help:"where the frame rate changed: one for each rate"`
}

// LinkPart is a part of a capture with one frame rate.
type LinkPart struct {
	From     float64 `unit:"s" help:"when it begins"`
	Period   float64 `unit:"s" help:"between two frames when none is lost"`
	Expected int     `help:"frames that should have come in it"`
	Lost     int     `help:"of them"`
}

// longestPeriod bounds what is not known: no receiver sends fewer frames.
const longestPeriod = 0.0255 // s

// Link counts frames over time, against the grid on which they are sent; see
// [drivers.Paces] for how that is found where no period is given. A frame that the
// receiver marks as lost counts as not received, and so does a place of the grid
// without a frame. Where the frame rate changes in the capture each part has its
// own grid, and the change itself is no loss.
//
// Special inputs: nothing heard gives Received 0, ErrorRate and Upper 100 and
// LongestGap the capture's length. Where the time between frames cannot be told,
// Unknown says why: ErrorRate is none, only Least is known, and Expected and Lost
// count the frames that came. A capture without length and frames, and frames that
// come at another rate than the one given, are an error.
func Link(f drivers.Frames, o LinkOptions) (LinkResult, error) {
	if o.Period != 0 {
		if !(o.Period > 0 && o.Period <= 1) {
			return LinkResult{}, errorf("link", "period is %v s", o.Period)
		}
		f.Period = time.Duration(math.Round(o.Period * 1e9))
	}
	seen, err := listen("link", f)
	if err != nil {
		return LinkResult{}, err
	}
	r := LinkResult{LongestGap: seen.longestGap, Failsafe: seen.failsafe, Period: nan, Parts: seen.parts}
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
	longest := 0
	for _, p := range seen.parts {
		if p.Expected >= longest {
			longest, r.Period, r.Measured = p.Expected, p.Period, seen.measured
		}
	}
	r.ErrorRate, r.Upper, r.Least = 100, 100, 100
	r.Exact, r.Wilson, r.Interval = Interval{0, 100}, Interval{0, 100}, Interval{0, 100}
	if seen.unknown != nil {
		due := (seen.length - 2*longestPeriod) / longestPeriod
		r.ErrorRate, r.Unknown = nan, seen.unknown.Error()
		r.Least = 100 * math.Max(0, 1-float64(r.Received)/math.Max(due, 1))
		return r, nil
	}
	if r.Expected > 0 {
		r.Exact, r.Wilson = percent(statistics.ClopperPearson(float64(r.Lost), float64(r.Expected), 0.95)),
			percent(statistics.Wilson(float64(r.Lost), float64(r.Expected), 0.95))
		few, many := float64(max(0, r.Lost-seen.fewer)), float64(r.Lost+seen.more)
		all := float64(r.Received) + many
		share := 1 / burstsOf(seen.stretches).Inflation
		low, _ := statistics.ClopperPearson(few*share, (float64(r.Received)+few)*share, 0.95)
		_, high := statistics.ClopperPearson(many*share, all*share, 0.95)
		r.Interval = percent(low, high)
		r.Least = r.Interval.Low
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
	stretches   []stretch
	parts       []LinkPart
	longestGap  float64 // s
	length      float64 // s
	failsafe    bool
	measured    bool  // the period, from the frames
	unknown     error // why the period is not known
	fewer, more int   // losses that there may be beside those counted
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
	l := listened{length: f.Length.Seconds()}
	n := len(f.Frames)
	at := make([]time.Duration, n)
	for i := range f.Frames {
		at[i] = f.Frames[i].At
		if i > 0 && at[i] < at[i-1] {
			return listened{}, errorf(op, "frame %d is earlier than the one before", i)
		}
	}
	if n > 0 {
		l.length = math.Max(l.length, at[n-1].Seconds())
	}
	if l.length <= 0 {
		return listened{}, errorf(op, "capture has no length")
	}
	if f.Period < 0 {
		return listened{}, errorf(op, "period is %v", f.Period)
	}
	last := 0.0
	for i, frame := range f.Frames {
		l.failsafe = l.failsafe || frame.Failsafe
		if !isLost(frame) {
			l.longestGap = math.Max(l.longestGap, at[i].Seconds()-last)
			last = at[i].Seconds()
		}
	}
	l.longestGap = math.Max(l.longestGap, l.length-last)
	if n == 0 {
		if f.Period > 0 {
			due := int(math.Floor(l.length/f.Period.Seconds() + 1e-6))
			l.add(true, due)
			l.parts = []LinkPart{{Period: f.Period.Seconds(), Expected: due, Lost: due}}
		}
		return l, nil
	}
	paces, err := drivers.Paces(at, f.Period)
	if err != nil {
		if f.Period > 0 {
			return listened{}, errorf(op, "%v", err)
		}
		l.unknown = err
		for _, frame := range f.Frames {
			l.add(isLost(frame), 1)
		}
		return l, nil
	}
	l.count(f, at, paces)
	return l, nil
}

// isLost says whether the receiver had nothing new to say.
func isLost(f drivers.Frame) bool { return f.Lost || f.Failsafe }

// count counts frames and holes on the grid of each pace.
func (l *listened) count(f drivers.Frames, at []time.Duration, paces []drivers.Pace) {
	before, beforePeriod := 0.0, 0.0 // when the frame before was due
	// A hole ends half a period before what follows it: what is due at an end of the
	// capture may have come a moment outside.
	hole := func(until, period float64) int { return max(0, int(math.Round((until-before)/period))-1) }
	l.more = 2
	for _, p := range paces {
		period := p.Period.Seconds()
		part := LinkPart{From: before, Period: period}
		l.measured = l.measured || !p.Given
		slot, first, lateness := drivers.Slots(at[p.From:p.To], p.Period)
		if p.Hidden > 0 { // none seems to be missing
			for i := range slot {
				slot[i] = i
				first = min(first, at[p.From+i]-time.Duration(i)*p.Period)
			}
		}
		add := func(lost bool, frames int) {
			l.add(lost, frames)
			part.Expected += max(0, frames)
			if lost {
				part.Lost += max(0, frames)
			}
		}
		// At a change of rate nobody knows which of the two a hole belongs to.
		missing := hole(first.Seconds(), math.Max(period, beforePeriod))
		if beforePeriod > 0 {
			part.From = at[p.From].Seconds()
			l.more += hole(first.Seconds(), math.Min(period, beforePeriod)) - missing + 1
			l.fewer++
		}
		add(true, missing)
		for i, s := range slot {
			if i > 0 {
				add(true, s-slot[i-1]-1)
			}
			add(isLost(f.Frames[p.From+i]), 1)
		}
		if late := lateness.Seconds() / period; late > 0.5 {
			l.fewer, l.more = l.fewer+int(math.Ceil(late)), l.more+int(math.Ceil(late))
		}
		l.more += p.Hidden
		before, beforePeriod = first.Seconds()+float64(slot[len(slot)-1])*period, period
		if p.Hidden > 0 { // the last ones may be on their way
			before += lateness.Seconds()
		}
		if p.To == len(at) {
			add(true, hole(l.length, period))
		}
		l.parts = append(l.parts, part)
	}
}

// counted is [Link] for whoever needs its counts: an error where they are not known.
func counted(op string, f drivers.Frames) (LinkResult, error) {
	r, err := Link(f, LinkOptions{})
	if err == nil && r.Unknown != "" {
		err = errorf(op, "%s", r.Unknown)
	}
	return r, err
}

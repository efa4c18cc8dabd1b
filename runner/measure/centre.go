package measure

import (
	"math"
	"slices"

	"fullthrow/drivers"
	"fullthrow/reports/statistics"
)

// Release is one stick that was let go, and what was heard while it rested.
type Release struct {
	From   float64        `unit:"1" help:"side it came from: below 0 the low side, above 0 the high side"`
	Frames drivers.Frames `help:"what was heard while it rested"`
}

// CentreOptions choose what is looked at.
type CentreOptions struct {
	Channel int     `range:"[1,)" help:"of the receiver"`
	Skip    float64 `unit:"s" range:"[0,)" help:"passed over at the beginning of each release"`
}

// CentreResult describes where a stick comes to rest, in % of throw. Each is
// NaN when fewer frames were heard than it needs.
type CentreResult struct {
	_ struct{} `why:"too little was heard"`

	Offset     float64 `unit:"% of throw" help:"mean of the mean resting values from the two sides"`
	Play       float64 `unit:"% of throw" help:"mean resting value from the high side less that from the low side"`
	Spread     float64 `unit:"% of throw" help:"largest less smallest resting value"`
	FromLow    float64 `unit:"% of throw" help:"mean resting value from the low side"`
	FromHigh   float64 `unit:"% of throw" help:"mean resting value from the high side"`
	SpreadLow  float64 `unit:"% of throw" help:"spread of those from the low side, play apart"`
	SpreadHigh float64 `unit:"% of throw" help:"spread of those from the high side"`
	Noise      float64 `unit:"% of throw" help:"rms within 50 ms, pooled over all rests"`
	// Noise alone gives about its own size.
	Wiggle          float64 `unit:"% of throw" help:"slow wander: spread of the means over 50 ms, the worst rest"`
	NoisePeakToPeak float64 `unit:"% of throw" help:"within 50 ms, the largest"`
	Heard           int     `help:"frames used"`
	SilentReleases  int     `help:"releases of which nothing was heard"`
}

// wiggleBlock is the length, in s, that parts noise from wander.
const wiggleBlock = 0.05

// Centre compares resting values. It needs releases from both sides, each
// capture longer than Skip. Special inputs: rests of which nothing was heard
// are counted in SilentReleases and left out; if that leaves a side empty, Offset, Play
// and the figures of that side are NaN. One rest on a side has spread 0.
// Constant (clipped, stuck) values give figures of 0 about where they stand. No
// trials, a side without trials, an empty capture, or a setting that is NaN or
// infinite is an error.
func Centre(trials []Release, o CentreOptions) (CentreResult, error) {
	o, err := complete("centre", o)
	if err != nil {
		return CentreResult{}, err
	}
	var side [2]int
	for i, t := range trials {
		switch {
		case t.From < 0:
			side[0]++
		case t.From > 0:
			side[1]++
		default:
			return CentreResult{}, errorf("centre", "release %d comes from %v, which is neither side", i+1, t.From)
		}
		if t.Frames.Length.Seconds() <= o.Skip {
			return CentreResult{}, errorf("centre", "capture %d is %v long, more than %v s needed", i+1,
				t.Frames.Length, o.Skip)
		}
	}
	if side[0] == 0 || side[1] == 0 {
		return CentreResult{}, errorf("centre", "%d releases from the low side and %d from the high side, both needed",
			side[0], side[1])
	}

	r := missing[CentreResult]()
	var rests [2][]float64
	var all []float64
	var squares float64
	var freedom int
	for _, t := range trials {
		frames, err := channel("centre", t.Frames, o.Channel)
		if err != nil {
			return CentreResult{}, err
		}
		var values, blocks, block []float64
		until := o.Skip + wiggleBlock
		closeBlock := func() {
			if len(block) == 0 {
				return
			}
			m, sd := meanSD(block)
			blocks = append(blocks, m)
			if a, b := extremes(block); !(b-a <= r.NoisePeakToPeak) {
				r.NoisePeakToPeak = b - a
			}
			squares += sd * sd * float64(len(block)-1)
			freedom += len(block) - 1
			block = block[:0]
		}
		for _, h := range frames {
			if h.at < o.Skip {
				continue
			}
			for h.at >= until {
				closeBlock()
				until += wiggleBlock
			}
			values = append(values, h.value)
			block = append(block, h.value)
		}
		closeBlock()
		if len(values) == 0 {
			r.SilentReleases++
			continue
		}
		r.Heard += len(values)
		rest := statistics.Mean(values)
		all = append(all, rest)
		if t.From < 0 {
			rests[0] = append(rests[0], rest)
		} else {
			rests[1] = append(rests[1], rest)
		}
		low, high := extremes(blocks)
		if math.IsNaN(r.Wiggle) || high-low > r.Wiggle {
			r.Wiggle = high - low
		}
	}
	r.FromLow, _ = meanSD(rests[0])
	r.FromHigh, _ = meanSD(rests[1])
	r.Offset, r.Play = (r.FromLow+r.FromHigh)/2, r.FromHigh-r.FromLow
	for _, s := range []struct {
		to     *float64
		values []float64
	}{{&r.Spread, all}, {&r.SpreadLow, rests[0]}, {&r.SpreadHigh, rests[1]}} {
		if len(s.values) > 0 {
			a, b := extremes(s.values)
			*s.to = b - a
		}
	}
	if freedom > 0 {
		r.Noise = math.Sqrt(squares / float64(freedom))
	}
	return r, nil
}

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

// CrossTalkOptions choose what is looked at.
type CrossTalkOptions struct {
	Channel  int     `range:"[1,)" help:"of the receiver, that the axis is meant to move"`
	Axis     string  `help:"of the path, as left_x; needed"`
	Channels []int   `range:"[1,)" help:"the others to look at, as 2,3,4; not given: all"`
	Lag      float64 `unit:"s" help:"as travel finds it"`
	Skip     float64 `unit:"s" default:"0.05" range:"[0,)" help:"passed over at each dwell's start, after the lag"`
}

// ChannelResponse is what one channel does while an axis that is not its own
// moves. All figures are NaN when it was not heard at two positions or more.
type ChannelResponse struct {
	_ struct{} `why:"not heard at two positions"`

	Channel     int
	Gain        float64 `unit:"%" help:"of throw that a full throw of the axis moves it, by least squares"`
	Uncertainty float64 `unit:"%" help:"of gain, expanded (k = 2)"`
	// Noise alone gives a little.
	Response float64 `unit:"% of throw" help:"largest less smallest mean at one position"`
	// It sees what only a moving stick does, and noise.
	Movement float64 `unit:"% of throw" help:"largest less smallest value while the axis moves"`
}

// CrossTalkResult lists the channels looked at, and the worst.
type CrossTalkResult struct {
	_ struct{} `why:"nothing was heard"`

	Responses []ChannelResponse `help:"of each channel, in the order asked for"`
	Worst     float64           `unit:"% of throw" help:"the largest response"`
	Channel   int               `help:"which has it; 0 if nothing was heard"`
	Follows   float64           `unit:"1" help:"slope of the axis' own channel, to show that it moved"`
}

// CrossTalk looks at the other channels while a stepped sweep moves one axis
// alone; a path that moves another axis as well is an error, since what the
// others do is then their own.
//
// Special inputs: a capture without frames gives NaN and Channel 0; constant
// (stuck, clipped) channels give 0; a frame without one of the channels, a
// channel below 1, and settings that are NaN or infinite are errors. The order
// of the channels changes nothing but the order of the results.
func CrossTalk(f drivers.Frames, p drivers.Path, o CrossTalkOptions) (CrossTalkResult, error) {
	r := missing[CrossTalkResult]()
	o, err := complete("cross talk", o)
	if err != nil {
		return r, err
	}
	for i, s := range p {
		for axis, from := range s.From {
			if to := s.To[axis]; axis != o.Axis && to != from {
				return r, errorf("cross talk", "segment %d moves %s as well", i+1, axis)
			}
		}
	}
	own, moves, err := along("cross talk", f, o.Channel, o.Axis, p)
	if err != nil {
		return r, err
	}
	channels := slices.Clone(o.Channels)
	if len(channels) == 0 && len(f.Frames) > 0 {
		for ch := range f.Frames[0].Channels {
			if ch+1 != o.Channel {
				channels = append(channels, ch+1)
			}
		}
	}
	end := f.Length.Seconds()
	if n := len(own); n > 0 {
		end = math.Max(end, own[n-1].at)
	}
	r.Follows = responseOf(own, moves, end, o).Gain / 100
	for _, ch := range channels {
		frames, err := channel("cross talk", f, ch)
		if err != nil {
			return r, err
		}
		c := responseOf(frames, moves, end, o)
		c.Channel = ch
		r.Responses = append(r.Responses, c)
		if !(c.Response <= r.Worst) && !math.IsNaN(c.Response) {
			r.Worst, r.Channel = c.Response, ch
		}
	}
	return r, nil
}

func responseOf(frames []heard, moves []move, end float64, o CrossTalkOptions) ChannelResponse {
	r := missing[ChannelResponse]()
	dwells := dwellsOf(moves, end)
	settle(frames, dwells, o.Lag, o.Skip)
	dwells = slices.DeleteFunc(dwells, func(d dwell) bool { return len(d.values) == 0 })
	c := curveOf(dwells)
	if len(c) < 2 {
		return r
	}
	var x, y []float64
	for _, d := range dwells {
		x, y = append(x, d.position), append(y, d.mean)
	}
	intercept, slope := leastSquares(x, y)
	r.Gain = 100 * slope
	if n := len(x); n > 2 {
		mean := statistics.Mean(x)
		var rest, way float64
		for i := range x {
			e := y[i] - intercept - slope*x[i]
			rest, way = rest+e*e, way+(x[i]-mean)*(x[i]-mean)
		}
		r.Uncertainty = 200 * math.Sqrt(rest/float64(n-2)/way)
	}
	low, high := c[0].mean, c[0].mean
	for _, p := range c {
		low, high = min(low, p.mean), max(high, p.mean)
	}
	r.Response = high - low
	first := true
	for _, m := range moves {
		run := between(frames, m.start+o.Lag, m.end+o.Lag)
		if len(run) == 0 {
			continue
		}
		a, b := extremesHeard(run)
		if first {
			low, high, first = a, b, false
		}
		low, high = min(low, a), max(high, b)
	}
	if !first {
		r.Movement = high - low
	}
	return r
}

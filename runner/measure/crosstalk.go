package measure

import (
	"math"
	"slices"

	"fullthrow/drivers"
	"fullthrow/reports/statistics"
)

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

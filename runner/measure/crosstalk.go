package measure

import (
	"math"
	"slices"

	"fullthrow/drivers"
	"fullthrow/reports/statistics"
)

// CrossTalkOptions choose what is looked at.
type CrossTalkOptions struct {
	Channel  int     // the one that the axis is meant to move, 1 first
	Axis     string  // of the path: "left_x"
	Channels []int   // the others to look at; none: all but Channel
	Lag      float64 // s, as Travel finds it
	Skip     float64 // s at the beginning of each dwell that are passed over, after the lag (0: 0.05)
}

// ChannelResponse is what one channel does while an axis that is not its own
// moves. All figures are NaN when it was not heard at two positions or more.
type ChannelResponse struct {
	Channel int
	// Gain is the slope of its settled values against the commanded position by
	// least squares, in %: 1 means that a full throw of the axis moves the
	// channel by 1 % of throw. Uncertainty is that of Gain, expanded (k = 2).
	Gain, Uncertainty float64
	// Response is the largest less the smallest mean of its settled values at
	// one position, in % of throw; noise alone gives a little.
	Response float64
	// Movement is the largest less the smallest value while the axis moves, in
	// % of throw; it sees what only a moving stick does, and noise.
	Movement float64
}

// CrossTalkResult lists the channels looked at, and the worst.
type CrossTalkResult struct {
	Channels []ChannelResponse // in the order asked for
	Worst    float64           // the largest Response; NaN if nothing was heard
	Channel  int               // which has it; 0 if nothing was heard
	Follows  float64           // slope of the axis' own channel, to show that it moved
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
	r := CrossTalkResult{Worst: math.NaN(), Follows: math.NaN()}
	if o.Skip == 0 {
		o.Skip = 0.05
	}
	if !finite(o.Skip) || o.Skip < 0 || !finite(o.Lag) {
		return r, errorf("cross talk", "skip is %v s and lag %v s", o.Skip, o.Lag)
	}
	for i, s := range p {
		for axis, from := range s.From {
			if to := s.To[axis]; axis != o.Axis && to != from {
				return r, errorf("cross talk", "segment %d moves %s as well", i+1, axis)
			}
		}
	}
	moves, err := movesOf("cross talk", p, o.Axis, f.Start)
	if err != nil {
		return r, err
	}
	own, err := channel("cross talk", f, o.Channel)
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
		r.Channels = append(r.Channels, c)
		if !(c.Response <= r.Worst) && !math.IsNaN(c.Response) {
			r.Worst, r.Channel = c.Response, ch
		}
	}
	return r, nil
}

func responseOf(frames []heard, moves []move, end float64, o CrossTalkOptions) ChannelResponse {
	nan := math.NaN()
	r := ChannelResponse{Gain: nan, Uncertainty: nan, Response: nan, Movement: nan}
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

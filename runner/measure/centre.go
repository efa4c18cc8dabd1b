package measure

import (
	"math"

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

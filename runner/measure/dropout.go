package measure

import "math"

// DirtySpot is a stretch of the travel on which dropouts were heard.
type DirtySpot struct {
	From      float64 `unit:"% of throw" help:"commanded"`
	To        float64 `unit:"% of throw" help:"commanded"`
	Dropouts  int     `help:"times"`
	FramesOut int     `help:"frames that were out of the way"`
	Furthest  float64 `unit:"% of throw" help:"the value furthest from the expected one"`
}

// dropouts counts departures from the expected way. A frame is out when it is
// too far from everything the average curve gives within 20 ms around its own
// moment: a link may send a value twice, or hold it for a packet.
func dropouts(r *TravelResult, frames []heard, moves []move, c curve, lag float64) {
	const slack = 0.02
	c = c.unspotted(r.Follows)
	const near = 3.0 // % of throw: closer ones are of one spot
	out := false
	var found []DirtySpot
	for _, h := range frames {
		low, high := math.Inf(1), math.Inf(-1)
		at := 0.0
		for _, dt := range []float64{-slack, slack / 2, 0} {
			at, _ = commanded(moves, h.at-lag+dt)
			a, b := standing(moves, h.at-lag+dt)
			for _, v := range []float64{c.at(a), c.at(b)} {
				low, high = min(low, v), max(high, v)
			}
		}
		was := out
		out = h.value < low-dropoutSize || h.value > high+dropoutSize
		if !out {
			continue
		}
		if was {
			s := &found[len(found)-1]
			s.From, s.To, s.FramesOut = min(s.From, at), max(s.To, at), s.FramesOut+1
			s.further(h.value, c)
			continue
		}
		r.Dropouts++
		found = append(found, DirtySpot{From: at, To: at, Dropouts: 1, FramesOut: 1, Furthest: h.value})
	}
	for _, i := range sortedBy(len(found), func(i int) float64 { return found[i].From }) {
		s := found[i]
		if n := len(r.Spots); n > 0 && s.From <= r.Spots[n-1].To+near {
			last := &r.Spots[n-1]
			last.To, last.Dropouts, last.FramesOut = max(last.To, s.To), last.Dropouts+s.Dropouts, last.FramesOut+
				s.FramesOut
			last.further(s.Furthest, c)
			continue
		}
		r.Spots = append(r.Spots, s)
	}
}

// further keeps the value that lies further from the curve.
func (s *DirtySpot) further(value float64, c curve) {
	if v := c.at(s.From); math.Abs(value-v) > math.Abs(s.Furthest-v) {
		s.Furthest = value
	}
}

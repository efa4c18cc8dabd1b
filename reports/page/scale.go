package page

import (
	"fullthrow/reports"
	"math"
)

// Drawn size of a scale, in CSS pixels.
const (
	scaleWidth = 330.0
	scaleInset = 14.0 // room for the arrow of a value off the scale
)

// scale is the drawing of a reading and its limits on one axis. All numbers
// are places in the drawing, from its left edge.
type scale struct {
	Width            float64
	From, To         float64 // the axis
	BandFrom, BandTo float64 // what the limits allow
	OpenLeft         bool    // no lower limit: the band goes on
	OpenRight        bool
	Guards           []span
	Ticks            []tick
	Value            float64 // marker
	Off              int     // -1 the value lies left of the drawing, +1 right
	WhiskerFrom      float64 // expanded uncertainty about the value
	WhiskerTo        float64
	HasWhisker       bool
	Bound            int // +1 the value may be anything above, -1 below
	Verdict          reports.Verdict
	ID, Title, Desc  string
}

type span struct{ From, To float64 }

type tick struct {
	At    float64
	Label string
	Limit bool
}

// newScale draws a reading with a lower or upper limit; ok is false where there
// is nothing to draw: no number, no such limit, limits that are not in order.
//
// With both limits, they stand at 1/4 and 3/4 of the axis. With one limit, the
// axis begins at 0 where an upper limit bounds a quantity that cannot be
// negative, and otherwise is long enough to hold the value; a value further
// out than the drawing is an arrow at its edge.
func newScale(rd reports.Reading, id string) (s scale, ok bool) {
	x, isNumber := rd.Value.Number()
	l := rd.Limit
	if !isNumber || l == nil || l.Lower == nil && l.Upper == nil || math.IsNaN(x) || math.IsInf(x, 0) {
		return s, false
	}
	var from, to float64 // in the reading's unit
	zero := false
	switch {
	case l.Lower != nil && l.Upper != nil:
		width := *l.Upper - *l.Lower
		if !(width > 0) {
			return s, false
		}
		from, to = *l.Lower-width/2, *l.Upper+width/2
		if from < 0 && *l.Lower >= 0 && x >= 0 && !level(rd.Unit) {
			from, zero = 0, true
		}
	case l.Upper != nil && *l.Upper > 0 && x >= 0 && !level(rd.Unit):
		from, to, zero = 0, *l.Upper/0.72, true
	default:
		limit, side := 0.0, 1.0
		if l.Lower != nil {
			limit = *l.Lower
		} else {
			limit, side = *l.Upper, -1
		}
		reach := math.Abs(limit) / 4
		if reach == 0 {
			reach = 1
		}
		reach = max(reach, min(math.Abs(x-limit)*1.4, 16*reach), 4*l.Guard)
		from, to = limit-side*reach/2, limit+side*reach
		if (x-limit)*side < 0 {
			from, to = limit-side*reach, limit+side*reach/2
		}
		from, to = min(from, to), max(from, to)
	}
	if !(to > from) || math.IsInf(to-from, 0) {
		return s, false
	}
	place := func(v float64) float64 {
		return scaleInset + (scaleWidth-2*scaleInset)*(v-from)/(to-from)
	}
	inside := func(v float64) float64 { return min(max(place(v), scaleInset), scaleWidth-scaleInset) }

	s = scale{Width: scaleWidth, From: scaleInset, To: scaleWidth - scaleInset, Verdict: rd.Verdict, ID: id}
	s.BandFrom, s.BandTo = s.From, s.To
	s.OpenLeft, s.OpenRight = l.Lower == nil && !zero, l.Upper == nil
	if l.Lower != nil {
		s.BandFrom = inside(*l.Lower)
		s.Ticks = append(s.Ticks, tick{s.BandFrom, minus(reports.FormatQuantity(*l.Lower, rd.Unit)), true})
		if l.Guard > 0 {
			s.Guards = append(s.Guards, span{s.BandFrom, inside(*l.Lower + l.Guard)})
		}
	}
	if zero && (l.Lower == nil || *l.Lower > 0 && place(*l.Lower) > scaleInset+60) {
		s.Ticks = append(s.Ticks, tick{place(0), "0", false})
	}
	if l.Upper != nil {
		s.BandTo = inside(*l.Upper)
		s.Ticks = append(s.Ticks, tick{s.BandTo, minus(reports.FormatQuantity(*l.Upper, rd.Unit)), true})
		if l.Guard > 0 {
			s.Guards = append(s.Guards, span{inside(*l.Upper - l.Guard), s.BandTo})
		}
	}
	switch {
	case x < from:
		s.Off, s.Value = -1, s.From
	case x > to:
		s.Off, s.Value = 1, s.To
	default:
		s.Value = place(x)
	}
	if u := rd.Uncertainty; u > 0 && s.Off == 0 {
		s.WhiskerFrom, s.WhiskerTo = inside(x-u), inside(x+u)
		s.HasWhisker = s.WhiskerTo-s.WhiskerFrom > 3
	}
	s.Bound = map[string]int{"more": 1, "less": -1}[rd.Bound]
	return s, true
}

// level reports whether zero is no natural beginning for values in unit.
func level(unit string) bool { return unit == "dB" || unit == "dBm" || unit == "Cel" }

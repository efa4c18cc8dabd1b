package repair

import (
	"fmt"
	"html"
	"html/template"
	"math"
	"slices"
	"strings"

	"fullthrow/reports"
	"fullthrow/reports/wording"
)

// Drawn size of a strip, in pixels of its own.
const (
	stripWide, stripTall = 640.0, 104.0
	stripLeft, stripEnd  = 22.0, 618.0
	stripTop, stripLine  = 36.0, 68.0
	// stripReach is how many times the span of limits and good units a value may
	// lie off and still be drawn in its place; one further out is an arrow.
	stripReach = 12.0
	letter     = 8.2 // about the width of one
)

// strip draws a reading to scale: what is allowed, good units as fine lines,
// and this unit as a diamond. It is empty for a reading that is no number or
// has no lower or upper limit. Values that are not finite are left out.
func strip(t *wording.Translator, id string, r reports.Reading, good []float64, title, desc string) template.HTML {
	x, isNumber := r.Value.Number()
	l := r.Limit
	if !isNumber || l == nil || l.Lower == nil && l.Upper == nil || math.IsNaN(x) || math.IsInf(x, 0) {
		return ""
	}
	var edges []float64
	hold := func(v float64) {
		if !math.IsNaN(v) && !math.IsInf(v, 0) {
			edges = append(edges, v)
		}
	}
	for _, e := range []*float64{l.Lower, l.Upper} {
		if e != nil {
			hold(*e)
		}
	}
	for _, v := range good {
		hold(v)
	}
	if len(edges) == 0 {
		return ""
	}
	low, high := slices.Min(edges), slices.Max(edges)
	span := high - low
	if span == 0 {
		span = max(math.Abs(low), math.Abs(x-low), 1e-12) / 2
	}
	off := 0
	switch {
	case x > high+stripReach*span:
		off, high = 1, high+2*span
	case x < low-stripReach*span:
		off, low = -1, low-2*span
	default:
		low, high = min(low, x), max(high, x)
	}
	if low == high {
		low, high = low-span, high+span
	}
	if low >= 0 && x >= 0 && low < 0.4*(high-low) && r.Unit != "dB" && r.Unit != "dBm" && r.Unit != "Cel" {
		low = 0 // so near that zero should be seen
	}
	margin := (high - low) * 0.04
	if !(margin > 0) || math.IsInf(margin, 0) {
		return ""
	}
	from, to := low-margin, high+margin
	at := func(v float64) float64 {
		return min(max(stripLeft+(stripEnd-stripLeft)*(v-from)/(to-from), stripLeft), stripEnd)
	}
	var b strings.Builder
	add := func(format string, args ...any) { fmt.Fprintf(&b, format, args...) }
	esc := html.EscapeString
	add(`<svg xmlns="http://www.w3.org/2000/svg" class="plot strip" viewBox="0 0 %g %g" role="img" aria-labelledby="%s-t %s-d"><title id="%s-t">%s</title><desc id="%s-d">%s</desc>`,
		stripWide, stripTall, esc(id), esc(id), esc(id), esc(title), esc(id), esc(desc))
	bandFrom, bandTo := stripLeft, stripEnd
	if l.Lower != nil {
		bandFrom = at(*l.Lower)
	}
	if l.Upper != nil {
		bandTo = at(*l.Upper)
	}
	add(`<rect class="allowed" x="%.1f" y="%g" width="%.1f" height="%g"/>`, bandFrom, stripTop, max(bandTo-bandFrom, 0.5), stripLine-stripTop)
	seen := map[int]bool{}
	for _, v := range good {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			continue
		}
		if p := at(v); !seen[int(2*p)] { // more would lie on each other
			seen[int(2*p)] = true
			add(`<path class="good" d="M%.1f %gV%g"/>`, p, stripTop+8, stripLine)
		}
	}
	add(`<path class="axis" d="M%g %gH%g"/>`, stripLeft, stripLine, stripEnd)
	type label struct {
		at   float64
		text string
	}
	var labels []label
	for _, e := range []*float64{l.Lower, l.Upper} {
		if e != nil {
			add(`<path class="limit" d="M%.1f %gV%g"/>`, at(*e), stripTop-6, stripLine+6)
			labels = append(labels, label{at(*e), t.Quantity(*e, r.Unit)})
		}
	}
	wide := func(s string) float64 { return letter * float64(len([]rune(s))) }
	place := func(p float64, s string) float64 {
		return min(max(p, wide(s)/2+2), stripWide-wide(s)/2-2)
	}
	if len(labels) == 2 { // apart from each other
		if gap := labels[1].at - labels[0].at - (wide(labels[0].text)+wide(labels[1].text))/2 - 12; gap < 0 {
			labels[0].at += gap / 2
			labels[1].at -= gap / 2
		}
	}
	for _, k := range labels {
		add(`<text x="%.1f" y="%g" text-anchor="middle">%s</text>`, place(k.at, k.text), stripLine+24, esc(k.text))
	}
	p := at(x)
	mid := (stripTop + stripLine) / 2
	switch off {
	case 1:
		add(`<path class="this" d="M%g %gl-14-11v22z"/>`, stripEnd, mid)
	case -1:
		add(`<path class="this" d="M%g %gl14-11v22z"/>`, stripLeft, mid)
	default:
		add(`<path class="this" d="M%.1f %gl11 11-11 11-11-11z"/>`, p, mid-11)
	}
	name := t.Value(r)
	add(`<text class="strong" x="%.1f" y="20" text-anchor="middle">%s</text></svg>`, place(p, name), esc(name))
	return template.HTML(b.String())
}

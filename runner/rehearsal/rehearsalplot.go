package rehearsal

import (
	"fmt"
	"html"
	"math"
	"strings"

	"fullthrow/runner/measure"
)

// The drawing, in pixels: small panels of one defect each, side by side.
const (
	plotColumns = 4
	plotMargin  = 24
	panelWidth  = 262
	panelHeight = 188
	panelLeft   = 40 // of the axes, within a panel
	panelTop    = 50
	panelRight  = 12
	panelBottom = 30
	plotHead    = 148
)

// Svg draws the share caught against severity, one panel a kind of defect. It
// is one text without anything from outside; each panel says in words what it
// shows, and nothing is told by colour alone.
func (r *rehearsalResult) Svg() []byte {
	var graded []defectResult
	var flat []string
	for _, d := range r.Defects {
		if d.Graded {
			graded = append(graded, d)
		} else {
			flat = append(flat, d.flatLine())
		}
	}
	rows := (len(graded) + plotColumns - 1) / plotColumns
	width := 2*plotMargin + plotColumns*panelWidth
	foot := plotHead + rows*panelHeight
	height := foot + plotMargin
	if len(flat) > 0 {
		height += 30 + 18*((len(flat)+1)/2)
	}
	var b strings.Builder
	title := fmt.Sprintf("%s: what the plan catches", r.titles.product)
	about := fmt.Sprintf("%d simulated units of the population and %d with one defect each, seed %d. Invented data.", r.Population.Units, r.swept(), r.Seed)
	fmt.Fprintf(&b, `<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 %d %d" width="%d" height="%d" role="img" aria-labelledby="title about" font-family="system-ui, 'Segoe UI', 'DejaVu Sans', sans-serif" font-size="11" fill="#1b1f24">
<title id="title">%s</title>
<desc id="about">%s Share of units caught against the severity of their defect, one panel for each kind of defect, with the severities at which half and 95 %% are caught.</desc>
<defs><pattern id="must" width="6" height="6" patternUnits="userSpaceOnUse" patternTransform="rotate(45)"><rect width="6" height="6" fill="#eef2f6"/><line x1="0" y1="0" x2="0" y2="6" stroke="#d5dde6" stroke-width="2"/></pattern></defs>
<rect width="%d" height="%d" fill="#ffffff"/>
`, width, height, width, height, html.EscapeString(title), html.EscapeString(about), width, height)
	text(&b, plotMargin, 34, `font-size="20" font-weight="600"`, title)
	text(&b, plotMargin, 54, "", about+" Across: severity of the defect (1 is clearly bad); up: share of units caught.")
	r.legend(&b, plotMargin, 78)
	for i, d := range graded {
		x := plotMargin + (i%plotColumns)*panelWidth
		y := plotHead + (i/plotColumns)*panelHeight
		fmt.Fprintf(&b, "<g transform=\"translate(%d %d)\" role=\"img\" aria-label=\"%s\">\n", x, y, html.EscapeString(d.inWords()))
		d.panel(&b)
		b.WriteString("</g>\n")
	}
	if len(flat) > 0 {
		text(&b, plotMargin, foot+22, `font-size="13" font-weight="600"`, "There or not, whatever the severity")
		for i, line := range flat {
			text(&b, plotMargin+(i%2)*2*panelWidth, foot+44+18*(i/2), "", line)
		}
	}
	b.WriteString("</svg>\n")
	return []byte(b.String())
}

// text writes one line of text; x and y are its left end and base line.
func text(b *strings.Builder, x, y int, attributes, s string) {
	if attributes != "" {
		attributes = " " + attributes
	}
	fmt.Fprintf(b, "<text x=\"%d\" y=\"%d\"%s>%s</text>\n", x, y, attributes, html.EscapeString(s))
}

const (
	curveColour = "#0b4f8a"
	missColour  = "#b3400a"
)

func (r *rehearsalResult) legend(b *strings.Builder, x, y int) {
	fmt.Fprintf(b, "<g aria-hidden=\"true\">\n")
	fmt.Fprintf(b, `<line x1="%d" y1="%d" x2="%d" y2="%d" stroke="%s" stroke-width="2"/>`, x, y-4, x+26, y-4, curveColour)
	text(b, x+32, y, "", "share caught (logistic in log severity)")
	dot(b, float64(x+293), float64(y-4), float64(y-13), float64(y+5))
	text(b, x+304, y, "", "one severity of the sweep, with its 95 % interval")
	edge(b, float64(x+620), float64(y-4), float64(x+602), float64(x+638), true)
	text(b, x+646, y, "", "half caught,")
	edge(b, float64(x+738), float64(y-4), float64(x+720), float64(x+756), false)
	text(b, x+764, y, "", "95 % caught, with 95 % intervals")
	y += 24
	fmt.Fprintf(b, `<rect x="%d" y="%d" width="26" height="14" fill="url(#must)" stroke="#7d8a99" stroke-width="0.5"/>`, x, y-11)
	text(b, x+32, y, "", "from here on it must be caught")
	fmt.Fprintf(b, `<path d="M%d %dv7m3 -7v7m5 -7v7" stroke="#4a5662" fill="none"/>`, x+288, y-8)
	text(b, x+304, y, "", "units of the population that were caught (above) or passed where they may (below)")
	cross(b, float64(x+816), float64(y-4))
	text(b, x+826, y, "", "escaped: had to be caught")
	b.WriteString("</g>\n")
}

// panel draws one defect.
func (d *defectResult) panel(b *strings.Builder) {
	const w, h = panelWidth - panelLeft - panelRight, panelHeight - panelTop - panelBottom
	last := sweepStep * sweepSteps
	px := func(severity float64) float64 { return panelLeft + w*min(severity, last)/last }
	py := func(share float64) float64 { return panelTop + h*(1-share) }
	text(b, panelLeft, 18, `font-size="13" font-weight="600"`, d.Name)
	text(b, panelLeft, 33, `fill="#4a5662"`, d.subtitle())
	if n := d.Missed + d.SweepMissed.Count; n > 0 {
		text(b, panelWidth-panelRight, 18, `text-anchor="end" font-weight="600" fill="`+missColour+`"`, fmt.Sprintf("%d missed", n))
	}
	if d.MustCatch < last {
		fmt.Fprintf(b, "<rect x=\"%.1f\" y=\"%.1f\" width=\"%.1f\" height=\"%d\" fill=\"url(#must)\"/>\n", px(d.MustCatch), py(1), px(last)-px(d.MustCatch), h)
	}
	fmt.Fprintf(b, "<path d=\"M%d %.1fV%.1fH%.1f\" fill=\"none\" stroke=\"#7d8a99\"/>\n", panelLeft, py(1), py(0), px(last))
	fmt.Fprintf(b, "<path d=\"M%d %.1fH%.1f\" fill=\"none\" stroke=\"#c3ccd6\" stroke-dasharray=\"2 3\"/>\n", panelLeft, py(0.5), px(last))
	for _, share := range []float64{0, 0.5, 1} {
		text(b, panelLeft-6, int(py(share))+4, `text-anchor="end" fill="#4a5662"`, fmt.Sprintf("%.0f %%", 100*share))
	}
	for _, s := range []float64{0, 0.5, 1, 1.5} {
		fmt.Fprintf(b, "<path d=\"M%.1f %.1fv4\" stroke=\"#7d8a99\"/>", px(s), py(0))
		text(b, int(px(s)), panelHeight-panelBottom+16, `text-anchor="middle" fill="#4a5662"`, severity(s))
	}
	var caught, passed strings.Builder
	for _, m := range d.rug {
		switch {
		case m.severity > last:
		case m.caught:
			fmt.Fprintf(&caught, "M%.1f %.1fv-6", px(m.severity), py(1)-2)
		case m.severity < d.MustCatch-1e-9:
			fmt.Fprintf(&passed, "M%.1f %.1fv-6", px(m.severity), py(0)-1)
		}
	}
	if s := caught.String() + passed.String(); s != "" {
		fmt.Fprintf(b, "<path d=\"%s\" stroke=\"#4a5662\" stroke-width=\"0.8\" fill=\"none\"/>\n", s)
	}
	for _, s := range d.Sweep {
		if s.Units == 0 {
			continue
		}
		low, high := measure.Wilson(s.Caught, s.Units, 0.95)
		dot(b, px(s.Severity), py(float64(s.Caught)/float64(s.Units)), py(high), py(low))
	}
	if len(d.curve) > 0 {
		var path strings.Builder
		for i, s := range curveSeverities() {
			fmt.Fprintf(&path, "%c%.1f %.1f", "ML"[min(i, 1)], px(s), py(d.curve[i]))
		}
		fmt.Fprintf(b, "<path d=\"%s\" fill=\"none\" stroke=\"%s\" stroke-width=\"2\" stroke-linejoin=\"round\"/>\n", path.String(), curveColour)
	}
	if d.Edge != nil {
		for i, e := range []edgeResult{d.Edge.Half, d.Edge.Most} {
			high := last
			if e.High != nil {
				high = *e.High
			}
			if e.Bound == "" {
				edge(b, px(e.At), py([]float64{0.5, 0.95}[i]), px(e.Low), px(high), i == 0)
			}
		}
	}
	for _, m := range d.rug {
		if !m.caught && m.severity <= last && m.severity >= d.MustCatch-1e-9 {
			cross(b, px(m.severity), py(0)-6)
		}
	}
}

// dot is a share with its interval, a thin line from top to bottom.
func dot(b *strings.Builder, x, y, top, bottom float64) {
	fmt.Fprintf(b, "<path d=\"M%.1f %.1fV%.1f\" stroke=\"#ccd4dc\" stroke-width=\"1\"/><circle cx=\"%.1f\" cy=\"%.1f\" r=\"2.6\" fill=\"#ffffff\" stroke=\"#4a5662\" stroke-width=\"1.2\"/>\n", x, top, bottom, x, y)
}

// edge is a severity with its interval, a thick line from left to right with
// an open (half) or filled (95 %) diamond on it.
func edge(b *strings.Builder, x, y, left, right float64, open bool) {
	fill := curveColour
	if open {
		fill = "#ffffff"
	}
	fmt.Fprintf(b, "<path d=\"M%.1f %.1fH%.1f\" stroke=\"%s\" stroke-width=\"3\" stroke-opacity=\"0.45\"/><path d=\"M%.1f %.1fl5 -5 5 5 -5 5z\" fill=\"%s\" stroke=\"%s\" stroke-width=\"1.5\"/>\n",
		left, y, right, curveColour, x-5, y, fill, curveColour)
}

// cross is a unit that escaped.
func cross(b *strings.Builder, x, y float64) {
	fmt.Fprintf(b, "<path d=\"M%.1f %.1fl8 8m0 -8l-8 8\" stroke=\"%s\" stroke-width=\"2.2\" fill=\"none\"/>\n", x-4, y-4, missColour)
}

// subtitle is the second line of a panel.
func (d *defectResult) subtitle() string {
	s := d.Check + "; "
	switch {
	case d.Edge == nil:
		return s + "not tried"
	case d.Edge.Most.Bound == "more":
		return s + "95 % beyond " + severity(d.Edge.Most.At)
	case d.Edge.Most.Bound == "less":
		return s + "95 % below " + severity(d.Edge.Most.At)
	}
	return s + "95 % at " + d.Edge.Most.String()
}

// inWords is what a panel shows.
func (d *defectResult) inWords() string {
	s := fmt.Sprintf("%s, %s, must be caught from severity %s on", d.Name, d.About, severity(d.MustCatch))
	if d.Edge != nil {
		s += fmt.Sprintf("; half are caught at %s, 95 %% at %s", d.Edge.Half, d.Edge.Most)
	}
	return s + fmt.Sprintf("; of those that must be caught %d of %d of the population and %d of %d of the sweep were missed", d.Missed, d.Units, d.SweepMissed.Count, d.SweepMissed.Of)
}

// flatLine is a defect without severities, in words.
func (d *defectResult) flatLine() string {
	n, k := 0, 0
	for _, s := range d.Sweep {
		n, k = n+s.Units, k+s.Caught
	}
	line := fmt.Sprintf("%s (%s): %d of %d of the population caught, %d of %d of the sweep", d.Name, d.Check, d.Caught, d.Units, k, n)
	if d.Missed > 0 || k < n {
		line += ": MISSED " + fmt.Sprint(d.Missed+n-k)
	}
	return line
}

// rugMark is one unit of the population with this defect alone.
type rugMark struct {
	severity float64
	caught   bool
}

// rug lists the population's units with one defect, in order of number.
func rug(units []*rehearsedUnit, defect string, caught func(*rehearsedUnit) bool) (list []rugMark) {
	for _, u := range units {
		if u.defect == nil {
			list = append(list, rugMark{math.Round(1000*u.severityOf(defect)) / 1000, caught(u)})
		}
	}
	return list
}

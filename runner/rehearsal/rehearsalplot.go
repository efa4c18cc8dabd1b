package rehearsal

import (
	"fmt"
	"math"

	"fullthrow/reports/draw"
	"fullthrow/reports/statistics"
)

// Svg draws the share caught against severity, one panel a kind of defect. It
// is one text without anything from outside; each panel says in words what it
// shows, and nothing is told by colour alone.
func (r *rehearsalResult) SVG() []byte {
	about := fmt.Sprintf("%d simulated units of the population and %d with one defect each, seed %d. Invented data.",
		r.Population.Units, r.swept(), r.Seed)
	f := draw.Figure{
		Title: fmt.Sprintf("%s: what the plan catches", r.titles.product),
		Desc: about + " Share of units caught against the severity of their defect, one panel for each kind of " +
			"defect, with the severities at which half and 95 % are caught.",
		Notes: []string{about, "Across: severity of the defect (1 is clearly bad); up: share of units caught."},
		Width: 1280, Columns: 4,
		Keys: []draw.Key{{Shape: "line", Words: "share caught (logistic in log severity)"},
			{Shape: "quiet", Words: "one severity of the sweep, with its 95 % interval"},
			{Shape: "open", Words: "half caught,"}, {Shape: "most", Words: "95 % caught, with 95 % intervals"},
			{Shape: "band calm", Words: "from here on it must be caught"},
			{Shape: "tick", Words: "units of the population that were caught (above) or passed where they may (below)"},
			{Shape: "cross", Words: "escaped: had to be caught"}},
	}
	for _, d := range r.Defects {
		if d.Graded {
			f.Panels = append(f.Panels, d.panel())
			continue
		}
		if len(f.Foot) == 0 {
			f.Foot = []string{"There or not, whatever the severity:"}
		}
		f.Foot = append(f.Foot, d.flatLine())
	}
	return f.File(draw.Plain{})
}

// panel draws one defect.
func (d *defectResult) panel() draw.Panel {
	const last = sweepStep * sweepSteps
	p := draw.Panel{Title: d.Name, Sub: d.subtitle(), Desc: d.inWords(), Height: 196,
		X: draw.Axis{From: 0, To: last}, Y: draw.Axis{Unit: draw.Percent, From: 0, To: 1}}
	if n := d.Missed + d.SweepMissed.Count; n > 0 {
		p.Flag = fmt.Sprintf("%d missed", n)
	}
	if d.MustCatch < last {
		p.Zones = []draw.Zone{{From: d.MustCatch, To: last, Class: "band calm"}}
	}
	curve, units, escaped := draw.Line{Class: "line"}, draw.Line{Shape: "tick"}, draw.Line{Shape: "cross"}
	for _, m := range d.rug {
		switch {
		case m.severity > last:
		case m.caught:
			units.Add(m.severity, 1.02)
		case m.severity < d.MustCatch-1e-9:
			units.Add(m.severity, 0)
		default:
			escaped.Add(m.severity, 0.05)
		}
	}
	for _, s := range d.Sweep {
		if s.Units > 0 {
			low, high := statistics.Wilson(float64(s.Caught), float64(s.Units), 0.95)
			share := float64(s.Caught) / float64(s.Units)
			p.Points = append(p.Points, draw.Point{X: s.Severity, Y: share, Low: low, High: high, Shape: "quiet"})
		}
	}
	for i, y := range d.curve {
		curve.Add(curveSeverities()[i], y)
	}
	p.Lines = []draw.Line{units, curve, escaped}
	if d.Edge != nil {
		for i, e := range []edgeResult{d.Edge.Half, d.Edge.Most} {
			high := last
			if e.High != nil {
				high = min(*e.High, last)
			}
			if e.Bound == "" && e.At <= last {
				p.Points = append(p.Points, draw.Point{X: e.At, Y: []float64{0.5, 0.95}[i], XLow: e.Low, XHigh: high,
					Shape: []string{"open", "most"}[i]})
			}
		}
	}
	return p
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
	return s + fmt.Sprintf("; of those that must be caught %d of %d of the population and %d of %d of the sweep "+
		"were missed", d.Missed, d.Units, d.SweepMissed.Count, d.SweepMissed.Of)
}

// flatLine is a defect without severities, in words.
func (d *defectResult) flatLine() string {
	n, k := 0, 0
	for _, s := range d.Sweep {
		n, k = n+s.Units, k+s.Caught
	}
	line := fmt.Sprintf("%s (%s): %d of %d of the population caught, %d of %d of the sweep", d.Name, d.Check, d.Caught,
		d.Units, k, n)
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

package rehearsal

import (
	"encoding/json"
	"fmt"
	"io"
	"math"
	"reflect"
	"time"

	"fullthrow/reports"
	"fullthrow/reports/draw"
	"fullthrow/reports/statistics"
)

// rehearsalSchema names the layout of the JSON.
const rehearsalSchema = "fullthrow-rehearsal/1"

// rehearsalResult is what a rehearsal found. It depends on the files and the
// seed only: not on the time it took, nor on the number of nests.
type rehearsalResult struct {
	Schema   string           `json:"schema"`
	Product  string           `json:"product"`
	Revision string           `json:"revision"`
	Software string           `json:"software"`
	Sources  []reports.Source `json:"sources"` // plan, limits, bench, population
	Seed     uint64           `json:"seed"`
	Asked    int              `json:"asked"` // units to be made
	Done     int              `json:"done"`

	Population populationResult `json:"population"`
	// Escapes are units that had to be caught and passed, of all that had to be:
	// of the population, or without one of the sweep. FalseRejects are sound
	// units that failed, of all good ones. NotJudged are units of any kind
	// whose outcome is error.
	Escapes      shareResult  `json:"escapes"`
	FalseRejects shareResult  `json:"false_rejects"`
	NotJudged    []unitResult `json:"not_judged"`
	Kept         bool         `json:"kept"` // both shares are as allowed and every unit was judged

	Defects []defectResult `json:"defects"` // in the order of the population file
	Escaped []unitResult   `json:"escaped"` // of the population
	Limits  []limitResult  `json:"limits"`  // in the order of the limits file, one a limit and side
	Cycle   cycleResult    `json:"cycle"`

	titles rehearsalTitles
}

// Type is the type of a rehearsal's JSON, for schemas; Schema names its layout.
func Type() (t reflect.Type, schema string) {
	return reflect.TypeFor[rehearsalResult](), rehearsalSchema
}

// rehearsalTitles is what only people read.
type rehearsalTitles struct {
	product, plan, limits, population string
	took                              time.Duration
}

// populationResult counts the population's units.
type populationResult struct {
	Units     int `json:"units"`
	Good      int `json:"good"`
	Defective int `json:"defective"`
	MustCatch int `json:"must_catch"` // with a defect at or beyond the stated severity
}

// shareResult is a share of units beside what is allowed.
type shareResult struct {
	Count   int     `json:"count"`
	Of      int     `json:"of"`
	Share   float64 `json:"share"` // 0 of 0 is 0
	Low     float64 `json:"low"`   // 95 %, Clopper-Pearson
	High    float64 `json:"high"`
	Allowed float64 `json:"allowed"`
	Kept    bool    `json:"kept"`
}

func newShare(k, n int, allowed float64) shareResult {
	s := shareResult{Count: k, Of: n, Allowed: allowed}
	s.Low, s.High = statistics.ClopperPearson(float64(k), float64(n), 0.95)
	if n > 0 {
		s.Share = float64(k) / float64(n)
	}
	s.Kept = s.Share <= allowed
	return s
}

// defectResult is how one kind of defect fared.
type defectResult struct {
	Name      string  `json:"name"`
	About     string  `json:"about"`
	Check     string  `json:"check"`  // that must catch it
	Graded    bool    `json:"graded"` // false: it is there or not, whatever its severity
	MustCatch float64 `json:"must_catch"`
	// Of the population: units with this defect at or beyond MustCatch, perhaps
	// with others.
	Units       int `json:"units"`
	Caught      int `json:"caught"`
	Missed      int `json:"missed"`
	Elsewhere   int `json:"elsewhere"` // with no other defect, and caught, but not by Check
	Below       int `json:"below"`     // units below MustCatch
	BelowCaught int `json:"below_caught"`

	Sweep       []stepResult      `json:"sweep"`
	SweepMissed shareResult       `json:"sweep_missed"` // at or beyond MustCatch
	Edge        *edgesResult      `json:"edge,omitempty"`
	Checks      []checkEdgeResult `json:"checks"`
	Nearest     []missResult      `json:"nearest"` // the worst misses at or beyond MustCatch

	curve []float64 // at curveSeverities
	rug   []rugMark
}

// stepResult is one severity of a sweep.
type stepResult struct {
	Severity float64 `json:"severity"`
	Units    int     `json:"units"` // judged
	Caught   int     `json:"caught"`
}

// edgesResult is from which severity on a defect is caught.
type edgesResult struct {
	Half edgeResult `json:"half"` // half of the units are caught
	Most edgeResult `json:"most"` // 95 % are
}

// edgeResult is a severity with its 95 % interval. Bound is "less" where it
// lies below, "more" where it lies beyond the severities tried; Low is 0 and
// High null where the interval goes beyond them.
type edgeResult struct {
	At    float64  `json:"at"`
	Bound string   `json:"bound,omitempty"`
	Low   float64  `json:"low"`
	High  *float64 `json:"high"`
}

// checkEdgeResult is what one check sees of a kind of defect, by itself.
type checkEdgeResult struct {
	Check  string       `json:"check"`
	Units  int          `json:"units"` // with this defect alone on which the check ran
	Caught int          `json:"caught"`
	Edge   *edgesResult `json:"edge,omitempty"`
}

// unitResult is one unit.
type unitResult struct {
	Index   int           `json:"index"` // in the population, or in its step of the sweep
	Sweep   bool          `json:"sweep,omitempty"`
	Defects []givenResult `json:"defects"`
	Reason  string        `json:"reason,omitempty"`
	Nearest []missResult  `json:"nearest,omitempty"`
}

type givenResult struct {
	Name     string  `json:"name"`
	Severity float64 `json:"severity"`
}

// missResult is a reading that should have broken its limit and did not.
type missResult struct {
	Severity float64 `json:"severity"`
	Reading  string  `json:"reading"`
	Value    float64 `json:"value"`
	Limit    float64 `json:"limit"`
	Unit     string  `json:"unit"`
	Left     float64 `json:"left"` // of the room between good units' median (0: 1) and the limit
}

// limitResult is one side of a limit beside the good units and those that it
// must catch. Limits that several readings share (each) are taken together.
type limitResult struct {
	Limit    string  `json:"limit"` // "sticks.*_noise" where several readings share it
	Line     int     `json:"line"`  // in the limits file
	Side     string  `json:"side"`  // "lower" or "upper"; "equal" for the others
	At       float64 `json:"at"`
	Unit     string  `json:"unit"`
	Rejected int     `json:"rejected"` // good units that broke it, of either side where it is no number
	Good     int     `json:"good"`     // good units with the reading
	Median   float64 `json:"median"`   // of good units
	Worst    float64 `json:"worst"`    // of good units, towards this side
	Left     float64 `json:"left"`     // of the room between Median and the limit, at Worst; below 0: beyond
	// Mildest is the unit nearest to passing of those that must be caught and
	// that no other limit catches: the limit cannot be moved beyond it. Units
	// that escaped count where they should have been caught.
	Mildest *mildestResult `json:"mildest,omitempty"`
}

type mildestResult struct {
	Value   float64       `json:"value"` // the reading farthest out
	Defects []givenResult `json:"defects"`
	Units   int           `json:"units"` // that this limit alone must catch
}

// cycleResult is how long a unit takes on the bench, handling not included.
type cycleResult struct {
	Units     int          `json:"units"` // judged, of the population or without one of the sweep
	Mean      float64      `json:"mean"`  // s
	P95       float64      `json:"p95"`
	Max       float64      `json:"max"`
	CycleTime float64      `json:"cycle_time"` // s; 0: the plan states none
	Over      int          `json:"over"`
	Checks    []checkCycle `json:"checks"` // in the order of the plan
	Rest      float64      `json:"rest"`   // s: getting ready and making safe
}

type checkCycle struct {
	Check string  `json:"check"`
	Mean  float64 `json:"mean"` // s, of the units on which it ran
	P95   float64 `json:"p95"`
	Max   float64 `json:"max"`
	Units int     `json:"units"`
	Share float64 `json:"share"` // of all units' time
}

func (r *rehearsalResult) WriteJSON(w io.Writer) error {
	e := json.NewEncoder(w)
	e.SetIndent("", "  ")
	return e.Encode(r)
}

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

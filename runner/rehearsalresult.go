package main

import (
	"encoding/json"
	"io"
	"math"
	"path"
	"slices"
	"strings"
	"time"

	"fullthrow/drivers/sim"
	"fullthrow/reports"
	"fullthrow/runner/measure"
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
	// units that failed, of all sound ones. NotJudged are units of any kind
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

// rehearsalTitles is what only people read.
type rehearsalTitles struct {
	product, plan, limits, population string
	took                              time.Duration
}

// populationResult counts the population's units.
type populationResult struct {
	Units     int `json:"units"`
	Sound     int `json:"sound"`
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
	s.Low, s.High = measure.ClopperPearson(k, n, 0.95)
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
	Left     float64 `json:"left"` // of the room between sound units' median (0: 1) and the limit
}

// limitResult is one side of a limit beside the sound units and those that it
// must catch. Limits that several readings share (each) are taken together.
type limitResult struct {
	Limit    string  `json:"limit"` // "sticks.*_noise" where several readings share it
	Line     int     `json:"line"`  // in the limits file
	Side     string  `json:"side"`  // "lower" or "upper"; "equal" for the others
	At       float64 `json:"at"`
	Unit     string  `json:"unit"`
	Rejected int     `json:"rejected"` // sound units that broke it, of either side where it is no number
	Sound    int     `json:"sound"`    // sound units with the reading
	Median   float64 `json:"median"`   // of sound units
	Worst    float64 `json:"worst"`    // of sound units, towards this side
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
	Units    int          `json:"units"` // judged, of the population or without one of the sweep
	Mean     float64      `json:"mean"`  // s
	P95      float64      `json:"p95"`
	Max      float64      `json:"max"`
	Takt     float64      `json:"takt"` // s; 0: the plan states none
	OverTakt int          `json:"over_takt"`
	Checks   []checkCycle `json:"checks"` // in the order of the plan
	Rest     float64      `json:"rest"`   // s: getting ready and making safe
}

type checkCycle struct {
	Check string  `json:"check"`
	Mean  float64 `json:"mean"` // s, of the units on which it ran
	P95   float64 `json:"p95"`
	Max   float64 `json:"max"`
	Units int     `json:"units"`
	Share float64 `json:"share"` // of all units' time
}

func (r *rehearsalResult) writeJSON(w io.Writer) error {
	e := json.NewEncoder(w)
	e.SetIndent("", "  ")
	return e.Encode(r)
}

// curveSeverities are where the curve of detection is drawn.
func curveSeverities() []float64 {
	var x []float64
	for i := 4; i <= sweepSteps*4; i++ {
		x = append(x, sweepStep*float64(i)/4)
	}
	return x
}

// result counts what the rehearsal has seen.
func (h *rehearsal) result() (*rehearsalResult, error) {
	r := &rehearsalResult{
		Schema: rehearsalSchema, Product: h.method.product.Product, Revision: h.method.product.Revision, Software: software(),
		Sources: append(append([]reports.Source{source(h.bench.name, h.bench.data)}, h.method.plan.Sources...), h.method.sources...),
		Seed:    h.options.seed, Asked: len(h.jobs), Done: h.done,
		NotJudged: []unitResult{}, Escaped: []unitResult{},
		titles: rehearsalTitles{product: h.method.product.Title, plan: h.method.planAt, limits: h.method.limitsAt, population: h.populationAt, took: h.took},
	}
	typical := h.typical()
	var escaped, must, wrong, sound int // of what is counted
	for _, u := range h.units {
		if u == nil {
			continue
		}
		if u.outcome != reports.Passed && u.outcome != reports.Failed {
			r.NotJudged = append(r.NotJudged, h.unit(u, true, typical))
			continue
		}
		if u.defect == nil && !u.sound {
			r.Population.Units++
		}
		mustCatch := h.mustCatch(u)
		switch {
		case u.defect != nil && h.options.units > 0:
		case len(u.given) == 0:
			sound++
			if u.outcome == reports.Failed {
				wrong++
			}
		default:
			if u.defect == nil {
				r.Population.Defective++
			}
			if !mustCatch {
				break
			}
			must++
			if u.outcome == reports.Passed {
				escaped++
				if u.defect == nil {
					r.Escaped = append(r.Escaped, h.unit(u, false, typical))
				}
			}
		}
	}
	if h.options.units > 0 {
		r.Population.Sound, r.Population.MustCatch = sound, must
	}
	r.Escapes = newShare(escaped, must, h.options.escapes/100)
	r.FalseRejects = newShare(wrong, sound, h.options.rejects/100)
	r.Kept = r.Escapes.Kept && r.FalseRejects.Kept && len(r.NotJudged) == 0 && r.Done == r.Asked
	for _, s := range h.people.Defect {
		d, err := h.defect(s, typical)
		if err != nil {
			return nil, err
		}
		r.Defects = append(r.Defects, d)
	}
	r.Limits = h.limits(typical)
	var err error
	r.Cycle, err = h.cycle()
	return r, err
}

// defect counts one kind of defect.
func (h *rehearsal) defect(s sim.Share, typical []float64) (defectResult, error) {
	kind, err := sim.DefectNamed(s.Name)
	if err != nil {
		return defectResult{}, err
	}
	d := defectResult{Name: kind.Name, About: kind.About, Check: kind.Check, Graded: kind.Graded(), MustCatch: *s.MustCatch,
		Sweep: []stepResult{}, Checks: []checkEdgeResult{}, Nearest: []missResult{}}
	var alone []*rehearsedUnit // units with this defect and no other
	sweepMust, sweepMissed := 0, 0
	for _, u := range h.units {
		if u == nil || u.outcome != reports.Passed && u.outcome != reports.Failed {
			continue
		}
		severity := u.severityOf(kind.Name)
		if severity == 0 {
			continue
		}
		if len(u.given) == 1 {
			alone = append(alone, u)
		}
		caught, must := u.outcome == reports.Failed, severity >= d.MustCatch-1e-9
		switch {
		case u.defect != nil:
			if n := len(d.Sweep); n == 0 || d.Sweep[n-1].Severity != u.severity {
				d.Sweep = append(d.Sweep, stepResult{Severity: u.severity})
			}
			step := &d.Sweep[len(d.Sweep)-1]
			step.Units++
			if caught {
				step.Caught++
			}
			if must {
				sweepMust++
				if !caught {
					sweepMissed++
				}
			}
		case !must:
			d.Below++
			if caught {
				d.BelowCaught++
			}
		default:
			d.Units++
			if !caught {
				d.Missed++
				break
			}
			d.Caught++
			if len(u.given) == 1 && !h.caughtBy(u, kind.Check) {
				d.Elsewhere++
			}
		}
		if must && !caught {
			d.Nearest = append(d.Nearest, h.misses(u, kind, severity, typical)...)
		}
	}
	d.SweepMissed = newShare(sweepMissed, sweepMust, 0)
	// The farthest from being caught first: that is what must change.
	slices.SortStableFunc(d.Nearest, func(a, b missResult) int { return compare(b.Left, a.Left) })
	d.Nearest = d.Nearest[:min(len(d.Nearest), 3)]

	failed := func(u *rehearsedUnit) bool { return u.outcome == reports.Failed }
	d.rug = rug(alone, kind.Name, failed)
	if d.Graded {
		if d.Edge, d.curve, err = edges(alone, kind.Name, failed); err != nil {
			return d, err
		}
	}
	for i, c := range h.method.plan.Checks {
		var ran []*rehearsedUnit // a check that did not run has not missed anything
		k := checkEdgeResult{Check: c.Name}
		for _, u := range alone {
			if u.checks[i] < 0 {
				continue
			}
			ran = append(ran, u)
			if h.caughtBy(u, c.Name) {
				k.Caught++
			}
		}
		if k.Caught == 0 {
			continue
		}
		k.Units = len(ran)
		if d.Graded {
			if k.Edge, _, err = edges(ran, kind.Name, func(u *rehearsedUnit) bool { return h.caughtBy(u, c.Name) }); err != nil {
				return d, err
			}
		}
		d.Checks = append(d.Checks, k)
	}
	return d, nil
}

// edges fits the curve of detection to units with one defect. It needs two
// severities at least, else there is no edge. A defect of severity 0 is none
// and is not caught, so the curve is one of the severity's logarithm.
func edges(units []*rehearsedUnit, defect string, caught func(*rehearsedUnit) bool) (*edgesResult, []float64, error) {
	var tried []measure.Tried
	severities := map[float64]bool{}
	for _, u := range units {
		t := measure.Tried{At: math.Log(u.severityOf(defect)), Trials: 1}
		if caught(u) {
			t.Caught = 1
		}
		tried = append(tried, t)
		severities[t.At] = true
	}
	if len(severities) < 2 {
		return nil, nil, nil
	}
	var at []float64
	for _, x := range curveSeverities() {
		at = append(at, math.Log(x))
	}
	found, err := measure.Detection(tried, measure.DetectionOptions{Curve: at})
	if err != nil {
		return nil, nil, err
	}
	return &edgesResult{newEdge(found.Edges[0], tried), newEdge(found.Edges[1], tried)}, found.Curve, nil
}

func newEdge(e measure.Edge, tried []measure.Tried) edgeResult {
	low, high := math.Inf(1), math.Inf(-1)
	for _, t := range tried {
		low, high = min(low, t.At), max(high, t.At)
	}
	three := func(log float64) float64 { return math.Round(1000*math.Exp(log)) / 1000 }
	r := edgeResult{At: three(min(max(e.At, low), high)), Low: three(e.Low)} // exp(-Inf) is 0
	switch {
	case math.IsInf(e.At, -1):
		r.Bound = "less"
	case math.IsInf(e.At, 1):
		r.Bound = "more"
	}
	if !math.IsInf(e.Low, 0) {
		r.Low = three(e.Low)
	} else if e.Low > 0 {
		r.Low = three(high)
	}
	if !math.IsInf(e.High, 1) {
		v := three(max(e.High, low))
		r.High = &v
	}
	return r
}

// severityOf is the severity at which a unit has a defect, 0 if it does not.
func (u *rehearsedUnit) severityOf(defect string) float64 {
	for _, g := range u.given {
		if g.Name == defect {
			return g.Severity
		}
	}
	return 0
}

// caughtBy says whether a reading of the check broke its limit.
func (h *rehearsal) caughtBy(u *rehearsedUnit, check string) bool {
	return slices.ContainsFunc(u.failed, func(k int) bool { return h.limit[k] != nil && h.limit[k].Check == check })
}

func (h *rehearsal) unit(u *rehearsedUnit, reason bool, typical []float64) unitResult {
	r := unitResult{Index: u.index, Sweep: u.defect != nil, Defects: []givenResult{}}
	if reason {
		r.Reason = u.reason
	}
	for _, g := range u.given {
		r.Defects = append(r.Defects, givenResult{g.Name, math.Round(1000*g.Severity) / 1000})
		if kind, err := sim.DefectNamed(g.Name); err == nil && !reason {
			r.Nearest = append(r.Nearest, h.misses(u, kind, g.Severity, typical)...)
		}
	}
	return r
}

// typical is the median of each reading on sound units; NaN
// where none was taken.
func (h *rehearsal) typical() []float64 {
	out := make([]float64, len(h.limit))
	for k := range out {
		values := h.soundValues(k)
		out[k] = math.NaN()
		if len(values) > 0 {
			slices.Sort(values)
			out[k] = values[len(values)/2]
		}
	}
	return out
}

// soundValues lists a reading's values on sound units.
func (h *rehearsal) soundValues(k int) []float64 {
	var values []float64
	for _, u := range h.units {
		if u != nil && len(u.given) == 0 && !math.IsNaN(u.values[k]) {
			values = append(values, u.values[k])
		}
	}
	return values
}

// position says where x stands between what is typical (0) and the limit (1),
// on the side where it is farther out, and which side that is: "lower" or
// "upper". ok is false where the limit is no number or nothing is typical.
func position(x, typical float64, l *reports.Limit) (at float64, side string, ok bool) {
	if l == nil || math.IsNaN(x) || math.IsNaN(typical) {
		return 0, "", false
	}
	at = math.Inf(-1)
	if l.Upper != nil && *l.Upper > typical {
		at, side, ok = (x-typical)/(*l.Upper-typical), "upper", true
	}
	if l.Lower != nil && *l.Lower < typical {
		if p := (typical - x) / (typical - *l.Lower); p > at {
			at, side, ok = p, "lower", true
		}
	}
	return at, side, ok
}

// expected lists the limits that a defect is expected to break.
func (h *rehearsal) expected(kind sim.Defect) (list []int) {
	for k, rd := range h.limit {
		if rd == nil || rd.Check != kind.Check {
			continue
		}
		if ok, err := path.Match(kind.Reading, rd.Name); ok && err == nil {
			list = append(list, k)
		}
	}
	return list
}

// farthest is the reading farthest out of those that a defect is expected to
// move; ok is false if none was taken.
func (h *rehearsal) farthest(u *rehearsedUnit, kind sim.Defect, typical []float64) (k int, at float64, side string, ok bool) {
	at = math.Inf(-1)
	for _, i := range h.expected(kind) {
		if p, s, found := position(u.values[i], typical[i], h.limit[i].Limit); found && p > at {
			k, at, side, ok = i, p, s, true
		}
	}
	return k, at, side, ok
}

// misses is how near a unit came to being caught by the reading that is
// expected to show its defect.
func (h *rehearsal) misses(u *rehearsedUnit, kind sim.Defect, severity float64, typical []float64) []missResult {
	k, at, side, ok := h.farthest(u, kind, typical)
	if !ok {
		return nil
	}
	rd := h.limit[k]
	limit := *orLimit(rd.Limit, side)
	return []missResult{{Severity: math.Round(1000*severity) / 1000, Reading: rd.Check + "." + rd.Name, Value: u.values[k], Limit: limit, Unit: rd.Unit, Left: 1 - at}}
}

// orLimit is the limit's number on a side.
func orLimit(l *reports.Limit, side string) *float64 {
	if side == "lower" {
		return l.Lower
	}
	return l.Upper
}

// limits sets each limit beside the sound units and those it must catch.
func (h *rehearsal) limits(typical []float64) []limitResult {
	names := h.method.limits.Names()
	out := []limitResult{}
	type key struct {
		line int
		side string
	}
	index := map[key]int{}
	row := func(k int, side string) *limitResult {
		id := key{h.method.limits.Line(names[k]), side}
		if id.line == 0 {
			id.line = -1 - k
		}
		i, ok := index[id]
		if !ok {
			i = len(out)
			index[id] = i
			out = append(out, limitResult{Limit: names[k], Line: max(id.line, 0), Side: side, Left: math.Inf(1)})
		}
		out[i].Limit = together(out[i].Limit, names[k])
		return &out[i]
	}
	for k := range names {
		rd := h.limit[k]
		if rd == nil {
			continue
		}
		values := h.soundValues(k)
		broke := func(side string) (n int) {
			for _, u := range h.units {
				if u != nil && len(u.given) == 0 && slices.Contains(u.failed, k) {
					if at, s, ok := position(u.values[k], typical[k], rd.Limit); side == "equal" || ok && s == side && at >= 1 {
						n++
					}
				}
			}
			return n
		}
		sides := []string{}
		if rd.Limit.Lower != nil {
			sides = append(sides, "lower")
		}
		if rd.Limit.Upper != nil {
			sides = append(sides, "upper")
		}
		if len(sides) == 0 {
			sides = append(sides, "equal")
		}
		for _, side := range sides {
			l := row(k, side)
			l.Unit = rd.Unit
			l.Rejected += broke(side)
			l.Sound += len(values)
			if side == "equal" {
				l.Left = 0
				continue
			}
			l.At = *orLimit(rd.Limit, side)
			for _, x := range values {
				left := (l.At - x) / (l.At - typical[k])
				if l.At == typical[k] {
					left = 0
				}
				if left < l.Left {
					l.Left, l.Worst, l.Median = left, x, typical[k]
				}
			}
			if len(values) == 0 {
				l.Left = 0
			}
		}
	}
	h.mildest(row, typical)
	return out
}

// mildest enters, for each limit, the mildest unit that it alone must catch.
func (h *rehearsal) mildest(row func(int, string) *limitResult, typical []float64) {
	nearest := map[int]float64{} // by line and side
	for _, u := range h.units {
		if u == nil || u.outcome != reports.Passed && u.outcome != reports.Failed || !h.mustCatch(u) {
			continue
		}
		k, at, side, ok := h.alone(u, typical)
		if !ok {
			continue
		}
		l := row(k, side)
		id := 2 * l.Line
		if side == "lower" {
			id++
		}
		if l.Mildest == nil {
			l.Mildest = &mildestResult{}
			nearest[id] = math.Inf(1)
		}
		l.Mildest.Units++
		if at < nearest[id] {
			nearest[id] = at
			l.Mildest.Value, l.Mildest.Defects = u.values[k], h.unit(u, true, typical).Defects
		}
	}
}

// alone is the reading farthest out of the one limit that a unit breaks; of a
// unit that escaped, of the limit that it should have broken. ok is false where
// there are several such limits, or the limit is no number.
func (h *rehearsal) alone(u *rehearsedUnit, typical []float64) (k int, at float64, side string, ok bool) {
	if u.outcome == reports.Passed {
		for _, g := range u.given {
			kind, err := sim.DefectNamed(g.Name)
			if err != nil {
				continue
			}
			if i, p, s, found := h.farthest(u, kind, typical); found && (!ok || p > at) {
				k, at, side, ok = i, p, s, true
			}
		}
		return k, at, side, ok
	}
	names := h.method.limits.Names()
	line := -1
	for _, i := range u.failed {
		if h.limit[i] == nil {
			return 0, 0, "", false
		}
		if l := h.method.limits.Line(names[i]); line >= 0 && l != line {
			return 0, 0, "", false
		} else {
			line = l
		}
		p, s, found := position(u.values[i], typical[i], h.limit[i].Limit)
		if !found {
			return 0, 0, "", false
		}
		if !ok || p > at {
			k, at, side, ok = i, p, s, true
		}
	}
	return k, at, side, ok
}

// together is the pattern of two names that share a limit: what differs between
// them is a star.
func together(a, b string) string {
	if a == b {
		return a
	}
	if ok, err := path.Match(a, b); ok && err == nil && strings.Contains(a, "*") {
		return a
	}
	check, _, _ := strings.Cut(b, ".")
	rest, other := strings.TrimPrefix(a, check+"."), strings.TrimPrefix(b, check+".")
	n := 0 // of bytes that end both
	for n < len(rest) && n < len(other) && rest[len(rest)-1-n] == other[len(other)-1-n] {
		n++
	}
	tail := rest[len(rest)-n:]
	if _, after, ok := strings.Cut(tail, "_"); ok { // whole words only
		return check + ".*_" + after
	}
	return check + ".*"
}

// cycle is how long units took.
func (h *rehearsal) cycle() (cycleResult, error) {
	c := cycleResult{Takt: h.method.plan.Takt.Seconds(), Checks: []checkCycle{}}
	var all []float64
	byCheck := make([][]float64, len(h.method.plan.Checks))
	total, inChecks := 0.0, 0.0
	for _, u := range h.units {
		if u == nil || u.outcome != reports.Passed && u.outcome != reports.Failed || u.defect != nil && h.options.units > 0 {
			continue
		}
		t := u.took.Seconds()
		all = append(all, t)
		total += t
		if c.Takt > 0 && t > c.Takt {
			c.OverTakt++
		}
		for k, d := range u.checks {
			if d >= 0 {
				byCheck[k] = append(byCheck[k], d.Seconds())
				inChecks += d.Seconds()
			}
		}
	}
	if len(all) == 0 {
		return c, nil
	}
	c.Units = len(all)
	c.Mean, c.P95, c.Max = spread(all)
	c.Rest = (total - inChecks) / float64(len(all))
	for k, check := range h.method.plan.Checks {
		n := len(byCheck[k])
		if n == 0 {
			continue
		}
		k := checkCycle{Check: check.Name, Units: n}
		k.Mean, k.P95, k.Max = spread(byCheck[h.check[check.Name]])
		k.Share = k.Mean * float64(n) / total
		c.Checks = append(c.Checks, k)
	}
	return c, nil
}

// spread is mean, 95th percentile (nearest rank) and maximum of values, which
// must not be empty; it sorts them.
func spread(values []float64) (mean, p95, most float64) {
	slices.Sort(values)
	for _, v := range values {
		mean += v
	}
	n := len(values)
	return mean / float64(n), values[int(math.Ceil(0.95*float64(n)))-1], values[n-1]
}

func compare(a, b float64) int {
	switch {
	case a < b:
		return -1
	case a > b:
		return 1
	}
	return 0
}
